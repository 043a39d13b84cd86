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

from roadworn.catalogue import catalogue
from roadworn.view import LedgerView
from roadworn_plugins.clocked_lives import ClockedLives, load_clocked
from roadworn_plugins.grouped import Clock, GroupedLives
from roadworn_plugins.life_model import ComponentModel, fit, without_lives
from roadworn_plugins.lifedata.common_shape import common_shape
from roadworn_plugins.lifedata.errors import LifeDataError
from roadworn_plugins.lifedata.shrinkage import sufficient
from roadworn_plugins.usage_pace import Paces, load_paces

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
