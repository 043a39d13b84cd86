"""Adjustment of p-values, because a fleet report tests hundreds of components at once.

Testing each at 5 % would name a twentieth of the sound ones as troublesome.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, gammainc, gammaincinv

from roadworn_plugins.lifedata.checked import Floats, NoEstimate, finite, one_of, tail


@dataclass(frozen=True, eq=False)
class PoissonRatio:
    """Observed over expected failures.

    Attributes:
        ratio: Observed divided by expected.
        lower: Exact lower limit of the ratio; 0 where nothing was observed.
        upper: Exact upper limit of the ratio.
        p_one_sided: Chance of at least as many failures if the expectation were right.
    """

    ratio: Floats
    lower: Floats
    upper: Floats
    p_one_sided: Floats


@dataclass(frozen=True, eq=False)
class RateLimits:
    """A constant failure rate with exact limits, per unit of exposure.

    Attributes:
        rate: Failures divided by exposure.
        lower: Lower limit; 0 where nothing failed.
        upper: Upper limit. Where nothing failed it is the one-sided bound of the level.
        one_sided: True where ``upper`` is that one-sided bound.
    """

    rate: Floats
    lower: Floats
    upper: Floats
    one_sided: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


@dataclass(frozen=True, eq=False)
class ShareLimits:
    """A share of trials with Jeffreys limits."""

    share: Floats
    lower: Floats
    upper: Floats


def whole_counts(name: str, values: ArrayLike) -> Floats:
    """Return counts as floats, refusing negative and fractional ones.

    Raises:
        NoEstimate: A value is no count.
    """
    counts = finite(name, values, least=0.0)
    if np.any(counts != np.floor(counts)):
        raise NoEstimate(f"The {name} must be whole numbers; count events, do not scale them.")
    return counts


def poisson_limits(count: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Exact two-sided limits of a Poisson mean (Garwood, Biometrika 28 (1936) 437-442).

    Args:
        count: Observed counts, any shape.
        level: Two-sided level.

    Returns:
        Lower and upper limit; the lower one is 0 where the count is 0.
    """
    side = tail(level)
    observed = np.asarray(whole_counts("counts", count))
    some = np.maximum(observed, 1.0)
    lower = np.where(observed > 0, gammaincinv(some, side), 0.0)
    return np.asarray(lower), np.asarray(gammaincinv(observed + 1.0, 1.0 - side))


def poisson_ratio(observed: ArrayLike, expected: ArrayLike, level: float = 0.95) -> PoissonRatio:
    """Compare observed with expected failures.

    Args:
        observed: Counts.
        expected: Expected counts, taken as known; broadcast against ``observed``.
        level: Two-sided level of the limits.

    Raises:
        NoEstimate: A count is no count or an expectation is not above zero.
    """
    count = whole_counts("observed counts", observed)
    mean = finite("expected counts", expected, least=0.0)
    if np.any(mean == 0.0):
        raise NoEstimate(
            "An expected count is zero, so no ratio exists; leave out groups without exposure."
        )
    count, mean = (np.asarray(x) for x in np.broadcast_arrays(count, mean))
    lower, upper = poisson_limits(count, level)
    chance = np.where(count > 0, gammainc(np.maximum(count, 1.0), mean), 1.0)
    return PoissonRatio(count / mean, lower / mean, upper / mean, np.asarray(chance))


def poisson_rate(
    failures: ArrayLike, exposure: ArrayLike, level: float = 0.95, *, stopped: str = "time"
) -> RateLimits:
    """Estimate a constant rate from failures in an exposure, with exact chi-square limits.

    With time-stopped observation the limits use 2r and 2r + 2 degrees of freedom, with
    failure-stopped observation 2r for both (NIST/SEMATECH e-Handbook 8.4.5.1). Without any
    failure only an upper bound exists: -ln(1 - level) / exposure, at 95 % 2.996 / exposure.

    Args:
        failures: Counts.
        exposure: Distance or time under observation, above zero.
        level: Two-sided level, or one-sided where there are no failures.
        stopped: ``"time"`` or ``"failure"``.

    Raises:
        NoEstimate: Invalid input, or failure-stopped without a failure.
    """
    one_of("stopping rule", stopped, ("time", "failure"))
    side = tail(level)
    count = whole_counts("failures", failures)
    total = finite("exposure", exposure, least=0.0)
    if np.any(total == 0.0):
        raise NoEstimate("The exposure must be above zero; leave out units never observed.")
    count, total = (np.asarray(x) for x in np.broadcast_arrays(count, total))
    none = count == 0
    if stopped == "failure" and none.any():
        raise NoEstimate("Observation without a failure is time-stopped; say stopped='time'.")
    lower, _ = poisson_limits(count, level)
    shape = count + 1.0 if stopped == "time" else count
    upper = gammaincinv(shape, np.where(none, level, 1.0 - side))
    return RateLimits(count / total, lower / total, np.asarray(upper / total), np.asarray(none))


def jeffreys_interval(successes: ArrayLike, trials: ArrayLike, level: float = 0.95) -> ShareLimits:
    """Equal-tailed Jeffreys limits of a binomial share.

    The lower limit is 0 when nothing succeeded and the upper 1 when everything did
    (Brown, Cai and DasGupta, Statistical Science 16 (2001) 101-133, section 4.1.2).

    Args:
        successes: Counts.
        trials: Counts, at least one each and at least ``successes``.
        level: Two-sided level.

    Raises:
        NoEstimate: Invalid counts.
    """
    side = tail(level)
    hits = whole_counts("successes", successes)
    tries = whole_counts("trials", trials)
    hits, tries = (np.asarray(x) for x in np.broadcast_arrays(hits, tries))
    if np.any(tries == 0) or np.any(hits > tries):
        raise NoEstimate("Each share needs at least one trial and no more successes than that.")
    a, b = hits + 0.5, tries - hits + 0.5
    lower = np.where(hits == 0, 0.0, betaincinv(a, b, side))
    upper = np.where(hits == tries, 1.0, betaincinv(a, b, 1.0 - side))
    return ShareLimits(hits / tries, np.asarray(lower), np.asarray(upper))


def benjamini_hochberg(p: ArrayLike) -> Floats:
    """Adjust p-values so that a threshold q keeps the false discovery rate at q.

    Step up from the largest p, made monotone (Benjamini and Hochberg, J. R. Statist. Soc. B
    57 (1995) 289-300). Holds for independent and positively dependent tests.

    Args:
        p: P-values in any order, one-dimensional; may be empty.

    Returns:
        Adjusted values in input order.

    Raises:
        NoEstimate: A value is missing or not between 0 and 1.
    """
    return _step_up(p, 1.0)


def benjamini_yekutieli(p: ArrayLike) -> Floats:
    """Adjust p-values for the false discovery rate under any dependence.

    Larger by the factor 1 + 1/2 + ... + 1/m (Benjamini and Yekutieli, Ann. Statist. 29 (2001)
    1165-1188). Arguments, result and errors as for :func:`benjamini_hochberg`.
    """
    m = np.asarray(p).size
    return _step_up(p, float(np.sum(1.0 / np.arange(1, m + 1))))


def _step_up(p: ArrayLike, factor: float) -> Floats:
    values = finite("p-values", p, least=0.0)
    if values.ndim != 1:
        raise NoEstimate("Give the p-values as one flat list, all tests of a report together.")
    if np.any(values > 1.0):
        raise NoEstimate("A p-value is above 1; pass p-values, not test statistics.")
    m = values.size
    order = np.argsort(values, kind="stable")[::-1]
    stepped = values[order] * factor * m / np.arange(m, 0, -1)
    adjusted = np.empty(m)
    adjusted[order] = np.minimum(np.minimum.accumulate(stepped), 1.0)
    return adjusted
