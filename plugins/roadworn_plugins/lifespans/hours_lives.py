"""Part lives by the hours of the engine: of equipment whose clock is an hour meter.

A stay's ends are days; what the meter showed then comes from its readings put end to end, evenly
between two of them. A machine without an odometer has no life by distance, so its stays are those
that the read model leaves out for that alone.
"""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn_plugins.maintenance.schedule import EngineHours
from roadworn_plugins.shared.grouped import GROUPINGS, NOT_RECORDED, GroupedLives

#: Why the read model leaves a stay out that hours can count.
NO_ODOMETER = "no odometer reading"
#: Hours are held in thousands, as kilometres are.
_SCALE = 1000.0
_MOST_EVENTS = 60
_FIELDS = {
    "supplier": f"coalesce(a.supplier, '{NOT_RECORDED}')",
    "part-number": f"coalesce(a.part_number, '{NOT_RECORDED}')",
    "position": "coalesce(o.position, '')",
    "duty": f"coalesce(v.duty, '{NOT_RECORDED}')",
    "vehicle": "o.vehicle_id",
    "component": "o.component",
    "class": "v.vehicle_class",
}


@dataclass(frozen=True, eq=False)
class HoursLives:
    """Lives by hours of the engine.

    Attributes:
        lives: by the groupings asked for, ages in thousands of hours.
        left_out: why -> how many stays of such machines could not be counted, for each group.
        events: label -> ids of the events that ended its failed lives, latest first.
    """

    lives: GroupedLives
    left_out: list[dict[str, int]]
    events: dict[tuple[str, ...], tuple[str, ...]]


def counted_by_hours(view: LedgerView, component: str | None = None) -> int:
    """Return how many stays without an odometer are of machines that tell their hours."""
    ((number,),) = view.sql(
        """SELECT count(*) FROM part_lives_left_out WHERE why = ?
           AND component = coalesce(?, component)
           AND vehicle_id IN (SELECT vehicle_id FROM hours_readings)""",
        (NO_ODOMETER, component),
    ).rows
    return int(number)


def load_by_hours(
    view: LedgerView, by: tuple[str, ...], component: str | None = None
) -> HoursLives:
    """Read the lives of parts of all vehicles that have readings of their hours.

    Args:
        view: the ledger as of a day.
        by: groupings, keys of `GROUPINGS`.
        component: only this component.
    """
    run = EngineHours.of(view)
    found: dict[tuple[str, ...], list[tuple[float, float, float, bool, bool, bool]]]
    found = defaultdict(list)
    out: dict[tuple[str, ...], dict[str, int]] = defaultdict(lambda: defaultdict(int))
    ended: dict[tuple[str, ...], list[tuple[date, str]]] = defaultdict(list)
    for *key, vehicle, why, start, entry, low, high, failed, running, worn, event in _rows(
        view, by, component
    ):
        label = tuple(str(cell) for cell in key)
        ages = None if why else _ages(run, vehicle, (start, entry, low, high), failed=failed)
        if ages is None:
            out[label][why or "no reading of the hours at its ends"] += 1
            continue
        found[label].append((*ages, failed, running, worn))
        if failed and event:
            ended[label].append((high, event))
    labels = sorted(found)
    rows = [(g, *life) for g, label in enumerate(labels) for life in sorted(found[label])]
    data = np.array(rows, dtype=np.float64).reshape(-1, 7).T
    lives = GroupedLives(
        by=by,
        labels=labels,
        group=data[0].astype(np.int64),
        entry=data[1] / _SCALE,
        lower=data[2] / _SCALE,
        upper=data[3] / _SCALE,
        failed=data[4].astype(bool),
        running=data[5].astype(bool),
        worn=data[6].astype(bool),
    )
    events = {
        label: tuple(event for _day, event in sorted(told, reverse=True)[:_MOST_EVENTS])
        for label, told in ended.items()
    }
    return HoursLives(lives, [dict(out.get(label, {})) for label in labels], events)


def _ages(
    run: EngineHours,
    vehicle: str,
    days: tuple[date | None, date | None, date | None, date | None],
    *,
    failed: bool,
) -> tuple[float, float, float] | None:
    """Return the hours at entry and at the bounds of a life, None where the meter tells none."""
    start, entry, low, high = (None if day is None else run.at(vehicle, day) for day in days)
    if start is None or low is None or (failed and high is None):
        return None
    began = max((entry or start) - start, 0.0)
    lower = max(low - start, 0.0)
    upper = max((high or low) - start, lower) if failed else np.inf
    return (began, lower, upper) if (upper if failed else lower) > began <= lower else None


def _rows(view: LedgerView, by: tuple[str, ...], component: str | None) -> list[tuple[Any, ...]]:
    """Return the stays of machines with an hour meter: those with a life, and those left out."""
    names = [f"k{at}" for at in range(len(by))]
    keys = ", ".join(f"{GROUPINGS[key]} AS {name}" for key, name in zip(by, names, strict=True))
    left = ", ".join(f"{_FIELDS[key]} AS {name}" for key, name in zip(by, names, strict=True))
    lived = view.sql(
        f"""SELECT {keys}, vehicle_id, NULL, started_on, entry_days, lower_days, upper_days,
                   failed, running, coalesce(failed AND reason = 'worn_out', FALSE), ended_by
            FROM part_lives
            WHERE component = coalesce(?, component)
              AND vehicle_id IN (SELECT vehicle_id FROM hours_readings)
            ORDER BY vehicle_id, component, position, started_on, ended_by""",
        (component,),
    ).rows
    made = [(*row[:-8], *_bounds(*row[-8:-4], failed=row[-4]), *row[-4:]) for row in lived]
    # A part that came with the machine has no event of its fitting, and no hours that are known.
    made += view.sql(
        f"""SELECT {left}, o.vehicle_id,
                   CASE WHEN o.why <> '{NO_ODOMETER}' THEN o.why
                        WHEN a.event_id IS NULL THEN 'fitted before enrolment, age unknown' END,
                   a.occurred_on, a.occurred_on, coalesce(b.occurred_on, v.last_seen_on),
                   coalesce(b.occurred_on, v.last_seen_on),
                   coalesce(b.reason IN ('failed', 'worn_out'), FALSE),
                   b.event_id IS NULL AND v.retired_on IS NULL,
                   coalesce(b.reason = 'worn_out', FALSE), b.event_id
            FROM part_lives_left_out AS o JOIN vehicles AS v USING (vehicle_id)
            LEFT JOIN replacements AS a ON a.event_id = o.started_by
            LEFT JOIN replacements AS b ON b.event_id = o.ended_by
            WHERE o.component = coalesce(?, o.component)
              AND o.vehicle_id IN (SELECT vehicle_id FROM hours_readings)
            ORDER BY o.vehicle_id, o.component, o.position, a.occurred_on, o.event_id""",
        (component,),
    ).rows
    return made


def _bounds(
    start: date | None, entry: float, low: float | None, high: float | None, *, failed: bool
) -> tuple[date | None, ...]:
    """Return the days of a life that is told by its age in days."""
    if start is None or low is None:
        return None, None, None, None
    last = high if failed and high is not None and np.isfinite(high) else low
    return start, *(start + timedelta(days=int(age or 0.0)) for age in (entry, low, last))
