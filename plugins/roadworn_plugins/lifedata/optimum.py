"""Newton's method for the maximum of many two-parameter likelihoods at once.

Each group takes its own steps and its own halvings, but one pass over the rows serves all
groups that are still moving; finished groups drop out of the rows. Every result is checked
by its Newton decrement: an optimiser that stops early looks just like one that arrived.
"""

from typing import NamedTuple

import numpy as np

from roadworn_plugins.lifedata.likelihood import GroupedLikelihood, Terms
from roadworn_plugins.lifedata.segments import Bools, Floats

# Twice the gain that one more step promises; 1e-16 is 1e-8 of a standard error.
_ARRIVED = 1e-16
# So close the log likelihood itself is too coarse a judge of a step.
_NEAR = 1e-7
_MOST_STEPS = 200
# In units of the spread of log age: beyond these the optimum has run away.
_LEAST_PHI, _MOST_PHI, _MOST_DELTA = 1e-5, 1e6, 1e8


class Optimum(NamedTuple):
    """Where the likelihood of each group is largest.

    Attributes:
        delta: mu / sigma in scaled units; nan where no optimum was found.
        phi: 1 / sigma in scaled units; nan where no optimum was found.
        found: whether a maximum inside the parameter space was reached and checked.
    """

    delta: Floats
    phi: Floats
    found: Bools


def maximise(likelihood: GroupedLikelihood, delta: Floats, phi: Floats) -> Optimum:
    """Climb from the given start to the maximum of each group.

    Args:
        likelihood: groups with at least one failure.
        delta: start, shape (n_groups,).
        phi: start, above 0.
    """
    n = likelihood.n_groups
    result = Optimum(np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, dtype=bool))
    at = np.arange(n)
    part, terms = likelihood, likelihood.evaluate(delta, phi)
    shrink = np.ones(n)
    for _ in range(_MOST_STEPS):
        step_d, step_p, decrement = newton_step(terms)
        arrived = decrement < _ARRIVED
        result.delta[at[arrived]], result.phi[at[arrived]] = delta[arrived], phi[arrived]
        result.found[at[arrived]] = True
        lost = (phi < _LEAST_PHI) | (phi > _MOST_PHI) | (np.abs(delta) > _MOST_DELTA)
        going = ~(arrived | lost)
        if not going.all():
            keep = np.flatnonzero(going)
            if not keep.size:
                break
            part, at, shrink = part.take(keep), at[keep], shrink[keep]
            delta, phi, terms = delta[keep], phi[keep], Terms(*(t[keep] for t in terms))
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
