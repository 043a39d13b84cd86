"""How long a component lasts on a class of vehicles, by which clock, as a belief.

Each component has a law of wear, one Weibull shape and a rate for each class that borrows
strength from the other classes and a little from the trade range, beside a law of early failure
that what came back and what failed soon after its fitting feed (`roadworn.analysis.life_law`). With
few failures the shape is drawn towards a trade habit. A plugin may bring another life model.

Tyres wear by the mile; a battery ages while the vehicle stands. Both clocks are tried on the
lives known by both, and the one under which the recorded failures are likelier is used.
Densities by distance and by time are made comparable by each life's own pace:
f(t) = f(x) dx/dt.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from roadworn.analysis.life_law import LifeLaw, Lives, Pooled, Prior
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import Component, catalogue
from roadworn.model.messages import Says
from roadworn.model.units import KM_PER_MILE
from roadworn_plugins.lifedata import summed
from roadworn_plugins.projection.fit_laws import laws_in_use
from roadworn_plugins.shared.grouped import Bools, Clock, Floats, GroupedLives, Ints, Paces

if TYPE_CHECKING:
    from roadworn_plugins.shared.pool_beliefs import PoolOfOthers

# Shape a trade would guess from how a part ends: common practice, no source.
HABITUAL_SHAPE = {"wear-out": 2.0, "consumable": 2.5, "service": 2.5, "random": 1.2, "infant": 0.8}
# Spread of the log shape around that guess: one standard deviation is a factor of 1.65.
_SHAPE_SPREAD = 0.5
DAYS_PER_YEAR = 365.25
# Mean life of what fails early, in thousand km and in years: common practice, no source.
_EARLY_MEAN: dict[Clock, float] = {"distance": 2.0, "age": 0.12}
# Below this many failures the usual clock stands; the calendar has to be clearly likelier.
_LEAST_FAILURES = 8
_CLEARLY = 4.0
_say = Says(
    "lives",
    {
        "by-trade": "none failed here, {running} running; trade range, no source",
        "basis": "{failed} failed, {running} running",
        "basis-of-class": "{failed} failed, {running} running ({own} and {own_running} on "
        "{vehicle_class})",
        "with-pool": "{own}; pool of {shops} other shops, {failures} failed",
    },
)


_NONE: Floats = np.zeros(0)


@dataclass(frozen=True, eq=False)
class ComponentModel:
    """Belief about the lives of one component.

    Attributes:
        law: of wear, shape by shape, and of early failure.
        by_trade: whether the ledger has no failure of it, so that the trade range stands in.
        classes: vehicle classes, in the order of the arrays.
        failures, running: of each class.
        planned: law of the changes that were planned or made along with other work; None where
            hardly any is on record.
        pooled: what other shops said of it beforehand, where that was asked.
    """

    law: LifeLaw
    by_trade: bool
    classes: tuple[str, ...] = ()
    failures: Floats = field(default_factory=lambda: _NONE)
    running: Floats = field(default_factory=lambda: _NONE)
    planned: LifeLaw | None = None
    pooled: Pooled | None = None

    @property
    def shape(self) -> float:
        """Weibull shape in use where one has to stand for all."""
        return self.law.wear.shape

    @property
    def shape_spread(self) -> float:
        """Standard deviation of its logarithm."""
        return self.law.wear.spread

    def place(self, vehicle_class: str) -> int | None:
        """Return the number of a class, None for one that the ledger has not seen."""
        return self.classes.index(vehicle_class) if vehicle_class in self.classes else None

    def for_class(self, vehicle_class: str) -> tuple[float, float]:
        """Return Gamma shape and exposure of the rate of one class at `shape`."""
        wear = self.law.wear
        a, b = wear.of(self.place(vehicle_class))
        log_b = np.interp(np.log(self.shape), np.log(wear.shapes), np.log(b))
        return float(wear.weight @ a), float(np.exp(log_b))

    def basis(self, vehicle_class: str) -> str:
        """Say in words what the belief for a class rests on."""
        own = self._own_basis(vehicle_class)
        if self.pooled is None:
            return own
        shops, failures = self.pooled.shops, self.pooled.failures
        return _say("with-pool", own=own, shops=shops, failures=failures)

    def _own_basis(self, vehicle_class: str) -> str:
        """Say what of this ledger it rests on."""
        failed, running = int(self.failures.sum()), int(self.running.sum())
        if self.by_trade and self.pooled is None:
            return _say("by-trade", running=running)
        i = self.place(vehicle_class)
        if i is None or len(self.classes) == 1:
            return _say("basis", failed=failed, running=running)
        return _say(
            "basis-of-class",
            failed=failed,
            running=running,
            own=int(self.failures[i]),
            own_running=int(self.running[i]),
            vehicle_class=vehicle_class,
        )


def trade_range(component: Component | None) -> tuple[float, float] | None:
    """Return the trade range of a typical life in thousand km, or None when there is none."""
    if component is None or component.life_miles is None:
        return None
    low, high = component.life_miles
    return low * KM_PER_MILE / 1000.0, high * KM_PER_MILE / 1000.0


def prior_of(component: str, clock: Clock, pace: float | None = None) -> Prior:
    """Return what the trade holds of a component before its lives are seen.

    Args:
        component: its id.
        clock: of the ages.
        pace: thousand km a year of the vehicles, to read a trade range by calendar.
    """
    known = catalogue().find(component)
    span = trade_range(known)
    middle = None if span is None else float(np.sqrt(span[0] * span[1]))
    if middle is not None and clock == "age":
        middle = middle / pace if pace else None
    habit = HABITUAL_SHAPE.get(known.wear_type if known else "random", 1.5)
    early = float(np.log(_EARLY_MEAN[clock]))
    return Prior(habit, _SHAPE_SPREAD, middle, early_mean=early)


def model_of(law: LifeLaw, lives: Lives, classes: tuple[str, ...], running: Ints) -> ComponentModel:
    """Return the model of a component from its law and the lives it was fitted to."""
    natural = (lives.failed & ~lives.early).astype(np.float64)
    failures = summed(lives.group, natural, len(classes))
    return ComponentModel(
        law, not lives.failed.any(), classes, failures, running.astype(np.float64)
    )


def without_lives(component: str, pool: "PoolOfOthers | None" = None) -> ComponentModel | None:
    """Return the model of a component of which the ledger has no life, by its trade range.

    None where the catalogue has no trade range either, nor the pool its lives: nothing is known.
    """
    none = np.zeros(0, dtype=np.int64)
    nobody = np.zeros(0, dtype=bool)
    lives = Lives(none, _NONE, _NONE, nobody, nobody, _NONE, 1)
    prior, pooled = prior_of(component, "distance"), None
    if pool is not None:
        prior, pooled = pool.prior(component, "distance", lives, none, prior)
    if prior.middle is None:
        return None
    return ComponentModel(laws_in_use([lives], [prior])[0], by_trade=pooled is None, pooled=pooled)


@dataclass(frozen=True, eq=False)
class ClockedLives:
    """Lives of one component, one row a life, ages in thousand km and in years.

    Attributes:
        component: its id.
        classes: vehicle classes in the order of `group`.
        group, failed, running: of each life.
        km, years: entry, lower and upper age, shape (3, lives); nan where the day is unknown,
            upper infinite for a part that had not failed.
        came_back: whether it came back, which is no natural life.
        planned: whether it was changed before it failed.
        vehicle, place: numbers of each life's vehicle, and of its vehicle and place.
        last_day: day on which it was last seen, counted from 1970-01-01; nan when unknown.
        lone: whether by its failure alone its place is on record (`ascertained`), where asked.
    """

    component: str
    classes: tuple[str, ...]
    group: Ints
    failed: Bools
    running: Bools
    km: Floats
    years: Floats
    came_back: Bools
    planned: Bools
    vehicle: Ints
    place: Ints
    last_day: Floats
    lone: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))

    def usable(self, clock: Clock) -> Bools:
        """Return which lives can be counted by this clock."""
        entry, lower, upper = self._ages(clock)
        with np.errstate(invalid="ignore"):
            return np.asarray(
                (upper > entry) & (lower >= entry) & (self.failed | (lower > entry)), dtype=bool
            )

    def grouped(self, clock: Clock, rows: Bools | None = None) -> GroupedLives:
        """Return the natural lives that can be counted by this clock, by component and class.

        Args:
            clock: distance or calendar age.
            rows: only these.
        """
        kept = self.usable(clock) if rows is None else rows
        kept = kept & ~self.came_back
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

    def lives(self, clock: Clock) -> tuple[Bools, Lives]:
        """Return which lives count by this clock, and those lives as the laws take them."""
        kept = self.usable(clock)
        entry, lower, upper = self._ages(clock)[:, kept]
        failed = self.failed[kept]
        early = self.came_back[kept]
        leaving = np.where(failed, (lower + np.minimum(upper, 1e12)) / 2.0, lower)
        one = np.ones(failed.size)
        return kept, Lives(self.group[kept], entry, leaving, failed, early, one, len(self.classes))

    def _ages(self, clock: Clock) -> Floats:
        return self.km if clock == "distance" else self.years


#: Natural lives and what came back.
EVERY_LIFE = """
    SELECT component, vehicle_class, vehicle_id, position, entry_km, lower_km, upper_km,
           entry_days, lower_days, upper_days, failed, running, FALSE AS came_back,
           NOT failed AND ended_by IS NOT NULL AND reason <> 'unknown' AS planned,
           coalesce(ended_on, started_on + CAST(lower_days AS INTEGER)) AS last_on
    FROM part_lives
    UNION ALL
    SELECT component, vehicle_class, vehicle_id, position, 0, age_km, age_km, 0, age_days,
           age_days, TRUE, FALSE, TRUE, FALSE, occurred_on
    FROM comebacks WHERE left_out"""


def load_clocked(view: LedgerView, paces: Paces) -> dict[str, ClockedLives]:
    """Read the lives of all components, and what came back.

    Args:
        view: the ledger as of a day.
        paces: of the vehicles that are still here.
    """
    labels = view.sql(
        f"""SELECT DISTINCT component, vehicle_class FROM ({EVERY_LIFE})
            ORDER BY component, vehicle_class"""
    ).rows
    data = view.arrays(
        f"""WITH lives AS ({EVERY_LIFE})
            SELECT g, v.car, v.number AS vehicle, l.place, entry_km, lower_km, upper_km,
                   entry_days, lower_days, upper_days, failed, running, came_back,
                   planned,
                   date_diff('day', DATE '1970-01-01', last_on) AS last_day
            FROM (SELECT *, dense_rank() OVER (ORDER BY vehicle_id, component,
                                               coalesce(position, '')) - 1 AS place
                  FROM lives) AS l
            JOIN (SELECT component, vehicle_class,
                         row_number() OVER (ORDER BY component, vehicle_class) - 1 AS g
                  FROM (SELECT DISTINCT component, vehicle_class FROM lives))
              USING (component, vehicle_class)
            JOIN (SELECT vehicle_id, row_number() OVER (ORDER BY vehicle_id) - 1 AS number,
                         CASE WHEN retired_on IS NULL
                              THEN row_number() OVER (PARTITION BY retired_on IS NULL
                                                      ORDER BY vehicle_id) - 1 END AS car
                  FROM vehicles) AS v USING (vehicle_id)
            ORDER BY g, lower_km, upper_km, entry_km, lower_days, l.place"""
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
    years /= DAYS_PER_YEAR
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
            came_back=data["came_back"].astype(bool)[rows],
            planned=data["planned"].astype(bool)[rows],
            vehicle=data["vehicle"].astype(np.int64)[rows],
            place=data["place"].astype(np.int64)[rows],
            last_day=data["last_day"].astype(np.float64)[rows],
        )
    return found


@dataclass(frozen=True, eq=False)
class UnknownAges:
    """Stays of parts of unknown age of one component, one entry a stay.

    Attributes:
        vehicle_class: class of each.
        vehicle, position: number of each one's vehicle, and its place; empty where none is given.
        before: what the vehicle had run when it came under watch, shape (2, stays), in thousand
            km and in years.
        span: what it has run since, until the part's end or today, same shape.
        failed: whether it failed then.
    """

    vehicle_class: list[str]
    vehicle: Ints
    position: list[str]
    before: Floats
    span: Floats
    failed: Bools


def load_unknown(view: LedgerView) -> dict[str, UnknownAges]:
    """Read how long parts of unknown age were watched, and which of them failed.

    Vehicles that left are left out, since their running parts are not on record.
    """
    rows = view.sql(
        """SELECT u.component, v.vehicle_class, v.number, v.observed_km / 1000, u.km / 1000,
                  date_diff('day', v.in_service_date, v.observed_on) / 365.25,
                  date_diff('day', v.observed_on, u.until) / 365.25, u.failed, u.position
           FROM (SELECT p.vehicle_id, p.component, p.observed_km AS km, w.last_seen_on AS until,
                        FALSE AS failed, p.position
                 FROM unknown_parts AS p JOIN vehicles AS w USING (vehicle_id)
                 WHERE p.event_id IS NULL
                 UNION ALL
                 SELECT o.vehicle_id, o.component, r.true_km - w.observed_km, r.occurred_on,
                        r.reason IN ('failed', 'worn_out') AND r.along_with IS NULL, o.position
                 FROM part_lives_left_out AS o JOIN replacements AS r ON r.event_id = o.ended_by
                 JOIN vehicles AS w ON w.vehicle_id = o.vehicle_id
                 WHERE o.why = 'fitted before enrolment, age unknown'
                   AND r.reason <> 'unknown') AS u
           JOIN (SELECT *, row_number() OVER (ORDER BY vehicle_id) - 1 AS number
                 FROM vehicles) AS v USING (vehicle_id)
           WHERE v.retired_on IS NULL AND u.km > 0 AND v.observed_km > 0
           ORDER BY u.component, v.vehicle_id, u.km"""
    ).rows
    found = {}
    for component, grouped in groupby(rows, key=lambda row: str(row[0])):
        own = list(grouped)
        numbers = np.array([row[3:7] for row in own], dtype=np.float64).T
        found[component] = UnknownAges(
            vehicle_class=[row[1] for row in own],
            vehicle=np.array([row[2] for row in own], dtype=np.int64),
            position=[row[8] or "" for row in own],
            before=numbers[[0, 2]],
            span=numbers[[1, 3]],
            failed=np.array([row[7] for row in own], dtype=bool),
        )
    return found


@dataclass(frozen=True, eq=False)
class Clocked:
    """A component's model with the clock of its ages.

    Ages are in thousand km by distance and in years by calendar.

    Attributes:
        model: the belief about its lives.
        clock: of the ages.
    """

    model: ComponentModel
    clock: Clock


def likelier_clocks(components: Iterable[ClockedLives]) -> list[Clock]:
    """Return the clock under which each component's failures are likelier.

    Distance, unless the calendar is clearly likelier on the lives that both clocks know and
    hardly a failure is lost by it.
    """
    clocks: list[Clock] = []
    asked = []
    for number, lives in enumerate(components):
        clocks.append("distance")
        both = lives.usable("distance") & lives.usable("age")
        failed = int(np.sum(lives.failed & both))
        lost = int(np.sum(lives.failed & lives.usable("distance") & ~both))
        if failed >= _LEAST_FAILURES and lost <= failed:
            asked.append((number, lives.grouped("distance", both), lives.grouped("age", both)))
    if not asked:
        return clocks
    gain = _logliks([far for _n, _near, far in asked]) - _logliks([near for _n, near, _f in asked])
    for (number, near, far), more in zip(asked, gain.tolist(), strict=True):
        # By distance per unit of time: each failure's density times its pace.
        pace = np.log(near.exit_age[near.failed]) - np.log(far.exit_age[far.failed])
        # It is no number where no shape can be told by one of them, and so no reason.
        if more - float(np.sum(pace)) > _CLEARLY:
            clocks[number] = "age"
    return clocks


def _logliks(grouped: list[GroupedLives]) -> Floats:
    """Return how likely the lives of each are with one shape for all of its groups."""
    # Nobody who has few failures yet waits for it.
    from roadworn_plugins.lifedata.common_shape import common_logliks
    from roadworn_plugins.lifedata.lives import Lives as Columns

    groups = np.array([len(one.labels) for one in grouped])
    first = np.cumsum(groups) - groups
    entry, leaving, failed = (
        np.concatenate([getattr(one, name) for one in grouped])
        for name in ("entry", "exit_age", "failed")
    )
    group = np.concatenate([one.group + start for one, start in zip(grouped, first, strict=True)])
    lives = Columns.from_ages(leaving, failed, entry=entry, group=group)
    return common_logliks(lives, np.repeat(np.arange(groups.size), groups))
