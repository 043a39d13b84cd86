"""Do the lives of two groups differ, and by how much: two suppliers, two duties, two makes.

Late entry is respected (at risk while entry < age <= exit) and strata keep unlike things apart,
for instance the positions of an axle. The test is the log-rank test with the exact variance for
ties; the ratio is the proportional-hazards estimate with Efron's treatment of ties.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, chdtri, ndtri

from roadworn_plugins.lifedata.checked import Floats, NoEstimate, one_of, same_length, tail
from roadworn_plugins.lifedata.common_shape import checked_lives

_FAR = 60.0  # log hazard ratios beyond are no different from zero and infinity


@dataclass(frozen=True)
class LogRank:
    """Outcome of the comparison of group ``one`` with group ``other``.

    Attributes:
        chi_square: Log-rank statistic on one degree of freedom.
        p: Its tail.
        observed: Failures of each group.
        expected: Failures expected of each group if their lives did not differ.
        hazard_ratio: Hazard of ``one`` over hazard of ``other``; 0 or inf where only one failed.
        lower: Lower limit of the ratio.
        upper: Upper limit of the ratio.
        log_likelihood_gain: Gain of the partial log-likelihood over equal hazards.
    """

    chi_square: float
    p: float
    observed: tuple[float, float]
    expected: tuple[float, float]
    hazard_ratio: float
    lower: float
    upper: float
    log_likelihood_gain: float


@dataclass(frozen=True, eq=False)
class _RiskSets:
    """Failures and units at risk at each failure age of each stratum; ``1`` is group one."""

    failed_1: Floats
    failed: Floats
    risk_1: Floats
    risk: Floats


def log_rank(
    one: ArrayLike,
    entry: ArrayLike,
    exit_age: ArrayLike,
    failed: ArrayLike,
    *,
    stratum: ArrayLike | None = None,
    level: float = 0.95,
    interval: str = "lr",
) -> LogRank:
    """Compare the lives of two groups.

    Args:
        one: True for lives of the first group, False for those of the other.
        entry: Age at the start of observation, 0 from new.
        exit_age: Age at failure or at the end of observation.
        failed: True where the life ended in failure.
        stratum: Label within which lives are compared.
        level: Two-sided level of the limits of the ratio.
        interval: ``"lr"`` for likelihood-ratio limits, which exist also where only one group
            failed, or ``"wald"`` on the log ratio.

    Raises:
        NoEstimate: Invalid lives, an empty group, or never both groups at risk at a failure.
    """
    one_of("interval", interval, ("lr", "wald"))
    tail(level)
    marks = np.asarray(one)
    if not np.all(np.isin(marks, (0, 1))):
        raise NoEstimate("The group mark must be true or false; compare two groups at a time.")
    _, start, stop, ended, _ = checked_lives(marks, entry, exit_age, failed, None)
    first = marks.astype(bool)
    if first.all() or not first.any():
        raise NoEstimate("One of the two groups is empty; nothing can be compared.")
    label = np.zeros(first.size, dtype=np.int64) if stratum is None else np.asarray(stratum)
    same_length(one=first, stratum=label)
    sets = _risk_sets(first, start, stop, ended, label)
    share = sets.risk_1 / sets.risk
    expected = float(np.sum(sets.failed * share))
    spare = np.where(sets.risk > 1, (sets.risk - sets.failed) / np.maximum(sets.risk - 1.0, 1.0), 0)
    variance = float(np.sum(sets.failed * share * (1.0 - share) * spare))
    seen = float(sets.failed_1.sum()), float(sets.failed.sum() - sets.failed_1.sum())
    if variance == 0.0:
        raise NoEstimate("The two groups are never at risk together when one fails; no comparison.")
    chi_square = (seen[0] - expected) ** 2 / variance
    ratio, lower, upper, gain = _hazard_ratio(sets, level, interval)
    return LogRank(
        chi_square=chi_square,
        p=float(chdtrc(1, chi_square)),
        observed=seen,
        expected=(expected, sum(seen) - expected),
        hazard_ratio=ratio,
        lower=lower,
        upper=upper,
        log_likelihood_gain=gain,
    )


def _risk_sets(
    first: NDArray[np.bool_],
    start: Floats,
    stop: Floats,
    ended: NDArray[np.bool_],
    label: NDArray[np.generic],
) -> _RiskSets:
    """Count failures and units at risk at each failure age, stratum by stratum."""
    parts = []
    order = np.argsort(label, kind="stable")
    edges = np.flatnonzero(np.diff(np.unique(label, return_inverse=True)[1][order])) + 1
    for rows in np.split(order, edges):
        ages = np.unique(stop[rows][ended[rows]])
        columns = []
        for member in (first[rows], np.ones(rows.size, dtype=bool)):
            entered = np.searchsorted(np.sort(start[rows][member]), ages)
            left = np.searchsorted(np.sort(stop[rows][member]), ages)
            died = np.sort(stop[rows][member & ended[rows]])
            deaths = np.searchsorted(died, ages, side="right") - np.searchsorted(died, ages)
            columns += [deaths, entered - left]
        parts.append(np.array(columns, dtype=np.float64))
    failed_1, risk_1, failed, risk = np.concatenate(parts, axis=1)
    return _RiskSets(failed_1, failed, risk_1, risk)


def _hazard_ratio(
    sets: _RiskSets, level: float, interval: str
) -> tuple[float, float, float, float]:
    """Maximise the partial likelihood over the log ratio; return ratio, limits and gain."""
    both = (sets.risk_1 > 0) & (sets.risk_1 < sets.risk)
    failed, failed_1 = sets.failed[both], sets.failed_1[both]
    ties = np.repeat(np.arange(failed.size), failed.astype(np.int64))
    part = (np.arange(ties.size) - np.searchsorted(ties, ties)) / failed[ties]
    # Efron: the failed ones leave the risk set in equal parts, one failure after the other.
    ones = sets.risk_1[both][ties] - part * failed_1[ties]
    others = (sets.risk - sets.risk_1)[both][ties] - part * (failed - failed_1)[ties]
    deaths, total = float(failed_1.sum()), float(failed.sum())

    def gain(beta: float) -> float:
        """Log-likelihood gained over equal hazards; at the ends of the line its limit."""
        if np.isinf(beta):
            alone = ones if beta > 0.0 else others
            return float(np.sum(np.log((ones + others) / alone)))
        shared = np.logaddexp(np.log(ones) + beta, np.log(others)) - np.log(ones + others)
        return deaths * beta - float(np.sum(shared))

    def information(beta: float) -> tuple[float, float]:
        share = 1.0 / (1.0 + others / ones * np.exp(-beta))
        return deaths - float(share.sum()), float(np.sum(share * (1.0 - share)))

    if deaths in (0.0, total):
        if interval == "wald":
            raise NoEstimate("Only one of the two groups failed: ask for interval='lr'.")
        best = -np.inf if deaths == 0.0 else np.inf
    else:
        best = 0.0
        for _ in range(200):
            score, bend = information(best)
            move = float(np.clip(score / bend, -1.0, 1.0))
            best += move
            if abs(move) < 1e-13:
                break
    if interval == "wald":
        reach = float(-ndtri(tail(level)) / np.sqrt(information(best)[1]))
        lower, upper = best - reach, best + reach
    else:
        target = gain(best) - float(chdtri(1, 1.0 - level)) / 2.0
        lower, upper = (_crossing(gain, best, end, target) for end in (-_FAR, _FAR))
    return float(np.exp(best)), float(np.exp(lower)), float(np.exp(upper)), gain(best)


def _crossing(gain: Callable[[float], float], best: float, end: float, target: float) -> float:
    """Bisect from the optimum towards one end for the log ratio where the gain hits the target."""
    if np.isinf(best) and best * end > 0.0:
        return best
    inside = -end if np.isinf(best) else best
    outside = end
    for _ in range(80):
        middle = (inside + outside) / 2.0
        inside, outside = (middle, outside) if gain(middle) > target else (inside, middle)
    return (inside + outside) / 2.0
