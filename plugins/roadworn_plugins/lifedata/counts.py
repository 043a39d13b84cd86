"""Groups compared: counts with exact limits, and the log-rank test."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadworn_plugins.lifedata import (
    Bools,
    Floats,
    LifeDataError,
    bisected,
    finite,
    same_length,
    tail,
    whole_counts,
)
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.special import (
    betainc,
    betaincinv,
    chdtrc,
    chdtri,
    gammaincinv,
    gammaln,
    nbdtrik,
    pdtr,
    pdtrik,
    xlog1py,
    xlogy,
)


@dataclass(frozen=True, eq=False)
class WithLimits:
    """Estimates with their lower and upper limits, one entry each."""

    value: Floats
    lower: Floats
    upper: Floats


def poisson_limits(count: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Exact two-sided limits of a Poisson mean (Garwood, Biometrika 28 (1936) 437-442).

    Args:
        count: Observed counts, any shape.
        level: Two-sided level.

    Returns:
        Lower and upper limit; the lower one is 0 where the count is 0.
    """
    side = tail(level)
    observed = np.asarray(whole_counts("counts", count))
    some = np.maximum(observed, 1.0)
    lower = np.where(observed > 0, gammaincinv(some, side), 0.0)
    return np.asarray(lower), np.asarray(gammaincinv(observed + 1.0, 1.0 - side))


def poisson_ratio(observed: ArrayLike, expected: ArrayLike, level: float = 0.95) -> WithLimits:
    """Observed over expected failures, with exact limits; the lower is 0 where none were observed.

    Args:
        observed: Counts.
        expected: Expected counts, taken as known; broadcast against ``observed``.
        level: Two-sided level of the limits.

    Raises:
        LifeDataError: A count is no count or an expectation is not above zero.
    """
    count = whole_counts("observed counts", observed)
    mean = finite("expected counts", expected, least=0.0)
    if np.any(mean == 0.0):
        raise LifeDataError(
            "An expected count is zero, so no ratio exists; leave out groups without exposure."
        )
    count, mean = np.broadcast_arrays(count, mean)
    lower, upper = poisson_limits(count, level)
    return WithLimits(count / mean, lower / mean, upper / mean)


def poisson_quantile(q: float, mean: Floats) -> Floats:
    """Return the least count whose Poisson distribution reaches `q`; shape of `mean`, above 0."""
    return _least_count(pdtrik(q, mean), lambda count: pdtr(count, mean), q)


def negative_binomial_quantile(q: float, number: Floats, share: Floats) -> Floats:
    """Return the least count whose negative binomial distribution reaches `q`.

    Args:
        q: a chance.
        number: successes waited for, any positive figure; the shape of a Gamma-mixed mean.
        share: chance of a success; same shape.
    """
    return _least_count(
        nbdtrik(q, number, share), lambda count: betainc(number, count + 1.0, share), q
    )


def _least_count(near: Floats, reached: Callable[[Floats], Floats], q: float) -> Floats:
    """Return the least whole number that reaches `q`, from a root that may be a hair off."""
    above = np.ceil(near)
    below = np.maximum(above - 1.0, 0.0)
    return np.asarray(np.where(reached(below) >= q, below, above))


def binomial_chance(successes: int, trials: int, share: float) -> float:
    """Return the two-sided chance of a count: of all counts that are no likelier than it.

    The exact test that goes by the likelihood of an outcome (Clopper and Pearson's tails are
    another). A hair of 1e-7 keeps counts that are as likely by symmetry together.

    Args:
        successes: the count.
        trials: of so many.
        share: chance of a success, above 0 and below 1.
    """
    counts = np.arange(trials + 1.0)
    log = (
        gammaln(trials + 1.0)
        - gammaln(counts + 1.0)
        - gammaln(trials - counts + 1.0)
        + xlogy(counts, share)
        + xlog1py(trials - counts, -share)
    )
    chance = np.exp(log)
    return min(float(chance[chance <= chance[successes] * (1.0 + 1e-7)].sum()), 1.0)


def false_discovery(chances: ArrayLike) -> Floats:
    """Return chances adjusted for how many there are: the false discovery rate of each.

    Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300.

    Args:
        chances: of the comparisons, shape (n,).
    """
    chance = np.asarray(chances, dtype=np.float64)
    order = np.argsort(chance, kind="stable")
    stepped = chance[order] * chance.size / np.arange(1.0, chance.size + 1.0)
    adjusted = np.empty_like(chance)
    adjusted[order] = np.minimum(np.minimum.accumulate(stepped[::-1])[::-1], 1.0)
    return adjusted


def jeffreys_interval(successes: ArrayLike, trials: ArrayLike, level: float = 0.95) -> WithLimits:
    """Equal-tailed Jeffreys limits of a binomial share.

    The lower limit is 0 when nothing succeeded and the upper 1 when everything did
    (Brown, Cai and DasGupta, Statistical Science 16 (2001) 101-133, section 4.1.2).

    Args:
        successes: Counts.
        trials: Counts, at least one each and at least ``successes``.
        level: Two-sided level.

    Raises:
        LifeDataError: Invalid counts.
    """
    side = tail(level)
    hits = whole_counts("successes", successes)
    tries = whole_counts("trials", trials)
    hits, tries = np.broadcast_arrays(hits, tries)
    if np.any(tries == 0) or np.any(hits > tries):
        raise LifeDataError("Each share needs at least one trial and no more successes than that.")
    a, b = hits + 0.5, tries - hits + 0.5
    lower = np.where(hits == 0, 0.0, betaincinv(a, b, side))
    upper = np.where(hits == tries, 1.0, betaincinv(a, b, 1.0 - side))
    return WithLimits(hits / tries, np.asarray(lower), np.asarray(upper))


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


def log_rank(
    one: ArrayLike,
    entry: ArrayLike,
    exit_age: ArrayLike,
    failed: ArrayLike,
    *,
    stratum: ArrayLike | None = None,
    level: float = 0.95,
) -> LogRank:
    """Compare the lives of two groups.

    Args:
        one: True for lives of the first group, False for those of the other.
        entry: Age at the start of observation, 0 from new.
        exit_age: Age at failure or at the end of observation.
        failed: True where the life ended in failure.
        stratum: Label within which lives are compared.
        level: Two-sided level of the limits of the ratio: likelihood-ratio limits, which exist
            also where only one group failed.

    Raises:
        LifeDataError: Invalid lives, an empty group, or never both groups at risk at a failure.
    """
    tail(level)
    marks = np.asarray(one)
    if not np.all(np.isin(marks, (0, 1))):
        raise LifeDataError("The group mark must be true or false; compare two groups at a time.")
    lives = Lives.from_ages(exit_age, failed, entry=entry, group=marks, n_groups=2)
    first = lives.group == 1
    if first.all() or not first.any():
        raise LifeDataError("One of the two groups is empty; nothing can be compared.")
    label = np.zeros(first.size, dtype=np.int64) if stratum is None else np.asarray(stratum)
    same_length(one=first, stratum=label)
    failed_1, risk_1, failed_all, risk = _risk_sets(lives, first, label)
    share = risk_1 / risk
    expected = float(np.sum(failed_all * share))
    spare = np.where(risk > 1, (risk - failed_all) / np.maximum(risk - 1.0, 1.0), 0)
    variance = float(np.sum(failed_all * share * (1.0 - share) * spare))
    if variance == 0.0:
        raise LifeDataError(
            "The two groups are never at risk together when one fails; no comparison."
        )
    observed = float(failed_1.sum()), float(failed_all.sum() - failed_1.sum())
    chi_square = (observed[0] - expected) ** 2 / variance
    both = (risk_1 > 0) & (risk_1 < risk)
    ratio, lower, upper, gain = _hazard_ratio(
        failed_1[both], failed_all[both], risk_1[both], risk[both], level
    )
    return LogRank(
        chi_square=chi_square,
        p=float(chdtrc(1, chi_square)),
        observed=observed,
        expected=(expected, sum(observed) - expected),
        hazard_ratio=ratio,
        lower=lower,
        upper=upper,
        log_likelihood_gain=gain,
    )


def _risk_sets(lives: Lives, first: Bools, label: NDArray[np.generic]) -> Floats:
    """Count failures and units at risk at each failure age of each stratum.

    Returns:
        Failures and risk set of the first group, then of both, shape (4, ages).
    """
    parts = []
    order = np.argsort(label, kind="stable")
    edges = np.flatnonzero(np.diff(np.unique(label, return_inverse=True)[1][order])) + 1
    for rows in np.split(order, edges):
        part = lives.where(rows)
        ages = np.unique(part.exit[part.exact])
        columns = []
        for member in (first[rows], np.ones(rows.size, dtype=bool)):
            entered = np.searchsorted(np.sort(part.entry[member]), ages)
            left = np.searchsorted(np.sort(part.exit[member]), ages)
            died = np.sort(part.exit[member & part.exact])
            deaths = np.searchsorted(died, ages, side="right") - np.searchsorted(died, ages)
            columns += [deaths, entered - left]
        parts.append(np.array(columns, dtype=np.float64))
    return np.concatenate(parts, axis=1)


def _hazard_ratio(
    failed_1: Floats, failed: Floats, risk_1: Floats, risk: Floats, level: float
) -> tuple[float, float, float, float]:
    """Maximise the partial likelihood over the log ratio; return ratio, limits and gain."""
    ties = np.repeat(np.arange(failed.size), failed.astype(np.int64))
    part = (np.arange(ties.size) - np.searchsorted(ties, ties)) / failed[ties]
    # Efron: the failed ones leave the risk set in equal parts, one failure after the other.
    ones = risk_1[ties] - part * failed_1[ties]
    others = (risk - risk_1)[ties] - part * (failed - failed_1)[ties]
    deaths, total = float(failed_1.sum()), float(failed.sum())

    def gain(beta: float) -> float:
        """Log-likelihood gained over equal hazards; at the ends of the line its limit."""
        if np.isinf(beta):
            alone = ones if beta > 0.0 else others
            return float(np.sum(np.log((ones + others) / alone)))
        shared = np.logaddexp(np.log(ones) + beta, np.log(others)) - np.log(ones + others)
        return deaths * beta - float(np.sum(shared))

    if deaths in (0.0, total):
        best = -np.inf if deaths == 0.0 else np.inf
    else:
        best = 0.0
        for _ in range(200):
            share = 1.0 / (1.0 + others / ones * np.exp(-best))
            score, bend = deaths - float(share.sum()), float(np.sum(share * (1.0 - share)))
            move = float(np.clip(score / bend, -1.0, 1.0))
            best += move
            if abs(move) < 1e-13:
                break
    floor = gain(best) - float(chdtri(1, 1.0 - level)) / 2.0

    def limit(end: float) -> float:
        """Return the log ratio, from the optimum towards one end, where the gain has dropped."""
        if np.isinf(best):
            return best if best * end > 0.0 else bisected(lambda x: gain(x) - floor, -end, end)
        return bisected(lambda x: gain(x) - floor, best, end)

    lower, upper = limit(-_FAR), limit(_FAR)
    return float(np.exp(best)), float(np.exp(lower)), float(np.exp(upper)), gain(best)
