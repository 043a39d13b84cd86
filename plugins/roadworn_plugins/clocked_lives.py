"""The lives of all components on both clocks, carried on to the day of the view.

A running life in the read model ends at the vehicle's last reading. Until today it went on:
had the part failed since, its replacement would be on record. Counting the failures of that
last stretch but not the distance would make every part look worse than it is, most of all in
a ledger whose vehicles are only seen when something fails; so the stretch is added at the
vehicle's own pace.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadworn.view import LedgerView
from roadworn_plugins.grouped import Clock, Floats, GroupedLives, Ints
from roadworn_plugins.usage_pace import Paces

Bools = NDArray[np.bool_]
_DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, eq=False)
class ClockedLives:
    """Lives of one component, one row a life, ages in thousand km and in years.

    Attributes:
        component: its id.
        classes: vehicle classes in the order of `group`.
        group, failed, running: of each life.
        km, years: entry, lower and upper age, shape (3, lives); nan where the day is unknown,
            upper infinite for a part that had not failed.
    """

    component: str
    classes: tuple[str, ...]
    group: Ints
    failed: Bools
    running: Bools
    km: Floats
    years: Floats

    def usable(self, clock: Clock) -> Bools:
        """Return which lives can be counted by this clock."""
        entry, lower, upper = self._ages(clock)
        with np.errstate(invalid="ignore"):
            return np.asarray(
                (upper > entry) & (lower >= entry) & (self.failed | (lower > entry)), dtype=bool
            )

    def grouped(self, clock: Clock, rows: Bools | None = None) -> GroupedLives:
        """Return the lives that can be counted by this clock, by component and class.

        Args:
            clock: distance or calendar age.
            rows: only these.
        """
        kept = self.usable(clock) if rows is None else rows
        used, group = np.unique(self.group[kept], return_inverse=True)
        entry, lower, upper = self._ages(clock)[:, kept]
        return GroupedLives(
            by=("component", "class"),
            labels=[(self.component, self.classes[g]) for g in used],
            group=group.astype(np.int64),
            entry=entry,
            lower=lower,
            upper=upper,
            failed=self.failed[kept],
            running=self.running[kept],
        )

    def _ages(self, clock: Clock) -> Floats:
        return self.km if clock == "distance" else self.years


def load_clocked(view: LedgerView, paces: Paces) -> dict[str, ClockedLives]:
    """Read the lives of all components.

    Args:
        view: the ledger as of a day.
        paces: of the vehicles that are still here.
    """
    labels = view.sql(
        """SELECT DISTINCT component, vehicle_class FROM part_lives
           ORDER BY component, vehicle_class"""
    ).rows
    data = view.arrays(
        """SELECT g, car, entry_km, lower_km, upper_km, entry_days, lower_days, upper_days,
                  failed, running
           FROM part_lives
           JOIN (SELECT component, vehicle_class,
                        row_number() OVER (ORDER BY component, vehicle_class) - 1 AS g
                 FROM (SELECT DISTINCT component, vehicle_class FROM part_lives))
             USING (component, vehicle_class)
           LEFT JOIN (SELECT vehicle_id, row_number() OVER (ORDER BY vehicle_id) - 1 AS car
                      FROM vehicles WHERE retired_on IS NULL) USING (vehicle_id)
           ORDER BY g, lower_km, upper_km, entry_km, lower_days"""
    )
    group = data["g"].astype(np.int64)
    failed, running = data["failed"].astype(bool), data["running"].astype(bool)
    km, years = (
        np.stack([data[f"{end}_{unit}"].astype(np.float64) for end in ("entry", "lower", "upper")])
        for unit in ("km", "days")
    )
    on = running & ~failed
    car = data["car"].astype(np.float64)[on].astype(np.int64)
    km[1, on] += paces.km_since[car]
    years[1, on] += paces.days_since[car]
    km /= 1000.0
    years /= _DAYS_PER_YEAR
    found = {}
    components = [row[0] for row in labels]
    starts = np.searchsorted(group, np.arange(len(labels) + 1))
    for component in dict.fromkeys(components):
        first = components.index(component)
        last = first + components.count(component)
        rows = slice(int(starts[first]), int(starts[last]))
        found[component] = ClockedLives(
            component=component,
            classes=tuple(str(labels[g][1]) for g in range(first, last)),
            group=group[rows] - first,
            failed=failed[rows],
            running=running[rows],
            km=km[:, rows],
            years=years[:, rows],
        )
    return found
