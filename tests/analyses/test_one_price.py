"""One job has one price on one screen: the outlook of a demo vehicle, walked through."""

from collections import defaultdict
from pathlib import Path

import pytest
from builders import enrolled, looked, usd
from builders import found as finding
from commandline import OutlookOf

from roadworn.analysis import Table
from roadworn.model.catalogue import place_of
from roadworn.testing import check_analysis, event, view_of
from roadworn_demo import FEATURED
from roadworn_plugins.ahead import NEXT_REPAIRS
from roadworn_plugins.inspection import INSPECTION_OUTLOOK
from roadworn_plugins.keep import KEEP_OR_SELL
from roadworn_plugins.maintenance import MAINTENANCE_DUE

Seen = dict[tuple[str, str], set[float]]


def take(seen: Seen, table: Table) -> None:
    """Gather the prices of a table by component and place; other work than replacing is left."""
    for row in table.records():
        if row["cost"] is not None and row["component"] and row.get("action") in (None, "replaced"):
            component = str(row["component"])
            place = place_of(component, str(row.get("position") or ""))
            seen[component, place].add(round(float(str(row["cost"])), 2))


@pytest.mark.slow
def test_no_component_has_two_prices_in_the_outlook_of_a_vehicle(demo_outlook: OutlookOf) -> None:
    found = demo_outlook(FEATURED, "mi")
    assert found.next_repairs is not None
    assert found.maintenance is not None
    seen: Seen = defaultdict(set)
    take(seen, found.next_repairs.result.table("due_now"))
    take(seen, found.next_repairs.result.table("next_repairs"))
    take(seen, found.maintenance.result.table("maintenance_due"))
    assert len(seen) > 10
    assert {key: prices for key, prices in seen.items() if len(prices) > 1} == {}


def test_every_analysis_takes_the_price_of_the_open_estimate(tmp_path: Path) -> None:
    """A tie rod end that was paid at 150 elsewhere, estimated at 210 for this car."""
    rod = "steering.tie_rod_outer"
    events = [enrolled(f"car-{n}", "2024-01-02", vehicle_class="car", odometer=60_000)
              for n in (1, 2, 3, 4)]  # fmt: skip
    events += [
        event(f"car-{n}", "replacement", "2025-02-01", component=rod, position="L",
              reason="failed", odometer=75_000, parts_cost=usd("150.00"))
        for n in (2, 3, 4)
    ]  # fmt: skip
    events.append(looked("car-1", "2026-01-05", finding(rod, "failed", "L", safety=True)))
    line = {"line": 1, "component": rod, "position": "L", "amount": usd("210.00")}
    events.append(event("car-1", "estimate", "2026-01-06", lines=[line]))
    one = {"vehicle": "car-1"}
    with view_of(events, tmp_path, as_of="2026-01-10") as view:
        due = check_analysis(NEXT_REPAIRS, view, one).table("due_now").records()
        items = check_analysis(INSPECTION_OUTLOOK, view, one).table("items").records()
        ways = check_analysis(KEEP_OR_SELL, view, {**one, "least_parts": 0, "value": "3000"})
        fleet = check_analysis(KEEP_OR_SELL, view, {"least_parts": 0}).table("vehicles").records()
        service = check_analysis(MAINTENANCE_DUE, view, one)
    assert [row["cost"] for row in due] == [210.0]
    assert [row["cost"] for row in items if row["cost"] is not None] == [210.0]
    options = {str(row["option"]): row for row in ways.table("options").records()}
    assert options["safety only"]["at_once"] == 210.0
    assert {row["vehicle"]: row["due"] for row in fleet}["car-1"] == 210.0
    assert all(row["component"] != rod for row in service.table("maintenance_due").records())
