"""Projections against what came: what a backtest needs beyond the scores of `lifedata.scores`.

The base rate a projection has to beat is the one known on the day it was made, not the one that
is known afterwards; and a band is judged by how often totals lie in it, below it and above it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import bdtr, bdtrc, ndtr

from roadworn_plugins.lifedata.checked import Floats, Integers, NoEstimate, finite, same_length
from roadworn_plugins.lifedata.counts import PoissonRatio, ShareLimits, poisson_ratio
from roadworn_plugins.lifedata.scores import Calibration, brier, calibration, coverage


@dataclass(frozen=True, eq=False)
class ProjectionScore:
    """How good the projected chances of one day were.

    Attributes:
        parts: Number of predictions.
        brier: Mean squared error of the chances.
        base: Brier score of the base rates known on that day.
        hindsight: Brier score of the rate that came, the same for all: p (1 - p).
        skill: 1 - brier / base; nan where the base rates were perfect.
        skill_error: Its standard error by leaving out one cluster at a time, nan with one.
        z: Spiegelhalter's statistic of calibration; beyond -2 or 2 the chances are off.
        p: Its two-sided p-value.
        total: Failures that came over those expected, with exact Poisson limits.
        table: Reliability table with slope and intercept.
    """

    parts: int
    brier: float
    base: float
    hindsight: float
    skill: float
    skill_error: float
    z: float
    p: float
    total: PoissonRatio
    table: Calibration


def score_projection(
    chance: ArrayLike,
    happened: ArrayLike,
    base_rate: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    bins: int = 10,
    level: float = 0.95,
) -> ProjectionScore:
    """Score the projected chances of parts whose outcome is known.

    Args:
        chance: Projected chance of each part, shape (parts,).
        happened: True where it failed within the horizon.
        base_rate: Chance that was known of each part without its age, for instance the share of
            its component that failed in an earlier stretch of the same length; a number will do.
        cluster: What outcomes hang together by, for instance the vehicle; each part by default.
        bins: Bins of the reliability table.
        level: Level of all limits.

    Raises:
        NoEstimate: Lengths differ, chances outside 0 to 1 or all 0, or nothing to score.

    Reference: Brier, Monthly Weather Review 78 (1950) 1-3; Spiegelhalter, Statistics in Medicine
    5 (1986) 421-433, for z. From memory.
    """
    own = brier(chance, happened)
    p, y = np.asarray(chance, dtype=np.float64), np.asarray(happened, dtype=np.float64)
    base = np.broadcast_to(finite("base rates", base_rate, least=0.0), p.shape)
    if not np.any(p > 0.0):
        raise NoEstimate("All projected chances are 0, so nothing can be scored; project further.")
    if np.any(base > 1.0):
        raise NoEstimate("A base rate is above 1; give it as a fraction.")
    labels = np.arange(p.size) if cluster is None else np.unique(cluster, return_inverse=True)[1]
    same_length(chance=p, cluster=labels)
    square, square_base = (p - y) ** 2, (base - y) ** 2
    skill = _skill(square.sum(), square_base.sum())
    spread = float(np.sum((1.0 - 2.0 * p) ** 2 * p * (1.0 - p)))
    z = float(np.sum((y - p) * (1.0 - 2.0 * p)) / np.sqrt(spread)) if spread > 0.0 else np.nan
    return ProjectionScore(
        parts=p.size,
        brier=own.score,
        base=float(square_base.mean()),
        hindsight=own.reference,
        skill=skill,
        skill_error=_jackknife(square, square_base, labels),
        z=z,
        p=2.0 * float(ndtr(-abs(z))),
        total=poisson_ratio([y.sum()], [p.sum()], level),
        table=calibration(p, y, bins=bins, level=level),
    )


@dataclass(frozen=True)
class BandCheck:
    """How often totals fell within their bands.

    Attributes:
        totals: Number of totals.
        nominal: Level that the bands claim.
        inside: Share inside, with Jeffreys limits.
        below: Share below the lower end.
        above: Share above the upper end.
        p: Two-sided exact binomial p-value of the nominal level.
    """

    totals: int
    nominal: float
    inside: ShareLimits
    below: float
    above: float
    p: float


def check_bands(
    lower: ArrayLike, upper: ArrayLike, came: ArrayLike, nominal: float, *, level: float = 0.95
) -> BandCheck:
    """Compare bands with the totals that came, taken as independent.

    Args:
        lower: Lower ends, shape (totals,).
        upper: Upper ends.
        came: Totals that came.
        nominal: Level of the bands, for instance 0.8.
        level: Level of the limits of the share.

    Raises:
        NoEstimate: Lengths differ, a band is upside down, none is given, or the level is not
            between 0 and 1.
    """
    if not 0.0 < nominal < 1.0:
        raise NoEstimate("The level of the bands lies between 0 and 1, for instance 0.8.")
    inside = coverage(lower, upper, came, level)
    true = np.asarray(came, dtype=np.float64)
    n = true.size
    hits = round(float(inside.share) * n)
    tails = float(bdtr(hits, n, nominal)), float(bdtrc(hits - 1, n, nominal)) if hits else 1.0
    return BandCheck(
        totals=n,
        nominal=nominal,
        inside=inside,
        below=float(np.mean(true < np.asarray(lower))),
        above=float(np.mean(true > np.asarray(upper))),
        p=min(1.0, 2.0 * min(tails)),
    )


def _skill(own: float, base: float) -> float:
    return float(1.0 - own / base) if base > 0.0 else float("nan")


def _jackknife(own: Floats, base: Floats, labels: Integers) -> float:
    """Standard error of the skill from leaving out each cluster in turn."""
    by_own, by_base = np.bincount(labels, own), np.bincount(labels, base)
    n, left = by_own.size, base.sum() - by_base
    if n < 2 or np.any(left <= 0.0):
        return float("nan")
    without = 1.0 - (own.sum() - by_own) / left
    return float(np.sqrt((n - 1) / n * np.sum((without - without.mean()) ** 2)))
