"""Two records of one vehicle, merged: every figure is that of one record, as if never two."""

from pathlib import Path

from builders import enrolled, ledger_of, reading, replaced
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.columns.view import open_view
from roadworn.intake import Ledger
from roadworn.model.events import NewEvent
from roadworn.testing import event

DISTANCE = "SELECT occurred_on, true_km FROM true_distance WHERE vehicle_id = 'a' ORDER BY ALL"
LIVES = ("SELECT component, position, lower_km, upper_km, failed, running FROM part_lives "
         "WHERE vehicle_id = 'a' ORDER BY ALL")  # fmt: skip


def merge(old: str, into: str, day: str = "2025-01-01", **more: str) -> NewEvent:
    made = event(old, "merge", day, into=into)
    return made.model_copy(update=more)


def rows(path: Path, query: str, **how: str) -> list[tuple[object, ...]]:
    with open_view(path, cache=False, **how) as view:  # type: ignore[arg-type]
        return view.sql(query).rows


def history(first: str, second: str) -> list[NewEvent]:
    made = [
        enrolled(first, "2025-01-01", odometer=1000.0, parts="original", vehicle_class="van"),
        replaced(first, "2025-03-01", "brake.pad", position="front", reason="worn_out",
                 odometer=5000.0),
        reading(second, "2025-05-01", 9000.0),
        replaced(second, "2025-06-01", "brake.pad", position="front", reason="worn_out",
                 odometer=12000.0),
        reading(first, "2025-08-01", 15000.0),
    ]  # fmt: skip
    if second != first:
        made.insert(2, enrolled(second, "2025-05-01", vehicle_class="van"))
    return made


def test_distance_and_lives_are_those_of_one(tmp_path: Path) -> None:
    one = ledger_of(tmp_path / "one.db", history("a", "a"))
    two = ledger_of(tmp_path / "two.db", [*history("a", "b"), merge("b", "a")])
    # The second enrolment came with no figure: only its own row is more.
    assert set(rows(one, DISTANCE)) <= set(rows(two, DISTANCE))
    assert rows(one, LIVES) == rows(two, LIVES)
    assert rows(two, "SELECT vehicle_id FROM vehicles") == [("a",)]
    assert rows(two, "SELECT record, vehicle_id FROM merges") == [("b", "a")]


def test_taken_back_they_are_two_again_as_if_nothing_had_been(tmp_path: Path) -> None:
    apart = ledger_of(tmp_path / "apart.db", history("a", "b"))
    path = ledger_of(tmp_path / "l.db", history("a", "b"))
    with Ledger.open(path) as ledger:
        merged = ledger.append(merge("b", "a"))
        assert ledger.require_vehicle("B") == "a"
        assert ledger.vehicle_ids() == ["a"]
        assert ledger.facts.last_reading("a").value == 15000.0  # type: ignore[union-attr]
        ledger.append(event("b", "retraction", "2025-09-01", event=merged.event_id, reason="no"))
        assert ledger.require_vehicle("B") == "b"
    for query in (DISTANCE, LIVES, "SELECT vehicle_id, last_km FROM vehicles ORDER BY ALL"):
        assert set(rows(apart, query)) <= set(rows(path, query)), query
    assert rows(path, "SELECT count(*) FROM vehicles") == [(2,)]


def test_as_of_a_day_before_it_was_written_down_they_are_two(tmp_path: Path) -> None:
    stamped = [
        one.model_copy(update={"recorded_at": f"{one.occurred_at}T12:00:00Z"})
        for one in history("a", "b")
    ]
    late = merge("b", "a", recorded_at="2025-10-01T12:00:00Z")
    path = ledger_of(tmp_path / "l.db", [*stamped, late])
    count = "SELECT count(*) FROM vehicles"
    assert rows(path, count, as_of="2025-09-30") == [(2,)]
    assert rows(path, count, as_of="2025-10-01") == [(1,)]
    assert rows(path, count, as_of="2025-09-30", known_by="occurred") == [(1,)]


def test_a_record_merged_in_its_turn_ends_at_the_last(tmp_path: Path) -> None:
    events = [*history("a", "b"), enrolled("c", "2025-01-01"), merge("c", "b"), merge("b", "a")]
    path = ledger_of(tmp_path / "l.db", events)
    assert rows(path, "SELECT record, vehicle_id FROM merges ORDER BY record") == [
        ("b", "a"), ("c", "a"),
    ]  # fmt: skip


@settings(max_examples=8)
@given(st.lists(st.booleans(), min_size=6, max_size=6), st.integers(200, 4000))
def test_however_it_is_parted_the_whole_is_the_same(
    tmp_path_factory, parted: list[bool], step: int
) -> None:
    folder = tmp_path_factory.mktemp("merged")
    whole = [enrolled("a", "2025-01-01", odometer=0.0, parts="original"), enrolled("b")]
    whole = [one.model_copy(update={"occurred_at": "2025-01-01"}) for one in whole]
    for at, _ in enumerate(parted):
        whole.append(
            replaced("a", f"2025-0{at + 2}-01", "wheel.bearing", position="LF",
                     odometer=float(step * (at + 1)))
        )  # fmt: skip
    split = whole[:2] + [
        one.model_copy(update={"vehicle_id": "b"}) if other else one
        for one, other in zip(whole[2:], parted, strict=True)
    ]
    join = merge("b", "a")
    first = ledger_of(folder / "w.db", [*whole, join])
    second = ledger_of(folder / "s.db", [*split, join])
    assert rows(first, DISTANCE) == rows(second, DISTANCE)
    assert rows(first, LIVES) == rows(second, LIVES)
