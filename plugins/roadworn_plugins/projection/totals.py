"""The total cost over many places, with a band that minds how skewed such totals are.

Three things make a total uncertain: whether each part fails, what each repair costs, and what
all parts of a group or a vehicle share - the rate of failure and the distance driven. The first
two average out over a fleet, the third does not.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv

from roadworn_plugins.lifedata.checked import Floats, Integers, NoEstimate, finite, summed, tail
from roadworn_plugins.projection.costs import CostSpread
from roadworn_plugins.projection.count_law import CountLaw, settled_dispersion
from roadworn_plugins.projection.mixing import from_raw, mixed, to_raw
from roadworn_plugins.projection.renewal import CountMoments

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
    some ten expected failures on; for one total of few parts ``grid_total.grid_total`` is better.

    Args:
        counts: Moments of the parts' failures; one for each usage node when the distance is
            uncertain.
        cost: Cost of one replacement of each part.
        usage_weight: Weights of the usage nodes.
        total: Index from 0 of the total that each part belongs to; all in one by default.
        vehicle: Vehicle of each part, for the shared distance; by default each total is one.
        levels: Levels of the central bands.

    Raises:
        NoEstimate: Lengths differ or a level is not between 0 and 1.

    Reference: cumulants of a compound sum, Feller, An Introduction to Probability Theory I
    (1968), ch. XII; shifted (three-parameter) gamma approximation of aggregate claims, any text
    of actuarial risk theory. From memory.
    """
    nodes, weight = usage_nodes(counts, cost, usage_weight)
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


def usage_nodes(
    counts: CountMoments | Sequence[CountMoments], cost: CostSpread, usage_weight: ArrayLike
) -> tuple[list[CountMoments], Floats]:
    """Return the usage nodes as a list with weights that add up to 1.

    Raises:
        NoEstimate: Numbers of nodes, weights, parts and costs do not fit.
    """
    nodes = [counts] if isinstance(counts, CountMoments) else list(counts)
    weight = finite("usage weights", usage_weight, least=0.0)
    if weight.shape != (len(nodes),) or weight.sum() == 0.0:
        raise NoEstimate("Give one weight above zero for each usage node.")
    if any(node.group.shape != cost.median.shape for node in nodes):
        raise NoEstimate("Give one cost for each part; the lengths differ.")
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


def law_of(counts: CountMoments) -> CountLaw:
    """Return the law of each part's failures at each rate, shape (parts, rates)."""
    settled = settled_dispersion(counts.shape)[counts.group][:, None]
    return CountLaw.matching(counts.chance, counts.number, counts.pairs, settled)


def _codes(name: str, values: ArrayLike | None, size: int) -> Integers:
    if values is None:
        return np.zeros(size, dtype=np.int64)
    code = np.asarray(values)
    if code.shape != (size,) or code.dtype.kind not in "iu" or np.any(code < 0):
        raise NoEstimate(f"Give each part the number of its {name}, from 0.")
    return code.astype(np.int64)


def _pairs_of(first: Integers, second: Integers) -> tuple[Integers, Integers]:
    """Number the pairs that occur: the pairs, shape (2, pairs), and the number of each part's."""
    size = int(second.max(initial=0)) + 1
    held, number = np.unique(first * size + second, return_inverse=True)
    return np.stack(np.divmod(held, size)), number


def _per_total(cumulants: Floats, code: Integers, size: int) -> Floats:
    return np.stack([summed(code, row, size) for row in cumulants])


def _per_block(cumulants: Floats, code: Integers, size: int) -> Floats:
    """Sum the cumulants over the parts of each block, shape (3, blocks, nodes)."""
    rows = [summed(code, values, size) for row in cumulants for values in row.T]
    out = np.stack(rows).reshape(cumulants.shape[0], cumulants.shape[2], size)
    return np.asarray(out.transpose(0, 2, 1))


def _nothing(
    nodes: Sequence[CountMoments],
    weight: Floats,
    block: Integers,
    blocks: Integers,
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
