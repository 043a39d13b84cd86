"""Rules that a shop could use in the place of a projection, from the same ledger.

Each gives every fitted part a chance of failing within the months ahead, and the fleet a cost:
mean life, last year repeated, the middle of the trade's range, and a Weibull for each component
and class that borrows from nowhere.
"""

from dataclasses import dataclass

import numpy as np
from made_fleet import Floats

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn_plugins.lifedata.fitting import fit_weibull
from roadworn_plugins.shared.grouped import Clock, GroupedLives, load
from roadworn_plugins.shared.life_model import HABITUAL_SHAPE, trade_range
from roadworn_plugins.shared.parts_ahead import PartsAhead

_THOUSAND_KM_PER_YEAR = 18.0
_LEAST = 2
_LONG = 1e4


@dataclass(frozen=True)
class Rule:
    """What a rule says: chance of each part and cost of the fleet."""

    chance: Floats
    cost: float


def rules(
    view: LedgerView, parts: PartsAhead, months: float, base: Floats, last_cost: float
) -> dict[str, Rule]:
    """Return name -> what each rule says.

    Args:
        view: the ledger as of the day.
        parts: what is fitted, with ages and prices as the projection has them.
        months: ahead.
        base: share of the component's places that failed in a stretch as long before the day.
        last_cost: what all failures cost in that stretch.
    """
    ahead, weight = parts.ahead(months, None, "km")
    far = weight @ ahead
    age = np.asarray(parts.age, dtype=float).reshape(parts.size, -1).mean(axis=1)
    price = prices(parts)
    lives = {clock: load(view, ("component", "class"), clock=clock) for clock in clocks(parts)}

    def rule(shape: Floats, scale: Floats) -> Rule:
        number = ((age + far) / scale) ** shape - (age / scale) ** shape
        return Rule(-np.expm1(-number), float(np.sum(number * price)))

    mean = np.array([_mean_life(lives[c], parts.component[i]) for i, c in enumerate(parts.clock)])
    by_trade = [_trade(parts.component[i], parts.clock[i]) for i in range(parts.size)]
    fitted = {clock: _fitted(found) for clock, found in lives.items()}
    own = [
        fitted[parts.clock[i]].get((parts.component[i], parts.vehicle_class[i]), by_trade[i])
        for i in range(parts.size)
    ]
    return {
        "mean life": rule(np.ones(parts.size), mean),
        "last year": Rule(base, last_cost),
        "trade middle": rule(*np.array(by_trade).T),
        "own Weibull": rule(*np.array(own).T),
    }


def prices(parts: PartsAhead) -> Floats:
    """Return what each part costs on average, 0 where nothing is known."""
    return np.array([0.0 if p is None else (p.mean or p.middle) for p in parts.price])


def clocks(parts: PartsAhead) -> list[Clock]:
    """Return the clocks in use."""
    return sorted(set(parts.clock))


def _mean_life(lives: GroupedLives, component: str) -> float:
    groups = [g for g, label in enumerate(lives.labels) if label[0] == component]
    ages = lives.exit_age[np.isin(lives.group, groups) & lives.failed]
    return max(float(ages.mean()), 1e-3) if ages.size else _LONG


def _trade(component: str, clock: Clock) -> tuple[float, float]:
    """Return shape and scale of a Weibull with its median in the middle of the trade's range."""
    known = catalogue().find(component)
    span = trade_range(known)
    if known is None or span is None:
        return 1.0, _LONG
    shape = HABITUAL_SHAPE.get(known.wear_type, 1.5)
    median = float(np.sqrt(span[0] * span[1]))
    if clock == "age":
        median /= _THOUSAND_KM_PER_YEAR
    return shape, median / np.log(2.0) ** (1.0 / shape)


def _fitted(lives: GroupedLives) -> dict[tuple[str, str], tuple[float, float]]:
    """Return (component, class) -> shape and scale, where there are two failures to fit."""
    fit = fit_weibull(lives.lives())
    failures = lives.counts()[1]
    return {
        (label[0], label[1]): (float(fit.shape[g]), float(fit.scale[g]))
        for g, label in enumerate(lives.labels)
        if fit.fitted[g] and failures[g] >= _LEAST
    }
