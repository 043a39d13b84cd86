"""Which clock a component ages by, distance or calendar, and its lives by that clock.

Tyres wear by the mile; a battery ages while the vehicle stands. Both clocks are fitted and the
one under which the recorded failures are likelier is used. Densities by distance and by time
are made comparable by each life's own pace: f(t) = f(x) dx/dt.
"""

from dataclasses import dataclass

import numpy as np

from roadworn.catalogue import catalogue
from roadworn.view import LedgerView
from roadworn_plugins import grouped as lives_of
from roadworn_plugins.grouped import Clock, Floats, GroupedLives
from roadworn_plugins.life_model import ComponentModel, fit, without_lives
from roadworn_plugins.lifedata.common_shape import common_shape
from roadworn_plugins.lifedata.errors import LifeDataError

# Below this many failures the usual clock stands; the calendar has to be clearly likelier.
_LEAST_FAILURES = 8
_CLEARLY = 4.0
_BY = ("component", "class")


@dataclass(frozen=True, eq=False)
class Clocked:
    """A component's model with the clock of its ages.

    Ages are in thousand km by distance and in years by calendar.
    """

    model: ComponentModel
    clock: Clock


class ComponentLives:
    """The models of all components, each by the clock that fits it."""

    def __init__(self, view: LedgerView) -> None:
        by_distance = lives_of.load(view, _BY)
        by_age = lives_of.load(view, _BY, clock="age")
        models, aged = fit(by_distance), fit(by_age)
        calendar = _likelier_by_calendar(by_distance, by_age)
        self._found = {
            name: Clocked(aged[name], "age")
            if name in calendar and name in aged
            else Clocked(model, "distance")
            for name, model in models.items()
        }

    def get(self, component: str) -> Clocked | None:
        """Return the model of a component; by trade range alone where the ledger has no life.

        None where neither a failure nor a trade range is known.
        """
        if component not in self._found and catalogue().find(component) is not None:
            model = without_lives(component)
            if model is not None:
                self._found[component] = Clocked(model, "distance")
        return self._found.get(component)

    def failures(self) -> int:
        """Return how many failures all models rest on."""
        return int(sum(c.model.failures.sum() for c in self._found.values()))

    def running(self) -> int:
        """Return how many running parts all models rest on."""
        return int(sum(c.model.running.sum() for c in self._found.values()))


def _likelier_by_calendar(by_distance: GroupedLives, by_age: GroupedLives) -> set[str]:
    """Return the components whose failures are clearly likelier by calendar age."""
    found = set()
    distance, age = _by_component(by_distance), _by_component(by_age)
    for component in sorted(set(distance) & set(age)):
        near, far = distance[component], age[component]
        failed = int(near[3].sum())
        if failed < _LEAST_FAILURES or failed != int(far[3].sum()):
            continue
        try:
            one, other = (
                common_shape(group, entry, leaving, ended).loglik
                for group, entry, leaving, ended in (near, far)
            )
        except LifeDataError:
            continue
        # By distance per unit of time: each failure's density times its pace.
        pace = np.sum(np.log(near[2][near[3]])) - np.sum(np.log(far[2][far[3]]))
        if other > one + float(pace) + _CLEARLY:
            found.add(component)
    return found


def _by_component(
    grouped: GroupedLives,
) -> dict[
    str, tuple[lives_of.Ints, Floats, Floats, np.ndarray[tuple[int, ...], np.dtype[np.bool_]]]
]:
    """Return component -> group, entry, exit and whether failed, of its lives."""
    names = [label[0] for label in grouped.labels]
    starts = np.searchsorted(grouped.group, np.arange(len(names) + 1))
    leaving = grouped.exit_age
    found = {}
    for component in dict.fromkeys(names):
        first, last = names.index(component), len(names) - names[::-1].index(component)
        rows = slice(int(starts[first]), int(starts[last]))
        used = leaving[rows] > grouped.entry[rows]
        found[component] = (
            grouped.group[rows][used],
            grouped.entry[rows][used],
            leaving[rows][used],
            grouped.failed[rows][used],
        )
    return found
