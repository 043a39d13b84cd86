"""What came of the parts that were fitted on a past day, as the present view knows it."""

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from roadworn.catalogue import axle_of
from roadworn.view import LedgerView
from roadworn_plugins.grouped import Floats
from roadworn_plugins.parts_ahead import PartsAhead

# A vehicle seen this long before the end of the horizon was watched to the end.
_GRACE_DAYS = 100
_AXLE = frozenset({"brake.pad", "brake.shoe", "brake.rotor"})
Place = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Failure:
    """A failure that came: the place, the day, what was paid (None when not on record)."""

    vehicle: str
    component: str
    position: str
    on: date
    cost: float | None
    event: str


def watched(view: LedgerView, day: date, until: date) -> tuple[set[str], int, int]:
    """Return the vehicles seen from the day to the end, and how many left or were lost."""
    rows = view.sql(
        """SELECT vehicle_id, retired_on <= CAST(? AS DATE) AS gone,
                  last_seen_on >= CAST(? AS DATE) AS seen
           FROM vehicles
           WHERE enrolled_on <= CAST(? AS DATE)
             AND (retired_on IS NULL OR retired_on > CAST(? AS DATE))
             AND last_seen_on > CAST(? AS DATE)""",
        (
            until.isoformat(),
            (until - timedelta(days=_GRACE_DAYS)).isoformat(),
            *(day.isoformat(),) * 3,
        ),
    ).rows
    left = {row[0] for row in rows if row[1]}
    lost = {row[0] for row in rows if not row[1] and not row[2]}
    return {row[0] for row in rows} - left - lost, len(left), len(lost)


def failures(view: LedgerView, after: date, until: date, currency: str) -> list[Failure]:
    """Return the failures of a span of days, each place and day once."""
    rows = view.sql(
        """SELECT vehicle_id, component, coalesce(position, ''), occurred_on,
                  CASE WHEN currency = ? AND total_cost > 0 THEN CAST(total_cost AS DOUBLE) END,
                  event_id
           FROM replacements
           WHERE reason IN ('failed', 'worn_out') AND along_with IS NULL
             AND occurred_on > CAST(? AS DATE) AND occurred_on <= CAST(? AS DATE)
           UNION ALL
           SELECT vehicle_id, component, coalesce(position, ''), ended_on, NULL, ended_by
           FROM part_lives
           WHERE failed AND running AND ended_on > CAST(? AS DATE) AND ended_on <= CAST(? AS DATE)
           ORDER BY 1, 2, 4, 3, 6""",
        (currency, *(after.isoformat(), until.isoformat()) * 2),
    ).rows
    found: dict[tuple[str, str, str, date], Failure] = {}
    for vehicle, component, position, on, cost, event in rows:
        place = place_of(component, position)
        seen = found.get((vehicle, component, place, on))
        if seen is not None:
            # The other wheel of an axle set: one failure, the costs of both.
            both = [c for c in (seen.cost, cost) if c is not None]
            found[vehicle, component, place, on] = replace(seen, cost=sum(both) if both else None)
        else:
            found[vehicle, component, place, on] = Failure(
                vehicle, component, place, on, cost, event
            )
    return list(found.values())


def place_of(component: str, position: str) -> str:
    """Return the axle for what is done by the axle, else the position."""
    return axle_of(position) or position if component in _AXLE else position


def fitted_share(view: LedgerView, parts: PartsAhead, day: date, until: date) -> Floats:
    """Return the share of a span of days that each part was fitted for, unless it failed."""
    rows = view.sql(
        """SELECT vehicle_id, component, coalesce(position, ''), min(occurred_on)
           FROM replacements
           WHERE NOT (reason IN ('failed', 'worn_out') AND along_with IS NULL)
             AND occurred_on > CAST(? AS DATE) AND occurred_on <= CAST(? AS DATE)
           GROUP BY ALL""",
        (day.isoformat(), until.isoformat()),
    ).rows
    first: dict[Place, date] = {}
    for vehicle, component, position, on in rows:
        key = (vehicle, component, place_of(component, position))
        first[key] = min(on, first.get(key, on))
    span = (until - day).days
    share = np.ones(parts.size)
    for i, key in enumerate(zip(parts.vehicle, parts.component, parts.position, strict=True)):
        if key in first:
            share[i] = (first[key] - day).days / span
    return share
