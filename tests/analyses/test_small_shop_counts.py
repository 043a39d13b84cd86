"""A plain count where nothing can be compared, and suppliers in several spellings."""

from datetime import date, timedelta
from pathlib import Path

from builders import replaced

from roadworn import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.repeats import REPEAT_FAILURES
from roadworn_plugins.repeats.rows import load
from roadworn_plugins.shared.settings import named_alike


def van(
    times: int, months: int, miles_a_month: int, start: date = date(2022, 1, 10)
) -> list[NewEvent]:
    """Return a van whose alternator fails so many times within so many months."""
    events = [
        event("van-1", "enrolment", start.isoformat(), odometer=60_000, unit="mi"),
        event("van-2", "enrolment", start.isoformat(), odometer=50_000, unit="mi"),
    ]
    for number in range(1, times + 1):
        passed = months * number / times
        events.append(
            event(
                "van-1",
                "replacement",
                (start + timedelta(days=round(passed * 30.4))).isoformat(),
                odometer=round(60_000 + passed * miles_a_month),
                unit="mi",
                component="electrical.alternator",
                reason="failed",
            )
        )
    return events


def test_four_alternators_in_26_months_are_told(tmp_path: Path) -> None:
    """The trade range is 80,000 to 150,000 miles (common practice, no source)."""
    with view_of(van(4, 26, 1_500), tmp_path, as_of="2024-04-01") as view:
        result = check_analysis(REPEAT_FAILURES, view)
    (row,) = result.table("repeat_failures").records()
    assert (row["level"], row["failed"], row["where"]) == ("one place", 4, "van-1")
    assert "failed 4 times within 26 months" in row["why"]
    assert "look for a cause" in result.headline
    assert row["chance"] < 1e-3
    assert len(result.table("repeat_failures").evidence[0]) == 4


def test_four_alternators_in_the_life_of_a_van_are_nothing(tmp_path: Path) -> None:
    with view_of(van(4, 120, 2_500, date(2012, 1, 10)), tmp_path, as_of="2022-04-01") as view:
        result = check_analysis(REPEAT_FAILURES, view)
    assert result.table("repeat_failures").records() == []


def test_spellings_of_a_supplier_are_one_name(tmp_path: Path) -> None:
    events = [
        replaced(
            f"van-{number}",
            "2023-01-05",
            "electrical.alternator",
            "80.00",
            odometer=10_000 + number,
            unit="km",
            reason="failed",
            supplier=name,
            quantity=1,
        )
        for number, name in enumerate(("Quay Parts", "QUAY-PARTS", "quay parts.", "Quay", "Moor"))
    ]
    enrolled = [
        event(f"van-{n}", "enrolment", "2022-01-05", odometer=1_000, unit="km") for n in range(5)
    ]
    with view_of([*enrolled, *events], tmp_path, as_of="2024-01-01") as view:
        assert set(load(view).names["supplier"]) - {""} == {"Quay Parts", "Quay", "Moor"}
        same = load(view, "quay = Quay Parts")
    assert set(same.names["supplier"]) - {""} == {"Quay Parts", "Moor"}


def test_the_commonest_spelling_stands_for_all() -> None:
    names = ["Moor & Sons", "MOOR SONS", "moor, sons", "MOOR SONS", "Über Teile", "UBER TEILE"]
    found = named_alike(names)
    assert {found[name] for name in names[:4]} == {"MOOR SONS"}
    assert found["Über Teile"] != found["UBER TEILE"]
    assert named_alike(["-", "--"]) == {"-": "-", "--": "--"}
