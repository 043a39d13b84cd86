"""A whole law of the number of failures from its chance, mean and pairs.

The renewal tables give P(N >= 1), E[N] and E[N (N - 1)]. Totals and stocks need the rest. A part
that fails once or twice at most keeps its exact chance of none, and what comes after the first
failure is binomial, Poisson or negative binomial by its first two moments. A part that fails
many times is a fixed number of failures plus such a count, since renewals of worn-out parts
are more regular than a binomial yet skewed the other way.
"""

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy.special import gamma

from roadworn_plugins.lifedata.checked import Floats, Integers

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

    def take(self, part: int, rates: Integers | None = None) -> "CountLaw":
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
