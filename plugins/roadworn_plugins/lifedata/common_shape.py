"""The common Weibull shape of groups whose rates differ, and whether the data allow it.

Small groups cannot tell their own shape. Sharing one and leaving each group its own rate
makes the data of a group two numbers, which is what lets small groups borrow strength.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import Bools, Floats, Ints, LifeDataError, summed, tail
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.special import chdtrc, ndtri

_LEAST, _LARGEST = np.log(0.05), np.log(60.0)
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
    """

    statistic: float
    df: int
    p: float
    groups: int
    left_out: int


@dataclass(frozen=True, eq=False)
class _Profile:
    """Lives scaled by the oldest age of their group; families share a shape, groups a rate."""

    family: Ints  # of each life
    group: Ints  # of each life
    log_exit: Floats
    log_entry: Floats  # of the late entries only
    late: Ints
    weight: Floats
    group_family: Ints
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
    count: ArrayLike = 1.0,
    level: float = 0.95,
) -> CommonShape:
    """Estimate the common shape by profile likelihood.

    Args:
        group: Label or number of the group of each life, shape (lives,).
        entry: Age at which each life came under observation, 0 from new.
        exit_age: Age at failure or at the end of observation.
        failed: True where the life ended in failure.
        count: How many such lives; 1 by default.
        level: Two-sided level of the limits, which are Wald's on log(shape).

    Raises:
        LifeDataError: Invalid lives, no failure, or no optimum (for instance when nothing
            failed before the oldest age of its group).
    """
    lives = _lives(group, entry, exit_age, failed, count)
    profile = _profile(lives, np.zeros(lives.n_groups, dtype=np.int64))
    if profile.failures[0] == 0:
        raise LifeDataError("Without a failure no shape can be estimated; use a trade range.")
    best, found = _maximise(profile)
    if not found[0]:
        raise LifeDataError(
            "The likelihood of the shape has no maximum in these lives; "
            "gather more lives or take the shape of a wider group."
        )
    loglik, _, bend = profile.at(best)
    reach = -ndtri(tail(level)) / np.sqrt(-bend[0])
    shape, low, high = (float(np.exp(x)) for x in (best[0], best[0] - reach, best[0] + reach))
    groups = int(np.count_nonzero(profile.group_failures))
    return CommonShape(shape, low, high, float(loglik[0]), int(profile.failures[0]), groups)


def common_logliks(lives: Lives, family: Ints) -> Floats:
    """Return the log-likelihood of :class:`CommonShape` of several families at once.

    Args:
        lives: of all families.
        family: of each group, dense from 0.

    Returns:
        One value a family; not a number where it has no optimum.
    """
    profile = _profile(lives, family)
    best, found = _maximise(profile)
    found &= profile.failures > 0.0
    return np.where(found, profile.at(best)[0], np.nan)


def shape_heterogeneity(
    group: ArrayLike,
    entry: ArrayLike,
    exit_age: ArrayLike,
    failed: ArrayLike,
    *,
    least_failures: int = 5,
) -> ShapeHeterogeneity:
    """Ask whether the data speak against one common shape.

    Args:
        group: Label or number of the group of each life, shape (lives,).
        entry: Age at the start of observation.
        exit_age: Age at its end.
        failed: True where the life ended in failure.
        least_failures: Groups with fewer are left out: their own shapes only add noise.

    Returns:
        The test; with fewer than two groups to compare p is 1.

    Raises:
        LifeDataError: Invalid lives.
    """
    lives = _lives(group, entry, exit_age, failed, 1.0)
    own = _profile(lives, np.arange(lives.n_groups))
    best, found = _maximise(own)
    found &= own.failures >= least_failures
    kept = int(np.count_nonzero(found))
    left_out = found.size - kept
    if kept < 2:
        return ShapeHeterogeneity(0.0, 0, 1.0, kept, left_out)
    kept_lives = lives.where(found[lives.group])
    pooled = _profile(kept_lives, np.zeros(kept_lives.n_groups, dtype=np.int64))
    shared, _ = _maximise(pooled)
    gain = float(np.sum(own.at(best)[0][found]) - pooled.at(shared)[0][0])
    each, total = own.failures[found], float(pooled.failures[0])
    excess = _BARTLETT * float(np.sum(1.0 / each) - 1.0 / total) / (kept - 1)
    statistic = max(2.0 * gain, 0.0) / (1.0 + excess)
    p = float(chdtrc(kept - 1, statistic))
    return ShapeHeterogeneity(statistic, kept - 1, p, kept, left_out)


def _lives(
    group: ArrayLike, entry: ArrayLike, exit_age: ArrayLike, failed: ArrayLike, count: ArrayLike
) -> Lives:
    """Number the groups and check the lives."""
    codes = np.unique(np.asarray(group), return_inverse=True)[1]
    if codes.size == 0:
        raise LifeDataError("There are no lives; give at least one.")
    return Lives.from_ages(exit_age, failed, entry=entry, group=codes, count=count)


def _profile(lives: Lives, group_family: Ints) -> _Profile:
    """Scale the lives by group.

    Args:
        lives: of all groups.
        group_family: family of each group.
    """
    n = lives.n_groups
    oldest = np.zeros(n)
    np.maximum.at(oldest, lives.group, lives.exit)
    size = int(group_family.max()) + 1
    family, scale = group_family[lives.group], oldest[lives.group]
    late = np.flatnonzero(lives.entry > 0.0)
    log_exit = np.log(lives.exit / scale)
    died = np.where(lives.exact, lives.count, 0.0)
    return _Profile(
        family=family,
        group=lives.group,
        log_exit=log_exit,
        log_entry=np.log(lives.entry[late] / scale[late]),
        late=late,
        weight=lives.count,
        group_family=group_family,
        group_failures=summed(lives.group, died, n),
        failures=summed(family, died, size),
        sum_log=summed(family, died * log_exit, size),
        offset=summed(family, died * np.log(scale), size),
    )


def _maximise(profile: _Profile) -> tuple[Floats, Bools]:
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
