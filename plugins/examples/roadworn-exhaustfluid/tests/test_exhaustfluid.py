"""A drift that was put in is found, and none where there was none."""

from typing import Any

import pytest
from roadworn.testing import check_kind, check_plugin, check_table, event

import exhaustfluid_roadworn
from exhaustfluid_roadworn.use import FILL, FILLS


def history(vehicle: str, litres: list[float]) -> list[Any]:
    """Return a vehicle that fills every 1,000 km."""
    told = [event(vehicle, "enrolment", "2025-01-01", odometer=1_000, unit="km")]
    for number, amount in enumerate(litres, start=1):
        day = f"2025-{1 + number // 28:02d}-{1 + number % 28:02d}"
        at = 1_000 + number * 1_000
        told.append(event(vehicle, "exhaustfluid.fill", day, odometer=at, unit="km", litres=amount))
    return told


EVENTS = [*history("truck-1", [1.0] * 5 + [1.5] * 4), *history("truck-2", [1.0] * 9)]


def test_a_drift_is_found_where_it_is(roadworn_run: Any, roadworn_ledger: Any) -> None:
    roadworn_ledger(EVENTS)
    done = roadworn_run("analyse", "exhaustfluid-drift", "--format", "json")
    rows = {row["vehicle"]: row for row in done.json()["tables"][0]["rows"]}
    assert rows["truck-1"]["change"] == pytest.approx(0.5)
    assert rows["truck-2"]["change"] == pytest.approx(0.0)
    assert "1.5 l of exhaust fluid" in roadworn_run("history", "truck-1").out


def test_all_of_it_holds() -> None:
    check_plugin(exhaustfluid_roadworn, EVENTS)
    check_kind(FILL, {"litres": 8.0})
    assert len(check_table(FILLS, EVENTS, [FILL])) == 18
