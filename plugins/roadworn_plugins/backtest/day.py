"""One day of the past: what would have been projected then, and what came.

The projection is made on a view set back to that day, so it knows what was known then and
nothing more; what came is read from the present view. A part that was replaced before it
failed was only watched to that day, and only so far is it projected.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np

from roadworn.columns.view import KnownBy, LedgerView
from roadworn.model.catalogue import meet, sides_of
from roadworn_plugins.ahead import MeasuredParts
from roadworn_plugins.ahead.due_now import DueItem, due_now, not_failed
from roadworn_plugins.ahead.quarters import Failure, failures
from roadworn_plugins.lifedata.counts import jeffreys_interval
from roadworn_plugins.shared.grouped import DAYS_PER_MONTH, Floats, Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead, load_parts
from roadworn_plugins.shared.projected import Projection, money, project, spread

# A vehicle seen this long before the end of the horizon was watched to the end.
_GRACE_DAYS = 100
Place = tuple[str, str, str]


def watched(view: LedgerView, day: date, until: date) -> tuple[set[str], int, int]:
    """Return the vehicles seen from the day to the end, and how many left or were lost."""
    rows = view.sql(
        """SELECT vehicle_id, retired_on <= CAST(? AS DATE) AS gone,
                  last_seen_on >= CAST(? AS DATE) AS seen
           FROM vehicles
           WHERE enrolled_on <= CAST(? AS DATE)
             AND (retired_on IS NULL OR retired_on > CAST(? AS DATE))
             AND last_seen_on > CAST(? AS DATE)""",
        (
            until.isoformat(),
            (until - timedelta(days=_GRACE_DAYS)).isoformat(),
            *(day.isoformat(),) * 3,
        ),
    ).rows
    left = {row[0] for row in rows if row[1]}
    lost = {row[0] for row in rows if not row[1] and not row[2]}
    return {row[0] for row in rows} - left - lost, len(left), len(lost)


def fitted_share(view: LedgerView, parts: PartsAhead, day: date, until: date) -> Floats:
    """Return the share of a span of days that each part was fitted for, unless it failed."""
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
    span = (until - day).days
    share = np.ones(parts.size)
    fitted = zip(parts.vehicle, parts.component, parts.position, strict=True)
    for i, (vehicle, component, position) in enumerate(fitted):
        keys = ((vehicle, component, side) for side in sides_of(component, position))
        cut = min((first[key] for key in keys if key in first), default=None)
        if cut is not None:
            share[i] = (cut - day).days / span
    return share


# Coarser than for a printed total: a band is only asked whether it holds what came.
_CELLS = 512


@dataclass(frozen=True, eq=False)
class BacktestDay:
    """Projection and outcome of one day, one entry a part unless said otherwise.

    Attributes:
        on: the day the projection was made.
        until: the last day of its horizon.
        parts: what was fitted and watched.
        chance, number: projected for each part.
        base: chance of each part known then without its age: the share of its component that
            had failed in as long a time before.
        came: failures of each part's place.
        low, high: 80 % band of each vehicle's cost, shape (vehicles,).
        paid: of each vehicle, same shape.
        expected_cost: of each part.
        paid_by_part: same shape; failures without a price at the projected one.
        failures: of each part, in time.
        unforeseen: failures at places where no part was projected.
        left, lost: vehicles left out, gone within the horizon or not seen to its end.
        cut: parts replaced before they failed.
        unpriced: failures without a price on record.
        currency: of the money.
    """

    on: date
    until: date
    parts: PartsAhead
    chance: Floats
    number: Floats
    base: Floats
    came: Floats
    vehicles: tuple[str, ...]
    low: Floats
    high: Floats
    paid: Floats
    expected_cost: Floats
    paid_by_part: Floats
    failures: list[list[Failure]]
    unforeseen: tuple[Failure, ...]
    left: int
    lost: int
    cut: int
    unpriced: int
    currency: str

    @property
    def happened(self) -> Floats:
        """Whether each part's place saw a failure, 1 or 0."""
        return (self.came > 0).astype(np.float64)

    @property
    def projected_cost(self) -> float:
        """What the failures were projected to cost, all parts together."""
        return float(self.expected_cost.sum())

    @property
    def paid_cost(self) -> float:
        """What was paid, all vehicles together."""
        return float(self.paid.sum())

    @property
    def share_inside(self) -> float:
        """Share of the vehicles whose cost fell into their band."""
        inside = (self.low - 1e-6 <= self.paid) & (self.paid <= self.high + 1e-6)
        return float(inside.mean())


def look_back(
    view: LedgerView,
    day: date,
    months: float,
    *,
    known_by: KnownBy,
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
    until = day + timedelta(days=round(months * DAYS_PER_MONTH))
    seen, left, lost = watched(view, day, until)
    with view.set_back(day, known_by=known_by) as then:
        fitted = load_parts(then, vehicle)
        due = due_now(then, fitted.prices, vehicle)
        rows = not_failed(fitted, due)
        rows = rows[
            [fitted.vehicle[i] in seen and component in (None, fitted.component[i]) for i in rows]
        ]
        if not rows.size:
            return None
        parts = fitted.take(rows)
        currency = parts.prices.currency
        share = fitted_share(view, parts, day, until)
        wear = MeasuredParts.load(then, parts).chances(months)
        wear = {i: chances for i, chances in wear.items() if share[i] == 1.0}
        before = failures(then, day - (until - day), day, currency)
    found = project(parts, months, measured=wear, share=share)
    own, unforeseen = _by_part(
        parts,
        found.chance,
        [
            f
            for f in failures(view, day, until, currency)
            if component in (None, f.component) and not _due_already(f, due)
        ],
    )
    usual = _usual_prices(parts)
    paid_by_part = np.array(
        [sum(usual[i] if f.cost is None else f.cost for f in own[i]) for i in range(parts.size)]
    )
    vehicles, car = np.unique(np.array(parts.vehicle), return_inverse=True)
    paid = np.bincount(car, paid_by_part, vehicles.size).astype(np.float64)
    place = {name: i for i, name in enumerate(vehicles.tolist())}
    for failure in unforeseen:
        paid[place[failure.vehicle]] += failure.cost or 0.0
    low, high = _bands(parts, found, car, vehicles.size)
    return BacktestDay(
        on=day,
        until=until,
        parts=parts,
        chance=found.chance,
        number=found.number,
        base=_base_rates(parts, before),
        came=np.array([len(one) for one in own], dtype=np.float64),
        vehicles=tuple(vehicles.tolist()),
        low=low,
        high=high,
        paid=paid,
        expected_cost=found.number * usual,
        paid_by_part=paid_by_part,
        failures=own,
        unforeseen=unforeseen,
        left=left,
        lost=lost,
        cut=int(np.sum(share < 1.0)),
        unpriced=sum(f.cost is None for one in own for f in one),
        currency=currency,
    )


def _due_already(failure: Failure, due: list[DueItem]) -> bool:
    """Return whether it was open on the day: then it was due, and not projected."""
    return any(
        item.failed
        and (item.vehicle, item.component) == (failure.vehicle, failure.component)
        and (not item.position or meet(item.component, item.position, failure.position))
        for item in due
    )


def _by_part(
    parts: PartsAhead, chance: Floats, came: list[Failure]
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
    vehicles = set(parts.vehicle)
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


def _usual_prices(parts: PartsAhead) -> Floats:
    usual = np.zeros(parts.size)
    priced = np.array([i for i, p in enumerate(parts.price) if p is not None], dtype=np.int64)
    if priced.size:
        usual[priced] = spread(parts, priced).mean()
    return usual


def _bands(parts: PartsAhead, found: Projection, car: Ints, vehicles: int) -> tuple[Floats, Floats]:
    ends = np.zeros((2, vehicles))
    for number in range(vehicles):
        band = money(parts, found, np.flatnonzero(car == number), cells=_CELLS)
        ends[:, number] = band.low, band.high
    return ends[0], ends[1]


def _base_rates(parts: PartsAhead, before: list[Failure]) -> Floats:
    """Return the share of each component's places that failed in the time before."""
    failed: dict[str, set[Place]] = {}
    vehicles = set(parts.vehicle)
    for failure in before:
        if failure.vehicle in vehicles:
            place = (failure.vehicle, failure.component, failure.position)
            failed.setdefault(failure.component, set()).add(place)
    names, code, fitted = np.unique(
        np.array(parts.component), return_inverse=True, return_counts=True
    )
    rate = np.array([len(failed.get(str(name), ())) for name in names]) / fitted
    return np.asarray(np.minimum(rate, 1.0)[code], dtype=np.float64)


#: Edges of the bins of given chances.
EDGES = (0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0)


@dataclass(frozen=True, slots=True)
class Bin:
    """Parts that were given about the same chance."""

    low: float
    high: float
    parts: int
    given: float
    came: float
    came_low: float
    came_high: float


def bins_of(chance: Floats, happened: Floats) -> list[Bin]:
    """Return given and observed chances, bin by bin, empty ones left out."""
    place = np.clip(np.searchsorted(EDGES, chance, side="right") - 1, 0, len(EDGES) - 2)
    found = []
    for number, (low, high) in enumerate(pairwise(EDGES)):
        here = place == number
        if not here.any():
            continue
        share = jeffreys_interval([happened[here].sum()], [here.sum()])
        found.append(
            Bin(
                low,
                high,
                int(here.sum()),
                float(chance[here].mean()),
                float(happened[here].mean()),
                float(np.ravel(share.lower)[0]),
                float(np.ravel(share.upper)[0]),
            )
        )
    return found
