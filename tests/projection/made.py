"""What the tests of the projection ask for, from the parts the package gives."""

import numpy as np

from roadworn_plugins.projection.belief import CostSpread
from roadworn_plugins.projection.renewal import (
    CountMoments,
    Expected,
    by_group,
    count_moments,
    of_group,
)


def expected(belief, group, age, ahead):
    """Chances and numbers of failures, for horizons of shape (parts,) or (parts, horizons)."""
    group, age, ahead = np.asarray(group), np.asarray(age, float), np.asarray(ahead, float)
    far = ahead.reshape(group.size, -1)
    out = np.zeros((2, *far.shape))
    for rows in by_group(group):
        found = of_group(belief, int(group[rows[0]]), age[rows], far[rows])
        out[:, rows] = found.chance, found.number
    return Expected(*out.reshape(2, *ahead.shape))


def over_distances(belief, group, age, vehicle, ahead):
    """The same averaged over the distances of the vehicles."""
    found = [expected(belief, group, age, far[vehicle]) for far in ahead.distance]
    return Expected(
        *(
            np.tensordot(ahead.weight, [getattr(f, name) for f in found], axes=1)
            for name in ("chance", "number")
        )
    )


def moments_at(belief, group, age, vehicle, ahead):
    """Moments of the failures at each distance of the vehicles."""
    return [count_moments(belief, group, age, far[vehicle]) for far in ahead.distance]


def taken(counts, rows):
    """The moments of these parts only."""
    return CountMoments(
        counts.group[rows],
        counts.shape,
        counts.weight,
        *(getattr(counts, name)[rows] for name in ("chance", "number", "pairs")),
    )


def lognormal_cost(mean, spread):
    """Costs of this mean, with a standard deviation that is a share of it."""
    mean = np.asarray(mean, float)
    sigma = np.full(mean.shape, np.sqrt(np.log1p(spread**2)))
    return CostSpread(mean * np.exp(-(sigma**2) / 2.0), sigma, sigma)


def fixed_cost(cost):
    """Costs without spread."""
    cost = np.asarray(cost, float)
    return CostSpread(cost, np.zeros(cost.shape), np.zeros(cost.shape))
