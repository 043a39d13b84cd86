"""One day of the past: what would have been projected then, and what came.

The projection is made on a view set back to that day, so it knows what was known then and
nothing more; what came is read from the present view. One pass serves the whole fleet: a vehicle
or a component is a choice of its rows, and every analysis that looks back to a day shares it.

A part replaced before it failed is projected to that day, its successor from then on. A vehicle
that left, or was not seen any more, counts to its last day.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property

import numpy as np

from roadworn.columns.view import KnownBy, LedgerView
from roadworn.model.catalogue import meet, sides_of
from roadworn_plugins.ahead.due_now import DueItem, failed_now, not_failed
from roadworn_plugins.ahead.open_facts import parts_today
from roadworn_plugins.ahead.quarters import Failure, failures
from roadworn_plugins.projection.totals import grid_totals
from roadworn_plugins.shared.costs_ahead import cost_of, money
from roadworn_plugins.shared.grouped import DAYS_PER_MONTH, Bools, Floats, Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.projected import Projection, project, taken
from roadworn_plugins.wear.chances import MeasuredParts

# A vehicle seen this long before the end of the horizon was watched to the end.
_GRACE_DAYS = 100
# Coarser than for a printed total: a band is only asked whether it holds what came.
_CELLS = 512
_MOST_ON_GRID = 450  # parts of one vehicle
_EACH_PART = ("share", "successor", "base", "without", "came", "happened", "usual", "cuts")
Place = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Watched:
    """The vehicles of a past day.

    Attributes:
        until: vehicle -> the last day up to which it was watched.
        left, lost: those that left within the horizon, and those not seen to its end.
    """

    until: dict[str, date]
    left: frozenset[str]
    lost: frozenset[str]


def watched(view: LedgerView, day: date, until: date) -> Watched:
    """Return the vehicles that were here on the day and seen after it."""
    rows = view.sql(
        """SELECT vehicle_id, retired_on, last_seen_on FROM vehicles
           WHERE enrolled_on <= CAST(? AS DATE)
             AND (retired_on IS NULL OR retired_on > CAST(? AS DATE))
             AND last_seen_on > CAST(? AS DATE)""",
        (day.isoformat(),) * 3,
    ).rows
    ends: dict[str, date] = {}
    left, lost = set(), set()
    for vehicle, retired, seen in rows:
        end = min(until, retired or until)
        if seen < end - timedelta(days=_GRACE_DAYS):
            end = seen
            lost.add(vehicle)
        elif end < until:
            left.add(vehicle)
        ends[vehicle] = end
    return Watched(ends, frozenset(left), frozenset(lost))


def _planned(view: LedgerView, day: date, until: date) -> dict[Place, date]:
    """Return place -> day on which its part was first replaced without having failed."""
    rows = view.sql(
        """SELECT vehicle_id, component, coalesce(position, ''), min(occurred_on)
           FROM replacements
           WHERE NOT (reason IN ('failed', 'worn_out') AND along_with IS NULL)
             AND occurred_on > CAST(? AS DATE) AND occurred_on <= CAST(? AS DATE)
           GROUP BY ALL""",
        (day.isoformat(), until.isoformat()),
    ).rows
    first: dict[Place, date] = {}
    for vehicle, component, position, on in rows:
        for side in sides_of(component, position):
            key = (vehicle, component, side)
            first[key] = min(on, first.get(key, on))
    return first


@dataclass(frozen=True, eq=False)
class BacktestDay:
    """Projection and outcome of one day, one entry a part unless said otherwise.

    Attributes:
        on: the day the projection was made.
        until: the last day of its horizon.
        parts: what was fitted and watched.
        share: of the horizon that each part was watched for.
        found: what was projected for that share.
        successor: failures projected of the part that took its place before it failed.
        base: chance of each part known then without its age: the share of its component that
            had failed in as long a time before.
        without: chance of each part by its life alone, without the facts of that day.
        came: failures of each part's place.
        happened: whether the part that was fitted then failed, 1 or 0.
        usual: what a replacement was projected to cost, 0 where no price was known.
        failures: of each part, in time.
        unforeseen: failures at places where no part was projected.
        left, lost: vehicles that left within the horizon, or were not seen to its end.
        cuts: whether the part was replaced before it failed.
        currency: of the money.
    """

    on: date
    until: date
    parts: PartsAhead
    share: Floats
    found: Projection
    successor: Floats
    base: Floats
    without: Floats
    came: Floats
    happened: Floats
    usual: Floats
    failures: list[list[Failure]]
    unforeseen: tuple[Failure, ...]
    left: frozenset[str]
    lost: frozenset[str]
    cuts: Bools
    currency: str

    @property
    def chance(self) -> Floats:
        """Chance that was given to each part."""
        return self.found.chance

    @property
    def number(self) -> Floats:
        """Failures projected at the place of each part."""
        return self.found.number + self.successor

    @cached_property
    def vehicles(self) -> tuple[str, ...]:
        """Those with a part or an unforeseen failure, in order."""
        return tuple(sorted({*self.parts.vehicle, *(f.vehicle for f in self.unforeseen)}))

    @cached_property
    def car(self) -> Ints:
        """Index into `vehicles` of each part."""
        place = {name: i for i, name in enumerate(self.vehicles)}
        return np.array([place[name] for name in self.parts.vehicle], dtype=np.int64)

    @property
    def expected_cost(self) -> Floats:
        """What the failures of each part were projected to cost."""
        return self.number * self.usual

    @cached_property
    def paid_by_part(self) -> Floats:
        """What was paid for them; failures without a price at the projected one."""
        return np.array(
            [
                sum(usual if f.cost is None else f.cost for f in own)
                for usual, own in zip(self.usual, self.failures, strict=True)
            ],
            dtype=np.float64,
        )

    @cached_property
    def paid(self) -> Floats:
        """What was paid for failures, foreseen or not, shape (vehicles,)."""
        paid = np.bincount(self.car, self.paid_by_part, len(self.vehicles)).astype(np.float64)
        usual = dict(zip(self.parts.component, self.usual.tolist(), strict=True))
        place = {name: i for i, name in enumerate(self.vehicles)}
        for failure in self.unforeseen:
            price = usual.get(failure.component, 0.0) if failure.cost is None else failure.cost
            paid[place[failure.vehicle]] += price
        return paid

    @property
    def unpriced(self) -> int:
        """Failures without a price on record."""
        return sum(f.cost is None for own in (*self.failures, self.unforeseen) for f in own)

    @cached_property
    def bands(self) -> Floats:
        """80 % band of each vehicle's cost, shape (2, vehicles)."""
        ends = np.zeros((2, len(self.vehicles)))
        for number, band in bands_by_vehicle(self.parts, self.found, self.car).items():
            ends[:, number] = band
        return ends

    @property
    def projected_cost(self) -> float:
        """What all failures were projected to cost."""
        return float(self.expected_cost.sum())

    @property
    def paid_cost(self) -> float:
        """What was paid, all vehicles together."""
        return float(self.paid.sum())

    @property
    def share_inside(self) -> float:
        """Share of the vehicles whose cost fell into their band."""
        low, high = self.bands  # what adds up to nothing differs from 0 by rounding
        return float(((low - 1e-6 <= self.paid) & (self.paid <= high + 1e-6)).mean())

    def only(self, vehicle: str | None, component: str | None) -> "BacktestDay | None":
        """Return what is said of one vehicle or component, None when there is no part of it."""
        if vehicle is None and component is None:
            return self
        pairs = zip(self.parts.vehicle, self.parts.component, strict=True)
        ours = [
            i
            for i, (one, name) in enumerate(pairs)
            if vehicle in (None, one) and component in (None, name)
        ]
        if not ours:
            return None
        rows = np.array(ours, dtype=np.int64)
        return replace(
            self,
            parts=self.parts.take(rows),
            found=_only(self.found, rows),
            failures=[self.failures[i] for i in ours],
            unforeseen=tuple(
                f
                for f in self.unforeseen
                if vehicle in (None, f.vehicle) and component in (None, f.component)
            ),
            left=self.left if vehicle is None else self.left & {vehicle},
            lost=self.lost if vehicle is None else self.lost & {vehicle},
            **{name: getattr(self, name)[rows] for name in _EACH_PART},
        )


def _only(found: Projection, rows: Ints) -> Projection:
    each = {
        name: getattr(found, name)[rows]
        for name in ("number", "price", "pace", "chance", "low", "high")
        if getattr(found, name) is not None
    }
    return replace(found, counts=tuple(taken(one, rows) for one in found.counts), **each)


def look_back(
    view: LedgerView,
    day: date,
    months: float,
    *,
    known_by: KnownBy = "occurred",
    vehicle: str | None = None,
    component: str | None = None,
) -> BacktestDay | None:
    """Project as of a past day and compare; None when nothing was fitted and watched then.

    Args:
        view: the present view, that knows what came.
        day: the day of the projection; the whole horizon must lie before the present.
        months: the horizon.
        known_by: whether what was recorded by then counts, or what had happened by then.
        vehicle: only this one.
        component: only this one.
    """
    key = (day, months, known_by)
    found = view.kept((BacktestDay, *key), lambda: _looked_back(view, *key))
    return None if found is None else found.only(vehicle, component)


def _looked_back(
    view: LedgerView, day: date, months: float, known_by: KnownBy
) -> BacktestDay | None:
    until = day + timedelta(days=round(months * DAYS_PER_MONTH))
    fleet, planned = watched(view, day, until), _planned(view, day, until)
    with view.set_back(day, known_by=known_by) as then:
        fitted = parts_today(then)
        due = failed_now(then, fitted.prices)
        rows = not_failed(fitted, due)
        rows = rows[[fitted.vehicle[i] in fleet.until for i in rows]]
        if not rows.size:
            return None
        parts = fitted.take(rows)
        currency = parts.prices.currency
        end = np.array([(fleet.until[v] - day).days for v in parts.vehicle], dtype=np.float64)
        cut = np.array(
            [
                min(
                    (planned[v, c, s] - day).days if (v, c, s) in planned else np.inf for s in sides
                )
                for v, c, sides in _sides(parts)
            ]
        )
        span = float((until - day).days)
        wear = MeasuredParts.load(then, parts).chances(months)
        before = failures(then, day - (until - day), day, currency)
    share = np.minimum(end, cut) / span
    wear = {i: chances for i, chances in wear.items() if share[i] == 1.0}
    found = project(parts, months, measured=wear, share=share)
    by_lives = project(replace(parts, facts=None), months, measured=wear, share=share)
    due_of: dict[tuple[str, str], list[DueItem]] = {}
    for item in due:
        due_of.setdefault((item.vehicle, item.component), []).append(item)
    came = [
        f
        for f in failures(view, day, until, currency)
        if f.on <= fleet.until.get(f.vehicle, day)
        and not _due_already(f, due_of.get((f.vehicle, f.component), ()))
    ]
    own, unforeseen = _by_part(parts, found.chance, came, set(fleet.until))
    here = set(parts.vehicle)
    return BacktestDay(
        on=day,
        until=until,
        parts=parts,
        share=share,
        found=found,
        successor=_successors(parts, months, np.maximum(end - cut, 0.0) / span),
        base=_base_rates(parts, before),
        without=by_lives.chance,
        came=np.array([len(one) for one in own], dtype=np.float64),
        happened=np.array(
            [
                any((f.on - day).days <= last for f in one)
                for one, last in zip(own, cut, strict=True)
            ],
            dtype=np.float64,
        ),
        usual=_usual_prices(parts, found),
        failures=own,
        unforeseen=unforeseen,
        left=fleet.left & here,
        lost=fleet.lost & here,
        cuts=cut <= end,
        currency=currency,
    )


def _sides(parts: PartsAhead) -> Iterator[tuple[str, str, Iterable[str]]]:
    for one, component, place in zip(parts.vehicle, parts.component, parts.position, strict=True):
        yield one, component, sides_of(component, place)


def _successors(parts: PartsAhead, months: float, share: Floats) -> Floats:
    """Return the failures to expect of parts fitted for this last share of the horizon."""
    number = np.zeros(parts.size)
    rows = np.flatnonzero(share > 0.0)
    if rows.size:
        new = parts.take(rows)
        known = np.ones(rows.size, dtype=bool)
        new = replace(new, known=known, age=np.zeros_like(new.age), facts=None)
        number[rows] = project(new, months, share=share[rows]).number
    return number


def _due_already(failure: Failure, due: Sequence[DueItem]) -> bool:
    """Return whether it was open on the day among what was `due` of its component there.

    Then it was due, and not projected.
    """
    return any(
        not item.position or meet(item.component, item.position, failure.position) for item in due
    )


def _by_part(
    parts: PartsAhead, chance: Floats, came: list[Failure], vehicles: set[str]
) -> tuple[list[list[Failure]], tuple[Failure, ...]]:
    """Return each part's failures, and those at places that were not projected."""
    at: dict[Place, int] = {}
    anywhere: dict[tuple[str, str], int] = {}
    for i in np.argsort(chance, kind="stable"):
        for side in sides_of(parts.component[i], parts.position[i]):
            at[parts.vehicle[i], parts.component[i], side] = int(i)
        anywhere[parts.vehicle[i], parts.component[i]] = int(i)
    own: list[list[Failure]] = [[] for _ in range(parts.size)]
    unforeseen = []
    for failure in came:
        sides = sorted(sides_of(failure.component, failure.position))
        keys = ((failure.vehicle, failure.component, side) for side in sides)
        part = next((at[key] for key in keys if key in at), None)
        if part is None and not failure.position:
            # Written down without its place: the likeliest of the places.
            part = anywhere.get((failure.vehicle, failure.component))
        if part is not None:
            own[part].append(failure)
        elif failure.vehicle in vehicles:
            unforeseen.append(failure)
    return own, tuple(unforeseen)


def _usual_prices(parts: PartsAhead, found: Projection) -> Floats:
    usual = np.zeros(parts.size)
    priced = np.flatnonzero([p is not None for p in parts.price])
    if priced.size:
        usual[priced] = cost_of(parts, found, priced).mean()
    return usual


def bands_by_vehicle(
    parts: PartsAhead, found: Projection, car: Ints
) -> dict[int, tuple[float, float]]:
    """Return the 80 % band of what each vehicle's parts cost, all vehicles in one go.

    Args:
        parts: what is fitted.
        found: their projection.
        car: number of each part's vehicle; one without a priced part is not in the answer.
    """
    bands: dict[int, tuple[float, float]] = {}
    size = np.bincount(car)
    for number in np.flatnonzero(size > _MOST_ON_GRID).tolist():
        band = money(parts, found, np.flatnonzero(car == number))
        bands[number] = band.low, band.high
    rows = [i for i, p in enumerate(parts.price) if p is not None and size[car[i]] <= _MOST_ON_GRID]
    priced = np.array(rows, dtype=np.int64)
    if not priced.size:
        return bands
    numbers, code = np.unique(car[priced], return_inverse=True)
    made = grid_totals(
        [taken(one, priced) for one in found.counts],
        cost_of(parts, found, priced),
        usage_weight=found.weight,
        total=code,
        cells=_CELLS,
    )
    bands.update((int(n), one.band(0.8)) for n, one in zip(numbers, made, strict=True))
    return bands


def _base_rates(parts: PartsAhead, before: list[Failure]) -> Floats:
    """Return the share of each component's places that failed in the time before."""
    failed: dict[str, set[Place]] = {}
    vehicles = set(parts.vehicle)
    for failure in before:
        if failure.vehicle in vehicles:
            place = (failure.vehicle, failure.component, failure.position)
            failed.setdefault(failure.component, set()).add(place)
    names, code = np.unique(np.array(parts.component), return_inverse=True)
    rate = np.array([len(failed.get(str(name), ())) for name in names]) / np.bincount(code)
    return np.asarray(np.minimum(rate, 1.0)[code], dtype=np.float64)
