"""The sum over all combinations of what a vehicle and its places may do: exact, and slow.

What the judge of `nested_effects` is: given the vehicle's effect its places are independent, so
the sum is a product on a grid of effects.
"""

from dataclasses import dataclass

import numpy as np

from roadworn_plugins.lifedata.effects import PLACE_STEPS

#: Spreads of the vehicles' effects, and shares of places with a cause of their own.
SPREADS = np.exp(np.linspace(np.log(0.02), np.log(3.0), 48))[::2]
SHARES = np.exp(np.linspace(np.log(1e-4), np.log(0.2), 16))


def before(spread: np.ndarray) -> np.ndarray:
    """Log prior of the logarithm of a spread: above 1 with a chance of one in twenty."""
    return np.log(spread) - np.log(20.0) * spread


@dataclass(frozen=True, eq=False)
class ExactEffects:
    """Multipliers of vehicles, and of places on them.

    Attributes:
        vehicle: Posterior mean of each vehicle's effect.
        place: Posterior mean of each place's own effect, beside its vehicle's.
        both: Posterior mean of their product, of each place.
        special: Chance of each place to have an effect of its own.
        share: Posterior mean of the share of such places.
        spread: Posterior mean of the standard deviation of the vehicles' effects.
    """

    vehicle: np.ndarray
    place: np.ndarray
    both: np.ndarray
    special: np.ndarray
    share: float
    spread: float


def exact_effects(vehicle, failures, expected) -> ExactEffects:
    """Learn the effect of each vehicle and of each place within it, from the places' counts.

    A place is a component at one position of one vehicle. Most have no effect of their own; a
    small share, which is learnt (before the counts any share from 0.01 % to 20 % is as likely in
    its logarithm), has a factor of 2, 4, ... 256, each as likely. Given the vehicle's effect its
    places are independent, so the sum over all combinations is a product on a grid of effects.

    Args:
        vehicle: Dense number from 0 of the vehicle of each place.
        failures: Of each place.
        expected: Of each place.
    """
    d, e = np.asarray(failures, dtype=float), np.asarray(expected, dtype=float)
    code = np.asarray(vehicle, dtype=np.int64)
    n = int(code.max()) + 1
    log_z = np.linspace(-5.0, 5.0, 81)
    z = np.exp(log_z)
    # Places with as many failures and nearly the same expectation (within 1.5 %) are one cell.
    bins = np.round(np.log(np.maximum(e, 1e-9)) / 0.03)
    cells, cell = np.unique(np.stack([d, bins]), axis=1, return_inverse=True)
    cell = cell.reshape(-1)
    count = np.bincount(code * cells.shape[1] + cell, minlength=n * cells.shape[1])
    count = count.reshape(n, -1)
    plain = np.bincount(code, d)[:, None] * log_z - np.bincount(code, e)[:, None] * z
    # Likelihood of an effect of the place over that of none, by the vehicle's effect.
    rise, moment = np.zeros((cells.shape[1], z.size)), np.zeros((cells.shape[1], z.size))
    gain, wait = cells[0][:, None], np.exp(0.03 * cells[1])[:, None] * z
    for w in PLACE_STEPS:
        ratio = np.exp(np.minimum(gain * np.log(w) - (w - 1.0) * wait, 600.0))
        rise += ratio / PLACE_STEPS.size
        moment += w * ratio / PLACE_STEPS.size
    spreads = SPREADS
    prior = spreads[:, None] ** -2.0 * (log_z - z)
    prior = np.exp(prior - prior.max(axis=1, keepdims=True))
    prior /= prior.sum(axis=1, keepdims=True)
    likely, weight = [], np.empty((SHARES.size, spreads.size))
    for i, share in enumerate(SHARES):
        by_z = plain + count @ np.log1p(share * (rise - 1.0))
        top = by_z.max(axis=1, keepdims=True)
        likely.append(np.exp(by_z - top))
        weight[i] = np.log(likely[i] @ prior.T).sum(axis=0) + top.sum() + before(spreads)
    weight = np.exp(weight - weight.max())
    weight[weight < 1e-5] = 0.0
    weight /= weight.sum()
    on_vehicle, (own, both, special) = np.zeros(n), np.zeros((3, d.size))
    for i in np.flatnonzero(weight.sum(axis=1)).tolist():
        # Posterior of each vehicle's effect on the grid, times the weight of this share.
        chance = likely[i] * ((weight[i] / (likely[i] @ prior.T)) @ prior)
        on_vehicle += chance @ z
        odds = SHARES[i] * rise
        sum_of_both = 1.0 - SHARES[i] + odds
        effect = (1.0 - SHARES[i] + SHARES[i] * moment) / sum_of_both
        own += (chance @ effect.T)[code, cell]
        both += ((chance * z) @ effect.T)[code, cell]
        special += (chance @ (odds / sum_of_both).T)[code, cell]
    return ExactEffects(
        vehicle=on_vehicle,
        place=own,
        both=both,
        special=special,
        share=float(weight.sum(axis=1) @ SHARES),
        spread=float(weight.sum(axis=0) @ spreads),
    )
