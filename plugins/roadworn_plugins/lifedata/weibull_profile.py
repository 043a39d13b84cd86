"""The Weibull shape of many groups by one bracketed Newton iteration.

For exact failures, running parts and late entries the scale has a closed form given the
shape k, and with ``A(k) = sum(t^k - entry^k)`` the profile log likelihood is
``d log k + k sum(log t) - d log A(k)``. A Weibull life is a Poisson process with log hazard
linear in log t, so this is concave in k, late entry or not: its derivative falls, one root
at most, and whether there is one is known beforehand.

Source: Lawless, Statistical Models and Methods for Lifetime Data, sec. 5.2; for the
concavity the exponential-family form of the Poisson-process likelihood.
"""

import numpy as np

from roadworn_plugins.lifedata.likelihood import GroupedLikelihood
from roadworn_plugins.lifedata.optimum import Optimum
from roadworn_plugins.lifedata.segments import Bools, Floats

_MOST_STEPS = 100
# Relative change of k at which the last, quadratically convergent, step has been taken.
_STILL = 1e-9
# sigma = (sqrt(6) / pi) times the standard deviation of log t in a complete sample.
_START = np.pi / np.sqrt(6.0)


def has_interior_optimum(likelihood: GroupedLikelihood) -> Bools:
    """Tell which groups have a shape above 0 that maximises the likelihood.

    When every part entered late, ``A(k)`` vanishes at 0 as fast as k, the pull of ``d log k``
    is gone, and the slope at k = 0 decides: if it does not rise, hazards falling faster than
    1/t fit best and there is no Weibull optimum.
    """
    block = likelihood.survival
    entered = block.segments.sum(np.where(block.weight < 0, -block.weight, 0.0))
    left = block.segments.sum(np.where(block.weight > 0, block.weight, 0.0))
    all_late: Bools = entered == left
    first = block.segments.sum(block.weight * block.below)
    second = block.segments.sum(block.weight * block.below * block.below)
    pull = np.divide(second, 2.0 * first, out=np.zeros_like(first), where=first > 0)
    slope = likelihood.y1 - likelihood.d * (block.top + pull)
    rising: Bools = slope > 1e-9 * likelihood.d
    return rising | ~all_late


def profile_optimum(likelihood: GroupedLikelihood) -> Optimum:
    """Return the Weibull optimum of groups without intervals, in scaled units.

    Args:
        likelihood: groups with failures, not all of them at the largest age, and with
            ``has_interior_optimum``.
    """
    n = likelihood.n_groups
    delta, phi = np.full(n, np.nan), np.full(n, np.nan)
    found = np.zeros(n, dtype=bool)
    at, part, k = np.arange(n), likelihood, np.full(n, _START)
    low, high = np.zeros(n), np.full(n, np.inf)
    for _ in range(_MOST_STEPS):
        t0, t1, t2 = part.hazard_moments(k)
        mean = t1 / t0
        slope = part.d / k + part.y1 - part.d * (part.survival.top + mean)
        bend = -part.d / k**2 - part.d * (t2 / t0 - mean * mean)
        low, high = np.where(slope > 0, k, low), np.where(slope < 0, k, high)
        new = _inside(k - slope / bend, k, low, high)
        still = np.abs(new - k) <= _STILL * k
        if still.any():
            done = at[still]
            phi[done], found[done] = new[still], True
            keep = np.flatnonzero(~still)
            if not keep.size:
                break
            part, at = part.take(keep), at[keep]
            new, low, high = new[keep], low[keep], high[keep]
        k = new
    k = np.where(found, phi, 1.0)
    t0, _, _ = likelihood.hazard_moments(k)
    delta[found] = (k * likelihood.survival.top + np.log(t0 / likelihood.d))[found]
    return Optimum(delta, phi, found)


def _inside(new: Floats, k: Floats, low: Floats, high: Floats) -> Floats:
    """Keep a Newton step inside its bracket, and growth at most fourfold while it is open."""
    new = np.minimum(new, 4.0 * k)
    middle = np.where(np.isinf(high), 2.0 * k, 0.5 * (low + np.minimum(high, 1e300)))
    return np.where((new > low) & (new < high), new, middle)
