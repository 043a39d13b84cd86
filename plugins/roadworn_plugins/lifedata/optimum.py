"""The maximum of many likelihoods at once."""

from typing import NamedTuple, Self

import numpy as np

from roadworn_plugins.lifedata import Bools, Floats, Ints
from roadworn_plugins.lifedata.families import Terms
from roadworn_plugins.lifedata.likelihood import GroupedLikelihood

# Twice the gain that one more step promises; 1e-16 is 1e-8 of a standard error.
_ARRIVED = 1e-16


# So close the log likelihood itself is too coarse a judge of a step.
_NEAR = 1e-7


_MOST_STEPS = 200


# In units of the spread of log age: beyond these the optimum has run away.
_LEAST_PHI, _MOST_PHI, _MOST_DELTA = 1e-5, 1e6, 1e8


class Optimum(NamedTuple):
    """Where the likelihood of each group is largest, in scaled units; nan where not found.

    Attributes:
        delta: mu / sigma.
        phi: 1 / sigma.
    """

    delta: Floats
    phi: Floats

    @classmethod
    def unknown(cls, n: int) -> Self:
        """Leave the optima of n groups to be found."""
        return cls(np.full(n, np.nan), np.full(n, np.nan))

    @property
    def found(self) -> Bools:
        """Where a maximum inside the parameter space was reached and checked."""
        return ~np.isnan(self.phi)

    def put(self, groups: Ints, delta: Floats, phi: Floats) -> None:
        """Take over the optima of some groups."""
        self.delta[groups], self.phi[groups] = delta, phi


def maximise(likelihood: GroupedLikelihood, delta: Floats, phi: Floats) -> Optimum:
    """Climb from the given start to the maximum of each group.

    Args:
        likelihood: groups with at least one failure.
        delta: start, shape (n_groups,).
        phi: start, above 0.
    """
    result, at = Optimum.unknown(likelihood.n_groups), np.arange(likelihood.n_groups)
    part, terms = likelihood, likelihood.evaluate(delta, phi)
    shrink = np.ones(at.size)
    for _ in range(_MOST_STEPS):
        step_d, step_p, decrement = newton_step(terms)
        arrived = decrement < _ARRIVED
        result.put(at[arrived], delta[arrived], phi[arrived])
        lost = (phi < _LEAST_PHI) | (phi > _MOST_PHI) | (np.abs(delta) > _MOST_DELTA)
        going = ~(arrived | lost)
        if not going.all():
            keep = np.flatnonzero(going)
            if not keep.size:
                break
            part, at, shrink = part.take(keep), at[keep], shrink[keep]
            delta, phi, terms = delta[keep], phi[keep], terms.take(keep)
            step_d, step_p, decrement = step_d[keep], step_p[keep], decrement[keep]
        # No step may carry phi further than fourfold: beyond that the parabola tells nothing.
        reach = shrink * np.minimum(1.0, 0.75 * phi / np.maximum(np.abs(step_p), 1e-300))
        new_delta, new_phi = delta + reach * step_d, phi + reach * step_p
        new = part.evaluate(new_delta, new_phi)
        better = new.value >= terms.value + 1e-4 * reach * decrement
        accept = better | ((decrement < _NEAR) & (shrink > 0.1))
        shrink = np.where(accept, 1.0, 0.25 * shrink)
        delta, phi = np.where(accept, new_delta, delta), np.where(accept, new_phi, phi)
        terms = Terms(*(np.where(accept, a, b) for a, b in zip(new, terms, strict=True)))
    return result


def newton_step(terms: Terms) -> tuple[Floats, Floats, Floats]:
    """Return the step by delta and phi, uphill everywhere, and the Newton decrement squared.

    Where the curvature is not that of a maximum it is lifted until it is.
    """
    a, b, c = -terms.dd, -terms.dp, -terms.pp
    middle, radius = 0.5 * (a + c), np.hypot(0.5 * (a - c), b)
    size = np.abs(middle) + radius + 1e-100
    least = middle - radius
    # The smallest eigenvalue loses its digits when the two differ widely; the determinant less.
    level = (a > 0) & (a * c - b * b > 1e-14 * a * np.abs(c))
    lift = np.where(level, 0.0, np.maximum(-least, 0.0) + 1e-3 * size)
    a, c = a + lift, c + lift
    determinant = a * c - b * b
    step_d = (c * terms.d - b * terms.p) / determinant
    step_p = (a * terms.p - b * terms.d) / determinant
    return step_d, step_p, step_d * terms.d + step_p * terms.p


_MOST_PROFILE_STEPS = 100


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
    best = np.full(n, np.nan)
    at, part, k = np.arange(n), likelihood, np.full(n, _START)
    low, high = np.zeros(n), np.full(n, np.inf)
    for _ in range(_MOST_PROFILE_STEPS):
        t0, t1, t2 = part.hazard_moments(k)
        mean = t1 / t0
        slope = part.d / k + part.y1 - part.d * (part.survival.top + mean)
        bend = -part.d / k**2 - part.d * (t2 / t0 - mean * mean)
        low, high = np.where(slope > 0, k, low), np.where(slope < 0, k, high)
        new = _inside(k - slope / bend, k, low, high)
        still = np.abs(new - k) <= _STILL * k
        if still.any():
            best[at[still]] = new[still]
            keep = np.flatnonzero(~still)
            if not keep.size:
                break
            part, at = part.take(keep), at[keep]
            new, low, high = new[keep], low[keep], high[keep]
        k = new
    k = np.where(np.isnan(best), 1.0, best)
    t0, _, _ = likelihood.hazard_moments(k)
    delta = k * likelihood.survival.top + np.log(t0 / likelihood.d)
    return Optimum(np.where(np.isnan(best), np.nan, delta), best)


def _inside(new: Floats, k: Floats, low: Floats, high: Floats) -> Floats:
    """Keep a Newton step inside its bracket, and growth at most fourfold while it is open."""
    new = np.minimum(new, 4.0 * k)
    middle = np.where(np.isinf(high), 2.0 * k, 0.5 * (low + np.minimum(high, 1e300)))
    return np.where((new > low) & (new < high), new, middle)
