"""How long a component lasts on a class of vehicles, by which clock, as a belief.

One Weibull shape for each component, and a rate for each class that borrows strength from
the other classes (`lifedata.shrinkage`). A shop has five failures of a part, not five
hundred: with few failures the shape is drawn towards a trade habit and says so, and where
the ledger has no failure at all the trade range of the catalogue stands in, named as such.

Tyres wear by the mile; a battery ages while the vehicle stands. Both clocks are tried on the
lives known by both, and the one under which the recorded failures are likelier is used.
Densities by distance and by time are made comparable by each life's own pace:
f(t) = f(x) dx/dt.
"""

from dataclasses import dataclass, field
from typing import Self
from weakref import WeakKeyDictionary

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import Component, catalogue
from roadworn.model.messages import Says
from roadworn.model.units import KM_PER_MILE
from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.common_shape import common_shape
from roadworn_plugins.lifedata.shrinkage import (
    GammaPrior,
    Posterior,
    fit_prior,
    posterior,
    prior_from_range,
    sufficient,
)
from roadworn_plugins.shared.grouped import (
    Bools,
    Clock,
    Floats,
    GroupedLives,
    Ints,
    Paces,
    load_paces,
)

# Shape a trade would guess from how a part ends: common practice, no source.
HABITUAL_SHAPE = {"wear-out": 2.5, "consumable": 2.5, "service": 2.5, "random": 1.1, "infant": 0.8}
# Spread of the log shape around that guess: one standard deviation is a factor of 1.65.
_SHAPE_SPREAD = 0.5
_LEAST_FOR_SHAPE = 2
_DAYS_PER_YEAR = 365.25
# Below this many failures the usual clock stands; the calendar has to be clearly likelier.
_LEAST_FAILURES = 8
_CLEARLY = 4.0
#: Step of log shape for differences.
SHAPE_STEP = 0.05
_say = Says(
    "lives",
    {
        "by-trade": "none failed here, {running} running; trade range, no source",
        "basis": "{failed} failed, {running} running",
        "basis-of-class": "{failed} failed, {running} running ({own} and {own_running} on "
        "{vehicle_class})",
    },
)


_NONE: Floats = np.zeros(0)


@dataclass(frozen=True, eq=False)
class ComponentModel:
    """Belief about the lives of one component.

    Attributes:
        shape: Weibull shape in use.
        shape_spread: standard deviation of its logarithm.
        wider: belief for a class that the ledger has not seen.
        by_trade: whether the ledger has no failure of it, so that the trade range stands in.
        classes: vehicle classes, in the order of the arrays.
        failures, running: of each class.
        belief: Gamma posterior of the rate of each class.
    """

    shape: float
    shape_spread: float
    wider: GammaPrior
    by_trade: bool
    classes: tuple[str, ...] = ()
    failures: Floats = field(default_factory=lambda: _NONE)
    running: Floats = field(default_factory=lambda: _NONE)
    belief: Posterior = field(default_factory=lambda: Posterior(_NONE, _NONE))

    def for_class(self, vehicle_class: str) -> Posterior:
        """Return the belief for one class, of length 1."""
        if vehicle_class in self.classes:
            return self.belief.take([self.classes.index(vehicle_class)])
        return Posterior(np.array([self.wider.a]), np.array([self.wider.b]))

    def basis(self, vehicle_class: str) -> str:
        """Say in words what the belief for a class rests on."""
        failed, running = int(self.failures.sum()), int(self.running.sum())
        if self.by_trade:
            return _say("by-trade", running=running)
        if vehicle_class not in self.classes or len(self.classes) == 1:
            return _say("basis", failed=failed, running=running)
        i = self.classes.index(vehicle_class)
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


def fit(grouped: GroupedLives) -> dict[str, ComponentModel]:
    """Fit a model to each component of lives grouped by ``("component", "class")``.

    A component without a failure and without a trade range gets no model: nothing is known.
    """
    n, _failures, running = grouped.counts()
    components = np.array([label[0] for label in grouped.labels])
    exits, models = grouped.exit_age, {}
    starts = np.searchsorted(grouped.group, np.arange(n.size + 1))
    for component in dict.fromkeys(components.tolist()):
        groups = np.flatnonzero(components == component)
        rows = slice(int(starts[groups[0]]), int(starts[groups[-1] + 1]))
        model = _fit_one(
            component,
            tuple(grouped.labels[g][1] for g in groups),
            grouped.group[rows] - groups[0],
            grouped.entry[rows],
            exits[rows],
            grouped.failed[rows],
            running[groups].astype(np.float64),
        )
        if model is not None:
            models[component] = model
    return models


def without_lives(component: str) -> ComponentModel | None:
    """Return the model of a component of which the ledger has no life, by its trade range.

    None where the catalogue has no trade range either: nothing is known.
    """
    known = catalogue().find(component)
    span = trade_range(known)
    if known is None or span is None:
        return None
    shape = HABITUAL_SHAPE.get(known.wear_type, 1.5)
    return ComponentModel(shape, _SHAPE_SPREAD, prior_from_range(*span, shape), by_trade=True)


def _fit_one(
    component: str,
    classes: tuple[str, ...],
    group: Ints,
    entry: Floats,
    exits: Floats,
    failed: Bools,
    running: Floats,
) -> ComponentModel | None:
    known = catalogue().find(component)
    shape, spread = _shape(known, group, entry, exits, failed)
    data = sufficient(group, entry, exits, failed, shape, n_groups=len(classes))
    span = trade_range(known)
    by_trade = float(data.failures.sum()) == 0.0
    if not by_trade:
        prior = fit_prior(data.failures, data.exposure)
    elif span is not None:
        prior = prior_from_range(*span, shape)
    else:
        return None
    belief = posterior(data.failures, data.exposure, prior)
    wider = prior
    if prior.b <= 0:
        wider = GammaPrior(float(belief.a.sum()), float(belief.b.sum()), "all classes together")
    return ComponentModel(shape, spread, wider, by_trade, classes, data.failures, running, belief)


def _shape(
    known: Component | None,
    group: Ints,
    entry: Floats,
    exits: Floats,
    failed: Bools,
) -> tuple[float, float]:
    """Return the shape in use and the spread of its logarithm.

    The estimate's logarithm and the trade habit are weighed by their precision, so thirty
    failures speak for themselves and three do not. Each class has a rate of its own, and
    maximum likelihood takes the shape too high for that: integrating the rates over their
    invariant prior leaves one power of the shape less for each (for one class the marginal
    likelihood of Lawless, Statistical Models and Methods for Lifetime Data, 2003, section 5.1,
    from memory), which moves the optimum by the number of classes over the precision.
    """
    habit = HABITUAL_SHAPE.get(known.wear_type if known else "random", 1.5)
    if int(failed.sum()) < _LEAST_FOR_SHAPE:
        return habit, _SHAPE_SPREAD
    try:
        own = common_shape(group, entry, exits, failed)
    except LifeDataError:
        return habit, _SHAPE_SPREAD
    if not (0.0 < own.lower < own.upper < np.inf):
        return habit, _SHAPE_SPREAD
    spread = (np.log(own.upper) - np.log(own.lower)) / (2.0 * 1.959963984540054)
    weight = spread**-2
    pull = _SHAPE_SPREAD**-2
    centre = weight * np.log(own.shape) + pull * np.log(habit)
    log_shape = (centre - own.groups) / (weight + pull)
    return float(np.exp(log_shape)), float((weight + pull) ** -0.5)


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
