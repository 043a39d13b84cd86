"""The lives behind one comparison, laid along the calendar."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadworn.view import LedgerView
from roadworn_plugins.grouped import NOT_RECORDED, Floats
from roadworn_plugins.repeats.levels import Label

_CONDITIONS = {
    "place": "l.vehicle_class = ? AND l.vehicle_id = ? AND coalesce(l.position, '') = ?",
    "class": "l.vehicle_class = ?",
    "supplier": f"coalesce(supplier, '{NOT_RECORDED}') = ?",
    "part": f"coalesce(supplier, '{NOT_RECORDED}') = ? "
    f"AND coalesce(part_number, '{NOT_RECORDED}') = ?",
}


@dataclass(frozen=True, eq=False)
class DatedLives:
    """Lives whose days are known, one entry each.

    Attributes:
        vehicle_class: of the vehicle it was fitted to.
        entry, lower, leaving: ages in thousand km: at the start of observation, the last one it
            is known to have reached, at its end.
        failed: whether it ended in failure.
        first, last: days since 1970-01-01 of the start and the end of observation.
    """

    vehicle_class: NDArray[np.str_]
    entry: Floats
    lower: Floats
    leaving: Floats
    failed: NDArray[np.bool_]
    first: Floats
    last: Floats


def dated_lives(view: LedgerView, level: str, label: Label) -> DatedLives:
    """Return the lives of one place, class, supplier or supplier's part that have their days.

    Args:
        view: the ledger.
        level: name of the level.
        label: its label, component first.
    """
    data = view.arrays(
        f"""SELECT l.vehicle_class, l.entry_km / 1000 AS entry, l.lower_km / 1000 AS lower,
                   CASE WHEN l.failed THEN l.upper_km ELSE l.lower_km END / 1000 AS leaving,
                   l.failed,
                   date_diff('day', DATE '1970-01-01',
                             coalesce(l.ended_on, v.retired_on, v.last_seen_on)) AS last_day,
                   CASE WHEN l.failed THEN l.upper_days ELSE l.lower_days END - l.entry_days
                     AS days
            FROM part_lives AS l JOIN vehicles AS v USING (vehicle_id)
            WHERE l.component = ? AND {_CONDITIONS[level]}
              AND l.lower_days IS NOT NULL AND l.lower_km IS NOT NULL
            ORDER BY last_day, leaving, entry""",
        label,
    )
    entry, lower, leaving = (
        data[name].astype(np.float64) for name in ("entry", "lower", "leaving")
    )
    last, days = data["last_day"].astype(np.float64), data["days"].astype(np.float64)
    good = np.isfinite(last) & np.isfinite(days) & (days > 0) & (leaving > entry)
    return DatedLives(
        data["vehicle_class"].astype(str)[good],
        entry[good],
        lower[good],
        leaving[good],
        data["failed"].astype(bool)[good],
        (last - days)[good],
        last[good],
    )
