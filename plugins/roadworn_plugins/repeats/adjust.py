"""One false discovery rate over thousands of small comparisons.

Most places on vehicles have so few failures among their comparable others that they could
never stand out, whatever happened: counting them in full would hide what does. Given how many
failures there are in a stratum, each comparison can only reach certain chances; Heyse's step-up
charges each comparison with what it can reach, not with the threshold itself.

Sources: Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300; Heyse, A false
discovery rate procedure for categorical data (2011), and Doehler, Durand and Roquain, Electron.
J. Statist. 12 (2018) 1867-1900 for its control, both from memory; the share of false alarms is
measured in tests/simulations/repeat_failures.py.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

Floats = NDArray[np.float64]

# Chances beyond this are never listed, so what is reachable there need not be laid out.
_LARGEST = 0.2
_MOST_STEPS = 400


@dataclass(frozen=True, eq=False)
class Reach:
    """What chances the comparisons of one level can show, as steps of their number expected.

    Attributes:
        at: chances at which a comparison can arrive, ascending.
        below: comparisons expected at or below each of them if all were alike.
        continuous: comparisons that can show any chance.
    """

    at: Floats
    below: Floats
    continuous: int

    def expected(self, p: Floats) -> Floats:
        """Return how many comparisons would show a chance of p or less if all were alike."""
        place = np.searchsorted(self.at, p * (1.0 + 1e-12), side="right")
        return np.asarray(np.concatenate(([0.0], self.below))[place] + self.continuous * p)


def reach_of(total: Floats, share: Floats) -> Reach:
    """Lay out what comparisons within one stratum each can show.

    Given `total` failures in the stratum, those of a group that is like the others are
    binomial with its share of the exposure.

    Args:
        total: failures in the stratum of each comparison, its own included.
        share: its share of the exposure there, between 0 and 1.
    """
    at, gain = [], []
    some = np.flatnonzero((total >= 1) & (share > 0.0) & (share < 1.0))
    n, s = total[some], share[some]
    # Chance of exactly `count` failures, carried on from one count to the next.
    exactly = n * s * np.exp((n - 1.0) * np.log1p(-s))
    count = 1.0
    while n.size and count <= _MOST_STEPS:
        shown = chance_of_so_many(np.full(n.size, count), n - count, s)
        near = shown <= _LARGEST
        at.append(shown[near])
        gain.append(exactly[near])
        # Once the next step is out of reach of any threshold its whole tail hardly counts.
        keep = (n > count) & ((exactly > 1e-13) | (count < n * s))
        n, s, exactly = n[keep], s[keep], exactly[keep]
        exactly = exactly * (n - count) / (count + 1.0) * s / (1.0 - s)
        count += 1.0
    if not at:
        return Reach(np.zeros(0), np.zeros(0), 0)
    chances, gains = np.concatenate(at), np.concatenate(gain)
    order = np.argsort(chances, kind="stable")
    return Reach(chances[order], np.cumsum(gains[order]), 0)


def chance_of_so_many(count: Floats, others: Floats, share: Floats) -> Floats:
    """Return the chance of `count` failures or more, given those of the others.

    The rate of the others is Gamma(others + 1/2) in their exposure, so the count is negative
    binomial. In terms of the total it lies between the exact binomial tail and the one that
    counts the observed number half.
    """
    tail = np.empty(np.shape(share))
    single = count <= 1.0
    # The commonest case by far has a closed form.
    tail[single] = -np.expm1((others[single] + 0.5) * np.log1p(-share[single]))
    more = ~single
    tail[more] = betainc(count[more], others[more] + 0.5, share[more])
    return tail


def adjusted(chances: list[Floats], reaches: list[Reach]) -> list[Floats]:
    """Adjust the chances of all levels together, so that a threshold q keeps that rate.

    Args:
        chances: one array a level.
        reaches: what each level can show.

    Returns:
        Adjusted chances, one array a level, in the order given.
    """
    p = np.concatenate(chances)
    if p.size == 0:
        return [np.zeros(0) for _ in chances]
    expected = np.zeros(p.size)
    for reach in reaches:
        expected += reach.expected(p)
    # Where the steps are not laid out each comparison is charged as if any chance were open.
    expected = np.where(p <= _LARGEST, expected, p.size * p)
    order = np.argsort(p, kind="stable")[::-1]
    rank = np.arange(p.size, 0, -1)
    stepped = expected[order] / rank
    out = np.empty(p.size)
    out[order] = np.minimum(np.minimum.accumulate(stepped), 1.0)
    return np.split(out, np.cumsum([part.size for part in chances])[:-1])
