"""Failures by distance: the valve-seat data of 41 engines, written down as a shop would."""

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

from roadworn import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.cumulative_repairs import CUMULATIVE_REPAIRS

DATA = Path(__file__).parents[1] / "reference" / "life_data" / "o08_valve_seat_days.csv"


def valve_seats() -> Iterator[NewEvent]:
    """Yield Nelson and Doganaksoy's engines with days as km; ages as in R's `valveSeat`."""
    repairs: dict[str, list[float]] = {}
    ends: dict[str, float] = {}
    with DATA.open(encoding="utf-8") as handle:
        for row in csv.DictReader(handle):
            unit, age = row["engine"], float(row["age_days"])
            repairs.setdefault(unit, [])
            if row["event"] == "replacement":
                repairs[unit].append(age)
            else:
                ends[unit] = age
    for unit, ages in repairs.items():
        name = f"engine-{unit}"
        yield event(name, "enrolment", "2024-01-01", odometer=0, unit="km", vehicle_class="engine")
        for number, age in enumerate(ages, start=1):
            yield event(
                name,
                "replacement",
                "2024-02-01",
                odometer=age,
                unit="km",
                component="engine.head_gasket",
                position=str(number),
                reason="failed",
            )
        yield event(name, "odometer_reading", "2024-03-01", odometer=ends[unit], unit="km")


def test_valve_seats(tmp_path: Path) -> None:
    """Nelson (1995) Technometrics 37:147-157; RECOMPUTED with R survival 3.5-3: 48 replacements
    on 41 engines, MCF 0.146341463 at 100, 0.658536585 at 400, 0.808536585 at 500 days, robust
    95 % log limits at 400 days 0.4448012 to 0.9749758."""
    with view_of(
        sorted(valve_seats(), key=lambda e: e.occurred_at), tmp_path, as_of="2024-04-01"
    ) as view:
        result = check_analysis(CUMULATIVE_REPAIRS, view, {"unit": "km"})
    row = result.table("cumulative_repairs").records()[0]
    assert (row["vehicles"], row["failures"]) == (41, 48)
    curve = result.charts[0].series[0]

    def at(age: float) -> tuple[float, float, float]:
        i = max(i for i, x in enumerate(curve.x) if x <= age)
        return curve.y[i], curve.low[i], curve.high[i]

    assert at(100)[0] == pytest.approx(0.146341463, rel=1e-6)
    assert at(400) == pytest.approx((0.658536585, 0.4448012, 0.9749758), rel=1e-5)
    assert at(500)[0] == pytest.approx(0.808536585, rel=1e-6)


def test_few_failures_are_too_few(tmp_path: Path) -> None:
    rows = [
        event("bus-1", "enrolment", "2024-01-01", odometer=0, vehicle_class="bus"),
        event("bus-1", "odometer_reading", "2024-03-01", odometer=900),
    ]
    with view_of(rows, tmp_path, as_of="2024-04-01") as view:
        result = check_analysis(CUMULATIVE_REPAIRS, view)
    assert result.headline.startswith("Too few failures")
    assert result.charts == ()
    assert (
        result.table("cumulative_repairs").records()[0]["words"] == "too few to tell (0 failures)"
    )


def test_nothing_driven_is_said(tmp_path: Path) -> None:
    rows = [event("bus-1", "enrolment", "2024-01-01", vehicle_class="bus")]
    with view_of(rows, tmp_path, as_of="2024-04-01") as view:
        result = check_analysis(CUMULATIVE_REPAIRS, view)
    assert result.headline.startswith("No vehicle has covered any distance")


def replaced(vehicle: str, reason: str, km: float, number: int) -> NewEvent:
    return event(
        vehicle, "replacement", f"{2000 + int(km // 2000)}-02-01", odometer=km, unit="km",
        component="wheel.tire", position=str(number), reason=reason,
    )  # fmt: skip


def test_the_class_of_the_headline_leads_the_table_and_wear_is_no_failure(tmp_path: Path) -> None:
    """8 failures in 20,000 km are 4 in each 10,000, more than 10 in 50,000 km, which are 2."""
    rows = []
    for name, km, failures in (("bus", 50_000, 10), ("van", 20_000, 8)):
        rows.append(event(name, "enrolment", "2000-01-01", odometer=0, unit="km",
                          vehicle_class=name))  # fmt: skip
        rows += [replaced(name, "failed", km * (n + 1) / 11, n) for n in range(failures)]
        rows += [replaced(name, "worn_out", km * (n + 1) / 12, n + 20) for n in range(6)]
        rows.append(event(name, "odometer_reading", "2026-03-01", odometer=km, unit="km"))
    rows.sort(key=lambda e: e.occurred_at)
    with view_of(rows, tmp_path, as_of="2026-04-01") as view:
        result = check_analysis(CUMULATIVE_REPAIRS, view, {"unit": "km"})
        worn = check_analysis(CUMULATIVE_REPAIRS, view, {"unit": "km", "wear": True})
    first, second = result.table("cumulative_repairs").records()
    assert (first["class"], first["failures"]) == ("van", 8)
    assert (second["class"], second["failures"]) == ("bus", 10)
    assert first["rate"] > second["rate"]
    assert f"van, {first['rate']:.1f} failures a vehicle in each 10,000 km" in result.headline
    assert f"{first['mean']:.0f} by" in result.headline
    assert any("worn out are not counted: 12" in caveat for caveat in result.caveats)
    assert {row["failures"] for row in worn.table("cumulative_repairs").records()} == {14, 16}
