"""The common Weibull shape of groups whose rates differ, and whether the data allow it.

Small groups cannot tell their own shape. Sharing one and leaving each group its own rate
makes the data of a group two numbers, which is what lets small groups borrow strength.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, chdtri, ndtri

from roadworn_plugins.lifedata.checked import (
    Floats,
    Integers,
    NoEstimate,
    finite,
    one_of,
    same_length,
    summed,
    tail,
)

_LEAST, _LARGEST = np.log(0.05), np.log(60.0)
_OUTER = np.log(1000.0)
# Mean of the likelihood-ratio statistic of a group's own shape is 1 + c / failures: own simulation
# gives c = 1.4 with all lives complete and 0.8 with half of them running; the middle is taken.
_BARTLETT = 1.1


@dataclass(frozen=True)
class CommonShape:
    """Pooled maximum likelihood shape over groups with rates of their own.

    Attributes:
        shape: The estimate.
        lower: Lower limit.
        upper: Upper limit.
        loglik: Log-likelihood at the estimate, rates profiled out, in the unit of the ages.
        failures: Failures it rests on.
        groups: Groups with a failure.
    """

    shape: float
    lower: float
    upper: float
    loglik: float
    failures: int
    groups: int


@dataclass(frozen=True)
class ShapeHeterogeneity:
    """Likelihood-ratio test of one common shape against a shape for each group.

    Attributes:
        statistic: Twice the gain in log-likelihood by own shapes, divided by a Bartlett factor.
        df: Groups tested less one.
        p: Chi-square tail.
        groups: Groups tested.
        left_out: Groups with too few failures, or without an own optimum.
        decision: The answer in words at the 5 % level.
    """

    statistic: float
    df: int
    p: float
    groups: int
    left_out: int
    decision: str


@dataclass(frozen=True, eq=False)
class _Profile:
    """Lives scaled by the oldest age of their group; families share a shape, groups a rate."""

    family: Integers  # of each life
    group: Integers  # of each life
    log_exit: Floats
    log_entry: Floats  # of the late entries only
    late: Integers
    weight: Floats
    group_family: Integers
    group_failures: Floats
    failures: Floats  # of each family
    sum_log: Floats  # of each family, over its failures
    offset: Floats  # of each family, log-likelihood lost by scaling

    def at(self, log_shape: Floats) -> tuple[Floats, Floats, Floats]:
        """Return log-likelihood and its two derivatives by log(shape), one value a family."""
        k = np.exp(log_shape)
        n_groups = self.group_family.size
        moments = []
        k_life = k[self.family]
        power = self.weight * np.exp(k_life * self.log_exit)
        late_power = self.weight[self.late] * np.exp(k_life[self.late] * self.log_entry)
        for order in range(3):
            total = summed(self.group, power * self.log_exit**order, n_groups)
            late = summed(self.group[self.late], late_power * self.log_entry**order, n_groups)
            moments.append(total - late)
        some = self.group_failures > 0
        exposure = np.where(some, moments[0], 1.0)
        first, second = moments[1] / exposure, moments[2] / exposure
        d, families, size = self.group_failures, self.group_family, k.size
        held = np.where(some, d * (np.log(np.where(some, d, 1.0) / exposure) - 1.0), 0.0)
        loglik = summed(families, held, size)
        loglik = loglik + self.failures * log_shape + (k - 1.0) * self.sum_log - self.offset
        slope = self.failures / k + self.sum_log - summed(families, d * first, size)
        bend = -self.failures / k**2 - summed(families, d * (second - first**2), size)
        return loglik, np.asarray(k * slope), np.asarray(k * (slope + k * bend))


def common_shape(
    group: ArrayLike,
    entry: ArrayLike,
    exit_age: ArrayLike,
    failed: ArrayLike,
    *,
    count: ArrayLike | None = None,
    level: float = 0.95,
    interval: str = "wald",
) -> CommonShape:
    """Estimate the common shape by profile likelihood.

    Args:
        group: Group number of each life.
        entry: Age at which each life came under observation, 0 from new.
        exit_age: Age at failure or at the end of observation.
        failed: True where the life ended in failure.
        count: How many such lives; 1 by default.
        level: Two-sided level of the limits.
        interval: ``"wald"`` on log(shape), or ``"lr"`` for likelihood-ratio limits.

    Raises:
        NoEstimate: Invalid lives, no failure, or no optimum (for instance when nothing
            failed before the oldest age of its group).
    """
    one_of("interval", interval, ("wald", "lr"))
    profile = _profile(group, entry, exit_age, failed, count, own=False)
    if profile.failures[0] == 0:
        raise NoEstimate("Without a failure no shape can be estimated; use a trade range.")
    best, found = _maximise(profile)
    if not found[0]:
        raise NoEstimate(
            "The likelihood of the shape has no maximum in these lives; "
            "gather more lives or take the shape of a wider group."
        )
    loglik, _, bend = profile.at(best)
    if interval == "wald":
        reach = -ndtri(tail(level)) / np.sqrt(-bend[0])
        lower, upper = best[0] - reach, best[0] + reach
    else:
        drop = float(chdtri(1, 1.0 - level)) / 2.0
        lower = _crossing(profile, best, loglik - drop, -_OUTER)
        upper = _crossing(profile, best, loglik - drop, _OUTER)
    groups = int(np.count_nonzero(profile.group_failures))
    shape, low, high = (float(np.exp(x)) for x in (best[0], lower, upper))
    return CommonShape(shape, low, high, float(loglik[0]), int(profile.failures[0]), groups)


def shape_heterogeneity(
    group: ArrayLike,
    entry: ArrayLike,
    exit_age: ArrayLike,
    failed: ArrayLike,
    *,
    count: ArrayLike | None = None,
    least_failures: int = 5,
) -> ShapeHeterogeneity:
    """Ask whether the data speak against one common shape.

    Args:
        group: Group number of each life.
        entry: Age at the start of observation.
        exit_age: Age at its end.
        failed: True where the life ended in failure.
        count: How many such lives; 1 by default.
        least_failures: Groups with fewer are left out: their own shapes only add noise.

    Raises:
        NoEstimate: Invalid lives. Too few groups is no error but a decision that says so.
    """
    codes = np.unique(np.asarray(group), return_inverse=True)[1]
    own = _profile(codes, entry, exit_age, failed, count, own=True)
    best, found = _maximise(own)
    found &= own.failures >= least_failures
    left_out = int(found.size - np.count_nonzero(found))
    kept = int(np.count_nonzero(found))
    if kept < 2:
        words = f"cannot be tested: fewer than two groups have {least_failures} failures"
        return ShapeHeterogeneity(0.0, 0, 1.0, kept, left_out, words)
    rows = found[codes]
    taken = [None if x is None else np.asarray(x)[rows] for x in (entry, exit_age, failed, count)]
    pooled = _profile(codes[rows], taken[0], taken[1], taken[2], taken[3], own=False)
    shared, _ = _maximise(pooled)
    gain = float(np.sum(own.at(best)[0][found]) - pooled.at(shared)[0][0])
    each, total = own.failures[found], float(pooled.failures[0])
    excess = _BARTLETT * float(np.sum(1.0 / each) - 1.0 / total) / (kept - 1)
    statistic = max(2.0 * gain, 0.0) / (1.0 + excess)
    p = float(chdtrc(kept - 1, statistic))
    words = "speak against" if p < 0.05 else "do not speak against"
    return ShapeHeterogeneity(
        statistic, kept - 1, p, kept, left_out, f"the data {words} a common shape"
    )


def checked_lives(
    group: ArrayLike,
    entry: ArrayLike,
    exit_age: ArrayLike,
    failed: ArrayLike,
    count: ArrayLike | None,
) -> tuple[NDArray[np.generic], Floats, Floats, NDArray[np.bool_], Floats]:
    """Return the columns of right-censored, late-entry lives as arrays of one length.

    Raises:
        NoEstimate: No rows, unequal lengths, or an exit age not above its entry age.
    """
    groups = np.asarray(group)
    start = finite("entry ages", entry, least=0.0)
    stop = finite("exit ages", exit_age, least=0.0)
    ended = finite("failed marks", failed)
    weight = np.ones(stop.shape) if count is None else finite("counts", count, least=0.0)
    if same_length(group=groups, entry=start, exit_age=stop, failed=ended, count=weight) == 0:
        raise NoEstimate("There are no lives; give at least one.")
    if np.any((ended != 0.0) & (ended != 1.0)):
        raise NoEstimate("A failed mark must be true or false (1 or 0); correct the column.")
    wrong = np.flatnonzero(stop <= start)
    if wrong.size:
        raise NoEstimate(
            f"{wrong.size} lives end no later than they enter observation "
            f"(first: item {wrong[0]}); correct or drop them."
        )
    return groups, start, stop, ended == 1.0, weight


def _profile(
    group: ArrayLike,
    entry: ArrayLike | None,
    exit_age: ArrayLike | None,
    failed: ArrayLike | None,
    count: ArrayLike | None,
    *,
    own: bool,
) -> _Profile:
    labels, start, stop, ended, weight = checked_lives(
        group,
        np.asarray(entry),
        np.asarray(exit_age),
        np.asarray(failed),
        count,
    )
    codes = np.unique(labels, return_inverse=True)[1].astype(np.int64)
    n = int(codes.max()) + 1
    oldest = np.zeros(n)
    np.maximum.at(oldest, codes, stop)
    group_family = np.arange(n) if own else np.zeros(n, dtype=np.int64)
    family, size = group_family[codes], (n if own else 1)
    late = np.flatnonzero(start > 0.0)
    log_exit = np.log(stop / oldest[codes])
    died = np.where(ended, weight, 0.0)
    return _Profile(
        family=family,
        group=codes,
        log_exit=log_exit,
        log_entry=np.log(start[late] / oldest[codes[late]]),
        late=late,
        weight=weight,
        group_family=group_family,
        group_failures=summed(codes, died, n),
        failures=summed(family, died, size),
        sum_log=summed(family, died * log_exit, size),
        offset=summed(family, died * np.log(oldest[codes]), size),
    )


def _maximise(profile: _Profile) -> tuple[Floats, NDArray[np.bool_]]:
    """Bracketed Newton in log(shape) for all families; False where there is no optimum inside."""
    size = profile.failures.size
    low, high = np.full(size, _LEAST), np.full(size, _LARGEST)
    found = (profile.at(low)[1] > 0.0) & (profile.at(high)[1] < 0.0)
    x = np.zeros(size)
    for _ in range(80):
        _, slope, bend = profile.at(x)
        low, high = np.where(slope > 0.0, x, low), np.where(slope > 0.0, high, x)
        curved = bend < 0.0
        step = x - slope / np.where(curved, bend, -1.0)
        good = curved & (step > low) & (step < high)
        new = np.where(good, step, (low + high) / 2.0)
        done = np.abs(new - x) < 1e-13
        x = new
        if np.all(done | ~found):
            break
    return x, found


def _crossing(profile: _Profile, best: Floats, target: Floats, outer: float) -> float:
    """Bisect for the log(shape) beyond the optimum where the likelihood falls to the target."""
    inside, outside = float(best[0]), outer
    if profile.at(np.array([outside]))[0][0] > target[0]:
        return -np.inf if outer < 0.0 else np.inf
    for _ in range(60):
        middle = (inside + outside) / 2.0
        above = profile.at(np.array([middle]))[0][0] > target[0]
        inside, outside = (middle, outside) if above else (inside, middle)
    return (inside + outside) / 2.0
