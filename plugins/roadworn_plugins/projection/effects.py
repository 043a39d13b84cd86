"""What vehicles, places and years add to a hazard beside what their class explains.

Each has a multiplier of mean 1 that its own record of failures, against what was expected of it,
makes larger or smaller.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln, logsumexp

from roadworn_plugins.lifedata import Floats


@dataclass(frozen=True, eq=False)
class Effects:
    """Multipliers of the hazard, one entry a unit (a vehicle, or a place of one).

    Attributes:
        mean: what the unit's own record makes of it.
        variance: relative variance of the same.
        spread: relative variance among units as a whole.
    """

    mean: Floats
    variance: Floats
    spread: float


_FRAILTY = np.exp(np.linspace(np.log(0.8), np.log(2000.0), 28))


def vehicle_effects(failures: Floats, expected: Floats, *, typical: float = 0.15) -> Effects:
    """Return the effect of each vehicle over all its components, or of each calendar year.

    Gamma effects of mean 1: with d failures where E were expected the posterior is
    Gamma(a + d, a + E). The Gamma shape a is averaged over a grid by its marginal (negative
    binomial) likelihood, with a prior that a ledger of few failures does not overrule: 1 / a
    exponential (common practice, no source).

    Args:
        failures: of each vehicle, shape (vehicles,).
        expected: cumulative hazard of its lives, same shape.
        typical: mean of 1 / a, the relative variance among vehicles, before any is seen.

    Reference: Duchateau and Janssen, The Frailty Model (2008), ch. 2, from memory.
    """
    a, d, e = _FRAILTY[:, None], failures, expected
    height = gammaln(a + d) - gammaln(a) + a * np.log(a) - (a + d) * np.log(a + e)
    of_a = height.sum(axis=1) - 1.0 / _FRAILTY / typical - np.log(_FRAILTY)
    chance = np.exp(of_a - logsumexp(of_a))
    each = (a + d) / (a + e)
    mean = chance @ each
    second = chance @ (each * (a + d + 1.0) / (a + e))
    spread = float(chance @ (1.0 / _FRAILTY))
    return Effects(mean, np.maximum(second / mean**2 - 1.0, 0.0), spread)


_PLACE = 2.0 ** np.arange(1, 9)
_PLACE_SHARE = (0.5, 100.0)  # prior failures and successes of the share with a cause of its own


def place_effects(failures: Floats, expected: Floats) -> Effects:
    """Return the effect of each place: most have none, a few have a cause of their own.

    A place is ordinary, or with a small chance its hazard is 2, 4, … 256 times as high, each
    equally likely; failures are Poisson around the expected number. The small share is found
    by expectation-maximisation under a prior (common practice, no source).

    Args:
        failures: of each place, shape (places,).
        expected: cumulative hazard of its lives, the vehicle's effect included, same shape.
    """
    d, e = failures[:, None], expected[:, None]
    own = d * np.log(_PLACE) - e * (_PLACE - 1.0) - np.log(_PLACE.size)
    with_cause = logsumexp(own, axis=1)
    share = 0.01
    for _ in range(20):
        odds = with_cause + np.log(share) - np.log1p(-share)
        chance = 1.0 / (1.0 + np.exp(-odds))
        share = (float(chance.sum()) + _PLACE_SHARE[0]) / (chance.size + sum(_PLACE_SHARE))
    within = np.exp(own - with_cause[:, None])
    mean = 1.0 - chance + chance * (within @ _PLACE)
    second = 1.0 - chance + chance * (within @ _PLACE**2)
    return Effects(mean, np.maximum(second / mean**2 - 1.0, 0.0), share)
