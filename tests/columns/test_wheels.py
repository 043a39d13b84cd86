"""Tires move and their histories with them: whatever is asked follows the tire, not the place."""

from pathlib import Path

import pytest
from builders import enrolled, found, ledger_of, looked, reading, replaced
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.columns.view import open_view
from roadworn.columns.wheels import Change, Said, follow
from roadworn.model.events import NewEvent
from roadworn.testing import event

LIVES = ("SELECT position, lower_km, failed FROM part_lives "
         "WHERE component = 'wheel.tire' ORDER BY ALL")  # fmt: skip
PLACES = ("LF", "RF", "LR", "RR")


def rows(path: Path, query: str, **how: str) -> list[tuple[object, ...]]:
    with open_view(path, cache=False, **how) as view:  # type: ignore[arg-type]
        return view.sql(query).rows


def rotated(day: str, km: float, *moves: str) -> NewEvent:
    pairs = [dict(zip(("from_place", "to_place"), m.split(">"), strict=True)) for m in moves]
    return event("a", "wheels", day, odometer=km, unit="km", action="rotated", moves=pairs)


def swapped(day: str, km: float, fitted: str, stored: str | None = None) -> NewEvent:
    more = {"stored": stored} if stored else {}
    return event(
        "a", "wheels", day, odometer=km, unit="km", action="swapped", fitted=fitted, **more
    )


def tire(day: str, km: float, position: str, **more: object) -> NewEvent:
    return replaced("a", day, "wheel.tire", position=position, odometer=km, unit="km", **more)


START = enrolled("a", "2024-01-01", odometer=0.0, unit="km", vehicle_class="van")


def test_a_life_goes_on_where_the_tire_went(tmp_path: Path) -> None:
    path = ledger_of(tmp_path / "l.db", [
        START,
        tire("2024-02-01", 1000.0, "LF", reason="preventive"),
        rotated("2024-06-01", 11_000.0, "LF>LR", "LR>LF"),
        tire("2024-07-01", 12_000.0, "LF", reason="preventive"),
        tire("2024-12-01", 31_000.0, "LR", reason="worn_out"),
        reading("a", "2025-01-01", 40_000.0, "km"),
    ])  # fmt: skip
    assert rows(path, LIVES) == [
        ("LF", 28_000.0, False), ("LR", 9_000.0, False), ("LR", 30_000.0, True),
    ]  # fmt: skip
    # Before the rotation was known everything sat where it was said.
    told = "SELECT DISTINCT position FROM replacements WHERE component = 'wheel.tire'"
    assert rows(path, told, as_of="2024-05-31", known_by="occurred") == [("LF",)]


def test_measured_tread_follows(tmp_path: Path) -> None:
    def tread(day: str, km: float, **mm: float) -> NewEvent:
        return looked("a", day, *(found("wheel.tire", "sound", at, (value, "mm"))
                                  for at, value in mm.items()), odometer=km, unit="km")  # fmt: skip

    path = ledger_of(tmp_path / "l.db", [
        START, tread("2024-02-01", 1000.0, LF=8.0, LR=8.1),
        tread("2024-06-01", 11_000.0, LF=6.0, LR=7.6),
        rotated("2024-06-01", 11_000.0, "LF>LR", "LR>LF"),
        tread("2024-12-01", 31_000.0, LF=6.0, LR=5.0),
    ])  # fmt: skip
    query = "SELECT position, list(value ORDER BY true_km) FROM measurements GROUP BY 1 ORDER BY 1"
    assert rows(path, query) == [("LF", [8.1, 7.6, 6.0]), ("LR", [8.0, 6.0, 5.0])]


def test_a_stored_set_has_no_distance(tmp_path: Path) -> None:
    path = ledger_of(tmp_path / "l.db", [
        START,
        tire("2024-04-01", 0.0, "LF", reason="preventive"),
        swapped("2024-10-01", 10_000.0, "winter", "summer"),
        tire("2024-10-01", 10_000.0, "LF", reason="preventive"),
        swapped("2025-04-01", 16_000.0, "summer"),
        tire("2025-08-01", 24_000.0, "LF", reason="worn_out"),
        reading("a", "2025-09-01", 25_000.0, "km"),
    ])  # fmt: skip
    assert rows(path, LIVES) == [
        ("LF", 1_000.0, False), ("LF", 18_000.0, True),
        ("LF winter", 6_000.0, False),
    ]  # fmt: skip


def test_original_tires_of_the_first_set_only(tmp_path: Path) -> None:
    start = enrolled("a", "2024-01-01", odometer=0.0, unit="km", parts="original",
                     in_service_date="2024-01-01")  # fmt: skip
    path = ledger_of(tmp_path / "l.db", [
        start,
        swapped("2024-10-01", 10_000.0, "winter", "summer"),
        tire("2024-12-01", 12_000.0, "LF", reason="failed"),
        swapped("2025-04-01", 16_000.0, "summer"),
        tire("2025-08-01", 24_000.0, "LF", reason="worn_out"),
    ])  # fmt: skip
    lives = rows(path, LIVES)
    # Nobody knows how old the winter tire was; the summer one went 10,000 and 8,000 km.
    assert ("LF", 18_000.0, True) in lives
    assert not any(failed and position == "LF winter" for position, _km, failed in lives)


@pytest.mark.parametrize("column", ["position", "true_km"])
def test_nothing_changes_without_a_rotation(tmp_path: Path, column: str) -> None:
    events = [START, tire("2024-02-01", 1000.0, "LF"), reading("a", "2025-01-01", 9000.0, "km")]
    plain = ledger_of(tmp_path / "a.db", events)
    taken_back = rotated("2024-06-01", 5_000.0, "LF>LR", "LR>LF")
    identity = "01a22efd-0000-7000-8000-000000000001"
    undone = [
        *events, taken_back.model_copy(update={"event_id": identity}),
        event("a", "retraction", "2024-06-02", event=identity, reason="no"),
    ]  # fmt: skip
    back = ledger_of(tmp_path / "b.db", undone)
    query = f"SELECT {column} FROM replacements ORDER BY ALL"
    assert rows(plain, query) == rows(back, query)
    assert rows(plain, LIVES) == rows(back, LIVES)


@settings(max_examples=100)
@given(st.lists(st.permutations(PLACES), max_size=6), st.sampled_from(PLACES))
def test_a_tire_is_where_it_was_carried(turns: list[list[str]], at: str) -> None:
    order: list[Change | Said] = [Said(1, at, 0.0)]
    for seq, turn in enumerate(turns, start=2):
        order.append(Change(seq, float(seq), dict(zip(PLACES, turn, strict=True)), "", ""))
    here = at
    for turn in turns:
        here = turn[PLACES.index(here)]
    (now,), _ends = follow(order, 100.0)
    assert (now.place, now.missed_km) == (here, 0.0)
