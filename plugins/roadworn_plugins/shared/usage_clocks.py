"""Which clock a component ages by, distance or calendar, and its lives by that clock.

Tyres wear by the mile; a battery ages while the vehicle stands. Both clocks are tried on the
lives known by both, and the one under which the recorded failures are likelier is used.
Densities by distance and by time are made comparable by each life's own pace:
f(t) = f(x) dx/dt.
"""

from dataclasses import dataclass, field
from typing import Self
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn_plugins.lifedata.checked import LifeDataError
from roadworn_plugins.lifedata.common_shape import common_shape
from roadworn_plugins.lifedata.shrinkage import sufficient
from roadworn_plugins.projection.belief import DistanceAhead, distance_ahead
from roadworn_plugins.shared.grouped import Clock, Floats, GroupedLives, Ints
from roadworn_plugins.shared.life_model import ComponentModel, fit, without_lives

DAYS_PER_MONTH = 365.25 / 12.0
# A vehicle not seen for longer than this is not assumed to have gone on at its old pace.
_LONGEST_GAP_DAYS = 180.0
# Used only where no vehicle of the ledger has a pace: common practice, no source.
_USUAL_KM, _USUAL_SPREAD = 1600.0, 0.5
_WIDEST = 2.5


@dataclass(frozen=True, eq=False)
class Paces:
    """The pace of every vehicle that is still here.

    Attributes:
        index: vehicle id -> place in the arrays.
        per_month: km a month.
        sd_month: spread of a single month around it, km.
        sd_pace: uncertainty of the pace itself, km a month.
        days_since: days since it was last seen, at most 180.
        km_since: what it has gone since its last reading at that pace, likewise.
        assumed: whether the pace is the fleet's for want of readings.
    """

    index: dict[str, int]
    per_month: Floats
    sd_month: Floats
    sd_pace: Floats
    days_since: Floats
    km_since: Floats
    assumed: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

    def ahead(self, months: float, km: float | None = None) -> DistanceAhead:
        """Return the distance ahead in km: of `months` with its spread, or exactly `km`."""
        if km is not None:
            return DistanceAhead(np.full((1, self.per_month.size), km), np.ones(1))
        # The spread of the whole stretch is held to what a lognormal can stand for.
        widest = _WIDEST * self.per_month / 2.0
        return distance_ahead(
            self.per_month,
            float(months),
            sd_pace=np.minimum(self.sd_pace, widest),
            sd_month=np.minimum(self.sd_month, widest * np.sqrt(max(months, 1e-9))),
        )


def load_paces(view: LedgerView) -> Paces:
    """Read the pace of every vehicle that has not left."""
    today = view.today.isoformat()
    rows = view.sql(
        """SELECT v.vehicle_id, u.km_per_month, u.sd_km_per_month,
                  date_diff('day', u.from_on, u.to_on),
                  date_diff('day', v.last_seen_on, CAST(? AS DATE)),
                  date_diff('day', coalesce(v.last_reading_on, v.last_seen_on), CAST(? AS DATE))
           FROM vehicles AS v LEFT JOIN usage_rates AS u USING (vehicle_id)
           WHERE v.retired_on IS NULL ORDER BY v.vehicle_id""",
        (today, today),
    ).rows
    pace, spread, watched, seen_days, read_days = (
        np.array([np.nan if row[i] is None else row[i] for row in rows], dtype=np.float64)
        for i in range(1, 6)
    )
    seen = pace > 0.0
    usual = float(np.median(pace[seen])) if seen.any() else _USUAL_KM
    among = float(np.std(pace[seen])) if seen.sum() > 2 else usual * _USUAL_SPREAD
    typical = float(np.nanmedian(spread)) if np.isfinite(spread).any() else usual * 0.25
    monthly = np.where(seen & np.isfinite(spread), spread, typical)
    per_month = np.where(seen, pace, usual)
    months = np.maximum(np.where(seen, watched, 0.0) / DAYS_PER_MONTH, 1.0)
    gap = np.clip(np.nan_to_num(read_days), 0.0, _LONGEST_GAP_DAYS)
    return Paces(
        index={row[0]: i for i, row in enumerate(rows)},
        per_month=per_month,
        sd_month=monthly,
        # The mean of so many months; an assumed pace may be any of the fleet's.
        sd_pace=np.where(seen, monthly / np.sqrt(months), among),
        days_since=np.clip(np.nan_to_num(seen_days), 0.0, _LONGEST_GAP_DAYS),
        km_since=per_month * gap / DAYS_PER_MONTH,
        assumed=~seen,
    )


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


# Below this many failures the usual clock stands; the calendar has to be clearly likelier.
_LEAST_FAILURES = 8
_CLEARLY = 4.0
#: Step of log shape for differences.
SHAPE_STEP = 0.05


@dataclass(frozen=True, eq=False)
class Clocked:
    """A component's model with the clock of its ages.

    Ages are in thousand km by distance and in years by calendar.

    Attributes:
        model: the belief about its lives.
        clock: of the ages.
        exposure_slope: of each class, how the logarithm of its exposure grows with that of the
            shape; what a wrong shape does to the rate.
    """

    model: ComponentModel
    clock: Clock
    exposure_slope: dict[str, float] = field(default_factory=dict)


class ComponentLives:
    """The models of all components, each by the clock that fits it, fitted when asked for."""

    def __init__(self, view: LedgerView, paces: Paces | None = None) -> None:
        self._lives = load_clocked(view, paces or load_paces(view))
        self._found: dict[str, Clocked | None] = {}

    @classmethod
    def of(cls, view: LedgerView) -> Self:
        """Return those of a view, fitted once however many analyses ask.

        A view is a snapshot, so what was fitted to it stays right while it is open.
        """
        found = _OF_VIEW.get(view)
        if not isinstance(found, cls):
            found = cls(view)
            _OF_VIEW[view] = found
        return found

    def get(self, component: str) -> Clocked | None:
        """Return the model of a component; by trade range alone where the ledger has no life.

        None where neither a failure nor a trade range is known.
        """
        if component not in self._found:
            self._found[component] = self._fitted(component)
        return self._found[component]

    def _fitted(self, component: str) -> Clocked | None:
        lives = self._lives.get(component)
        if lives is not None:
            clock = likelier_clock(lives)
            grouped = lives.grouped(clock)
            models = fit(grouped) if grouped.labels else {}
            if component in models:
                model = models[component]
                return Clocked(model, clock, _exposure_slopes(grouped, model.shape))
        if catalogue().find(component) is None:
            return None
        trade = without_lives(component)
        return None if trade is None else Clocked(trade, "distance")


_OF_VIEW: "WeakKeyDictionary[LedgerView, ComponentLives]" = WeakKeyDictionary()


def likelier_clock(lives: ClockedLives) -> Clock:
    """Return the clock under which a component's failures are likelier.

    Distance, unless the calendar is clearly likelier on the lives that both clocks know and
    hardly a failure is lost by it.
    """
    both = lives.usable("distance") & lives.usable("age")
    failed = int(np.sum(lives.failed & both))
    lost = int(np.sum(lives.failed & lives.usable("distance") & ~both))
    if failed < _LEAST_FAILURES or lost > failed:
        return "distance"
    near, far = lives.grouped("distance", both), lives.grouped("age", both)
    try:
        gain = _loglik(far) - _loglik(near)
    except LifeDataError:
        return "distance"  # no shape can be told by one of them
    # By distance per unit of time: each failure's density times its pace.
    pace = np.log(near.exit_age[near.failed]) - np.log(far.exit_age[far.failed])
    return "age" if gain - float(np.sum(pace)) > _CLEARLY else "distance"


def _loglik(lives: GroupedLives) -> float:
    leaving = lives.exit_age
    return common_shape(lives.group, lives.entry, leaving, lives.failed).loglik


def _exposure_slopes(lives: GroupedLives, shape: float) -> dict[str, float]:
    """Return class -> slope of log exposure by log shape."""
    low, high = (
        sufficient(
            lives.group,
            lives.entry,
            lives.exit_age,
            lives.failed,
            shape * np.exp(step),
            n_groups=len(lives.labels),
        ).exposure
        for step in (-SHAPE_STEP, SHAPE_STEP)
    )
    slope = np.log(high / low) / (2.0 * SHAPE_STEP)
    return {label[1]: float(one) for label, one in zip(lives.labels, slope, strict=True)}
