"""Expected number of failures of fitted parts that are replaced whenever they fail.

Each part's first life goes on from its present age, later lives start fresh (a delayed renewal
process). Lives are taken as replaced by parts of the same kind, at once, until the horizon.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import Floats, Ints, LifeDataError, finite, summed
from roadworn_plugins.lifedata.special import gamma
from roadworn_plugins.projection.belief import DistanceAhead, LifeBelief
from roadworn_plugins.projection.excess import ExcessTable, tabulate

_FEW = 64
_LEAST_CELLS, _MOST_CELLS = 64, 4096
_ALIKE = 1e-12
_ROWS = 1_000  # few enough to stay in the processor's cache


@dataclass(frozen=True, eq=False)
class _Mesh:
    """Points to tabulate at, and where each value lies among them."""

    points: Floats
    cell: Ints
    part: Floats | None  # None when every value is a point

    @classmethod
    def make(cls, values: Floats, finest: float) -> "_Mesh":
        """Take the values themselves when they are few, else a mesh crowded at the low end.

        Args:
            values: Any shape, not negative.
            finest: Widest cell wanted, met at the far end.
        """
        if values.size <= 16 * _FEW:
            # Sums of one distance by two engines differ in the last bit: that is one point.
            order = np.argsort(values, axis=None, kind="stable")
            ranked = values.ravel()[order]
            new = np.diff(ranked, prepend=-np.inf) > _ALIKE * ranked
            if np.count_nonzero(new) <= _FEW:
                cell = np.empty(values.size, dtype=np.int64)
                cell[order] = np.cumsum(new) - 1
                return cls(ranked[new], cell.reshape(values.shape), None)
        low, high = (float(np.sqrt(x)) for x in (values.min(), values.max()))
        wanted = 2.0 * high * (high - low) / finest
        cells = int(np.clip(wanted, _LEAST_CELLS, _MOST_CELLS)) if high > low else 1
        place = (np.sqrt(values) - low) * (cells / max(high - low, 1e-300))
        cell = np.minimum(place.astype(np.int64), cells - 1)
        points = np.linspace(low, high, cells + 1) ** 2
        return cls(points, cell, place - cell)


@dataclass(frozen=True, eq=False)
class Lookup:
    """Where each part and horizon lies on a mesh of ages and times.

    Attributes:
        ages: Ages at which to tabulate, in the unit of the parts' ages.
        times: Horizons at which to tabulate.
    """

    ages: Floats
    times: Floats
    _age: _Mesh
    _time: _Mesh

    @classmethod
    def make(cls, age: Floats, ahead: Floats, shape: float, scale: float) -> "Lookup":
        """Lay the meshes fine enough that straight lines between points are off by about 1e-4.

        Args:
            age: Shape (parts,).
            ahead: Shape (parts, horizons).
            shape: Weibull shape; the sharper the lives, the finer the mesh.
            scale: Characteristic life.
        """
        mean = gamma(1.0 + 1.0 / shape)
        spread = scale * float(np.sqrt(gamma(1.0 + 2.0 / shape) - mean**2))
        ages = _Mesh.make(age, min(spread, scale) / 12.0)
        times = _Mesh.make(ahead, min(spread, scale) / 28.0)
        return cls(ages.points, times.points, ages, times)

    def add_to(self, target: Floats, table: Floats) -> None:
        """Add the interpolated table to the target in place.

        Args:
            target: Shape (parts, horizons).
            table: Values at ``ages`` and ``times``, shape (ages, times).
        """
        flat, width = np.ascontiguousarray(table).ravel(), table.shape[1]
        for start in range(0, target.shape[0], _ROWS):
            rows = slice(start, start + _ROWS)
            place = self._age.cell[rows, None] * width + self._time.cell[rows]
            along = None if self._time.part is None else self._time.part[rows]
            found = _straight(flat, place, along)
            if self._age.part is not None:
                place += width
                older = _straight(flat, place, along)
                older -= found
                older *= self._age.part[rows, None]
                found += older
            target[rows] += found


def _straight(flat: Floats, place: Ints, part: Floats | None) -> Floats:
    """Values at these places, or straight between each and the next."""
    left: Floats = flat.take(place, mode="clip")
    if part is None:
        return left
    right = flat.take(place + 1, mode="clip")
    right -= left
    right *= part
    left += right
    return left


NODES = 7
"""Rates that stand for the belief of a group, unless asked otherwise."""

_CHUNK = 20_000


@dataclass(frozen=True, eq=False)
class Expected:
    """What to expect of each part, averaged over the belief of its rate.

    Attributes:
        chance: Chance of at least one failure, shape of ``ahead``.
        number: Expected number of failures, same shape; never below the chance.
    """

    chance: Floats
    number: Floats


@dataclass(frozen=True, eq=False)
class CountMoments:
    """Moments of the number of failures of each part, at each rate that its group may have.

    Given the rates of all groups, parts fail independently; what they share is the rate.

    Attributes:
        group: Group of each part, shape (parts,).
        shape: Weibull shape of each group, shape (groups,).
        weight: Weight of each rate, shape (groups, nodes).
        chance: P(N >= 1), shape (parts, nodes).
        number: E[N], shape (parts, nodes).
        pairs: E[N (N - 1)], shape (parts, nodes).
    """

    group: Ints
    shape: Floats
    weight: Floats
    chance: Floats
    number: Floats
    pairs: Floats

    def mean(self) -> Floats:
        """Expected failures of each part over all rates, shape (parts,)."""
        return self._over_rates(self.number)

    def at_least_one(self) -> Floats:
        """Chance of at least one failure over all rates, shape (parts,)."""
        return self._over_rates(self.chance)

    def variance(self) -> Floats:
        """Variance of each part's number of failures, rate unknown, shape (parts,).

        Variances of parts of one group do not add up to the variance of their sum, since they
        share the rate: see ``totals``.
        """
        mean = self.mean()
        return np.asarray(self._over_rates(self.pairs) + mean - mean**2)

    def _over_rates(self, values: Floats) -> Floats:
        return np.asarray(np.einsum("pn,pn->p", self.weight[self.group], values))


def of_group(
    belief: LifeBelief, group: int, age: Floats, ahead: Floats, *, nodes: int = NODES
) -> Expected:
    """Expected failures of parts of one group, without checks: the step to stream a large fleet.

    Args:
        belief: Shape and rate of each group.
        group: The group.
        age: Shape (parts,).
        ahead: Shape (parts, horizons).
        nodes: Rates that stand for the belief.

    Returns:
        Chances, exact for the belief, and numbers, to about 1e-4 of max(1, number).
    """
    one = _one(belief, group)
    rate, weight = (x[0] for x in one.rates(nodes))
    shape, scaled = float(one.shape[0]), rate ** (1.0 / one.shape[0])
    chance = one.chance(0, age[:, None], ahead)
    number = chance.copy()
    table = _table(shape, scaled, age, ahead)
    if table is not None:
        lookup = Lookup.make(age, ahead, shape, _typical_scale(one))
        found = table.at_scales(lookup.ages, lookup.times, scaled, moments=1)
        averaged = sum(w * here[0] for w, here in zip(weight, found, strict=True))
        lookup.add_to(number, np.asarray(averaged))
        np.maximum(number, chance, out=number)  # interpolation may stray below by 1e-5
    return Expected(chance, number)


def count_moments(
    belief: LifeBelief, group: ArrayLike, age: ArrayLike, ahead: ArrayLike, *, nodes: int = NODES
) -> CountMoments:
    """First two moments of the number of failures, rate by rate.

    Args:
        belief: Shape and rate of each group.
        group: Group of each part, shape (parts,).
        age: Age of each part.
        ahead: Distance or time ahead, shape (parts,).
        nodes: Rates that stand for the belief of each group.

    Raises:
        LifeDataError: Unequal lengths, unknown groups, negative or infinite values, or a shape
            outside :data:`excess.SHAPES`.

    Reference: Cox, Renewal Theory (1962), section 4.5: for new parts E[N (N - 1)] / 2 = M * M.
    """
    if np.ndim(ahead) != 1:
        raise LifeDataError(
            "Moments are taken at one horizon a part; pass one column of distances."
        )
    code, now, stretch = _checked_parts(belief, group, age, ahead)
    rate, weight = belief.rates(nodes)
    out = np.zeros((3, code.size, nodes))
    for rows in by_group(code):
        g = int(code[rows[0]])
        out[:, rows] = _at_rates(_one(belief, g), rate[g], now[rows], stretch[rows])
    return CountMoments(code, belief.shape, weight, out[0], out[1], out[2])


def _checked_parts(
    belief: LifeBelief, group: ArrayLike, age: ArrayLike, ahead: ArrayLike
) -> tuple[Ints, Floats, Floats]:
    """Return groups, ages and horizons as arrays; horizons as (parts, horizons).

    Raises:
        LifeDataError: Unequal lengths, unknown groups, negative or infinite values.
    """
    code, now = np.asarray(group), finite("ages", age, least=0.0)
    if code.size == 0:
        code = code.astype(np.int64)
    stretch = finite("distances ahead", ahead, least=0.0)
    stretch = stretch[:, None] if stretch.ndim == 1 else stretch
    if code.ndim != 1 or now.shape != code.shape or stretch.shape[:1] != code.shape:
        raise LifeDataError(
            "Give one group, one age and one row of distances for each part; "
            f"these are {code.shape}, {now.shape} and {stretch.shape}."
        )
    last = belief.shape.size - 1
    if code.dtype.kind not in "iu" or (code.size and not 0 <= code.min() <= code.max() <= last):
        raise LifeDataError(f"Groups must be whole numbers from 0 to {last}; recode.")
    return code.astype(np.int64), now, stretch


def by_group(code: Ints) -> Iterator[Ints]:
    """Yield the rows of each group, at most 20,000 at a time."""
    order = np.argsort(code, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(code[order])) + 1):
        for start in range(0, rows.size, _CHUNK):
            yield rows[start : start + _CHUNK]


def _at_rates(one: LifeBelief, rate: Floats, age: Floats, ahead: Floats) -> Floats:
    """Chance, number and pairs of parts of one group; shape (3, parts, nodes)."""
    shape, scale = float(one.shape[0]), _typical_scale(one)
    scaled = rate ** (1.0 / shape)
    chance = -np.expm1(-rate * ((age[:, None] + ahead) ** shape - age[:, None] ** shape))
    number, pairs = chance.copy(), np.zeros(chance.shape)
    table = _table(shape, scaled, age, ahead)
    if table is None:
        return np.stack([chance, number, pairs])
    lookup = Lookup.make(age, ahead, shape, scale)
    for i, found in enumerate(table.at_scales(lookup.ages, lookup.times, scaled)):
        lookup.add_to(number[:, i : i + 1], found[0])
        lookup.add_to(pairs[:, i : i + 1], 2.0 * found[1])
    return np.stack([chance, np.maximum(number, chance), np.maximum(pairs, 0.0)])


def _one(belief: LifeBelief, group: int) -> LifeBelief:
    here = slice(group, group + 1)
    return LifeBelief(belief.shape[here], belief.a[here], belief.b[here])


def _typical_scale(one: LifeBelief) -> float:
    a, b = float(one.a[0]), float(one.b[0])
    rate = 1.0 / b if np.isinf(a) else a / b
    return float(rate ** (-1.0 / one.shape[0]))


def _table(shape: float, scaled: Floats, age: Floats, ahead: Floats) -> ExcessTable | None:
    """Tabulate as far as these parts need at the highest rate; None when nothing lies ahead."""
    horizon = float(ahead.max(initial=0.0)) * float(scaled.max())
    if horizon <= 0.0:
        return None
    return tabulate(shape, float(age.max(initial=0.0)) * float(scaled.max()), horizon)


_LEAST = 1e-12


def increments(
    earlier: CountMoments, later: CountMoments, belief: LifeBelief, width: ArrayLike
) -> CountMoments:
    """Return the moments of the failures after one horizon up to a farther one.

    Args:
        earlier: by the nearer horizon.
        later: by the farther one; same parts and rates.
        belief: what both were made from.
        width: distance or time between the two horizons, shape (parts,).

    Raises:
        LifeDataError: they are not of the same parts and rates.

    Reference: Cox, Renewal Theory (1962), section 4.5, for the pairs of a renewal process.
    """
    if earlier.number.shape != later.number.shape:
        raise LifeDataError("Both horizons must be of the same parts at the same rates.")
    rate, _weight = belief.rates(later.number.shape[1])
    shape = belief.shape[later.group][:, None]
    rate = rate[later.group]
    far = np.broadcast_to(np.asarray(width, dtype=np.float64), later.group.shape)[:, None]
    first = np.maximum(later.chance - earlier.chance, 0.0)
    number = np.maximum(later.number - earlier.number, first)
    # Mean renewal function of a new part over the stretch: its cumulative hazard while it is
    # short, and never more than one failure a mean life once parts wear (Barlow and Proschan,
    # Mathematical Theory of Reliability (1965), ch. 3: M(t) <= t / mean; from memory).
    hazard = rate * far**shape / (1.0 + shape)
    steady = far * rate ** (1.0 / shape) / (2.0 * gamma(1.0 + 1.0 / shape))
    more = 2.0 * np.where(shape > 1.0, np.minimum(hazard, steady), hazard)
    # One failure or more: as if each brought a Poisson number of mean `more` along.
    one = number * np.where(more > _LEAST, -np.expm1(-more) / np.maximum(more, _LEAST), 1.0)
    chance = np.clip(np.maximum(one, first), 0.0, np.minimum(number, 1.0))
    return replace(later, chance=chance, number=number, pairs=number * more)


def over_usage(counts: list[CountMoments], weight: ArrayLike) -> CountMoments:
    """Average the moments over the distances, as if each part had a distance of its own.

    Right for one part, and for sums over parts of different vehicles.

    Args:
        counts: Moments at each distance.
        weight: Weights of the distances, adding up to 1.
    """
    share = np.asarray(weight, dtype=np.float64)
    chance, number, pairs = (
        np.tensordot(share, np.stack([getattr(c, name) for c in counts]), axes=1)
        for name in ("chance", "number", "pairs")
    )
    return replace(counts[0], chance=chance, number=number, pairs=pairs)


@dataclass(frozen=True, eq=False)
class Calendar:
    """Expected failures and their cost in each period of each row.

    Attributes:
        number: Expected failures, shape (rows, periods).
        cost: Expected cost, same shape.
        chance: Chance of at least one failure up to the last period, shape (parts,).
    """

    number: Floats
    cost: Floats
    chance: Floats


def calendar(
    belief: LifeBelief,
    group: ArrayLike,
    age: ArrayLike,
    vehicle: ArrayLike,
    ahead: DistanceAhead,
    cost: ArrayLike,
    *,
    row: ArrayLike | None = None,
    nodes: int = NODES,
) -> Calendar:
    """Expected failures and cost by period.

    Args:
        belief: Shape and rate of each group.
        group: Group of each part, shape (parts,).
        age: Age of each part.
        vehicle: Vehicle of each part, an index into the vehicles of ``ahead``.
        ahead: Distance from now to the end of each period, distances of shape
            (usage nodes, vehicles, periods) as from :func:`belief.distance_ahead`.
        cost: Mean cost of one replacement of each part, nan where no price is known; such
            parts count among the failures and add no cost.
        row: Row of the answer that each part belongs to, from 0, for instance its component;
            its vehicle by default.
        nodes: Rates that stand for the belief of each group.

    Raises:
        LifeDataError: Unusable parts, or horizons that do not grow from period to period.
    """
    if ahead.distance.ndim != 3 or np.any(np.diff(ahead.distance, axis=2) < 0.0):
        raise LifeDataError("Give the distance to the end of each period, never falling.")
    car = np.asarray(vehicle, dtype=np.int64)
    code, now, _ = _checked_parts(belief, group, age, np.zeros(car.shape))
    price = np.nan_to_num(np.asarray(cost, dtype=np.float64), nan=0.0)
    target = car if row is None else np.asarray(row, dtype=np.int64)
    if price.shape != car.shape or target.shape != car.shape:
        raise LifeDataError("Give one vehicle, one cost and one row for each part.")
    finite("costs", price, least=0.0)
    rows = ahead.distance.shape[1] if row is None else int(target.max(initial=-1)) + 1
    periods = ahead.distance.shape[2]
    reached = np.zeros((2, periods, rows))
    chance = np.zeros(car.size)
    for distance, weight in zip(ahead.distance, ahead.weight, strict=True):
        for parts in by_group(code):
            far = distance[car[parts]]
            found = of_group(belief, int(code[parts[0]]), now[parts], far, nodes=nodes)
            chance[parts] += weight * found.chance[:, -1] if periods else 0.0
            for period in range(periods):
                number = weight * found.number[:, period]
                reached[0, period] += summed(target[parts], number, rows)
                reached[1, period] += summed(target[parts], number * price[parts], rows)
    each = np.diff(reached, axis=1, prepend=0.0).transpose(0, 2, 1)
    return Calendar(each[0], each[1], chance)
