"""The retire list: every vehicle against the middle of its class, by the upkeep ahead of it."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from roadworn.analysis import Cell, Result
from roadworn.columns.view import UNSEEN_DAYS, LedgerView
from roadworn.model.messages import Joined, Says
from roadworn.model.units import KM_PER_MILE
from roadworn_plugins.ahead.due_now import DueItem, State, not_failed
from roadworn_plugins.ahead.quarters import months_from
from roadworn_plugins.ahead.services import ServiceAhead, ServicesAhead
from roadworn_plugins.keep.case import Cases
from roadworn_plugins.keep.jobs import priced, summed
from roadworn_plugins.keep.options import (
    KeepOrSellSettings,
    Valuations,
    Worth,
    cheapest_kept,
    gap_of,
    value_that_turns,
)
from roadworn_plugins.keep.tables import fleet_notes, standings_table
from roadworn_plugins.keep.ways import ways_of
from roadworn_plugins.projection.totals import grid_totals
from roadworn_plugins.shared.costs_ahead import Band, cost_of, expected_cost
from roadworn_plugins.shared.grouped import Floats, Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.projected import LEVEL, Projection, project_months, taken
from roadworn_plugins.shared.settings import all_said

#: Fewer vehicles of a class have no middle that one of them could be held against.
LEAST_OF_CLASS = 3
_YEAR, _TWO_YEARS = 12, 24
_PARTS_NAMED, _FIRST_NAMED = 5, 3
#: This share of what a vehicle of the fleet usually costs lies above the middle of its class,
#: though chance may explain it (common practice, no source).
_ASKED_FIRST = 0.2
#: What of the work that is due now has a price to be added.
_COUNTED = frozenset({State.SAFETY, State.FAILED, State.DECLINED, State.DEFERRED, State.SERVICE})
_say = Says(
    "keep-or-sell",
    {
        "fleet-dearest": "Let go first, dearer than their class by more than chance: {vehicles}.",
        "fleet-asked": "{n} more {n:costs|cost} above the class a fifth or more of what a "
        "vehicle of the fleet usually costs: ask before the next large bill.",
        "fleet-one": "{vehicle} ({cost:,.0f} {currency} above it, {times:.1f} times)",
        "fleet-even": "No vehicle costs more than its class beyond what chance allows.",
        "fleet-few": "Too few to tell: no vehicle has the {least} fitted {least:part|parts} with "
        "both a life and a price on record that it needs; the most that one has is {priced}.",
        "dearer": "dearer than its class",
        "cheaper": "cheaper than its class",
        "as-class": "as its class, within what is known",
        "too-few-of-class": "too few of its class to compare",
        "few-parts": "{priced} of the {least} {least:part|parts} with a price that it needs",
        "say-go": "let go first",
        "say-look": "ask before the next large bill",
        "say-keep": "keep",
        "say-unknown": "cannot say",
        "turn-go": "goes as soon as another vehicle costs less than {monthly:,.0f} a month",
        "turn-way": "stays unless another vehicle costs less than {monthly:,.0f} a month",
        "turn-more": "goes if it would fetch more than {value:,.0f} as it is",
        "turn-less": "stays if it would fetch less than {value:,.0f} as it is",
        "turn-unknown": "stays if it would fetch less than {value:,.0f} as it is, goes if more",
        "turn-value": "no value known: record a valuation",
        "fleet-no-value": "{n} {n:vehicle|vehicles} {n:has|have} no value on record: what {n:it "
        "loses|they lose} is not known, and nothing stands in for it.",
        "fleet-unpriced": "{n} {n:item|items} due now {n:has|have} no price: those sums come "
        "without {n:it|them}.",
        "fleet-more": "{n} more {n:row|rows} {n:is|are} not shown; raise the setting most.",
        "fleet-value": "Loss of value stands beside the upkeep and is not in the rank: too few "
        "vehicles would have one.",
    },
)


@dataclass(frozen=True, slots=True)
class _Standing:
    """What lies ahead of one vehicle, money in one currency.

    Attributes:
        vehicle, kind: which, and its class.
        failures: of the next 12 months, with their band.
        later: failures expected within 24 months.
        services, services_later: services of 12 and of 24 months.
        services_spread: half the band of those of 12 months.
        due: what is due now, low, middle and high.
        due_unpriced: how many items of it have no price.
        distance: that it covers in 12 months, in the unit shown.
        worth: what is known of its value.
        events: what it rests on.
    """

    vehicle: str
    kind: str
    failures: Band
    later: float
    services: float
    services_later: float
    services_spread: float
    due: tuple[float, float, float]
    due_unpriced: int
    distance: float
    worth: Worth
    events: tuple[str, ...]

    @property
    def upkeep(self) -> float:
        """Failures, services and what is due now, within 12 months."""
        return self.failures.expected + self.services + self.due[1]

    @property
    def limits(self) -> tuple[float, float]:
        """The band of the upkeep; its parts are taken to be independent."""
        low, middle, high = self.due
        less = self.failures.expected - self.failures.low, middle - low, self.services_spread
        more = self.failures.high - self.failures.expected, high - middle, self.services_spread
        down, up = float(np.linalg.norm(less)), float(np.linalg.norm(more))
        return max(self.upkeep - down, 0.0), self.upkeep + up

    @property
    def per_distance(self) -> float | None:
        """Upkeep for a mile or a kilometre, None where it does not move."""
        return self.upkeep / self.distance if self.distance > 0 else None


def retire_list(view: LedgerView, settings: KeepOrSellSettings) -> Result:
    """Rank all vehicles within their class by what they cost above its middle.

    Args:
        view: the ledger as of a day.
        settings: those of `keep-or-sell`; what can be said of one vehicle only is not looked at.
    """
    unit = settings.unit or view.usual_unit()
    # What can be said of one vehicle only holds for none of them.
    one_by_one = {"vehicle": None, "value": None, "value_fixed": None, "runs": True}
    cases = Cases.load(view, settings.model_copy(update=one_by_one))
    fleet = _Fleet.load(view, cases)
    currency = fleet.parts.prices.currency
    km = 1.0 if unit == "km" else KM_PER_MILE
    least = settings.least_parts
    few = {name for name, rows in fleet.rows.items() if fleet.priced(rows) < least}
    by_class = defaultdict[str, list[_Standing]](list)
    for vehicle in sorted(fleet.rows.keys() - few):
        one = fleet.standing(vehicle, km)
        by_class[one.kind].append(one)
    if not by_class:
        most = max((fleet.priced(rows) for rows in fleet.rows.values()), default=0)
        return Result(_say("fleet-few", least=least, priced=most))
    ranked: list[tuple[_Standing, float | None]] = []
    ranks: dict[str, int] = {}
    for _kind, unranked in sorted(by_class.items()):
        middle = _middle(unranked)
        ones = _ranked(unranked, middle)
        ranked += [(one, middle) for one in ones]
        ranks |= {one.vehicle: rank for rank, one in enumerate(ones, start=1)}
    asked = _asked(ranked)
    # One order over all classes: whoever has to choose begins at the top.
    ranked.sort(key=lambda pair: _order(pair[0], pair[1], asked))
    rows: list[tuple[Cell, ...]] = [
        _row(one, ranks[one.vehicle], middle, asked, _turn(cases, one, middle))
        for one, middle in ranked[: settings.most]
    ]
    evidence = [one.events for one, _middle in ranked[: settings.most]]
    for vehicle in sorted(few):
        kind = fleet.kinds[vehicle]
        unknown = (_say("say-unknown"), kind, None)
        told = _say("few-parts", priced=fleet.priced(fleet.rows[vehicle]), least=least)
        rows.append((vehicle, *unknown, *(None,) * 11, told, ""))
        evidence.append(())
    standings = [one for one, _middle in ranked]
    table = standings_table(rows[: settings.most], evidence[: settings.most], unit, currency)
    each = [(one.failures.expected, one.services, one.due[1]) for one in standings]
    return Result(
        headline=_headline(ranked, asked, currency),
        tables=(table,),
        caveats=all_said(
            _say.some(sum(one.worth.now is None for one in standings), "fleet-no-value"),
            _say.some(sum(one.due_unpriced for one in standings), "fleet-unpriced"),
            _say.some(len(ranked) + len(few) - settings.most, "fleet-more"),
            *fleet_notes(each, fleet.budgeted, currency),
            _say("fleet-value"),
            *fleet.parts.prices.caveats(fleet.parts.component),
        ),
    )


@dataclass(frozen=True, eq=False)
class _Fleet:
    """All that the standings of vehicles are made from, read once.

    Attributes:
        cost: months -> what each part is expected to cost, 0 without a price.
        bands: vehicle -> its failures of the next 12 months.
        rows: vehicle that is still here -> its parts that have not failed yet.
        kinds: vehicle -> its class.
        budgeted: failures of the next 12 months, without what falls after vehicles leave.
    """

    view: LedgerView
    parts: PartsAhead
    cost: dict[float, Floats]
    bands: dict[str, Band]
    rows: dict[str, Ints]
    kinds: dict[str, str]
    due: Mapping[str, list[DueItem]]
    services: dict[str, ServicesAhead]
    valuations: Valuations
    budgeted: float

    @classmethod
    def load(cls, view: LedgerView, cases: Cases) -> "_Fleet":
        """Read the fleet, and project it to a year and two years."""
        parts = cases.parts
        kinds = dict(
            view.sql(
                """SELECT vehicle_id, vehicle_class FROM vehicles WHERE retired_on IS NULL
                     AND last_seen_on >= CAST(? AS DATE) - CAST(? AS INTEGER)""",
                (view.today.isoformat(), UNSEEN_DAYS),
            ).rows
        )
        gathered: dict[str, list[int]] = {name: [] for name in kinds}
        ahead = not_failed(parts, [item for own in cases.due.values() for item in own])
        for i in ahead:
            gathered[parts.vehicle[i]].append(int(i))
        horizons = [float(_YEAR), float(_TWO_YEARS)]
        measured = cases.measured
        services = ServicesAhead.load(view, parts.prices, _TWO_YEARS)
        by_vehicle = defaultdict[str, list[ServiceAhead]](list)
        for one in services.all:
            by_vehicle[one.vehicle].append(one)
        worn = [measured.chances(m) for m in horizons]
        found = project_months(parts, horizons, measured=worn)
        year = found[float(_YEAR)]
        rows = {name: np.array(own, dtype=np.int64) for name, own in gathered.items()}
        return cls(
            view,
            parts,
            {m: _costs(parts, found[m]) for m in horizons},
            _bands(parts, year, rows),
            rows,
            kinds,
            cases.due,
            {name: replace(services, all=ones) for name, ones in by_vehicle.items()},
            cases.valuations,
            expected_cost(parts, year, ahead) * year.staying,
        )

    def priced(self, rows: Ints) -> int:
        """Return how many of these parts have both a life and a price on record."""
        prices = (self.parts.price[i] for i in rows)
        return sum(1 for price in prices if price is not None and price.number)

    def standing(self, vehicle: str, km: float) -> _Standing:
        """Return what lies ahead of a vehicle, `km` being the length of the unit shown."""
        rows, parts, kind = self.rows[vehicle], self.parts, self.kinds[vehicle]
        at = parts.paces.index.get(vehicle)
        pace = 0.0 if at is None else float(parts.paces.per_month[at])
        costs = {months: cost[rows] for months, cost in self.cost.items()}
        ends = [months_from(self.view.today, far) for far in (_YEAR, _TWO_YEARS)]
        ahead = self.services.get(vehicle) or ServicesAhead([], parts.prices, self.view.today)
        year, two_years = (ahead.between(None, end) for end in ends)
        due = [item for item in self.due.get(vehicle, ()) if item.state in _COUNTED]
        prices = priced(due)
        worth = self.valuations.worth(vehicle, kind, None, parts.prices.currency, pace)
        dearest = rows[np.argsort(-costs[float(_YEAR)], kind="stable")[:_PARTS_NAMED]]
        events = (
            *worth.events[-3:],
            *(event for item in due for event in item.events),
            *(parts.started_by[i] for i in dearest),
        )
        return _Standing(
            vehicle=vehicle,
            kind=kind,
            failures=self.bands[vehicle],
            later=float(np.sum(costs[float(_TWO_YEARS)])),
            services=year.expected,
            services_later=two_years.expected,
            services_spread=year.spread,
            due=summed(prices),
            due_unpriced=len(due) - len(prices),
            distance=pace * _YEAR / km,
            worth=worth,
            events=tuple(dict.fromkeys(filter(None, events))),
        )


def _costs(parts: PartsAhead, found: Projection) -> Floats:
    """Return what each part is expected to cost, 0 without a price."""
    priced = np.flatnonzero([price is not None for price in parts.price])
    cost = np.zeros(parts.size)
    if priced.size:
        cost[priced] = cost_of(parts, found, priced).mean() * found.number[priced]
    return cost


def _bands(parts: PartsAhead, found: Projection, rows: dict[str, Ints]) -> dict[str, Band]:
    """Return what the parts of each vehicle cost, all vehicles at once."""
    bands = dict.fromkeys(rows, Band(0.0, 0.0, 0.0))
    own = {name: np.array([i for i in of if parts.price[i] is not None], dtype=np.int64)
           for name, of in rows.items()}  # fmt: skip
    names = [name for name, of in own.items() if of.size]
    if not names:
        return bands
    every = np.concatenate([own[name] for name in names])
    summed = grid_totals(
        [taken(counts, every) for counts in found.counts],
        cost_of(parts, found, every),
        usage_weight=found.weight,
        total=np.repeat(np.arange(len(names)), [own[name].size for name in names]),
    )
    for name, one in zip(names, summed, strict=True):
        bands[name] = Band(one.expected, *one.band(LEVEL))
    return bands


def _middle(ones: list[_Standing]) -> float | None:
    """Return the middle upkeep by distance of a class, None where too few tell."""
    rates = [rate for one in ones if (rate := one.per_distance) is not None]
    return float(np.median(rates)) if len(rates) >= LEAST_OF_CLASS else None


def _above(one: _Standing, middle: float | None) -> float:
    """Return what a vehicle costs above the middle of its class for the same distance."""
    return one.upkeep - (middle or 0.0) * one.distance


def _asked(ones: list[tuple[_Standing, float | None]]) -> float:
    """Return the amount above its class at which a vehicle's large bill is asked about first."""
    usual = [middle * one.distance for one, middle in ones if middle and one.distance > 0.0]
    return _ASKED_FIRST * float(np.median(usual)) if usual else 0.0


def _against(one: _Standing, middle: float | None, asked: float = 0.0) -> int:
    """Return how a vehicle stands against its class.

    0: cannot be said; 1: dearer beyond chance; 2: dearer by the amount at which a large bill is
    asked about first; 3: as its class; 4: cheaper beyond chance.
    """
    usual = 0.0 if middle is None else middle * one.distance
    if usual <= 0.0:
        return 0
    low, high = one.limits
    if low > usual:
        return 1
    return 2 if _above(one, middle) > asked else 4 if high < usual else 3


def _order(one: _Standing, middle: float | None, asked: float) -> tuple[int, float, str]:
    """Return the place of a vehicle among all: those to let go first, what cannot be said last.

    Behind the first it goes by money alone: what is saved in a year by one of its class that
    costs as the middle of them does and goes as far.
    """
    stands = _against(one, middle, asked)
    return min(stands, 2) if stands else 9, -_above(one, middle), one.vehicle


def _ranked(ones: list[_Standing], middle: float | None) -> list[_Standing]:
    return sorted(ones, key=lambda one: (-_above(one, middle), one.vehicle))


def _turn(cases: Cases, one: _Standing, middle: float | None) -> str:
    """Return what would turn the choice, as the answer for the vehicle itself has it."""
    settings = cases.settings
    if settings.replacement_price is None and one.worth.now is None:
        return _say("turn-value")
    options, _afters = ways_of(cases.of(one.vehicle), bands=False)
    best, gap = cheapest_kept(options), gap_of(options)
    if settings.replacement_price is not None:
        value = max(value_that_turns(options), 0.0)
        word = "turn-unknown" if gap is None else "turn-more" if gap > 0.0 else "turn-less"
        return _say(word, value=value)
    if best is None or best.monthly is None:
        return _say("turn-value")
    word = "turn-go" if _against(one, middle) == 1 else "turn-way"
    return _say(word, monthly=best.monthly)


def _row(
    one: _Standing, rank: int, middle: float | None, asked: float, turn: str
) -> tuple[Cell, ...]:
    usual = None if middle is None else middle * one.distance
    stands = _against(one, middle, asked)
    against = _say(("too-few-of-class", "dearer", "as-class", "as-class", "cheaper")[stands])
    now = one.worth.now
    return (
        one.vehicle,
        _say(("say-unknown", "say-go", "say-look", "say-keep", "say-keep")[stands]),
        one.kind,
        rank,
        *(round(amount, 2) for amount in (one.upkeep, *one.limits)),
        *(round(amount, 2) for amount in (one.failures.expected, one.services, one.due[1])),
        round(one.later + one.services_later + one.due[1], 2),
        None if now is None else round(now, 2),
        None if now is None else round(now * one.worth.yearly_loss, 2),
        one.per_distance,
        one.upkeep / usual if usual else None,
        against,
        turn,
    )


def _headline(ranked: list[tuple[_Standing, float | None]], limit: float, currency: str) -> Joined:
    first = [(one, middle) for one, middle in ranked if middle and _against(one, middle) == 1]
    asked = sum(_against(one, middle, limit) == 2 for one, middle in ranked)
    named = [
        _say(
            "fleet-one",
            vehicle=one.vehicle,
            cost=_above(one, middle),
            currency=currency,
            times=one.upkeep / (middle * one.distance),
        )
        for one, middle in first[:_FIRST_NAMED]
    ]
    dearest = _say("fleet-dearest", vehicles=Joined(named)) if named else _say("fleet-even")
    return Joined((dearest, _say.some(asked, "fleet-asked")), " ")
