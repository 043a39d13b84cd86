"""Cost by distance: all cost in the window over all distance in it."""

from pathlib import Path

import pytest
from builders import enrolled, replaced, usd

from roadworn import NewEvent
from roadworn.testing import check_analysis, view_of
from roadworn_plugins.cost_per_distance import COST_PER_DISTANCE


def job(vehicle: str, day: str, miles: float, cost: str, currency: str = "USD") -> NewEvent:
    return replaced(
        vehicle, day, "brake.pad",
        odometer=miles, position="front", reason="worn_out", parts_cost=usd(cost, currency),
    )  # fmt: skip


def enrol(vehicle: str, miles: float) -> NewEvent:
    return enrolled(vehicle, "2024-01-01", odometer=miles, vehicle_class="van")


def test_worked_example(tmp_path: Path) -> None:
    """7,980 of cost over 12,000 miles is 0.665 a mile (common practice, no source)."""
    events = [
        enrol("van-1", 50_000),
        job("van-1", "2024-05-01", 54_000, "7000.00"),
        job("van-1", "2024-12-30", 62_000, "980.00"),
    ]
    with view_of(events, tmp_path, as_of="2024-12-31") as view:
        result = check_analysis(COST_PER_DISTANCE, view, {"unit": "mi"})
    row = result.table("cost_per_distance").records()[0]
    assert (row["key"], row["distance"], row["cost"]) == ("van-1", 12_000, 7980.0)
    assert row["per_distance"] == pytest.approx(0.665, abs=1e-12)
    assert len(result.table("cost_per_distance").evidence[0]) == 2


def test_no_distance_gives_no_figure(tmp_path: Path) -> None:
    events = [enrol("van-1", 50_000), job("van-1", "2024-05-01", 50_000, "100.00")]
    with view_of(events, tmp_path, as_of="2024-12-31") as view:
        result = check_analysis(COST_PER_DISTANCE, view)
    row = result.table("cost_per_distance").records()[0]
    assert (row["cost"], row["per_distance"]) == (100.0, None)
    assert any("no recorded distance" in caveat for caveat in result.caveats)


def test_two_currencies_are_never_added(tmp_path: Path) -> None:
    events = [
        enrol("van-1", 50_000),
        job("van-1", "2024-05-01", 54_000, "100.00"),
        job("van-1", "2024-06-01", 55_000, "200.00"),
        job("van-1", "2024-07-01", 56_000, "999.00", "EUR"),
    ]
    with view_of(events, tmp_path, as_of="2024-12-31") as view:
        result = check_analysis(COST_PER_DISTANCE, view)
    row = result.table("cost_per_distance").records()[0]
    assert (row["cost"], row["currency"], row["jobs"]) == (300.0, "USD", 2)
    assert "1 job paid in another currency is left out." in result.caveats


def test_only_the_last_months_count(tmp_path: Path) -> None:
    events = [
        enrol("van-1", 50_000),
        job("van-1", "2024-02-01", 51_000, "500.00"),
        job("van-1", "2024-12-01", 61_000, "80.00"),
    ]
    with view_of(events, tmp_path, as_of="2024-12-31") as view:
        result = check_analysis(COST_PER_DISTANCE, view, {"months": "3"})
    assert result.table("cost_per_distance").records()[0]["cost"] == 80.0


def test_nothing_spent_is_said(tmp_path: Path) -> None:
    with view_of([enrol("van-1", 50_000)], tmp_path, as_of="2024-12-31") as view:
        result = check_analysis(COST_PER_DISTANCE, view)
    assert result.headline.startswith("No work with a price")


@pytest.mark.parametrize("by", ["vehicle", "class", "system", "year"])
def test_every_way_to_spread_it_adds_up_to_the_same(tmp_path: Path, by: str) -> None:
    events = [
        enrol("van-1", 50_000),
        enrol("van-2", 10_000),
        job("van-1", "2024-02-01", 51_000, "500.00"),
        job("van-2", "2025-12-01", 61_000, "80.00"),
    ]
    with view_of(events, tmp_path, as_of="2025-12-31") as view:
        result = check_analysis(COST_PER_DISTANCE, view, {"by": by})
    assert sum(r["cost"] for r in result.table("cost_per_distance").records()) == 580.0  # type: ignore[misc]


def test_economic_life_needs_vehicles_and_valuations(tmp_path: Path) -> None:
    events = [enrol("van-1", 50_000), job("van-1", "2024-05-01", 54_000, "100.00")]
    with view_of(events, tmp_path, as_of="2024-12-31") as view:
        result = check_analysis(COST_PER_DISTANCE, view, {"replacement_price": "30000"})
    assert result.table("economic_life").records()[0]["words"].startswith("too few to tell")  # type: ignore[union-attr]
