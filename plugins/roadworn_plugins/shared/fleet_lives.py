"""The life models of a whole ledger, and what its vehicles and years add to them.

A vehicle that is hard on all its parts, a place with a cause of its own, a year that hits all:
none of them is seen within one component, so the laws of all components are fitted by turns with
the effects that they leave open.
"""

from dataclasses import dataclass, field, replace
from typing import Self

import numpy as np

from roadworn.columns.kept import Codec
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn_plugins.lifedata import summed
from roadworn_plugins.lifedata.effects import Effects, Season, gamma_effects, nested_effects, season
from roadworn_plugins.projection.belief import AGES, unknown_ages
from roadworn_plugins.projection.life_law import Early, LifeLaw, Lives, Prior, Wear, fit_law
from roadworn_plugins.shared.grouped import Bools, Clock, Floats, Ints, Paces, load_paces
from roadworn_plugins.shared.life_model import (
    DAYS_PER_YEAR,
    EVERY_LIFE,
    Clocked,
    ClockedLives,
    ComponentModel,
    UnknownAges,
    likelier_clock,
    load_clocked,
    load_unknown,
    model_of,
    prior_of,
    without_lives,
)


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
    (Effect, Season, Clocked, ComponentModel, LifeLaw, Wear, Early, ClockedLives, UnknownAges)
)


class ComponentLives:
    """The models of all components, each by the clock that fits it, and the vehicles' effects."""

    def __init__(self, view: LedgerView, paces: Paces | None = None) -> None:
        paces = paces or load_paces(view)
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
        pace = float(np.median(paces.per_month)) * 12.0 / 1000.0 if paces.per_month.size else None
        rows = view.sql("SELECT vehicle_id, coalesce(duty, '') FROM vehicles ORDER BY 1").rows
        seen = (load_clocked(view, paces), load_unknown(view), _places(view), rows, pace)

        def fitted() -> dict[str, object]:
            self._fit(*seen)
            return {name: getattr(self, name) for name in _FITTED}

        for name, value in view.kept_for("lives of the fleet", seen, fitted, _KEPT).items():
            setattr(self, name, value)

    @classmethod
    def of(cls, view: LedgerView) -> Self:
        """Return those of a view, fitted once however many analyses ask.

        A view is a snapshot, so what was fitted to it stays right while it is open.
        """
        return view.kept((cls,), lambda: cls(view))

    def get(self, component: str) -> Clocked | None:
        """Return the model of a component; by trade range alone where the ledger has no life.

        None where neither a failure nor a trade range is known.
        """
        if component not in self._models:
            known = catalogue().find(component)
            trade = None if known is None else without_lives(component)
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
    ) -> None:
        """Fit laws and effects by turns: a vehicle's effect is what the laws leave open.

        Args:
            clocked: lives of each component.
            unknown: stays of parts of unknown age of each.
            places: vehicle, component and position of each place, as the lives number them.
            rows: vehicle and its duty, as the lives number them.
            pace: thousand km a year of the vehicles.
        """
        counted: dict[str, _Counted] = {}
        for component, lives in clocked.items():
            clock = likelier_clock(lives)
            kept, own = lives.lives(clock)
            prior = prior_of(component, clock, pace)
            if own.group.size and (own.failed.any() or prior.middle is not None):
                law = fit_law(own, prior)
                counted[component] = _Counted(lives, clock, kept, own, prior, law)
        if not counted:
            return
        vehicles = [row[0] for row in rows]
        use = np.unique([row[1] for row in rows], return_inverse=True)[1].astype(np.int64)
        for _ in range(_TURNS):
            effects = _effects(counted, use)
            early = _pooled_early(counted)
            for component, one in counted.items():
                effect = effects.of(one)
                prior = replace(
                    one.prior,
                    early_share=early[0],
                    early_spread=_POOLED_SPREAD,
                    early_mean=one.prior.early_mean + early[1],
                    early_mean_spread=_POOLED_MEAN_SPREAD,
                )
                whole = replace(one, lives=replace(one.lives, effect=effect))
                if component in unknown:
                    whole = _with_unknown(whole, unknown[component], effects.vehicles.mean)
                counted[component] = replace(whole, law=fit_law(whole.lives, prior))
        effects = _effects(counted, use)
        self._keep(vehicles, places, effects)
        self.among_vehicles = effects.vehicles.among
        self.among_years, years = _year_spread(counted)
        self.level_variance = self.among_years / years
        came_early = sum(one.law.early.failures for one in counted.values())
        known = sum(int(one.lives.early.sum()) for one in counted.values())
        self.came_back = (known + 0.5) / (max(came_early, known) + 1.0)
        for component, one in counted.items():
            source = one.source
            running = np.bincount(
                source.group[one.kept], source.running[one.kept], len(source.classes)
            )
            model = model_of(one.law, one.of_known_age()[0], source.classes, running)
            model = replace(model, planned=_planned(one))
            self._models[component] = Clocked(model, one.clock)
            found = _season(one)
            if found is not None:
                self.seasons[component] = found

    def _keep(
        self, vehicles: list[str], names: list[tuple[str, str, str]], found: "_Found"
    ) -> None:
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


# Turns of laws and effects; each takes back most of what the other had to explain.
_TURNS = 3
# Spread of the logit of the early share among components around that of all.
_POOLED_SPREAD = 0.8
# The same of the log of their mean life; early failures that the mean held before counts for.
_POOLED_MEAN_SPREAD = 0.5
_EARLY_HELD = 5.0


@dataclass(frozen=True, eq=False)
class _Counted:
    """A component's lives by its clock, with the law fitted to them."""

    source: ClockedLives
    clock: Clock
    kept: Bools
    lives: Lives
    prior: Prior
    law: LifeLaw
    unknown: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def numbers(self) -> tuple[Ints, Ints]:
        """Return vehicle and place of each life that counts; -1 for no place of its own."""
        vehicle, place = self.source.vehicle[self.kept], self.source.place[self.kept]
        none = np.full(self.unknown.size, -1)
        return np.concatenate([vehicle, self.unknown]), np.concatenate([place, none])

    def of_known_age(self) -> tuple[Lives, Floats]:
        """Return the lives of known age, and how likely each ended by wear."""
        rows = np.arange(self.lives.group.size) < self.lives.group.size - self.unknown.size
        return self.lives.take(rows), self.law.worn[rows]

    def expected(self) -> Floats:
        """Return the cumulative hazard of each life by its class alone."""
        lives = self.lives
        return lives.weight * self.law.wear.cumulative(lives.group, lives.entry, lives.leaving)


def _with_unknown(one: _Counted, stays: UnknownAges, effect: Floats) -> _Counted:
    """Return the lives with those of unknown age beside them.

    A part found on a vehicle that had run so far is of some age that renewals by the law give
    it (`unknown_ages`); what happened to it under watch makes some of these ages likelier. Left
    out, nothing would be known of old parts where most of the fleet came with them.
    """
    clock = 0 if one.clock == "distance" else 1
    before, span = stays.before[clock], stays.span[clock]
    place = {name: i for i, name in enumerate(one.source.classes)}
    group = np.array([place.get(name, -1) for name in stays.vehicle_class], dtype=np.int64)
    rows = np.flatnonzero((group >= 0) & np.isfinite(before) & (span > 0.0) & (before >= 0.0))
    known, _worn = one.of_known_age()
    if not rows.size:
        return replace(one, lives=known, unknown=np.zeros(0, dtype=np.int64))
    wear, own = one.law.wear, effect[stays.vehicle[rows]]
    a, b = wear.a[:, group[rows]], wear.b[:, group[rows]]
    shape = float(np.clip(wear.shape, 0.5, 12.0))
    rate = own * np.exp(wear.weight @ np.log(a / b))
    ages = unknown_ages(np.zeros(rows.size), before[rows], np.full(rows.size, shape), rate)
    ends = ages + span[rows, None]
    likely = np.exp(-(rate * own)[:, None] * (ends**shape - ages**shape))
    likely *= np.where(stays.failed[rows, None], ends ** (shape - 1.0), 1.0)
    total = np.sum(likely, axis=1, keepdims=True)
    likely = np.where(total > 0.0, likely / np.where(total > 0.0, total, 1.0), 1.0 / AGES)
    many = np.repeat(rows, AGES)
    size = many.size

    def both(first: Floats, second: Floats) -> Floats:
        return np.concatenate([first, second])

    lives = Lives(
        group=np.concatenate([known.group, group[many]]),
        entry=both(known.entry, ages.ravel()),
        leaving=both(known.leaving, ends.ravel()),
        failed=np.concatenate([known.failed, stays.failed[many]]),
        early=np.concatenate([known.early, np.zeros(size, dtype=bool)]),
        effect=both(known.effect, effect[stays.vehicle[many]]),
        classes=known.classes,
        weight=both(known.weight, likely.ravel()),
    )
    return replace(one, lives=lives, unknown=stays.vehicle[many])


# Planned changes come at an interval: a steep law. Fewer of them than this show none.
_PLANNED = Prior(5.0, 0.6, None, early_share=-9.0, early_spread=0.1)
_LEAST_PLANNED = 5


def _planned(one: _Counted) -> LifeLaw | None:
    """Return the law of a component's planned changes, None where hardly any is on record."""
    planned, lives = one.source.planned[one.kept], one.of_known_age()[0]
    if planned.sum() < _LEAST_PLANNED:
        return None
    none, usual = np.zeros(planned.size, dtype=bool), np.ones(planned.size)
    return fit_law(replace(lives, failed=planned, early=none, effect=usual), _PLANNED)


# Fewer failures than this show no season.
_LEAST_FOR_SEASON = 12


def _season(one: _Counted) -> Season | None:
    """Return the season of a component that ages by the calendar, None where too little is seen."""
    lives, _worn = one.of_known_age()
    natural = lives.failed & ~lives.early
    day = one.source.last_day[one.kept][natural]
    day = day[np.isfinite(day)]
    if one.clock != "age" or day.size < _LEAST_FOR_SEASON:
        return None
    month = np.floor((day % DAYS_PER_YEAR) / DAYS_PER_YEAR * 12.0).astype(np.int64)
    return season(np.bincount(month, minlength=12)[:12], np.ones(12))


@dataclass(frozen=True, eq=False)
class _Found:
    """Effects of all vehicles and places, with what they rest on."""

    vehicles: Effects
    places: Effects
    failures: Floats
    expected: Floats
    place_failures: Floats
    place_expected: Floats

    def of(self, one: _Counted) -> Floats:
        """Return the effect on each life of a component."""
        vehicle, place = one.numbers()
        return self.vehicles.mean[vehicle] * np.where(place < 0, 1.0, self.places.mean[place])


def _effects(counted: dict[str, _Counted], use: Ints) -> _Found:
    """Return the effects of vehicles, around those of their uses, and beside them of places."""
    vehicles = use.size
    numbers = [one.numbers() for one in counted.values()]
    vehicle, place = (np.concatenate([pair[i] for pair in numbers]) for i in (0, 1))
    worn = np.concatenate([one.law.worn for one in counted.values()])
    gone = np.concatenate([one.expected() for one in counted.values()])
    on_vehicles, on_places = nested_effects(vehicle, place, worn, gone, vehicles=vehicles, use=use)
    at = place >= 0
    here, places = place[at], on_places.mean.size
    return _Found(
        on_vehicles,
        on_places,
        failures=summed(vehicle, worn, vehicles),
        expected=summed(vehicle, gone, vehicles),
        place_failures=summed(here, worn[at], places),
        place_expected=summed(here, gone[at], places),
    )


def _pooled_early(counted: dict[str, _Counted]) -> tuple[float, float]:
    """Return what all components together say of early failures.

    The logit of the share of fitted parts that fail early, and by how much the logarithm of
    their mean life differs from what was held before any was seen.
    """
    early = fitted = longer = 0.0
    for one in counted.values():
        lives, worn = one.of_known_age()
        own = float(np.sum(lives.failed - worn))
        early += own
        fitted += float(np.sum(lives.entry < one.law.early.mean))
        longer += own * (float(np.log(one.law.early.mean)) - one.prior.early_mean)
    share = (early + 0.5) / (fitted + 20.0)
    return float(np.log(share) - np.log1p(-share)), longer / (early + _EARLY_HELD)


def _year_spread(counted: dict[str, _Counted]) -> tuple[float, int]:
    """Return the relative variance of a calendar year's failures beyond chance, and the years.

    Observed against expected failures of each year, all components together; what hits all
    vehicles alike does not average out over a fleet.
    """
    observed: dict[int, float] = {}
    expected: dict[int, float] = {}
    for one in counted.values():
        last, years = one.source.last_day, one.source.years
        day, (lives, causes) = last[one.kept], one.of_known_age()
        span = years[1][one.kept] * DAYS_PER_YEAR  # days it was fitted in all
        with np.errstate(invalid="ignore"):
            usable = np.isfinite(day) & np.isfinite(span) & (span > 0.0) & (lives.leaving > 0.0)
        day, span = day[usable], span[usable]
        leaving, entry, group = lives.leaving[usable], lives.entry[usable], lives.group[usable]
        effect, worn = lives.effect[usable], causes[usable]
        number = np.floor((day - 0.5) / DAYS_PER_YEAR).astype(np.int64)
        for year, value in zip(*_summed(number, worn), strict=True):
            observed[year] = observed.get(year, 0.0) + value
        first = np.floor((day - span) / DAYS_PER_YEAR)
        if not day.size:
            continue
        for year in range(int(first.min()), int(number.max()) + 1):
            # Age at both ends of the year, as if it had gone at an even pace.
            ends = [
                np.clip(leaving * (1.0 - (day - edge) / span), entry, leaving)
                for edge in (year * DAYS_PER_YEAR, (year + 1) * DAYS_PER_YEAR)
            ]
            rows = ends[1] > ends[0]
            if rows.any():
                gone = one.law.wear.cumulative(group[rows], ends[0][rows], ends[1][rows])
                expected[year] = expected.get(year, 0.0) + float(gone @ effect[rows])
    years_seen = [year for year, value in expected.items() if value > 1.0]
    if len(years_seen) < 2:
        return gamma_effects(np.zeros(1), np.zeros(1), usual=_YEARLY).among, 1
    d, e = (np.array([one.get(y, 0.0) for y in years_seen]) for one in (observed, expected))
    return gamma_effects(d, e, usual=_YEARLY, own_level=True).among, d.size


# What a year adds is hardly more than this before any is seen: common practice, no source.
_YEARLY = 0.3


def _summed(code: Ints, values: Floats) -> tuple[list[int], list[float]]:
    if not code.size:
        return [], []
    least = int(code.min())
    sums = np.bincount(code - least, values)
    return list(range(least, least + sums.size)), sums.tolist()
