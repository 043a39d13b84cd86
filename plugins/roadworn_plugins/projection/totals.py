"""The total cost over many places, with a band that minds how skewed such totals are.

Three things make a total uncertain: whether each part fails, what each repair costs, and what
all parts of a group or a vehicle share - the rate of failure and the distance driven. The first
two average out over a fleet, the third does not.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma, gammaincinv

from roadworn_plugins.lifedata.checked import Floats, Ints, LifeDataError, finite, summed, tail
from roadworn_plugins.projection.costs import CostSpread
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


_LEAST = 1e-9
_MANY = 2.0  # expected failures from which on the chance of none hardly matters


@dataclass(frozen=True, eq=False)
class CountLaw:
    """Law of N: 0 with chance 1 - first, else ``sure`` plus a count R of two moments.

    Attributes:
        first: Chance that R counts at all.
        sure: Whole number of failures that then come for sure.
        later: Mean of R.
        dispersion: Variance of R over its mean, less 1; 0 is Poisson.
    """

    first: Floats
    sure: Floats
    later: Floats
    dispersion: Floats

    @classmethod
    def matching(cls, chance: Floats, number: Floats, pairs: Floats, settled: Floats) -> "CountLaw":
        """Match E[N] and E[N (N - 1)], and P(N >= 1) where fewer than two failures are expected.

        Moments that no count can have, as interpolation may leave them, are moved to the nearest
        that one can.

        Args:
            chance: P(N >= 1).
            number: E[N], same shape.
            pairs: E[N (N - 1)], same shape.
            settled: Dispersion of R that gives the skewness of counts over many lives, see
                :func:`settled_dispersion`; broadcast.
        """
        many = number >= _MANY
        variance = np.maximum(pairs + number - number**2, 0.0)
        fixed = np.floor(np.maximum(number - variance / (1.0 + settled), 0.0))
        first = np.where(many, 1.0, np.where(chance > 1e-12, chance, 0.0))
        held = np.maximum(first, 1e-12)
        sure = np.where(many, fixed, 1.0)
        later = np.where(first > 0.0, np.maximum(number / held - sure, 0.0), 0.0)
        second = np.where(many, variance, (pairs + number) / held - (1.0 + later) ** 2)
        some = later > _LEAST
        ratio = np.where(some, np.maximum(second, 0.0) / np.where(some, later, 1.0), 1.0)
        # A count of mean m has a variance of at least f (1 - f), f the fraction of m.
        fraction = later - np.floor(later)
        least = np.where(some, fraction * (1.0 - fraction) / np.where(some, later, 1.0), 1.0)
        return cls(first, sure, later, np.maximum(ratio, least) - 1.0)

    def take(self, part: int, rates: Ints | None = None) -> "CountLaw":
        """Return the law of one part at some rates (all by default), shape (rates, 1)."""
        pick = slice(None) if rates is None else rates
        return CountLaw(
            self.first[part, pick, None],
            self.sure[part, pick, None],
            self.later[part, pick, None],
            self.dispersion[part, pick, None],
        )

    def factorial_moments(self) -> Floats:
        """Return E[N], E[N (N - 1)] and E[N (N - 1) (N - 2)], shape (3, ...)."""
        m, e, s = self.later, self.dispersion, self.sure
        later = [np.ones(m.shape)]
        sure = [np.ones(m.shape)]
        for j in range(3):
            later.append(np.maximum(later[-1] * (m + j * e), 0.0))
            sure.append(sure[-1] * np.maximum(s - j, 0.0))
        # Falling powers of a sum follow the binomial theorem.
        return np.stack(
            [
                self.first
                * sum(float(comb(order, j)) * sure[order - j] * later[j] for j in range(order + 1))
                for order in range(1, 4)
            ]
        )

    def generating(self, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Return E[z^N] for |z| <= 1; ``z`` is broadcast against the law."""
        later = two_moment_count(z, self.later, self.dispersion)
        return np.asarray(1.0 - self.first + self.first * _whole_power(z, self.sure) * later)


def settled_dispersion(shape: Floats) -> Floats:
    """Dispersion of R that gives a sum of it and a constant the skewness of many renewals.

    Over a long time t the cumulants of a renewal count grow as t / mu, s2 t / mu^3 and
    t (3 s2^2 / mu^5 - m3 / mu^4), with s2 and m3 the second and third central moments of the
    life (Cox, Renewal Theory, 1962, section 4.5, and Smith's cumulants of renewal processes,
    Biometrika 46 (1959) 1-29; from memory). For R the third over the second is 1 + 2 e.

    Args:
        shape: Weibull shapes, any shape of array.
    """
    mu, raw2, raw3 = (gamma(1.0 + j / shape) for j in (1, 2, 3))
    s2 = raw2 - mu**2
    m3 = raw3 - 3.0 * mu * raw2 + 2.0 * mu**3
    return np.asarray((3.0 * s2 / mu**2 - m3 / (s2 * mu) - 1.0) / 2.0)


def two_moment_count(
    z: NDArray[np.complex128], mean: Floats, dispersion: Floats
) -> NDArray[np.complex128]:
    """Return E[z^R] of a binomial, Poisson or negative binomial count (the Panjer class).

    Args:
        z: Complex numbers with |z| <= 1.
        mean: Mean of R, broadcast against ``z``.
        dispersion: Variance over mean, less 1.
    """
    shape = np.broadcast_shapes(z.shape, mean.shape)
    held = np.broadcast_to(z, shape)
    m, e = np.broadcast_to(mean, shape), np.broadcast_to(dispersion, shape)
    out = np.exp(m * (held - 1.0))
    over, under = e > _LEAST, e < -_LEAST
    out[over] = (1.0 - e[over] * (held[over] - 1.0)) ** (-m[over] / e[over])
    out[under] = _binomial(held[under], m[under], -e[under])
    return np.asarray(out)


def _binomial(z: NDArray[np.complex128], mean: Floats, narrow: Floats) -> NDArray[np.complex128]:
    """Binomial of variance mean (1 - narrow), mixed from two neighbouring numbers of trials.

    A broken number of trials would be no law of chances.
    """
    wanted = mean / narrow
    trials = np.maximum(np.floor(wanted + _LEAST), np.maximum(np.ceil(mean - _LEAST), 1.0))
    share = np.clip(((trials + 1.0) / wanted - 1.0) * trials, 0.0, 1.0)
    fewer = _whole_power(1.0 + mean / trials * (z - 1.0), trials)
    more = _whole_power(1.0 + mean / (trials + 1.0) * (z - 1.0), trials + 1.0)
    return np.asarray(share * fewer + (1.0 - share) * more)


def _whole_power(base: NDArray[np.complex128], power: Floats) -> NDArray[np.complex128]:
    """Raise to whole powers by repeated squaring, ten times faster than the general power."""
    left = power.astype(np.int64)
    out = np.ones(np.broadcast_shapes(base.shape, power.shape), dtype=np.complex128)
    while np.any(left):
        out *= np.where(left & 1, base, 1.0)
        left >>= 1
        base = base * base
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
        LifeDataError: Lengths differ or a level is not between 0 and 1.

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


def law_of(counts: CountMoments) -> CountLaw:
    """Return the law of each part's failures at each rate, shape (parts, rates)."""
    settled = settled_dispersion(counts.shape)[counts.group][:, None]
    return CountLaw.matching(counts.chance, counts.number, counts.pairs, settled)


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
