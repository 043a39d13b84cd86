"""Wheels as a set: rotated, swapped for the season, a flat repaired; slips said in a sentence."""

import pytest
from commandline import Run
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.errors import UsageError
from roadworn_cli.wheels import PATTERNS, read_moves


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["rotate", "front-to-rear"], "LF>LR, RF>RR, LR>LF, RR>RF"),
        (["rotate", "front", "to", "rear"], "LF>LR, RF>RR, LR>LF, RR>RF"),
        (["rotate", "CROSS"], "LF>RR"),
        (["rotate", "LF>LR LR>RF RF>LF"], "LF>LR, LR>RF, RF>LF"),
        (["rotate", "left front > spare, spare>LF"], ""),
        (["swap", "Winter", "--stored", "summer", "--at", "rack 12"], "stored at rack 12"),
        (["flat", "rr", "plug and patch"], "tire RR repaired"),
    ],
)
def test_what_was_done(shop: Run, words: list[str], told: str) -> None:
    done = shop("wheels", "bus-7", *words, "--odometer", "61,200 mi", "--on", "2026-06-01")
    if told:
        assert done.code == 0, done.err
        assert told in done.out
    else:
        assert done.code == 2
        assert "'LF>LR LR>RF RF>LF'" in done.err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["rotate"], "Say how they were rotated"),
        (["rotate", "sideways"], "front-to-rear"),
        (["rotate", "LF>LR"], "Nothing is said of the wheel"),
        (["rotate", "LF>LR LR>LF RF>LF"], "taken twice"),
        (["rotate", "LF>XX XX>LF"], "no position"),
        (["swap"], "which set"),
        (["flat"], "which tire"),
        (["turn"], "rotate"),
        (["rotate", "cross", "--stored", "summer"], "a rotation stores nothing"),
    ],
)
def test_slips(shop: Run, words: list[str], said: str) -> None:
    slip = shop("wheels", "bus-7", *words)
    assert slip.code == 2
    assert said in slip.err
    assert len(shop("history", "bus-7", "--format", "json").json()) == 1


def test_it_is_told_and_undone(shop: Run) -> None:
    assert "no wheel of bus-7 was moved" in shop("wheels", "bus-7").err
    shop("wheels", "bus-7", "swap", "winter", "--stored", "summer", "--on", "2026-06-01")
    shop("wheels", "bus-7", "rotate", "cross", "-o", "61,300 mi", "--on", "2026-06-02")
    told = shop("wheels", "bus-7")
    assert "On the vehicle now: winter." in told.err
    assert "winter on, summer off" in told.out
    assert shop("undo", "--yes").code == 0
    assert "LF>RR" not in shop("wheels", "bus-7").out
    lower = shop("wheels", "bus-7", "rotate", "cross", "-o", "600 mi", "--on", "2026-06-03")
    assert lower.code == 1
    assert "--sure" in lower.err


@given(st.permutations(["LF", "RF", "LR", "RR", "spare"]))
def test_every_permutation_is_a_rotation(places: list[str]) -> None:
    text = " ".join(f"{a}>{b}" for a, b in zip(sorted(places), places, strict=True))
    assert {one["to_place"] for one in read_moves(text)} == set(places)


@pytest.mark.parametrize("name", PATTERNS)
def test_a_usual_way_moves_each_of_four(name: str) -> None:
    moves = read_moves(PATTERNS[name])
    assert {one["from_place"] for one in moves} == {one["to_place"] for one in moves}
    assert len(moves) == 4


def test_a_wheel_that_is_left_over_is_refused() -> None:
    with pytest.raises(UsageError):
        read_moves("LF>RF")


@pytest.mark.parametrize("late", [False, True])
def test_two_swaps_of_one_day_are_in_the_order_of_the_odometer(shop: Run, late: bool) -> None:
    swaps = [
        ("winter", "summer", "rack 3", "61,200 mi"),
        ("summer", "winter", "rack 4", "61,380 mi"),
    ]
    for on, off, at, figure in reversed(swaps) if late else swaps:
        shop("wheels", "bus-7", "swap", on, "--stored", off, "--at", at, "-o", figure,
             "--on", "2026-06-01", "--sure")  # fmt: skip
    shop("wheels", "bus-9", "swap", "winter", "--on", "2026-06-01")
    told = shop("wheels", "bus-7")
    assert "On the vehicle now: summer. In storage: rack 4." in told.err
    shown = shop("wheels", "bus-7", "--format", "json").json()
    assert [row["what"] for row in shown] == ["summer on, winter off", "winter on, summer off"]


def test_two_swaps_of_one_day_without_a_figure_are_in_the_order_of_recording(shop: Run) -> None:
    for on, off in (("winter", "summer"), ("summer", "winter")):
        shop("wheels", "bus-7", "swap", on, "--stored", off, "--on", "2026-06-01")
    assert "On the vehicle now: summer." in shop("wheels", "bus-7").err


def test_the_day_names_the_place_of_the_day(shop: Run) -> None:
    """A tire was mended where it sat then, wherever its wheel goes afterwards."""
    assert shop("wheels", "bus-7", "flat", "RF", "plug and patch", "-o", "61,200 mi").code == 0
    assert shop("wheels", "bus-7", "rotate", "cross", "-o", "61,210 mi").code == 0
    assert "tire RF repaired" in shop("today").out
    found = shop("today", "--format", "json").json()
    assert isinstance(found, dict)
    assert [row["position"] for row in found["done"]] == ["RF"]
    asked = {row["position"] for row in found["untried"]}
    assert asked <= {"RF"}
    sql = "SELECT position, done_at FROM work_done"
    (row,) = shop("sql", sql, "--format", "json").json()
    assert (row["position"], row["done_at"]) == ("LR", "RF")
