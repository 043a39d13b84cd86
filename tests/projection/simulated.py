"""Plain simulation of renewals, sharing no code with the package: the judge of the tests."""

import numpy as np


def counts(rng, shape, scale, age, ahead, draws):
    """Numbers of failures in `draws` simulated places, each of one Weibull part after another."""
    scale = np.broadcast_to(np.asarray(scale, dtype=float), (draws,))
    ahead = np.broadcast_to(np.asarray(ahead, dtype=float), (draws,))
    aged = (age / scale) ** shape
    left = scale * (aged + rng.standard_exponential(draws)) ** (1.0 / shape) - age
    number = np.zeros(draws, dtype=np.int64)
    alive = np.flatnonzero(left <= ahead)
    while alive.size:
        number[alive] += 1
        life = scale[alive] * rng.standard_exponential(alive.size) ** (1.0 / shape)
        left[alive] += life
        alive = alive[left[alive] <= ahead[alive]]
    return number
