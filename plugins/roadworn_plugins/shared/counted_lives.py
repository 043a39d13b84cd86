"""The lives of each component as they are counted, and what one turn of the fit makes of them.

Laws of components and effects of vehicles and places are found by turns (`fleet_lives`): here
stands what a turn does with the lives of all components.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from roadworn.analysis.life_law import Early, LifeLaw, Lives, Pooled, Prior, Wear
from roadworn_plugins.lifedata import summed
from roadworn_plugins.lifedata.effects import Effects, Season, gamma_effects, nested_effects, season
from roadworn_plugins.projection.belief import AGES, unknown_ages
from roadworn_plugins.projection.fit_laws import fit_laws, laws_in_use
from roadworn_plugins.shared.grouped import Bools, Clock, Floats, Ints
from roadworn_plugins.shared.life_model import (
    DAYS_PER_YEAR,
    ClockedLives,
    UnknownAges,
    likelier_clocks,
    prior_of,
)

if TYPE_CHECKING:
    from roadworn_plugins.shared.pool_beliefs import ByOthers, PoolOfOthers

# Early failures that what is held of their mean life counts for.
_EARLY_HELD = 5.0
# Before the first fit.
_NONE = np.zeros(0)
_NO_LAW = LifeLaw(Wear(_NONE, _NONE, _NONE, _NONE, _NONE, _NONE), Early(0.0, 1.0), _NONE)


@dataclass(frozen=True, eq=False)
class Counted:
    """A component's lives by its clock, with the law fitted to them.

    The prior is the habit of the trade, or what other shops make of it.
    """

    source: ClockedLives
    clock: Clock
    kept: Bools
    lives: Lives
    habit: Prior
    prior: Prior
    law: LifeLaw = _NO_LAW
    unknown: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    pooled: Pooled | None = None

    def held_by(self, pool: "PoolOfOthers", by_others: "ByOthers | None" = None) -> "Counted":
        """Return it with what other shops say as its prior, by the causes as they are known.

        Args:
            pool: of the other shops.
            by_others: what this shop's other components say.
        """
        lives = self.lives
        worn = self.law.worn
        if worn.size != lives.group.size:
            worn = lives.weight * (lives.failed & ~lives.early)
        # Other shops' sums are without these as well.
        lone = self.source.lone[self.kept] if self.source.lone.size else np.zeros(0, dtype=bool)
        worn = worn * ~np.concatenate([lone, np.zeros(worn.size - lone.size, dtype=bool)])
        prior, pooled = pool.prior(
            *(self.source.component, self.clock, self.lives, self.numbers()[0], self.habit),
            *(worn, by_others),
        )
        return replace(self, prior=prior, pooled=pooled)

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


# Turns of laws and effects; each takes back most of what the other had to explain.
_TURNS = 3
# Spread of the logit of the early share among components around that of all.
_POOLED_SPREAD = 0.8
# The same of the log of their mean life.
_POOLED_MEAN_SPREAD = 0.5


def fit_by_turns(
    clocked: Mapping[str, ClockedLives],
    unknown: Mapping[str, UnknownAges],
    uses: Sequence[str],
    pace: float | None,
    pool: "PoolOfOthers | None" = None,
) -> "tuple[dict[str, Counted], Found] | None":
    """Fit laws and effects by turns: a vehicle's effect is what the laws leave open.

    Args:
        clocked: lives of each component.
        unknown: stays of parts of unknown age of each.
        uses: duty of each vehicle, as the lives number them.
        pace: thousand km a year of the vehicles.
        pool: what other shops say, where it is asked.

    Returns:
        None where no component has a life to go by.
    """
    counted: dict[str, Counted] = {}
    for (component, lives), clock in zip(
        clocked.items(), likelier_clocks(clocked.values()), strict=True
    ):
        kept, own = lives.lives(clock)
        habit = prior_of(component, clock, pace)
        one = Counted(lives, clock, kept, own, habit, habit)
        one = one if pool is None else one.held_by(pool)
        if own.group.size and (own.failed.any() or one.prior.middle is not None):
            counted[component] = one
    if not counted:
        return None
    counted = with_laws(counted, [one.prior for one in counted.values()])
    use = np.unique(list(uses), return_inverse=True)[1].astype(np.int64)
    for _ in range(_TURNS):
        effects = effects_of(counted, use)
        early = pooled_early(counted)
        if pool is not None:
            said = pool.by_others({component: one.pooled for component, one in counted.items()})
            counted = {
                component: one.held_by(pool, said[component]) for component, one in counted.items()
            }
        priors = [
            replace(
                one.prior,
                early_share=early[0],
                early_spread=_POOLED_SPREAD,
                early_mean=one.prior.early_mean + early[1],
                early_mean_spread=_POOLED_MEAN_SPREAD,
            )
            for one in counted.values()
        ]
        counted = {
            component: replace(one, lives=replace(one.lives, effect=effects.of(one)))
            for component, one in counted.items()
        }
        for component in counted.keys() & unknown.keys():
            counted[component] = with_unknown(
                counted[component], unknown[component], effects.vehicles.mean
            )
        counted = with_laws(counted, priors)
    return counted, effects_of(counted, use)


def with_laws(counted: dict[str, Counted], priors: list[Prior]) -> dict[str, Counted]:
    """Return the components with the laws fitted to their lives."""
    laws = laws_in_use([one.lives for one in counted.values()], priors)
    return {
        component: replace(one, law=law)
        for (component, one), law in zip(counted.items(), laws, strict=True)
    }


def with_unknown(one: Counted, stays: UnknownAges, effect: Floats) -> Counted:
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


def planned_laws(counted: dict[str, Counted]) -> dict[str, LifeLaw]:
    """Return the laws of planned changes, of the components of which some are on record."""
    known = {}
    for component, one in counted.items():
        planned, lives = one.source.planned[one.kept], one.of_known_age()[0]
        if planned.sum() >= _LEAST_PLANNED:
            none, usual = np.zeros(planned.size, dtype=bool), np.ones(planned.size)
            known[component] = replace(lives, failed=planned, early=none, effect=usual)
    laws = fit_laws(list(known.values()), [_PLANNED] * len(known))
    return dict(zip(known, laws, strict=True))


# Fewer failures than this show no season.
_LEAST_FOR_SEASON = 12


def season_of(one: Counted) -> Season | None:
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
class Found:
    """Effects of all vehicles and places, with what they rest on."""

    vehicles: Effects
    places: Effects
    failures: Floats
    expected: Floats
    place_failures: Floats
    place_expected: Floats

    def of(self, one: Counted) -> Floats:
        """Return the effect on each life of a component."""
        vehicle, place = one.numbers()
        return self.vehicles.mean[vehicle] * np.where(place < 0, 1.0, self.places.mean[place])


def effects_of(counted: dict[str, Counted], use: Ints) -> Found:
    """Return the effects of vehicles, around those of their uses, and beside them of places."""
    vehicles = use.size
    numbers = [one.numbers() for one in counted.values()]
    vehicle, place = (np.concatenate([pair[i] for pair in numbers]) for i in (0, 1))
    worn = np.concatenate([one.law.worn for one in counted.values()])
    gone = np.concatenate([one.expected() for one in counted.values()])
    on_vehicles, on_places = nested_effects(vehicle, place, worn, gone, vehicles=vehicles, use=use)
    at = place >= 0
    here, places = place[at], on_places.mean.size
    return Found(
        on_vehicles,
        on_places,
        failures=summed(vehicle, worn, vehicles),
        expected=summed(vehicle, gone, vehicles),
        place_failures=summed(here, worn[at], places),
        place_expected=summed(here, gone[at], places),
    )


def pooled_early(counted: dict[str, Counted]) -> tuple[float, float]:
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


def year_spread(counted: dict[str, Counted]) -> tuple[float, int]:
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
