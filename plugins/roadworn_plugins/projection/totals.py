"""What repairs will cost: the total over many places with its band, and the whole law of one.

Three things make a total uncertain: whether each part fails, what each repair costs, and what
all parts of a group or a vehicle share - the rate of failure and the distance driven. The first
two average out over a fleet, the third does not. Many totals have bands from their first three
cumulants. With few parts a total is lumpy - nothing at all, or one dear repair - and no curve
with three moments follows it: there one Fourier transform of the characteristic function, mixed
over what is shared, gives chances on a grid of money.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadworn_plugins.lifedata import Floats, Ints, LifeDataError, finite, summed, tail
from roadworn_plugins.lifedata.special import gammaincinv
from roadworn_plugins.projection.belief import CostSpread
from roadworn_plugins.projection.count_law import (
    CountLaw,
    law_of,
    masses_of_sums,
    polynomial,
    settled_dispersion,
)
from roadworn_plugins.projection.renewal import CountMoments


def from_raw(raw: Floats) -> Floats:
    """Turn raw moments 1 to 3 into cumulants, along the first axis of length 3."""
    m1, m2, m3 = raw
    k2 = m2 - m1**2
    k3 = m3 - 3.0 * m1 * m2 + 2.0 * m1**3
    return np.stack([m1, k2, k3])


def to_raw(cumulants: Floats) -> Floats:
    """Turn cumulants 1 to 3 into raw moments, along the first axis of length 3."""
    k1, k2, k3 = cumulants
    m2 = k2 + k1**2
    m3 = k3 + 3.0 * k2 * k1 + k1**3
    return np.stack([k1, m2, m3])


def mixed(cumulants: Floats, weight: Floats) -> Floats:
    """Cumulants of a mixture over nodes.

    Worked out around the mixture's mean, since raw moments would cancel when many parts share
    a block.

    Args:
        cumulants: At each node, shape (3, blocks, nodes).
        weight: Weights of the nodes, shape (blocks, nodes), each row adding up to 1.

    Returns:
        Shape (3, blocks).
    """
    mean = np.sum(cumulants[0] * weight, axis=1)
    centred = cumulants.copy()
    centred[0] -= mean[:, None]
    out = from_raw(np.sum(to_raw(centred) * weight, axis=2))
    out[0] += mean
    return out


LEVELS = (0.8, 0.95)


@dataclass(frozen=True, eq=False)
class Totals:
    """Totals, one entry each, with central bands.

    Attributes:
        expected: Expected total.
        sd: Standard deviation.
        skewness: Third central moment over sd^3; 0 where the sd is 0.
        nothing: Chance that no part fails at all, so that the total is 0.
        bands: For each level the lower and upper end, shape (2, totals).
    """

    expected: Floats
    sd: Floats
    skewness: Floats
    nothing: Floats
    bands: dict[float, Floats]


def totals(
    counts: CountMoments | Sequence[CountMoments],
    cost: CostSpread,
    *,
    usage_weight: ArrayLike = (1.0,),
    total: ArrayLike | None = None,
    vehicle: ArrayLike | None = None,
    levels: Sequence[float] = LEVELS,
) -> Totals:
    """Bands of many totals at once by their cumulants.

    Cumulants of the parts add up. To them is added what a shared rate does to all parts of a
    group within a total, and what a shared distance does to all parts of a vehicle; the
    interaction of both is left out. The band is that of a point mass at 0 (no failure at all)
    and a shifted gamma with the mean, variance and skewness of the rest, which is exact for
    gamma totals and tends to the normal. The ends of an 80 % band are right to about 1.5 % from
    some ten expected failures on; for one total of few parts :func:`grid_total` is better.

    Args:
        counts: Moments of the parts' failures; one for each usage node when the distance is
            uncertain.
        cost: Cost of one replacement of each part.
        usage_weight: Weights of the usage nodes.
        total: Index from 0 of the total that each part belongs to; all in one by default.
        vehicle: Vehicle of each part, for the shared distance; by default each total is one.
        levels: Levels of the central bands.

    Raises:
        LifeDataError: Lengths differ or a level is not between 0 and 1.

    Reference: cumulants of a compound sum, Feller, An Introduction to Probability Theory I
    (1968), ch. XII; shifted (three-parameter) gamma approximation of aggregate claims, any text
    of actuarial risk theory. From memory.
    """
    nodes, weight = _usage_nodes(counts, cost, usage_weight)
    code = _codes("total", total, nodes[0].group.size)
    n_totals = int(code.max(initial=-1)) + 1
    car = code if vehicle is None else _codes("vehicle", vehicle, code.size)
    rate = nodes[0].weight[nodes[0].group]
    # Raw moments of each part's cost: (3, parts, usage nodes, rates).
    raw = np.stack([compound(c, cost) for c in nodes], axis=2)
    over_usage = np.einsum("mpur,u->mpr", raw, weight)
    over_rates = np.einsum("mpur,pr->mpu", raw, rate)
    part = from_raw(np.einsum("mpr,pr->mp", over_usage, rate))
    alone = _per_total(part, code, n_totals)
    blocks, block = _pairs_of(code, nodes[0].group)
    shared = _per_total(
        mixed(_per_block(from_raw(over_usage), block, blocks.shape[1]), nodes[0].weight[blocks[1]]),
        blocks[0],
        n_totals,
    )
    cumulants = shared
    if weight.size > 1:
        cars, seat = _pairs_of(code, car)
        by_car = _per_block(from_raw(over_rates), seat, cars.shape[1])
        driven = mixed(by_car, np.broadcast_to(weight, (cars.shape[1], weight.size)))
        cumulants = shared + _per_total(driven, cars[0], n_totals) - alone
    nothing = _nothing(nodes, weight, block, blocks, n_totals)
    mean, variance = cumulants[0], np.maximum(cumulants[1], 0.0)
    sd = np.sqrt(variance)
    skewness = np.where(sd > 0.0, cumulants[2], 0.0) / np.where(sd > 0.0, sd, 1.0) ** 3
    bands = {level: _band(mean, variance, cumulants[2], nothing, level) for level in levels}
    return Totals(mean, sd, skewness, nothing, bands)


def _usage_nodes(
    counts: CountMoments | Sequence[CountMoments], cost: CostSpread, usage_weight: ArrayLike
) -> tuple[list[CountMoments], Floats]:
    """Return the usage nodes as a list with weights that add up to 1.

    Raises:
        LifeDataError: Numbers of nodes, weights, parts and costs do not fit.
    """
    nodes = [counts] if isinstance(counts, CountMoments) else list(counts)
    weight = finite("usage weights", usage_weight, least=0.0)
    if weight.shape != (len(nodes),) or weight.sum() == 0.0:
        raise LifeDataError("Give one weight above zero for each usage node.")
    if any(node.group.shape != cost.median.shape for node in nodes):
        raise LifeDataError("Give one cost for each part; the lengths differ.")
    return nodes, weight / weight.sum()


def compound(counts: CountMoments, cost: CostSpread) -> Floats:
    """Raw moments 1 to 3 of the cost of each part at each rate, shape (3, parts, rates)."""
    n1, n2, n3 = law_of(counts).factorial_moments()
    x1, x2, x3 = cost.moments()[:, :, None]
    return np.stack(
        [
            n1 * x1,
            n1 * x2 + n2 * x1**2,
            n1 * x3 + 3.0 * n2 * x1 * x2 + n3 * x1**3,
        ]
    )


def _codes(name: str, values: ArrayLike | None, size: int) -> Ints:
    if values is None:
        return np.zeros(size, dtype=np.int64)
    code = np.asarray(values)
    if code.shape != (size,) or code.dtype.kind not in "iu" or np.any(code < 0):
        raise LifeDataError(f"Give each part the number of its {name}, from 0.")
    return code.astype(np.int64)


def _pairs_of(first: Ints, second: Ints) -> tuple[Ints, Ints]:
    """Number the pairs that occur: the pairs, shape (2, pairs), and the number of each part's."""
    size = int(second.max(initial=0)) + 1
    held, number = np.unique(first * size + second, return_inverse=True)
    return np.stack(np.divmod(held, size)), number


def _per_total(cumulants: Floats, code: Ints, size: int) -> Floats:
    return np.stack([summed(code, row, size) for row in cumulants])


def _per_block(cumulants: Floats, code: Ints, size: int) -> Floats:
    """Sum the cumulants over the parts of each block, shape (3, blocks, nodes)."""
    rows = [summed(code, values, size) for row in cumulants for values in row.T]
    out = np.stack(rows).reshape(cumulants.shape[0], cumulants.shape[2], size)
    return np.asarray(out.transpose(0, 2, 1))


def _nothing(
    nodes: Sequence[CountMoments],
    weight: Floats,
    block: Ints,
    blocks: Ints,
    n_totals: int,
) -> Floats:
    """Chance that no part of a total fails; the shared rate counts, the shared distance not."""
    chance = np.einsum("upr,u->pr", np.stack([c.chance for c in nodes]), weight)
    log_none = np.log1p(-np.minimum(chance, 1.0 - 1e-16))
    held = np.exp(_per_block(log_none[None], block, blocks.shape[1])[0])
    per_block = np.sum(held * nodes[0].weight[blocks[1]], axis=1)
    return np.exp(summed(blocks[0], np.log(np.maximum(per_block, 1e-300)), n_totals))


def _band(mean: Floats, variance: Floats, third: Floats, nothing: Floats, level: float) -> Floats:
    """Quantiles of a point mass at 0 and a shifted gamma for the rest."""
    side = tail(level)
    some = np.maximum(1.0 - nothing, 1e-12)
    raw = to_raw(np.stack([mean, variance, third]))
    k1, k2, k3 = from_raw(raw / some)
    sd = np.sqrt(np.maximum(k2, 0.0))
    skew = np.where(sd > 0.0, k3, 0.0) / np.where(sd > 0.0, sd, 1.0) ** 3
    skew = np.where(np.abs(skew) < 1e-3, 1e-3, skew)
    shape = 4.0 / skew**2
    ends = []
    for q in (side, 1.0 - side):
        within = np.clip((q - nothing) / some, 0.0, 1.0)
        flipped = np.where(skew > 0.0, within, 1.0 - within)
        unit = (gammaincinv(shape, flipped) - shape) / np.sqrt(shape) * np.sign(skew)
        ends.append(np.where(q <= nothing, 0.0, np.maximum(k1 + sd * unit, 0.0)))
    return np.stack(ends)


CELLS = 2048
_MOST_PARTS = 500
_POINTS = 32
_REACH = 9.0  # standard deviations above the mean that the grid holds
_AT_ONCE = 400_000  # parts x usage nodes x cells that are held at once


@dataclass(frozen=True, eq=False)
class GridTotal:
    """Distribution of one total on a grid from 0.

    Attributes:
        expected: Expected total.
        step: Width of a cell of the grid.
        chance: Chance of each cell; cell i stands for the total i * step.
    """

    expected: float
    step: float
    chance: Floats

    def quantile(self, q: ArrayLike) -> Floats:
        """Return totals that are not exceeded with these chances, straight within a cell."""
        reached = np.cumsum(self.chance)
        wanted = np.asarray(q, dtype=np.float64)
        cell = np.minimum(np.searchsorted(reached, wanted - 1e-12), reached.size - 1)
        before = np.where(cell > 0, reached[cell - 1], 0.0)
        held = np.maximum(self.chance[cell], 1e-300)
        within = np.clip((wanted - before) / held, 0.0, 1.0) - 0.5
        return np.asarray(np.where(cell == 0, 0.0, (cell + within) * self.step))

    def band(self, level: float) -> tuple[float, float]:
        """Return the central band of this level.

        Raises:
            LifeDataError: The level is not between 0 and 1.
        """
        side = tail(level)
        lower, upper = self.quantile([side, 1.0 - side])
        return float(lower), float(upper)

    def chance_above(self, amount: float) -> float:
        """Return the chance that the total exceeds an amount, for instance a reserve."""
        return float(np.sum(self.chance[int(np.floor(amount / self.step + 0.5)) + 1 :]))


NOTHING = GridTotal(0.0, 1.0, np.array([1.0]))


def grid_total(
    counts: CountMoments | Sequence[CountMoments],
    cost: CostSpread,
    *,
    usage_weight: ArrayLike = (1.0,),
    cells: int = CELLS,
) -> GridTotal:
    """Distribute one total over a grid of money; see :func:`grid_totals`.

    Raises:
        LifeDataError: Lengths differ, or there are more than 500 parts.
    """
    found = grid_totals(counts, cost, usage_weight=usage_weight, cells=cells)
    return found[0] if found else NOTHING


def grid_totals(
    counts: CountMoments | Sequence[CountMoments],
    cost: CostSpread,
    *,
    usage_weight: ArrayLike = (1.0,),
    total: ArrayLike | None = None,
    cells: int = CELLS,
) -> list[GridTotal]:
    """Distribute many totals over grids of money, for instance one a vehicle.

    Exact but for the grid: rates shared within a group and a distance shared by all parts of a
    total are mixed as they are, each cost is 32 equally likely ones split between neighbouring
    cells so that means are kept, and the law of a part's failures is that of :mod:`count_law`.
    What is shared is a few nodes, which would show as lumps if hundreds of parts shared them:
    take ``totals`` there.

    Parts of one group and one price in a total are counted together first, which leaves one
    short polynomial in the transform of that price, whatever the number of rates.

    Args:
        counts: Moments of the parts' failures; one for each usage node.
        cost: Cost of one replacement of each part.
        usage_weight: Weights of the usage nodes.
        total: Index from 0 of the total that each part belongs to; all in one by default.
        cells: Cells of each grid.

    Raises:
        LifeDataError: Lengths differ, or a total has more than 500 parts.

    Reference: Feller, An Introduction to Probability Theory II (1971), ch. XV, for
    characteristic functions of compound sums. From memory.
    """
    nodes, weight = _usage_nodes(counts, cost, usage_weight)
    code = _codes("total", total, cost.median.size)
    if np.max(np.bincount(code), initial=0) > _MOST_PARTS:
        raise LifeDataError("A grid is meant for a vehicle; use totals() for more than 500 parts.")
    rough = totals(counts, cost, usage_weight=usage_weight, total=code, levels=())
    found = [NOTHING] * rough.expected.size
    dearest = np.zeros(rough.expected.size)
    np.maximum.at(dearest, code, cost.points(_POINTS).max(axis=1, initial=0.0))
    step = (rough.expected + _REACH * rough.sd + dearest) / (cells - 2)
    order = np.flatnonzero(rough.expected[code] > 0.0)
    order = order[np.argsort(code[order], kind="stable")]
    # A chunk of totals stays within the processor's cache.
    turn = np.cumsum(np.ones(order.size)) * (weight.size * cells) // _AT_ONCE
    first = np.flatnonzero(np.diff(code[order], prepend=-1))
    cuts = first[np.flatnonzero(np.diff(turn[first], prepend=-1.0))]
    for rows in np.split(order, cuts[1:]) if order.size else ():
        chances = _on_grids(nodes, weight, cost, step, code, rows, cells)
        for number, chance in zip(np.unique(code[rows]), chances, strict=True):
            found[number] = GridTotal(float(rough.expected[number]), float(step[number]), chance)
    return found


def _on_grids(
    nodes: Sequence[CountMoments],
    weight: Floats,
    cost: CostSpread,
    step: Floats,
    code: Ints,
    rows: Ints,
    cells: int,
) -> Floats:
    """Return the chance of each cell of the totals that these parts make up."""
    sets, of_part = _pairs_of(code[rows], nodes[0].group[rows])
    kinds, block = _pairs_of(of_part, _near_prices(cost.take(rows), of_part))
    one = rows[np.unique(block, return_index=True)[1]]
    often = np.asarray(sum(w * n.mean()[rows] for w, n in zip(weight, nodes, strict=True)))
    often = np.maximum(often, 1e-300)
    middle = np.bincount(block, often * cost.median[rows]) / np.bincount(block, often)
    shared_cost = replace(cost.take(one), median=middle)
    prices = _price_transform(shared_cost, step[code[one]], cells)
    chance, number, pairs = (
        np.stack([getattr(node, name)[rows] for node in nodes], axis=2)
        for name in ("chance", "number", "pairs")
    )
    settled = settled_dispersion(nodes[0].shape)[nodes[0].group[rows]][:, None, None]
    law = CountLaw.matching(chance, number, pairs, settled)
    blocks = masses_of_sums(law, block, kinds.shape[1])
    shared = np.bincount(kinds[0])  # prices within a total and a group
    rates = nodes[0].weight[sets[1]]
    made = np.ones((sets.shape[1], weight.size, prices.shape[1]), dtype=np.complex128)
    for held, masses in blocks:
        alone = shared[kinds[0, held]] == 1
        here = kinds[0, held[alone]]
        mixed_over = np.einsum("bnur,bn->bur", masses[alone], rates[here])
        made[here] = polynomial(mixed_over, prices[held[alone], None, :])
    lone = {int(b): mass for held, masses in blocks for b, mass in zip(held, masses, strict=True)}
    for several in np.flatnonzero(shared > 1):
        product = np.ones((rates.shape[1], *made.shape[1:]), dtype=np.complex128)
        for b in np.flatnonzero(kinds[0] == several):
            product *= polynomial(lone[int(b)], prices[b])
        made[several] = np.tensordot(rates[several], product, axes=1)
    of_total = np.multiply.reduceat(made, np.flatnonzero(np.diff(sets[0], prepend=-1)), axis=0)
    chance = np.fft.irfft(np.einsum("u,tuf->tf", weight, of_total), cells)
    chance = np.maximum(chance, 0.0)
    return np.asarray(chance / chance.sum(axis=1, keepdims=True))


# Prices of one group within this are taken as one, at their mean: what is lost is a thousandth
# of a band, and what is won a factor of the work.
_NEAR = 0.05


def _near_prices(cost: CostSpread, of_set: Ints) -> Ints:
    """Return a number for each price, the same where a set has others near it of like spread."""
    order = np.lexsort((cost.median, cost.above, cost.below, of_set))
    alike = (of_set[order], *(np.round(x[order], 9) for x in (cost.below, cost.above)))
    new = np.any([np.diff(one, prepend=-1.0) != 0.0 for one in alike], axis=0)
    run = np.cumsum(new) - 1
    logs = np.log(np.maximum(cost.median[order], 1e-300))
    bin_ = np.floor((logs - logs[new][run]) / np.log1p(_NEAR))
    code = np.empty(order.size, dtype=np.int64)
    code[order] = np.cumsum(new | (np.diff(bin_, prepend=0.0) != 0.0)) - 1
    return code


def _price_transform(cost: CostSpread, step: Floats, cells: int) -> NDArray[np.complex128]:
    """Transform of each cost on a grid of its own step, shape (costs, frequencies)."""
    place = cost.points(_POINTS) / step[:, None]
    cell = np.minimum(place.astype(np.int64), cells - 2)
    rest = np.minimum(place - cell, 1.0)
    at = cell + np.arange(step.size)[:, None] * cells
    grid = np.bincount(
        np.concatenate([at.ravel(), at.ravel() + 1]),
        np.concatenate([1.0 - rest.ravel(), rest.ravel()]) / _POINTS,
        step.size * cells,
    )
    return np.asarray(np.fft.rfft(grid.reshape(-1, cells), axis=1))
