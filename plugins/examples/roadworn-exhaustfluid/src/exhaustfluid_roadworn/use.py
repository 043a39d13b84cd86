"""The kind of a fill, its table, and the use by distance of earlier and of late fills."""

from typing import Annotated

from pydantic import Field
from roadworn import (
    Column,
    EventKind,
    Job,
    LedgerView,
    Payload,
    Result,
    Settings,
    Table,
    TableSpec,
    Tells,
    about,
)


class Fill(Payload):
    """A fill of the tank of exhaust fluid."""

    litres: Annotated[float, Field(gt=0), about("How much went in.")]


FILL = EventKind(
    "exhaustfluid.fill", Fill, sentence="{litres:g} l of exhaust fluid", short=("litres",)
)

FILLS = TableSpec(
    name="exhaustfluid_fills",
    comment="one row for each fill of exhaust fluid",
    kinds=("exhaustfluid.fill",),
    columns=(("litres", "DOUBLE", "how much went in"),),
    select="SELECT seq, CAST(payload->>'litres' AS DOUBLE) AS litres FROM batch",
)

#: What went in at a fill was used since the one before, so the first has no distance.
_PACES = """
SELECT vehicle_id, event_id, occurred_on, litres / km * 1000 AS rate
FROM (SELECT vehicle_id, event_id, occurred_on, litres,
             true_km - lag(true_km) OVER (PARTITION BY vehicle_id ORDER BY seq) AS km
      FROM exhaustfluid_fills)
WHERE km > 0 AND ? IN ('', vehicle_id) ORDER BY vehicle_id, occurred_on
"""


class DriftSettings(Settings):
    """Of which vehicle, and how many fills it takes to say anything."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    fills: Annotated[int, Field(ge=2, description="the fewest to compare")] = 6


def drift(view: LedgerView, settings: DriftSettings, job: Job) -> Result:
    """Compare the middle of the earlier half of the fills with that of the later half."""
    fills: dict[str, list[tuple[str, float]]] = {}
    for vehicle, event_id, _day, rate in view.sql(_PACES, (settings.vehicle or "",)).rows:
        fills.setdefault(vehicle, []).append((event_id, rate))
    rows, evidence = [], []
    for number, (vehicle, told) in enumerate(fills.items(), start=1):
        job.progress(number, len(fills))
        if len(told) < settings.fills:
            continue
        half = len(told) // 2
        before, after = _middle(told[:half]), _middle(told[-half:])
        rows.append((vehicle, before, after, after / before - 1))
        evidence.append(tuple(event_id for event_id, _rate in told))
    columns = (
        Column("vehicle", "vehicle", tells=Tells.VEHICLE),
        Column("before", "before", "number", "l/1000 km"),
        Column("after", "after", "number", "l/1000 km", tells=Tells.VALUE),
        Column("change", "change", "number"),
    )
    table = Table("drift", "Use of exhaust fluid", columns, tuple(rows), tuple(evidence))
    few = len(fills) - len(rows)
    caveats = (f"{few} have fewer than {settings.fills} fills.",) if few else ()
    return Result(f"{len(rows)} vehicles have fills enough to compare.", (table,), caveats=caveats)


def _middle(told: list[tuple[str, float]]) -> float:
    rates = sorted(rate for _event_id, rate in told)
    half = len(rates) // 2
    return rates[half] if len(rates) % 2 else (rates[half - 1] + rates[half]) / 2
