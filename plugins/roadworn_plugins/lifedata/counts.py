"""What counts can tell: exact limits of counts, ratios and shares of events.

A shop sees few events of a kind, where the normal approximations are wrong.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, gammaincinv

from roadworn_plugins.lifedata.checked import Floats, LifeDataError, finite, tail, whole_counts


@dataclass(frozen=True, eq=False)
class WithLimits:
    """Estimates with their lower and upper limits, one entry each."""

    value: Floats
    lower: Floats
    upper: Floats


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


def poisson_ratio(observed: ArrayLike, expected: ArrayLike, level: float = 0.95) -> WithLimits:
    """Observed over expected failures, with exact limits; the lower is 0 where none were observed.

    Args:
        observed: Counts.
        expected: Expected counts, taken as known; broadcast against ``observed``.
        level: Two-sided level of the limits.

    Raises:
        LifeDataError: A count is no count or an expectation is not above zero.
    """
    count = whole_counts("observed counts", observed)
    mean = finite("expected counts", expected, least=0.0)
    if np.any(mean == 0.0):
        raise LifeDataError(
            "An expected count is zero, so no ratio exists; leave out groups without exposure."
        )
    count, mean = np.broadcast_arrays(count, mean)
    lower, upper = poisson_limits(count, level)
    return WithLimits(count / mean, lower / mean, upper / mean)


def jeffreys_interval(successes: ArrayLike, trials: ArrayLike, level: float = 0.95) -> WithLimits:
    """Equal-tailed Jeffreys limits of a binomial share.

    The lower limit is 0 when nothing succeeded and the upper 1 when everything did
    (Brown, Cai and DasGupta, Statistical Science 16 (2001) 101-133, section 4.1.2).

    Args:
        successes: Counts.
        trials: Counts, at least one each and at least ``successes``.
        level: Two-sided level.

    Raises:
        LifeDataError: Invalid counts.
    """
    side = tail(level)
    hits = whole_counts("successes", successes)
    tries = whole_counts("trials", trials)
    hits, tries = np.broadcast_arrays(hits, tries)
    if np.any(tries == 0) or np.any(hits > tries):
        raise LifeDataError("Each share needs at least one trial and no more successes than that.")
    a, b = hits + 0.5, tries - hits + 0.5
    lower = np.where(hits == 0, 0.0, betaincinv(a, b, side))
    upper = np.where(hits == tries, 1.0, betaincinv(a, b, 1.0 - side))
    return WithLimits(hits / tries, np.asarray(lower), np.asarray(upper))
