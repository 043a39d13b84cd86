"""How long a component lasts on a class of vehicles, as a belief that fits its evidence.

One Weibull shape for each component, and a rate for each class that borrows strength from
the other classes (`lifedata.shrinkage`). A shop has five failures of a part, not five
hundred: with few failures the shape is drawn towards a trade habit and says so, and where
the ledger has no failure at all the trade range of the catalogue stands in, named as such.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadworn.model.catalogue import Component, catalogue, part_name
from roadworn.model.messages import Sentence
from roadworn_plugins.lifedata.checked import LifeDataError
from roadworn_plugins.lifedata.common_shape import common_shape, shape_heterogeneity
from roadworn_plugins.lifedata.shrinkage import (
    GammaPrior,
    Posterior,
    fit_prior,
    posterior,
    prior_from_range,
    sufficient,
)
from roadworn_plugins.shared.grouped import KM_PER_MILE, GroupedLives

Floats = NDArray[np.float64]

# Shape a trade would guess from how a part ends: common practice, no source.
HABITUAL_SHAPE = {"wear-out": 2.5, "consumable": 2.5, "service": 2.5, "random": 1.1, "infant": 0.8}
# Spread of the log shape around that guess: one standard deviation is a factor of 1.65.
_SHAPE_SPREAD = 0.5
_LEAST_FOR_SHAPE = 2


@dataclass(frozen=True, eq=False)
class ComponentModel:
    """Belief about the lives of one component.

    Attributes:
        component: its id.
        shape: Weibull shape in use.
        shape_failures: failures that the shape was estimated from.
        classes: vehicle classes, in the order of the arrays.
        failures, running, exposure: of each class; exposure in (thousand km) to the shape.
        belief: Gamma posterior of the rate of each class.
        wider: belief for a class that the ledger has not seen.
        by_trade: whether the ledger has no failure of it, so that the trade range stands in.
        shape_spread: standard deviation of the logarithm of the shape.
    """

    component: str
    shape: float
    shape_failures: int
    classes: tuple[str, ...]
    failures: Floats
    running: Floats
    exposure: Floats
    belief: Posterior
    wider: GammaPrior
    by_trade: bool
    shape_spread: float = 0.0

    def for_class(self, vehicle_class: str) -> Posterior:
        """Return the belief for one class, of length 1."""
        if vehicle_class in self.classes:
            return self.belief.take([self.classes.index(vehicle_class)])
        return Posterior(np.array([self.wider.a]), np.array([self.wider.b]))

    def basis(self, vehicle_class: str) -> str:
        """Say in words what the belief for a class rests on."""
        failed, running = int(self.failures.sum()), int(self.running.sum())
        if self.by_trade:
            return Sentence(
                "lives.by-trade",
                "none failed here, {running} running; trade range, no source",
                running=running,
            )
        if vehicle_class not in self.classes or len(self.classes) == 1:
            return Sentence(
                "lives.basis", "{failed} failed, {running} running", failed=failed, running=running
            )
        i = self.classes.index(vehicle_class)
        return Sentence(
            "lives.basis-of-class",
            "{failed} failed, {running} running ({own} and {own_running} on {vehicle_class})",
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
    prior = prior_from_range(span[0], span[1], shape)
    none = np.zeros(0)
    return ComponentModel(
        component=component,
        shape=shape,
        shape_failures=0,
        classes=(),
        failures=none,
        running=none,
        exposure=none,
        belief=Posterior(none, none),
        wider=prior,
        by_trade=True,
        shape_spread=_SHAPE_SPREAD,
    )


def _fit_one(
    component: str,
    classes: tuple[str, ...],
    group: NDArray[np.int64],
    entry: Floats,
    exits: Floats,
    failed: NDArray[np.bool_],
    running: Floats,
) -> ComponentModel | None:
    known = catalogue().find(component)
    shape, seen, spread = _shape(known, group, entry, exits, failed)
    data = sufficient(group, entry, exits, failed, shape, n_groups=len(classes))
    total = float(data.failures.sum())
    span = trade_range(known)
    if total > 0:
        prior = fit_prior(data.failures, data.exposure)
    elif span is not None:
        prior = prior_from_range(span[0], span[1], shape)
    else:
        return None
    belief = posterior(data.failures, data.exposure, prior)
    wider = (
        prior
        if prior.b > 0
        else GammaPrior(float(belief.a.sum()), float(belief.b.sum()), "all classes together")
    )
    return ComponentModel(
        component=component,
        shape=shape,
        shape_failures=seen,
        classes=classes,
        failures=data.failures,
        running=running,
        exposure=data.exposure,
        belief=belief,
        wider=wider,
        by_trade=total == 0,
        shape_spread=spread,
    )


def _shape(
    known: Component | None,
    group: NDArray[np.int64],
    entry: Floats,
    exits: Floats,
    failed: NDArray[np.bool_],
) -> tuple[float, int, float]:
    """Return the shape in use, the failures behind it, and the spread of its logarithm.

    The estimate's logarithm and the trade habit are weighed by their precision, so thirty
    failures speak for themselves and three do not. Each class has a rate of its own, and
    maximum likelihood takes the shape too high for that: integrating the rates over their
    invariant prior leaves one power of the shape less for each (for one class the marginal
    likelihood of Lawless, Statistical Models and Methods for Lifetime Data, 2003, section 5.1,
    from memory), which moves the optimum by the number of classes over the precision.
    """
    habit = HABITUAL_SHAPE.get(known.wear_type if known else "random", 1.5)
    seen = int(failed.sum())
    if seen < _LEAST_FOR_SHAPE:
        return habit, 0, _SHAPE_SPREAD
    try:
        own = common_shape(group, entry, exits, failed)
    except LifeDataError:
        return habit, 0, _SHAPE_SPREAD
    if not (0.0 < own.lower < own.upper < np.inf):
        return habit, 0, _SHAPE_SPREAD
    spread = (np.log(own.upper) - np.log(own.lower)) / (2.0 * 1.959963984540054)
    weight = spread**-2
    pull = _SHAPE_SPREAD**-2
    centre = weight * np.log(own.shape) + pull * np.log(habit)
    log_shape = (centre - own.groups) / (weight + pull)
    return float(np.exp(log_shape)), seen, float((weight + pull) ** -0.5)


def shape_doubts(grouped: GroupedLives, components: list[str], alpha: float = 0.05) -> list[str]:
    """Say of which components the classes speak against one common shape.

    Args:
        grouped: lives by ``("component", "class")``.
        components: those that a result speaks of.
        alpha: chance below which it is said.
    """
    said: list[str] = []
    labels = np.array([label[0] for label in grouped.labels], dtype=object)
    for component in components:
        rows = np.equal(labels, component)[grouped.group]
        try:
            found = shape_heterogeneity(
                grouped.group[rows],
                grouped.entry[rows],
                grouped.exit_age[rows],
                grouped.failed[rows],
            )
        except LifeDataError:
            continue  # no lives of it: nothing speaks against anything
        if found.p < alpha:
            said.append(
                Sentence(
                    "lives.shape-doubt",
                    "{part}: the lives on {classes} classes speak against one common shape "
                    "(chance {p:.2g}), so what is expected at an age is less sure than the limits "
                    "say.",
                    part=part_name(component),
                    classes=found.groups,
                    p=found.p,
                )
            )
    return said
