"""How old a part may be whose age nobody knows.

The record still says two things of it: how long it has been seen running here, and how far the
vehicle has gone in all. The place has held one part after another since the vehicle was new,
so its age now is that of a renewal process: it was fitted at distance u with the density of
renewals m(u), or with the vehicle, and has lasted since. A few ages of equal weight stand for
that.
"""

import numpy as np

from roadworn_plugins.grouped import Floats
from roadworn_plugins.projection.weibull_renewal import RenewalFunction, solve

#: Ages that stand for a part of unknown age.
AGES = 6
_GRID = 160


def unknown_ages(least: Floats, most: Floats, shape: Floats, rate: Floats) -> Floats:
    """Return AGES equally likely ages of parts seen running for `least` on vehicles of `most`.

    The chance of an age in (a, a + da) is S(a) m(T - a) da, and that of the vehicle's own age T
    is S(T), all given that the age is at least what was seen (Cox, Renewal Theory, 1962,
    section 5.2: the backward recurrence time). Each age is the mean of a sixth of that
    distribution, so that their mean is its mean.

    Args:
        least: how long each was seen running, shape (parts,).
        most: how long the vehicle has run in all, at least `least`.
        shape: Weibull shape of each part, within `weibull_renewal.SHAPES`.
        rate: cumulative hazard at age 1 of each part.

    Returns:
        Shape (parts, AGES), rising.
    """
    ages = np.empty((least.size, AGES))
    scaled = rate ** (1.0 / np.maximum(shape, 1e-9))
    for one in np.unique(shape):
        rows = np.flatnonzero(shape == one)
        unit = scaled[rows]
        oldest = most[rows] * unit
        if not np.any(oldest > 0.0):
            ages[rows] = least[rows, None]
            continue
        renewal = solve(float(one), float(oldest.max()))
        ages[rows] = _ages(renewal, least[rows] * unit, oldest) / unit[:, None]
    return ages


def _ages(renewal: RenewalFunction, least: Floats, most: Floats) -> Floats:
    """Return ages in units of the scale."""
    grid = least[:, None] + (most - least)[:, None] * np.linspace(0.0, 1.0, _GRID)
    hazard = grid**renewal.shape
    # Relative to the youngest age: what matters is how the chances compare.
    survival = np.exp(hazard[:, :1] - hazard)
    fitted = renewal(most[:, None] - grid)[0]
    mass = np.concatenate(
        [
            (survival[:, 1:] + survival[:, :-1]) / 2.0 * np.maximum(-np.diff(fitted), 0.0),
            survival[:, -1:],
        ],
        axis=1,
    )
    total = np.sum(mass, axis=1, keepdims=True)
    middle = np.concatenate([(grid[:, 1:] + grid[:, :-1]) / 2.0, grid[:, -1:]], axis=1)
    # Where nothing could have survived so long, take it as seen: the youngest age possible.
    share = mass / np.where(total > 0.0, total, 1.0)
    reached = np.cumsum(share, axis=1)
    sums = np.cumsum(share * middle, axis=1)
    cell = np.sum(reached[:, :, None] < np.arange(1, AGES) / AGES - 1e-12, axis=1)
    cell = np.minimum(cell, _GRID - 1)
    # The sum of share times age up to each sixth; ages are straight within a cell.
    over = np.take_along_axis(reached, cell, axis=1) - np.arange(1, AGES) / AGES
    upto = np.take_along_axis(sums, cell, axis=1)
    upto -= over * np.take_along_axis(middle, cell, axis=1)
    upto = np.concatenate([np.zeros((most.size, 1)), upto, sums[:, -1:]], axis=1)
    found = np.clip(np.diff(upto, axis=1) * AGES, least[:, None], most[:, None])
    return np.where(total > 0.0, found, least[:, None])
