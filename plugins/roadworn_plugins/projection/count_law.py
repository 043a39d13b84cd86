"""How often each part fails, as a law of chances, and what to hold in stock for it.

A law that meets the first moments of a renewal count is all that totals and stocks need: both
are sums over parts that are independent once what they share is given.
"""

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadworn_plugins.lifedata import Floats, Ints, LifeDataError, finite
from roadworn_plugins.lifedata.special import gamma
from roadworn_plugins.projection.renewal import CountMoments

_LEAST = 1e-9
_MANY = 2.0  # expected failures from which on the chance of none hardly matters
_BEYOND = 1e-10  # chance of still more that a list of chances leaves out
_SUREST = 1.0 - 1e-9
_REACHES = (0.3, 1.5, 6.0, 25.0)  # expected failures of what is worked out together


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

    def take(self, parts: Ints) -> "CountLaw":
        """Return the law of these parts only."""
        return CountLaw(
            self.first[parts], self.sure[parts], self.later[parts], self.dispersion[parts]
        )

    def number_of(self) -> Floats:
        """Return E[N]."""
        return self.first * (self.sure + self.later)

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

    def masses(self) -> Floats:
        """Return the chance of each number from 0, shape (..., numbers).

        Long enough that what is left out is beyond 1e-10; the last number takes it, so that
        the chances add up to 1.
        """
        later = masses_of(self.later, self.dispersion)
        sure = self.sure.astype(np.int64)
        out = np.zeros((*sure.shape, later.shape[-1] + int(sure.max(initial=0))))
        for number in np.unique(sure):
            here = sure == number
            out[here, number : number + later.shape[-1]] = later[here]
        out *= self.first[..., None]
        out[..., 0] += 1.0 - self.first
        return out


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


def masses_of(mean: Floats, dispersion: Floats) -> Floats:
    """Return the chances of 0, 1, 2 ... of the counts of :func:`two_moment_count`.

    Panjer's recursion p(n) = (a + b / n) p(n - 1) of the three laws (Astin Bulletin 12 (1981)
    22-26, from memory). Where it starts too near 0, a count that is almost certain, the
    generating function is inverted instead.

    Args:
        mean: Mean of R, any shape.
        dispersion: Variance over mean, less 1, same shape.

    Returns:
        Shape (..., numbers).
    """
    m, e = (np.asarray(x, dtype=np.float64).ravel() for x in (mean, dispersion))
    widest = float(np.max(1.0 + np.maximum(e, 0.0), initial=1.0))
    # A negative binomial falls off as a power of e / (1 + e), a Poisson count faster.
    reach = float(m.max(initial=0.0)) + 24.0 * widest
    most = int(np.ceil(reach + 12.0 * np.sqrt(float(np.max(m * (1.0 + e), initial=0.0)))))
    under = (e < -_LEAST) & (m > 1e-12)
    wide, narrow = np.flatnonzero(~under), np.flatnonzero(under)
    over = np.where(e[wide] > _LEAST, e[wide], 0.0)
    some = over > 0.0
    none = np.where(some, -m[wide] * np.log1p(over) / np.where(some, over, 1.0), -m[wide])
    found = [(wide, _recursed(np.exp(none), over, m[wide] - over, 1.0 + over, most))]
    if narrow.size:
        trials, share = _trials(m[narrow], -e[narrow])
        mixture = np.zeros((narrow.size, 0))
        for number, part in ((trials, share), (trials + 1.0, 1.0 - share)):
            p = np.minimum(m[narrow] / number, _SUREST)
            one = _recursed((1.0 - p) ** number, -p, (number + 1.0) * p, 1.0 - p, most)
            mixture = _added(mixture, part[:, None] * one)
        found.append((narrow, mixture))
    out = np.zeros((m.size, max(chances.shape[1] for _rows, chances in found)))
    for rows, chances in found:
        out[rows, : chances.shape[1]] = chances
    lost = np.flatnonzero(np.abs(out.sum(axis=1) - 1.0) > 1e-6)
    if lost.size:
        turn = np.exp(-2j * np.pi * np.arange(most + 1) / (2 * most))
        law = two_moment_count(turn[None, :], m[lost, None], e[lost, None])
        turned = np.maximum(np.fft.irfft(law, 2 * most)[:, :most], 0.0)
        out = _added(out, np.zeros((1, most)))
        out[lost, :most] = turned / turned.sum(axis=1, keepdims=True)
    out[:, -1] += 1.0 - out.sum(axis=1)
    return out.reshape((*np.shape(mean), -1))


def _recursed(none: Floats, a: Floats, b: Floats, over: Floats, most: int) -> Floats:
    """Return p(n) = (a + b / n) / over p(n - 1) from p(0) until hardly anything is left."""
    chances, left = [none], 1.0 - none
    while len(chances) <= most and np.max(left, initial=0.0) > _BEYOND:
        following = chances[-1] * (np.maximum(a + b / len(chances), 0.0) / over)
        chances.append(following)
        left = left - following
    return np.stack(chances, axis=1)


def _added(first: Floats, second: Floats) -> Floats:
    """Add two tables of which one may have more columns."""
    out = np.zeros((first.shape[0], max(first.shape[1], second.shape[1])))
    out[:, : first.shape[1]] += first
    out[:, : second.shape[1]] += second
    return out


def _trials(mean: Floats, narrow: Floats) -> tuple[Floats, Floats]:
    """Return a number of trials and its share beside the next: a broken one would be no law."""
    wanted = mean / narrow
    trials = np.maximum(np.floor(wanted + _LEAST), np.maximum(np.ceil(mean - _LEAST), 1.0))
    return trials, np.clip(((trials + 1.0) / wanted - 1.0) * trials, 0.0, 1.0)


def _binomial(z: NDArray[np.complex128], mean: Floats, narrow: Floats) -> NDArray[np.complex128]:
    """Binomial of variance mean (1 - narrow), mixed from two neighbouring numbers of trials."""
    trials, share = _trials(mean, narrow)
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


def joined(first: Floats, second: Floats) -> Floats:
    """Return the chances of the sum of two independent numbers, cut where hardly any is left.

    Args:
        first: Chances of each number from 0 along the last axis.
        second: Likewise, other axes as of the first.
    """
    size = first.shape[-1]
    out = np.zeros((*first.shape[:-1], size + second.shape[-1] - 1))
    for number in range(second.shape[-1]):
        out[..., number : number + size] += first * second[..., number, None]
    return shortened(out)


def shortened(chances: Floats) -> Floats:
    """Cut the numbers that none of these laws reaches with more than 1e-10."""
    beyond = np.cumsum(chances[..., ::-1], axis=-1)[..., ::-1]
    kept = 1 + int(np.sum(np.max(beyond[..., 1:], axis=tuple(range(beyond.ndim - 1))) > _BEYOND))
    out = chances[..., :kept].copy()
    out[..., -1] += chances[..., kept:].sum(axis=-1)
    return out


def masses_of_sums(law: CountLaw, block: Ints, size: int) -> list[tuple[Ints, Floats]]:
    """Return the chances of each number of failures of blocks of parts.

    Args:
        law: Of each part, shape (parts, ...).
        block: Block of each part, every one of them used.
        size: Number of blocks.

    Returns:
        Blocks of about equal reach with their chances, shape (blocks, ..., numbers).
    """
    most = law.number_of().reshape(block.size, -1).max(axis=1, initial=0.0)
    reach = np.searchsorted(_REACHES, np.bincount(block, most, size))
    turn = np.argsort(block, kind="stable")
    rank = np.arange(turn.size) - np.searchsorted(block[turn], block[turn])
    found = []
    for span in np.unique(reach):
        held = np.flatnonzero(reach == span)
        seat = np.full(size, -1)
        seat[held] = np.arange(held.size)
        ours = reach[block[turn]] == span
        masses = np.zeros((0,))
        for number in range(int(rank[ours].max()) + 1):
            part = turn[ours & (rank == number)]
            own = shortened(law.take(part).masses())
            if number == 0:
                masses = own
                continue
            place = seat[block[part]]
            both = joined(masses[place], own)
            wider = np.zeros((*masses.shape[:-1], max(masses.shape[-1], both.shape[-1])))
            wider[..., : masses.shape[-1]] = masses
            wider[place] = 0.0
            wider[place, ..., : both.shape[-1]] = both
            masses = wider
        found.append((held, masses))
    return found


def polynomial(masses: Floats, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Sum masses z^n over the last axis of the masses; shape (*masses but the last, z)."""
    out = np.zeros((*masses.shape[:-1], z.shape[-1]), dtype=np.complex128)
    out += masses[..., -1, None]
    for number in range(masses.shape[-1] - 2, -1, -1):
        out *= z
        out += masses[..., number, None]
    return out


def law_of(counts: CountMoments, parts: Ints | None = None) -> CountLaw:
    """Return the law of the failures of these parts (all by default), shape (parts, rates)."""
    rows = slice(None) if parts is None else parts
    settled = settled_dispersion(counts.shape)[counts.group[rows]][:, None]
    return CountLaw.matching(counts.chance[rows], counts.number[rows], counts.pairs[rows], settled)


_MANY_PLACES = 100  # places from which on two moments of their sum say all


@dataclass(frozen=True, eq=False)
class Stock:
    """Distribution of the number of one kind of part that will be needed.

    Attributes:
        expected: Expected number.
        chance: Chance of each number from 0, shape (numbers,).
    """

    expected: float
    chance: Floats

    def to_hold(self, service: float) -> int:
        """Return the smallest number that suffices with this chance, without reordering.

        Args:
            service: Service level between 0 and 1, for instance 0.95.

        Raises:
            LifeDataError: The level is not strictly between 0 and 1.
        """
        if not 0.0 < service < 1.0:
            raise LifeDataError("A service level lies between 0 and 1, for instance 0.95.")
        return int(np.searchsorted(np.cumsum(self.chance), service - 1e-9))


def stock(counts: CountMoments, *, pieces: ArrayLike | None = None) -> Stock:
    """Distribute the number of parts needed by all these places together.

    With the rates known the total is a sum of independent counts; places of a group share the
    rate, so it is mixed over the rates. From 100 places of a group on, the first two moments of
    their sum stand for its law. Where distances are uncertain, pass the moments averaged by
    :func:`renewal.over_usage`. Where a hundred places share one rate its few nodes would show as
    lumps: ask :func:`renewal.count_moments` for 25 of them.

    Args:
        counts: Moments of the failures of the places that take this part.
        pieces: Pieces that one replacement takes, whole numbers, 1 by default.

    Raises:
        LifeDataError: Pieces do not fit.

    Reference: probability generating functions, Feller I (1968), ch. XI. From memory.
    """
    size = counts.group.size
    each = np.ones(size) if pieces is None else finite("pieces", pieces, least=1.0)
    if each.shape != (size,) or np.any(each != np.rint(each)):
        raise LifeDataError("Pieces are whole numbers from 1, one for each part.")
    # Long enough that nothing wraps round, whichever of the rates is true.
    most = float(np.sum(counts.number.max(axis=1, initial=0.0) * each))
    widest = float(each.max(initial=1.0))
    length = int(np.ceil(most + 12.0 * np.sqrt(widest * (most + 1.0)) + 12.0 * widest))
    turn = np.exp(-2j * np.pi * np.arange(length // 2 + 1) / length)
    out = np.ones(turn.size, dtype=np.complex128)
    for group in np.unique(counts.group):
        held = np.ones((counts.weight.shape[1], turn.size), dtype=np.complex128)
        for number in np.unique(each[counts.group == group]):
            places = np.flatnonzero((counts.group == group) & (each == number))
            held *= _sum_of(counts, places, turn[None, :] ** number)
        out *= counts.weight[group] @ held
    chance = np.maximum(np.fft.irfft(out, length), 0.0)
    return Stock(float(np.sum(counts.mean() * each)), chance / chance.sum())


def _sum_of(
    counts: CountMoments, places: Ints, turn: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Generating function of the sum over places of one group, at each of its rates."""
    if places.size < _MANY_PLACES:
        return np.asarray(polynomial(law_of(counts, places).masses(), turn).prod(axis=0))
    number = counts.number[places]
    mean = number.sum(axis=0)
    variance = np.sum(counts.pairs[places] + number - number**2, axis=0)
    dispersion = variance / np.maximum(mean, 1e-300) - 1.0
    return two_moment_count(turn, mean[:, None], dispersion[:, None])
