"""Two suppliers against published lives, and what a distance of life costs."""

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest
from builders import replaced

from roadworn import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.supplier_comparison import SUPPLIER_COMPARISON

DATA = Path(__file__).parents[1] / "reference" / "life_data"


def fitted(number: int, supplier: str, cost: str) -> Iterator[NewEvent]:
    """Yield a vehicle whose part of that supplier is fitted at 10,000 km."""
    vehicle = f"unit-{number}"
    yield event(
        vehicle, "enrolment", "2020-01-02", odometer=10_000, unit="km", vehicle_class="test car"
    )
    yield replaced(
        vehicle, "2020-01-02", "fuel.pump", cost,
        odometer=10_000, unit="km", reason="preventive", supplier=supplier, quantity=1,
    )  # fmt: skip


def ended(number: int, age: float, failed: bool) -> Iterator[NewEvent]:
    """Yield what ended the part: its failure, or the last reading."""
    vehicle, at = f"unit-{number}", 10_000 + age
    if failed:
        yield event(
            vehicle,
            "replacement",
            "2022-06-03",
            odometer=at,
            unit="km",
            component="fuel.pump",
            reason="failed",
        )
    yield event(vehicle, "retirement", "2022-06-03", odometer=at, unit="km", reason="sold")


def test_leukemia_remissions_as_two_suppliers(tmp_path: Path) -> None:
    """Freireich et al. (1963) Blood 21:699-716, 6-MP against placebo, weeks as thousand km.

    From memory of many texts: log-rank chi-square 16.79, expected 10.75 and 19.25, and a hazard
    ratio of 4.82 (R coxph, Efron's ties). tests/lifedata/test_log_rank.py has the digits;
    this is the way from the shop's record to them.
    """
    with (DATA / "o15_leukemia_remission_weeks.csv").open(encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    events: list[NewEvent] = []
    for number, row in enumerate(rows):
        events += fitted(number, row["group"], "100.00")
        events += ended(number, 1000.0 * float(row["time_weeks"]), row["relapsed"] == "1")
    with view_of(events, tmp_path, as_of="2022-07-01") as view:
        result = check_analysis(SUPPLIER_COMPARISON, view, {"unit": "km"})
    found = {row["supplier"]: row for row in result.table("supplier_comparison").records()}
    placebo = found["control"]
    assert (placebo["failed"], placebo["lives"]) == (21, 21)
    assert placebo["expected"] == pytest.approx(10.7, abs=0.06)
    assert placebo["log_rank"] == pytest.approx(4.17e-5, rel=0.01)
    assert placebo["hazard_ratio"] == pytest.approx(4.82, abs=0.005)
    assert placebo["hazard_low"] > 1.9
    assert placebo["words"] == "lasts less than the others' on the same classes"
    treated = next(row for name, row in found.items() if name != "control")
    assert treated["hazard_ratio"] == pytest.approx(1 / 4.817, abs=0.005)
    # A price of 100 over the mean life: dearer by the distance where lives are short.
    assert placebo["price"] == treated["price"] == 100.0
    assert placebo["per_distance"] > 2 * treated["per_distance"]
    assert placebo["per_distance_low"] < placebo["per_distance"] < placebo["per_distance_high"]


def test_price_per_distance_is_price_over_mean_life(tmp_path: Path) -> None:
    """Lives all near 40,000 km: 80 USD over about 40 thousand km is 2 USD a thousand."""
    events: list[NewEvent] = []
    for number, age in enumerate((39_000, 39_500, 40_000, 40_500, 41_000, 38_500, 41_500)):
        events += fitted(number, "Quay", "80.00")
        events += ended(number, age, failed=True)
    events += fitted(50, "Moor", "20.00")
    events += ended(50, 60_000, failed=False)
    with view_of(events, tmp_path, as_of="2022-07-01") as view:
        result = check_analysis(SUPPLIER_COMPARISON, view, {"unit": "km"})
    found = {row["supplier"]: row for row in result.table("supplier_comparison").records()}
    assert found["Quay"]["per_distance"] == pytest.approx(2.0, abs=0.02)
    assert found["Moor"]["per_distance"] is None


def test_one_supplier_alone_is_compared_with_nobody(tmp_path: Path) -> None:
    events: list[NewEvent] = []
    for number in range(4):
        events += fitted(number, "Quay", "80.00")
        events += ended(number, 20_000 + number, failed=True)
    with view_of(events, tmp_path, as_of="2022-07-01") as view:
        result = check_analysis(SUPPLIER_COMPARISON, view)
    assert result.tables == ()
    assert result.headline.startswith("No component has parts of two recorded suppliers")


def test_spellings_of_a_supplier_are_one_row(tmp_path: Path) -> None:
    """Case and punctuation make no other supplier; an alias is said."""
    events: list[NewEvent] = []
    for number, name in enumerate(("Quay Parts", "QUAY-PARTS", "quay parts", "QP", "Moor", "moor")):
        events += fitted(number, name, "80.00")
        events += ended(number, 20_000 + number, failed=True)
    with view_of(events, tmp_path, as_of="2022-07-01") as view:
        result = check_analysis(SUPPLIER_COMPARISON, view, {"aliases": "QP = Quay Parts"})
    rows = result.table("supplier_comparison").records()
    assert {(row["supplier"], row["lives"], row["price"]) for row in rows} == {
        ("Quay Parts", 4, 80.0),
        ("Moor", 2, 80.0),
    }
