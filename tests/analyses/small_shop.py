"""A small invented shop for golden printouts: ten vans, eight cars, five years, no chance in it.

Coolant pumps fail early on the vans, batteries go by the calendar on both, pads wear out and
now and then fail, and one part number of one supplier does not last.
"""

from collections.abc import Iterator
from datetime import date, timedelta
from itertools import cycle
from typing import Any

from builders import usd

from roadworn import NewEvent
from roadworn.analysis import Column, Result
from roadworn.testing import event

FIRST, LAST = date(2020, 1, 6), date(2024, 12, 30)
TODAY = "2025-01-15"
PACE = {"van": 20_000.0, "car": 8_000.0}
PUMP = {"van": (21, 34, 27, 18, 41, 30, 25), "car": (95, 38, 120, 88, 36, 140, 99)}
PADS = (28, 33, 25, 36, 30)
BATTERY = (3.4, 4.1, 3.7, 4.6, 3.9)
MOOR, QUAY = ("Moor Spares", "MS-77"), ("Quay Parts", "QP-10")
BEARING = {MOOR: (9, 7, 11, 8), QUAY: (62, 71, 55, 80)}


def vehicles() -> list[tuple[str, str]]:
    """Return vehicle and class."""
    return [(f"van-{n}", "van") for n in range(1, 11)] + [(f"car-{n}", "car") for n in range(1, 9)]


def events() -> Iterator[NewEvent]:
    """Yield what the shop wrote down, day by day for each vehicle."""
    pumps = {kind: cycle(lives) for kind, lives in PUMP.items()}
    pads, batteries, reasons = cycle(PADS), cycle(BATTERY), cycle(("worn_out",) * 3 + ("failed",))
    bearings = {origin: cycle(lives) for origin, lives in BEARING.items()}
    for number, (vehicle, kind) in enumerate(vehicles()):
        yield event(
            vehicle, "enrolment", FIRST.isoformat(), odometer=0, vehicle_class=kind,
            parts="original", in_service_date=FIRST.isoformat(),
        )  # fmt: skip
        work: list[tuple[date, NewEvent]] = []
        work += _run(
            vehicle, kind, "cooling.water_pump", None, pumps[kind], _failed, QUAY, "120.00"
        )
        work += _run(vehicle, kind, "brake.pad", "front", pads, reasons, QUAY, "60.00")
        work += _run(vehicle, kind, "electrical.battery", None, batteries, _failed, QUAY, "90.00")
        origin = MOOR if number % 2 else QUAY
        # The first bearing is the maker's own; what is fitted later has a supplier.
        lives = cycle((30, *(next(bearings[origin]) for _ in range(4))))
        work += _run(vehicle, kind, "wheel.bearing", "LF", lives, _failed, origin, "70.00")
        yield from (done for _day, done in sorted(work, key=lambda item: item[0]))
        miles = PACE[kind] * (LAST - FIRST).days / 365.25
        yield event(vehicle, "odometer_reading", LAST.isoformat(), odometer=round(miles))


_failed = cycle(("failed",))


def _run(
    vehicle: str,
    kind: str,
    component: str,
    position: str | None,
    lives: Iterator[Any],
    reasons: Iterator[str],
    origin: tuple[str, str],
    cost: str,
) -> Iterator[tuple[date, NewEvent]]:
    """Yield the replacements of one part, by thousand miles or, for batteries, by years."""
    years = 0.0
    while True:
        life = next(lives)
        years += life if component == "electrical.battery" else life * 1000.0 / PACE[kind]
        day = FIRST + timedelta(days=round(years * 365.25))
        if day > LAST:
            return
        place = {} if position is None else {"position": position}
        yield (
            day,
            event(
                vehicle,
                "replacement",
                day.isoformat(),
                odometer=round(PACE[kind] * (day - FIRST).days / 365.25),
                component=component,
                reason=next(reasons),
                supplier=origin[0],
                part_number=origin[1],
                parts_cost=usd(cost),
                labour_hours=1.5,
                labour_rate=usd("80.00"),
                warranty_months=12,
                warranty_distance=12_000.0,
                warranty_unit="mi",
                **place,
            ),
        )


def printed(result: Result) -> str:
    """Return a result as text: figures to four digits, evidence by its number."""
    lines = [result.headline]
    for table in result.tables:
        lines += ["", table.title]
        for number, row in enumerate(table.rows):
            for column, cell in zip(table.columns, row, strict=True):
                if cell not in (None, ""):
                    lines.append(f"  {_heading(column)}: {_cell(cell)}")
            events = len(table.evidence[number]) if table.evidence else 0
            lines += [f"  events: {events}", ""]
    for estimate in result.estimates:
        value = "no figure" if estimate.value is None else f"{estimate.value:.4g}"
        ends = [f"{x:.4g}" if x is not None else "open" for x in (estimate.low, estimate.high)]
        lines.append(
            f"{estimate.name}: {value} {estimate.unit} ({' to '.join(ends)}), "
            f"{estimate.failures} failed, {estimate.running} running, {estimate.method}"
        )
    lines += [f"chart {chart.name}: {chart.alternative}" for chart in result.charts]
    lines += [f"note: {caveat}" for caveat in result.caveats]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _heading(column: Column) -> str:
    return f"{column.title} ({column.unit})" if column.unit else column.title


def _cell(cell: object) -> str:
    return f"{cell:.4g}" if isinstance(cell, float) else str(cell)
