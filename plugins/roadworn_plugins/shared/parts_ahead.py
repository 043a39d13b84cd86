"""Every part that is fitted today: how old it is, what is believed of it, what it would cost.

Parts of known age come from the part lives; those whose age nobody knows are of the ages that
`unknown_ages` finds. All ages are carried on from the last reading to the day of the view.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any, Protocol, Self

import numpy as np

from roadworn.columns.view import UNSEEN_DAYS, LedgerView
from roadworn.model.catalogue import meet, place_of
from roadworn.model.units import KM_PER_MILE
from roadworn_plugins.lifedata.effects import Season
from roadworn_plugins.projection.belief import AGES, LifeBelief, unknown_ages
from roadworn_plugins.projection.renewal import CountMoments
from roadworn_plugins.shared.fleet_lives import ComponentLives
from roadworn_plugins.shared.grouped import (
    DAYS_PER_MONTH,
    Bools,
    Clock,
    Floats,
    Ints,
    Paces,
    Unit,
    load_paces,
)
from roadworn_plugins.shared.life_model import DAYS_PER_YEAR, Clocked
from roadworn_plugins.shared.prices import Price, Prices

if TYPE_CHECKING:
    from roadworn_plugins.shared.pool_beliefs import PoolOfOthers

_MONTHS_PER_YEAR = 12.0
_SHAPES = (0.5, 12.0)
# What a vehicle's parts share - its distance and its effect - as seven points of the plane that
# are exact to the fifth degree: the middle and a hexagon of radius 2 (Stroud, Approximate
# Calculation of Multiple Integrals, 1971, formula E2 5-1, from memory). Twice the distance and
# twice the hazard are alike to a part, so both vary together.
_TURN = np.arange(6) * np.pi / 3.0
SCENARIOS = (
    np.concatenate([[0.0], 2.0 * np.cos(_TURN)]),
    np.concatenate([[0.0], 2.0 * np.sin(_TURN)]),
    np.concatenate([[0.5], np.full(6, 1.0 / 12.0)]),
)


#: Vehicle, component and position.
Place = tuple[str, str, str]


class Known(Protocol):
    """What is known today, within one time ahead, to be put to what lives say."""

    def of(self, counts: CountMoments) -> CountMoments: ...  # noqa: D102
    def limits(self, ends: Floats) -> Floats: ...  # noqa: D102


class Facts(Protocol):
    """What is known today of parts beside their lives: findings, codes, complaints."""

    def take(self, rows: Ints) -> Self:
        """Return that of these parts only."""

    def without(self, rows: Ints) -> Self:
        """Return it once work has answered what speaks of these parts."""

    def within(self, months: Floats) -> Known:
        """Return what it makes of chances within the months ahead of each part."""


# Arrays of one entry a part, and what stands for a part that nothing is said of.
_OF_PARTS = {
    "effect": 1.0,
    "vehicle_effect": 1.0,
    "vehicle_variance": 0.0,
    "place_variance": 0.0,
    "failed_here": 0.0,
    "usual_here": 0.0,
    "early_price": 1.0,
}


@dataclass(frozen=True, eq=False)
class PartsAhead:
    """Fitted parts, one entry a part, and the beliefs they share.

    Attributes:
        vehicle, vehicle_class, component, position, started_by: texts; `started_by` is the
            event that fitted the part, empty when unknown.
        known: whether the age is known.
        clock: of each part, distance or calendar age.
        age: in thousand km or years, shape (parts, AGES): the same age in every column when it
            is known.
        car: index into `paces` of each part's vehicle.
        group: index into `belief` of each part.
        belief: shape and rate of each component on each class.
        models: of each component.
        price: of each part, None where nothing is known.
        effect: of each part, multiplier of its hazard of wear by the record of its vehicle and
            its place.
        vehicle_effect: of each part, the share of it that all parts of the vehicle have.
        failed_here, usual_here: of each part, failures at its place so far, and how many would
            have been usual.
        vehicle_variance: of each part, relative variance of its vehicle's effect in the time
            ahead; shared by all its parts.
        place_variance: of each part, relative variance of its place's effect.
        among_years: relative variance of a year's failures that all vehicles share.
        level_variance: the same of the mean of the years on record.
        seasons: component -> its season.
        leaving: share of vehicles that leave in a year.
        beyond: spread of the logarithm of a fleet's sum by which past ones went beyond their
            bands.
        early_price: of each part, what an early failure costs as a share of the usual price.
        today: day of the view.
        facts: what is known of them today beside their lives; None where nothing is on record.
    """

    vehicle: list[str]
    vehicle_class: list[str]
    component: list[str]
    position: list[str]
    started_by: list[str]
    known: Bools
    clock: list[Clock]
    age: Floats
    car: Ints
    group: Ints
    belief: LifeBelief
    models: dict[str, Clocked]
    price: list[Price | None]
    paces: Paces
    prices: Prices
    without_model: tuple[str, ...] = ()
    effect: Floats = field(default_factory=lambda: np.ones(0))
    vehicle_effect: Floats = field(default_factory=lambda: np.ones(0))
    vehicle_variance: Floats = field(default_factory=lambda: np.zeros(0))
    failed_here: Floats = field(default_factory=lambda: np.zeros(0))
    usual_here: Floats = field(default_factory=lambda: np.zeros(0))
    place_variance: Floats = field(default_factory=lambda: np.zeros(0))
    among_years: float = 0.0
    level_variance: float = 0.0
    seasons: dict[str, Season] = field(default_factory=dict)
    today: date | None = None
    leaving: float = 0.0
    beyond: float = 0.0
    early_price: Floats = field(default_factory=lambda: np.ones(0))
    facts: "Facts | None" = None

    def __post_init__(self) -> None:
        """Take parts without effects of their own as ordinary ones."""
        for name, usual in _OF_PARTS.items():
            if getattr(self, name).size != self.size:
                object.__setattr__(self, name, np.full(self.size, usual))

    @property
    def size(self) -> int:
        """Number of parts."""
        return len(self.vehicle)

    def take(self, rows: Ints) -> "PartsAhead":
        """Return these parts only; beliefs, paces and prices stay those of all."""
        lists = "vehicle", "vehicle_class", "component", "position", "started_by", "clock", "price"
        taken: dict[str, Any] = {name: [getattr(self, name)[i] for i in rows] for name in lists}
        for name in ("known", "age", "car", "group", *_OF_PARTS):
            taken[name] = getattr(self, name)[rows]
        facts = None if self.facts is None else self.facts.take(rows)
        return replace(self, **taken, facts=facts)

    def seasonal(self, months: float) -> Floats:
        """Return the mean multiplier of each part's hazard over the coming months, (parts,)."""
        out = np.ones(self.size)
        if not self.seasons or self.today is None:
            return out
        start = (self.today - date(1970, 1, 1)).days / DAYS_PER_YEAR
        factor = {
            name: float(one.multiplier(start, months / _MONTHS_PER_YEAR))
            for name, one in self.seasons.items()
        }
        return np.array([factor.get(name, 1.0) for name in self.component])

    def multipliers(self, months: float) -> Floats:
        """Return the multiplier of each part's hazard at each of `SCENARIOS`.

        Lognormal around the effect, shape (nodes, parts).
        """
        spread = np.sqrt(np.log1p(self.vehicle_variance + self.among_years))
        factor = np.exp(spread * SCENARIOS[1][:, None])
        return np.asarray(self.effect * self.seasonal(months) * factor / (SCENARIOS[2] @ factor))

    def months(self, months: float, distance: float | None, unit: Unit) -> Floats:
        """Return the months that lie ahead of each part, see `ahead`."""
        if distance is None:
            return np.full(self.size, months)
        km = distance * (KM_PER_MILE if unit == "mi" else 1.0)
        return np.asarray(km / np.maximum(self.paces.per_month[self.car], 1.0))

    def ahead(self, months: float, distance: float | None, unit: Unit) -> tuple[Floats, Floats]:
        """Return what lies ahead of each part on its own clock, and the weights.

        Args:
            months: time ahead.
            distance: distance ahead instead, in `unit`; the calendar goes on by its time.
            unit: of `distance`.

        Returns:
            Shape (nodes, parts) in thousand km or years, and (nodes,); the nodes are those of
            `SCENARIOS`.
        """
        km = None if distance is None else distance * (KM_PER_MILE if unit == "mi" else 1.0)
        far = self.paces.ahead(months, km, (SCENARIOS[0], SCENARIOS[2]))
        by_age = np.array([clock == "age" for clock in self.clock], dtype=bool)
        stretch = far.distance[:, self.car] / 1000.0
        if km is not None and self.size:
            months_of = far.distance[:, self.car] / np.maximum(self.paces.per_month[self.car], 1.0)
        else:
            months_of = np.full(stretch.shape, months)
        return np.where(by_age, months_of / _MONTHS_PER_YEAR, stretch), far.weight


def load_parts(
    view: LedgerView,
    vehicle: str | None = None,
    *,
    yearly_rise: float | None = None,
    lives: ComponentLives | None = None,
    also: Iterable[Place] = (),
    pool: "PoolOfOthers | None" = None,
) -> PartsAhead:
    """Read the fitted parts of one vehicle, or of all that are still here.

    Args:
        view: the ledger as of a day.
        vehicle: only this one; beliefs and prices come from the whole ledger all the same.
        yearly_rise: see `Prices.load`.
        lives: models fitted before, to save fitting them again.
        also: vehicle, component and position of parts that something open speaks of.
        pool: what other shops say of the lives, where that is asked.
    """
    lives = lives or ComponentLives.of(view, pool)
    paces = load_paces(view)
    prices = Prices.load(view, yearly_rise)
    fitted = _fitted(view, vehicle)
    rows = [r for r in (*fitted, *_also(view, vehicle, fitted, also)) if r[0] in paces.index]
    kept, models, without = [], {}, set()
    for row in rows:
        model = lives.get(row[2])
        if model is None:
            without.add(row[2])
        else:
            models[row[2]] = model
            kept.append(row)
    groups: dict[tuple[str, str], int] = {}
    group = np.array([groups.setdefault((r[2], r[1]), len(groups)) for r in kept], dtype=np.int64)
    clock: list[Clock] = [models[row[2]].clock for row in kept]
    car = np.array([paces.index[row[0]] for row in kept], dtype=np.int64)
    known = np.array([row[5] for row in kept], dtype=bool)
    belief = _beliefs(models, list(groups))
    own = [lives.vehicle(row[0]) for row in kept]
    places = [lives.place(row[0], row[2], row[3]) for row in kept]
    effect = np.array([a.mean * b.mean for a, b in zip(own, places, strict=True)])
    return PartsAhead(
        vehicle=[row[0] for row in kept],
        vehicle_class=[row[1] for row in kept],
        component=[row[2] for row in kept],
        position=[row[3] for row in kept],
        started_by=[row[4] for row in kept],
        known=known,
        clock=clock,
        age=_ages_today(kept, clock, known, group, belief, paces, car, effect),
        car=car,
        group=group,
        belief=belief,
        models=models,
        price=[_price(prices, row) for row in kept],
        paces=paces,
        prices=prices,
        without_model=tuple(sorted(without)),
        effect=effect,
        vehicle_effect=np.array([one.mean for one in own]),
        vehicle_variance=np.array([one.variance for one in own]),
        failed_here=np.array([one.failures for one in places]),
        usual_here=np.array([one.expected for one in places]),
        place_variance=np.array([one.variance for one in places]),
        among_years=lives.among_years,
        level_variance=lives.level_variance,
        seasons=lives.seasons,
        today=view.today,
        leaving=lives.leaving,
        early_price=_early_prices(kept, prices, lives.came_back),
    )


def _price(prices: Prices, row: tuple[Any, ...]) -> Price | None:
    """Return the price of a fitted part; half of the axle's where its sides have lives apart."""
    vehicle, kind, component, position = row[:4]
    found = prices.of(component, kind, vehicle, position)
    if found is not None and not found.number:
        return None  # labour without the part
    if found is not None and position and place_of(component, position) != position:
        return found.half()
    return found


def _early_prices(rows: list[tuple[Any, ...]], prices: Prices, came_back: float) -> Floats:
    """Return what an early failure of each part costs, as a share of the usual price.

    One that came back costs what comebacks did here, often nothing; the others cost as usual.
    """
    share = {
        component: 1.0 - came_back * (1.0 - prices.comeback_share(component))
        for component in {row[2] for row in rows}
    }
    return np.array([share[row[2]] for row in rows])


def _fitted(view: LedgerView, vehicle: str | None) -> list[tuple[Any, ...]]:
    """Return vehicle, class, component, position, started by, known, and km and days twice.

    First those of the part, then those of the vehicle in all.
    A vehicle not seen for long is taken to be gone. No place is projected twice: a part written
    down without its position is one of the places of that component.
    """
    return view.of_vehicle(
        f"""WITH running AS (
              SELECT vehicle_id, component, position, started_by, lower_km AS km,
                     lower_days AS days
              FROM part_lives WHERE running
            ), loose AS (
              SELECT vehicle_id, component, count(*) AS n FROM running
              WHERE position IS NULL GROUP BY vehicle_id, component
            ), unknown AS (
              SELECT u.*, row_number() OVER (PARTITION BY u.vehicle_id, u.component
                                             ORDER BY u.event_id NULLS FIRST, u.position) AS turn
              FROM unknown_parts AS u
            )
            SELECT v.vehicle_id, v.vehicle_class, p.component, coalesce(p.position, ''),
                   coalesce(p.started_by, ''), p.known, p.km, p.days, coalesce(v.last_km, 0),
                   date_diff('day', v.in_service_date, v.last_seen_on)
            FROM (SELECT vehicle_id, component, position, started_by, TRUE AS known, km, days
                  FROM running
                  UNION ALL
                  SELECT u.vehicle_id, u.component, u.position, u.event_id, FALSE, u.observed_km,
                         CASE WHEN u.event_id IS NULL
                              THEN date_diff('day', w.observed_on, w.last_seen_on) END
                  FROM unknown AS u JOIN vehicles AS w USING (vehicle_id)
                  LEFT JOIN loose AS l USING (vehicle_id, component)
                  WHERE u.turn > coalesce(l.n, 0)) AS p
            JOIN vehicles AS v USING (vehicle_id)
            WHERE v.retired_on IS NULL
              AND date_diff('day', v.last_seen_on, CAST(? AS DATE)) <= {UNSEEN_DAYS}
              AND ONLY(v.vehicle_id)
            ORDER BY v.vehicle_id, p.component, p.position, p.started_by""",
        vehicle,
        (view.today.isoformat(),),
    ).rows


def _also(
    view: LedgerView,
    vehicle: str | None,
    fitted: list[tuple[Any, ...]],
    asked: Iterable[Place],
) -> list[tuple[Any, ...]]:
    """Return rows as those of `_fitted` of parts that are known by what was seen of them.

    A place where no vehicle of the class ever had a part replaced is on no list of lives; but
    what is measured there, found wearing or pointed to by a code is fitted all the same.
    """
    known: dict[tuple[str, str], list[str]] = {}
    for row in fitted:
        known.setdefault((row[0], row[2]), []).append(row[3])
    measured = view.sql(
        """SELECT DISTINCT vehicle_id, component, coalesce(position, '') FROM measurements
           WHERE value_mm IS NOT NULL AND component IS NOT NULL"""
    ).rows
    own = {(v, c, place_of(c, place)) for v, c, place in measured if vehicle in (None, v)}
    missing = sorted(
        (v, c, place)
        for v, c, place in own.union(asked)
        if not any(not place or not one or meet(c, place, one) for one in known.get((v, c), ()))
    )
    of = {
        row[0]: row[1:]
        for row in view.sql(
            f"""SELECT vehicle_id, vehicle_class, parts = 'original', coalesce(last_km, 0),
                       greatest(0, coalesce(last_km - observed_km, 0)),
                       date_diff('day', in_service_date, last_seen_on)
                FROM vehicles WHERE retired_on IS NULL
                  AND date_diff('day', last_seen_on, CAST(? AS DATE)) <= {UNSEEN_DAYS}""",
            (view.today.isoformat(),),
        ).rows
    }
    return [
        (v, kind, c, place, "", new, km if new else here, days if new else None, km, days)
        for v, c, place in missing
        if v in of
        for kind, new, km, here, days in (of[v],)
    ]


def _beliefs(models: dict[str, Clocked], groups: list[tuple[str, str]]) -> LifeBelief:
    """Return the belief of each (component, class)."""
    shape, a, b = [], [], []
    for component, vehicle_class in groups:
        model = models[component].model
        own_a, own_b = model.for_class(vehicle_class)
        shape.append(min(max(model.shape, _SHAPES[0]), _SHAPES[1]))
        a.append(own_a)
        b.append(own_b)
    return LifeBelief.gamma(np.array(shape), np.array(a), np.array(b))


def _ages_today(
    rows: list[tuple[Any, ...]],
    clock: list[Clock],
    known: Bools,
    group: Ints,
    belief: LifeBelief,
    paces: Paces,
    car: Ints,
    effect: Floats,
) -> Floats:
    """Return ages today, shape (parts, AGES), carried on from the last reading."""
    if not rows:
        return np.zeros((0, AGES))
    by_age = np.array([one == "age" for one in clock], dtype=bool)
    km, days, total_km, total_days = (
        np.array([np.nan if row[i] is None else row[i] for row in rows], dtype=np.float64)
        for i in range(6, 10)
    )
    km = np.nan_to_num(km)
    pace = np.maximum(paces.per_month[car], 1.0) / DAYS_PER_MONTH
    days = np.where(np.isnan(days), km / pace, days)
    total_days = np.where(np.isnan(total_days), total_km / pace, total_days)
    since, gone = paces.days_since[car], paces.km_since[car]
    age = np.where(by_age, (days + since) / 365.25, (km + gone) / 1000.0)
    most = np.where(by_age, (total_days + since) / 365.25, (total_km + gone) / 1000.0)
    ages = np.repeat(age[:, None], AGES, axis=1)
    open_ = np.flatnonzero(~known)
    if open_.size:
        shape = belief.shape[group[open_]]
        rate = (belief.a / belief.b)[group[open_]] * effect[open_]
        least = age[open_]
        ages[open_] = unknown_ages(least, np.maximum(most[open_], least), shape, rate)
    return ages
