"""The latest tread of each place, and by how much the places of a vehicle differ.

How much may differ is the maker's to say: the setting's default is common practice, no source.
"""

from typing import Annotated

from pydantic import Field
from roadworn import Column, LedgerView, Result, Settings, Table, Tells

_TREADS = """
SELECT m.vehicle_id, max(m.value_mm) AS deepest, min(m.value_mm) AS least,
       list(m.event_id ORDER BY m.seq) AS events
FROM measurements AS m
JOIN (SELECT vehicle_id, position, max(seq) AS seq FROM measurements
      WHERE component = 'wheel.tire' AND value_mm IS NOT NULL GROUP BY ALL) AS latest
  ON latest.vehicle_id = m.vehicle_id AND latest.position = m.position AND latest.seq = m.seq
JOIN vehicles AS v ON v.vehicle_id = m.vehicle_id
WHERE m.component = 'wheel.tire' AND m.value_mm IS NOT NULL AND v.drive = 'all'
  AND ? IN ('', m.vehicle_id)
GROUP BY m.vehicle_id HAVING count(*) > 1 ORDER BY m.vehicle_id
"""
_CAUTION = (
    "Unlike tires on a vehicle that drives all wheels can harm its driveline and its grip: the "
    "maker's limit comes first."
)


class MatchedSettings(Settings):
    """Of which vehicle, and how much may differ."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    most_mm: Annotated[
        float, Field(gt=0, description="how much treads of a set may differ, mm")
    ] = 2.5


def matched(view: LedgerView, settings: MatchedSettings) -> Result:
    """Say whose tires differ by more than a set may."""
    rows, evidence = [], []
    for vehicle, deepest, least, events in view.sql(_TREADS, (settings.vehicle or "",)).rows:
        if deepest - least > settings.most_mm:
            advice = "change all four, or bring the new ones to the depth of the others"
            rows.append((vehicle, least, deepest, deepest - least, advice))
            evidence.append(tuple(dict.fromkeys(events)))
    columns = (
        Column("vehicle", "vehicle", tells=Tells.VEHICLE),
        Column("least", "least tread", "distance", "mm"),
        Column("deepest", "deepest tread", "distance", "mm"),
        Column("apart", "apart", "distance", "mm", tells=Tells.VALUE),
        Column("advice", "advice", "sentence"),
    )
    table = Table("matched", "Sets that do not match", columns, tuple(rows), tuple(evidence))
    told = f"{len(rows)} vehicles have tires that do not match as a set."
    return Result(told, (table,), cautions=(_CAUTION,) if rows else ())
