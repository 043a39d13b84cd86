"""How good were the predictions: Brier score, calibration and coverage, against the base rate.

A prediction that is never compared with what happened is decoration. Where some lives were
still running at the time the prediction spoke of, the Brier score weights the others by the
inverse chance of having been followed that long (Graf et al., Statist. Med. 18 (1999) 2529-2545);
four variants of it are in use and differ in the fourth decimal, so the convention is named.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, logit, ndtri

from roadworn_plugins.lifedata.checked import Floats, NoEstimate, finite, one_of, same_length, tail
from roadworn_plugins.lifedata.counts import ShareLimits, jeffreys_interval

CENSORING_TIES = ("events first", "plain")
WEIGHTS = ("left limit", "at event")


@dataclass(frozen=True)
class Brier:
    """A Brier score beside the score of predicting the same for all.

    Attributes:
        score: Mean squared error of the predicted chances; 0 is perfect.
        reference: Score of the base rate (Kaplan-Meier of all lives where some are running).
        skill: 1 - score / reference; nan where the reference is perfect.
        used: Lives with a weight above zero.
        running: Lives that left observation before the time and only count by weights.
        convention: How censoring was weighted, in words.
    """

    score: float
    reference: float
    skill: float
    used: int
    running: int
    convention: str


@dataclass(frozen=True, eq=False)
class Calibration:
    """Predicted against observed shares.

    Attributes:
        predicted: Mean predicted chance in each bin, rising.
        count: Predictions in each bin.
        observed: Share that happened in each bin, with Jeffreys limits.
        expected_total: Sum of all predicted chances.
        observed_total: How many happened.
        slope: Logistic slope on the log odds of the prediction; 1 is ideal, below 1 is
            overconfident. nan where the data separate or hold no contrast.
        slope_ci: Its normal limits.
        intercept: Logistic intercept that goes with the slope.
    """

    predicted: Floats
    count: Floats
    observed: ShareLimits
    expected_total: float
    observed_total: float
    slope: float
    slope_ci: tuple[float, float]
    intercept: float


def brier(chance: ArrayLike, happened: ArrayLike) -> Brier:
    """Brier score where it is known of every prediction whether it came true.

    Args:
        chance: Predicted chances between 0 and 1.
        happened: True where it came true.

    Raises:
        NoEstimate: Invalid input or nothing to score.
    """
    p, y = _pairs(chance, happened)
    score, base = float(np.mean((p - y) ** 2)), float(np.mean(y))
    reference = base * (1.0 - base)
    skill = 1.0 - score / reference if reference > 0.0 else np.nan
    return Brier(score, reference, skill, p.size, 0, "all outcomes known")


def brier_censored(
    time: ArrayLike,
    failed: ArrayLike,
    survival: ArrayLike,
    at: float,
    *,
    ties: str = "events first",
    weight: str = "left limit",
) -> Brier:
    """Brier score of predicted survival at one time, with inverse-probability weights.

    Args:
        time: Time to failure or to the end of observation, from when the prediction was made.
        failed: True where it ended in failure.
        survival: Predicted chance to survive ``at``.
        at: The time the prediction speaks of.
        ties: In the Kaplan-Meier of the censoring, failures leave the risk set first at a tied
            time (``"events first"``) or stay in it (``"plain"``).
        weight: A failure counts by the censoring curve just before it (``"left limit"``) or at
            it (``"at event"``).

    Raises:
        NoEstimate: Invalid input, or nobody was followed up to ``at``.
    """
    one_of("ties", ties, CENSORING_TIES)
    one_of("weight", weight, WEIGHTS)
    stop, ended = finite("times", time, least=0.0), finite("failed marks", failed)
    chance = finite("survival predictions", survival, least=0.0)
    if same_length(time=stop, failed=ended, survival=chance) == 0 or np.any(chance > 1.0):
        raise NoEstimate("Give at least one prediction, and chances between 0 and 1.")
    event = ended == 1.0
    if np.any(~event & (ended != 0.0)):
        raise NoEstimate("A failed mark must be true or false (1 or 0); correct the column.")
    if not np.any(stop > at):
        raise NoEstimate(f"No life was followed beyond {at:g}; score an earlier time.")
    ages, risk, deaths, lost = _table(stop, event)
    left = risk - deaths if ties == "events first" else risk
    followed = np.asarray(np.cumprod(1.0 - lost / np.maximum(left, 1.0)), dtype=np.float64)
    alive = np.asarray(np.cumprod(1.0 - deaths / risk), dtype=np.float64)

    def step(curve: Floats, where: ArrayLike, side: str) -> Floats:
        place = np.searchsorted(ages, where, side="right" if side == "at event" else "left")
        return np.asarray(np.concatenate([[1.0], curve])[place])

    early = event & (stop <= at)
    weights = np.where(stop > at, 1.0 / float(step(followed, at, "at event")), 0.0)
    with_failure = step(followed, stop[early], weight)
    if np.any(with_failure == 0.0):
        raise NoEstimate("All were lost when one failed; score by the left limit.")
    weights[early] = 1.0 / with_failure
    target = np.where(stop > at, 1.0, 0.0)
    score = float(np.mean(weights * (target - chance) ** 2))
    base = float(step(alive, at, "at event"))
    reference = float(np.mean(weights * (target - base) ** 2))
    skill = 1.0 - score / reference if reference > 0.0 else np.nan
    lost_early = int(np.count_nonzero(~event & (stop <= at)))
    words = f"inverse chance of follow-up, {ties}, {weight}"
    return Brier(score, reference, skill, stop.size - lost_early, lost_early, words)


def calibration(
    chance: ArrayLike, happened: ArrayLike, *, bins: int = 10, level: float = 0.95
) -> Calibration:
    """Compare predicted chances with what happened.

    Args:
        chance: Predicted chances between 0 and 1.
        happened: True where it came true.
        bins: Bins of about equal numbers of predictions; equal predictions stay together.
        level: Two-sided level of the limits.

    Raises:
        NoEstimate: Invalid input or nothing to compare.
    """
    p, y = _pairs(chance, happened)
    if bins < 1:
        raise NoEstimate("Calibration needs at least one bin.")
    edges = np.unique(np.quantile(p, np.arange(1, bins) / bins, method="lower"))
    place = np.unique(np.searchsorted(edges, p, side="left"), return_inverse=True)[1]
    count = np.bincount(place).astype(np.float64)
    hits = np.bincount(place, y)
    slope, intercept, error = _logistic(p, y)
    reach = float(-ndtri(tail(level))) * error
    return Calibration(
        predicted=np.asarray(np.bincount(place, p) / count),
        count=count,
        observed=jeffreys_interval(hits, count, level),
        expected_total=float(p.sum()),
        observed_total=float(y.sum()),
        slope=slope,
        slope_ci=(slope - reach, slope + reach),
        intercept=intercept,
    )


def coverage(
    lower: ArrayLike, upper: ArrayLike, truth: ArrayLike, level: float = 0.95
) -> ShareLimits:
    """Share of intervals that hold the truth, with Jeffreys limits at ``level``.

    Raises:
        NoEstimate: Invalid input, an interval upside down, or none at all.
    """
    low, true = finite("lower limits", lower), finite("true values", truth)
    high = np.asarray(upper, dtype=np.float64)  # an interval may be open upwards
    if same_length(lower=low, upper=high, truth=true) == 0 or not np.all(low <= high):
        raise NoEstimate("Give at least one interval, each with its lower limit first.")
    return jeffreys_interval(np.count_nonzero((low <= true) & (true <= high)), true.size, level)


def _pairs(chance: ArrayLike, happened: ArrayLike) -> tuple[Floats, Floats]:
    p, y = finite("chances", chance, least=0.0), finite("outcomes", happened)
    if same_length(chance=p, happened=y) == 0 or np.any(p > 1.0):
        raise NoEstimate("Give at least one prediction, and chances between 0 and 1.")
    if np.any((y != 0.0) & (y != 1.0)):
        raise NoEstimate("An outcome must be true or false (1 or 0); correct the column.")
    return p, y


def _table(stop: Floats, event: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the distinct times with units at risk, failures and losses at each."""
    ages, place = np.unique(stop, return_inverse=True)
    total = np.bincount(place, minlength=ages.size).astype(np.float64)
    deaths = np.bincount(place, event.astype(np.float64), ages.size)
    risk = np.cumsum(total[::-1])[::-1]
    return ages, risk, np.asarray(deaths, dtype=np.float64), total - deaths


def _logistic(p: Floats, y: Floats) -> tuple[float, float, float]:
    """Fit y on the log odds of p; return slope, intercept and the slope's standard error."""
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
