"""Projections against what came: Brier score, calibration and coverage, against the base rate.

A prediction that is never compared with what happened is decoration. The base rate a projection
has to beat is the one known on the day it was made, not the one that is known afterwards.

Reference: Brier, Monthly Weather Review 78 (1950) 1-3; Cox, Biometrika 45 (1958) 562-565, for the
logistic slope. From memory.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import Floats, Ints, LifeDataError, finite, same_length
from roadworn_plugins.lifedata.counts import WithLimits, jeffreys_interval
from roadworn_plugins.lifedata.special import expit, logit


@dataclass(frozen=True)
class ProjectionScore:
    """How good the projected chances of one day were.

    Attributes:
        brier: Mean squared error of the chances; 0 is perfect.
        base: Brier score of the base rates known on that day.
        skill: 1 - brier / base; nan where the base rates were perfect.
        skill_error: Its standard error by leaving out one cluster at a time, nan with one.
        slope: Logistic slope on the log odds of the chances, see :func:`calibration_slope`.
    """

    brier: float
    base: float
    skill: float
    skill_error: float
    slope: float


def score_projection(
    chance: ArrayLike,
    happened: ArrayLike,
    base_rate: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
) -> ProjectionScore:
    """Score the projected chances of parts whose outcome is known.

    Args:
        chance: Projected chance of each part, shape (parts,).
        happened: True where it failed within the horizon.
        base_rate: Chance that was known of each part without its age, for instance the share of
            its component that failed in an earlier stretch of the same length; a number will do.
        cluster: What outcomes hang together by, for instance the vehicle; each part by default.

    Raises:
        LifeDataError: Lengths differ, chances outside 0 to 1 or all 0, or nothing to score.
    """
    p, y = _pairs(chance, happened)
    base = np.broadcast_to(finite("base rates", base_rate, least=0.0), p.shape)
    if not np.any(p > 0.0):
        raise LifeDataError(
            "All projected chances are 0, so nothing can be scored; project further."
        )
    if np.any(base > 1.0):
        raise LifeDataError("A base rate is above 1; give it as a fraction.")
    labels = np.arange(p.size) if cluster is None else np.unique(cluster, return_inverse=True)[1]
    same_length(chance=p, cluster=labels)
    square, square_base = (p - y) ** 2, (base - y) ** 2
    own, least = float(square.sum()), float(square_base.sum())
    return ProjectionScore(
        brier=float(square.mean()),
        base=float(square_base.mean()),
        skill=1.0 - own / least if least > 0.0 else np.nan,
        skill_error=_jackknife(square, square_base, labels),
        slope=calibration_slope(p, y)[0],
    )


def calibration_slope(chance: ArrayLike, happened: ArrayLike) -> tuple[float, float, float]:
    """Fit what happened on the log odds of the predicted chances.

    Args:
        chance: Predicted chances between 0 and 1.
        happened: True where it came true.

    Returns:
        Logistic slope (1 is ideal, below 1 is overconfident), intercept, and standard error of
        the slope; nan where the data separate or hold no contrast.

    Raises:
        LifeDataError: Invalid input or nothing to compare.
    """
    p, y = _pairs(chance, happened)
    odds = logit(np.clip(p, 1e-9, 1.0 - 1e-9))
    ones, zeros = odds[y == 1.0], odds[y == 0.0]
    if ones.size == 0 or zeros.size == 0 or np.ptp(odds) == 0.0:
        return np.nan, np.nan, np.nan
    if ones.min() >= zeros.max() or ones.max() <= zeros.min():
        return np.nan, np.nan, np.nan  # separated: the slope has no finite estimate
    centre = float(odds.mean())
    design = np.column_stack([np.ones_like(odds), odds - centre])
    theta = np.zeros(2)
    for _ in range(200):
        fitted = expit(design @ theta)
        information = design.T @ (design * (fitted * (1.0 - fitted))[:, None])
        move = np.linalg.solve(information, design.T @ (y - fitted))
        # Steps of a concave likelihood are shortened, never turned.
        theta = theta + move * min(1.0, 2.0 / max(float(np.abs(move).max()), 1e-300))
        if float(np.abs(move).max()) < 1e-12:
            break
    error = float(np.sqrt(np.linalg.inv(information)[1, 1]))
    return float(theta[1]), float(theta[0] - theta[1] * centre), error


def coverage(
    lower: ArrayLike, upper: ArrayLike, truth: ArrayLike, level: float = 0.95
) -> WithLimits:
    """Share of intervals that hold the truth, with Jeffreys limits at ``level``.

    Raises:
        LifeDataError: Invalid input, an interval upside down, or none at all.
    """
    low, true = finite("lower limits", lower), finite("true values", truth)
    high = np.asarray(upper, dtype=np.float64)  # an interval may be open upwards
    if same_length(lower=low, upper=high, truth=true) == 0 or not np.all(low <= high):
        raise LifeDataError("Give at least one interval, each with its lower limit first.")
    return jeffreys_interval(np.count_nonzero((low <= true) & (true <= high)), true.size, level)


def _pairs(chance: ArrayLike, happened: ArrayLike) -> tuple[Floats, Floats]:
    p, y = finite("chances", chance, least=0.0), finite("outcomes", happened)
    if same_length(chance=p, happened=y) == 0 or np.any(p > 1.0):
        raise LifeDataError("Give at least one prediction, and chances between 0 and 1.")
    if np.any((y != 0.0) & (y != 1.0)):
        raise LifeDataError("An outcome must be true or false (1 or 0); correct the column.")
    return p, y


def _jackknife(own: Floats, base: Floats, labels: Ints) -> float:
    """Standard error of the skill from leaving out each cluster in turn."""
    by_own, by_base = np.bincount(labels, own), np.bincount(labels, base)
    n, left = by_own.size, base.sum() - by_base
    if n < 2 or np.any(left <= 0.0):
        return float("nan")
    without = 1.0 - (own.sum() - by_own) / left
    return float(np.sqrt((n - 1) / n * np.sum((without - without.mean()) ** 2)))


#: Edges of the bins of given chances.
EDGES = (0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0)


@dataclass(frozen=True, slots=True)
class Bin:
    """Parts that were given about the same chance."""

    low: float
    high: float
    parts: int
    given: float
    came: float
    came_low: float
    came_high: float


def bins_of(chance: Floats, happened: Floats) -> list[Bin]:
    """Return given and observed chances, bin by bin, empty ones left out."""
    place = np.clip(np.searchsorted(EDGES, chance, side="right") - 1, 0, len(EDGES) - 2)
    found = []
    for number, (low, high) in enumerate(pairwise(EDGES)):
        here = place == number
        if not here.any():
            continue
        share = jeffreys_interval([happened[here].sum()], [here.sum()])
        found.append(
            Bin(
                low,
                high,
                int(here.sum()),
                float(chance[here].mean()),
                float(happened[here].mean()),
                float(np.ravel(share.lower)[0]),
                float(np.ravel(share.upper)[0]),
            )
        )
    return found
