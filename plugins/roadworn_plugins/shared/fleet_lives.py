"""The life models of a whole ledger, and what its vehicles and years add to them.

A vehicle that is hard on all its parts, a place with a cause of its own, a year that hits all:
none of them is seen within one component, so the laws of all components are fitted by turns with
the effects that they leave open.
"""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Self

import numpy as np

from roadworn.analysis.life_law import Early, LifeLaw, Pooled, Wear
from roadworn.columns.kept import Codec
from roadworn.columns.view import LedgerView
from roadworn.model import in_use
from roadworn.model.catalogue import catalogue
from roadworn_plugins.lifedata.effects import Season
from roadworn_plugins.shared.counted_lives import (
    Found,
    fit_by_turns,
    planned_laws,
    season_of,
    year_spread,
)
from roadworn_plugins.shared.grouped import load_paces
from roadworn_plugins.shared.life_model import (
    EVERY_LIFE,
    Clocked,
    ClockedLives,
    ComponentModel,
    UnknownAges,
    load_clocked,
    load_unknown,
    model_of,
    without_lives,
)

if TYPE_CHECKING:
    from roadworn_plugins.shared.pool_beliefs import PoolOfOthers


@dataclass(frozen=True, slots=True)
class Effect:
    """What a vehicle's or a place's own record makes of the hazard.

    Attributes:
        mean: multiplier.
        variance: relative variance of it.
        failures: failures it rests on.
        expected: failures that its class would have had over the same lives.
    """

    mean: float = 1.0
    variance: float = 0.0
    failures: float = 0.0
    expected: float = 0.0


#: What the fit finds, kept for the next vehicle and for what leaves all lives as they are.
_FITTED = (
    *("_models", "_by_vehicle", "_by_place", "seasons"),
    *("among_vehicles", "among_years", "level_variance", "came_back"),
)
_KEPT = Codec(
    (
        *(Effect, Season, Clocked, ComponentModel, LifeLaw, Wear, Early, ClockedLives),
        *(UnknownAges, Pooled),
    )
)


class ComponentLives:
    """The models of all components, each by the clock that fits it, and the vehicles' effects."""

    def __init__(self, view: LedgerView, pool: "PoolOfOthers | None" = None) -> None:
        self._pool = pool
        self._models: dict[str, Clocked | None] = {}
        self._by_vehicle: dict[str, Effect] = {}
        self._by_place: dict[tuple[str, str, str], Effect] = {}
        #: Relative variance of the effect among vehicles, and of a calendar year.
        self.among_vehicles = 0.0
        self.among_years = 0.0
        #: Relative variance of the mean of the years on record: it is all that is seen of them.
        self.level_variance = 0.0
        #: Share of vehicles that leave in a year.
        self.leaving = 0.0
        #: Of early failures, the share that the record knows as such: they came back.
        self.came_back = 0.0
        #: Component -> its season, of those that age by the calendar and failed often enough.
        self.seasons: dict[str, Season] = {}
        self.leaving = _leaving(view)
        model = in_use().life_model()
        called = "lives of the fleet by " + ("none" if model is None else model[0])
        if pool is not None:
            called = f"{called} and {pool.mark}"

        def fitted(seen: "_Seen") -> dict[str, object]:
            self._fit(*seen, pool)
            return {name: getattr(self, name) for name in _FITTED}

        found = view.kept_from(called, lambda: _seen(view, pool is not None), fitted, _KEPT)
        for name, value in found.items():
            setattr(self, name, value)

    @classmethod
    def of(cls, view: LedgerView, pool: "PoolOfOthers | None" = None) -> Self:
        """Return those of a view, fitted once however many analyses ask.

        A view is a snapshot, so what was fitted to it stays right while it is open.
        """
        model = in_use().life_model()
        key = (cls, model and model[0], pool and pool.mark)
        return view.kept(key, lambda: cls(view, pool=pool))

    def get(self, component: str) -> Clocked | None:
        """Return the model of a component; by trade range alone where the ledger has no life.

        None where neither a failure nor a trade range is known.
        """
        if component not in self._models:
            known = catalogue().find(component)
            trade = None if known is None else without_lives(component, self._pool)
            self._models[component] = None if trade is None else Clocked(trade, "distance")
        return self._models[component]

    def vehicle(self, vehicle: str) -> Effect:
        """Return the effect of a vehicle over all its components."""
        return self._by_vehicle.get(vehicle, Effect(1.0, self.among_vehicles))

    def place(self, vehicle: str, component: str, position: str) -> Effect:
        """Return the effect of one place of a vehicle beside the vehicle's own."""
        return self._by_place.get((vehicle, component, position), Effect())

    def _fit(
        self,
        clocked: dict[str, ClockedLives],
        unknown: dict[str, UnknownAges],
        places: list[tuple[str, str, str]],
        rows: list[tuple[str, str]],
        pace: float | None,
        pool: "PoolOfOthers | None",
    ) -> None:
        """Fit laws and effects by turns, and keep what they come to.

        Args:
            clocked: lives of each component.
            unknown: stays of parts of unknown age of each.
            places: vehicle, component and position of each place, as the lives number them.
            rows: vehicle and its duty, as the lives number them.
            pace: thousand km a year of the vehicles.
            pool: what other shops say.
        """
        found = fit_by_turns(clocked, unknown, [row[1] for row in rows], pace, pool)
        if found is None:
            return
        counted, effects = found
        vehicles = [row[0] for row in rows]
        self._keep(vehicles, places, effects)
        self.among_vehicles = effects.vehicles.among
        self.among_years, years = year_spread(counted)
        self.level_variance = self.among_years / years
        came_early = sum(one.law.early.failures for one in counted.values())
        known = sum(int(one.lives.early.sum()) for one in counted.values())
        self.came_back = (known + 0.5) / (max(came_early, known) + 1.0)
        planned = planned_laws(counted)
        for component, one in counted.items():
            source = one.source
            running = np.bincount(
                source.group[one.kept], source.running[one.kept], len(source.classes)
            )
            model = model_of(one.law, one.of_known_age()[0], source.classes, running)
            model = replace(model, planned=planned.get(component), pooled=one.pooled)
            self._models[component] = Clocked(model, one.clock)
            season = season_of(one)
            if season is not None:
                self.seasons[component] = season

    def _keep(self, vehicles: list[str], names: list[tuple[str, str, str]], found: "Found") -> None:
        """Keep the effects by the names of vehicles and places."""
        for number, vehicle in enumerate(vehicles):
            self._by_vehicle[vehicle] = Effect(
                float(found.vehicles.mean[number]),
                float(found.vehicles.variance[number]),
                float(found.failures[number]),
                float(found.expected[number]),
            )
        for number in np.flatnonzero(np.abs(found.places.mean - 1.0) > 0.005).tolist():
            self._by_place[names[number]] = Effect(
                float(found.places.mean[number]),
                float(found.places.variance[number]),
                float(found.place_failures[number]),
                float(found.place_expected[number]),
            )


#: What is fitted, as `ComponentLives._fit` takes it.
_Seen = tuple[
    dict[str, ClockedLives],
    dict[str, UnknownAges],
    list[tuple[str, str, str]],
    list[tuple[str, str]],
    float | None,
]


def _seen(view: LedgerView, pooled: bool) -> _Seen:
    """Gather what is fitted, and beside a pool what is on record by failing."""
    paces = load_paces(view)
    pace = float(np.median(paces.per_month)) * 12.0 / 1000.0 if paces.per_month.size else None
    rows = view.sql("SELECT vehicle_id, coalesce(duty, '') FROM vehicles ORDER BY 1").rows
    clocked = load_clocked(view, paces)
    if pooled:
        from roadworn_plugins.shared.ascertained import with_lone

        clocked = with_lone(view, clocked)
    return clocked, load_unknown(view), _places(view), rows, pace


def _places(view: LedgerView) -> list[tuple[str, str, str]]:
    """Return vehicle, component and position of each place that a life stands at, by number."""
    return view.sql(
        f"""SELECT DISTINCT vehicle_id, component, coalesce(position, '') FROM ({EVERY_LIFE})
            ORDER BY vehicle_id, component, 3"""
    ).rows


# Vehicles that left in the last so many years say how many will; few say little.
_YEARS_BACK = 4
_LEFT_BEFORE = (0.5, 25.0)  # vehicles that left, in so many vehicle-years: common practice


def _leaving(view: LedgerView) -> float:
    """Return the share of vehicles that leave in a year, by those of the last years."""
    left, years = view.sql(
        f"""SELECT count(*) FILTER (retired_on > day - {_YEARS_BACK * 365}),
                   coalesce(sum(greatest(0, date_diff('day', greatest(enrolled_on,
                     day - {_YEARS_BACK * 365}), coalesce(retired_on, day)))), 0) / 365.25
            FROM vehicles, (SELECT CAST(? AS DATE) AS day)""",
        (view.today.isoformat(),),
    ).rows[0]
    return float((left + _LEFT_BEFORE[0]) / (float(years) + _LEFT_BEFORE[1]))
