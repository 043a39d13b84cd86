"""How many failures come between two days ahead, from what comes by each of them.

A quarter of next year is the stretch between two horizons. The expected number is the plain
difference. Pairs of failures within the stretch follow from what a replacement is: whatever
fails in it leaves a new part for the rest of it, so that E[D (D - 1)] is twice the sum, over
the failures, of what a new part would have until the end. With failures spread evenly over the
stretch, that is the mean of the renewal function of a new part, and over a stretch that is
short beside a life this is the cumulative hazard. Without wear (shape 1) all of it is exact.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gamma

from roadworn_plugins.lifedata.checked import NoEstimate
from roadworn_plugins.projection.belief import LifeBelief
from roadworn_plugins.projection.renewal import CountMoments

_LEAST = 1e-12


def increments(
    earlier: CountMoments, later: CountMoments, belief: LifeBelief, width: ArrayLike
) -> CountMoments:
    """Return the moments of the failures after one horizon up to a farther one.

    Args:
        earlier: by the nearer horizon.
        later: by the farther one; same parts and rates.
        belief: what both were made from.
        width: distance or time between the two horizons, shape (parts,).

    Raises:
        NoEstimate: they are not of the same parts and rates.

    Reference: Cox, Renewal Theory (1962), section 4.5, for the pairs of a renewal process.
    """
    if earlier.number.shape != later.number.shape:
        raise NoEstimate("Both horizons must be of the same parts at the same rates.")
    rate, _weight = belief.rates(later.number.shape[1])
    shape = belief.shape[later.group][:, None]
    rate = rate[later.group]
    far = np.broadcast_to(np.asarray(width, dtype=np.float64), later.group.shape)[:, None]
    first = np.maximum(later.chance - earlier.chance, 0.0)
    number = np.maximum(later.number - earlier.number, first)
    # Mean renewal function of a new part over the stretch: its cumulative hazard while it is
    # short, and never more than one failure a mean life once parts wear (Barlow and Proschan,
    # Mathematical Theory of Reliability (1965), ch. 3: M(t) <= t / mean; from memory).
    hazard = rate * far**shape / (1.0 + shape)
    steady = far * rate ** (1.0 / shape) / (2.0 * gamma(1.0 + 1.0 / shape))
    more = 2.0 * np.where(shape > 1.0, np.minimum(hazard, steady), hazard)
    # One failure or more: as if each brought a Poisson number of mean `more` along.
    one = number * np.where(more > _LEAST, -np.expm1(-more) / np.maximum(more, _LEAST), 1.0)
    chance = np.clip(np.maximum(one, first), 0.0, np.minimum(number, 1.0))
    return replace(later, chance=chance, number=number, pairs=number * more)
