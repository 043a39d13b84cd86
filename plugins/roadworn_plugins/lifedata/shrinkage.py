"""Small groups borrow strength: closed-form predictions of failure at a common Weibull shape.

Given the shape, a group's failures d and exposure E turn the Gamma prior of its rate into a
Gamma posterior with a + d and b + E. Chances of failure then have closed forms, and d and E of
several shops or machines simply add up.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import (
    Floats,
    LifeDataError,
    bisected,
    finite,
    same_length,
    summed,
    whole_counts,
)
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.special import gammaincinv, gammaln

_LEAST_A, _LARGEST_A = 1e-3, 1e5
_JEFFREYS = 0.5
_CENTRAL = 0.8  # share of rates that a trade range is taken to hold


@dataclass(frozen=True)
class GammaPrior:
    """Gamma distribution of a Weibull rate, ready to be updated with one group's data.

    Attributes:
        a: Shape, reads as a number of failures already seen; allows for the uncertainty of
            the spread and of the mean, so it weighs less than the failures it was learnt from.
        b: Exposure already seen, in units of age to the power of the common shape.
        status: How the prior came about, in words fit for a caveat.
    """

    a: float
    b: float
    status: str


def fit_prior(failures: ArrayLike, exposure: ArrayLike) -> GammaPrior:
    """Learn the prior from all groups by their marginal likelihood.

    The likelihood of the spread is averaged rather than maximised, since with few groups its
    maximum often says "no spread at all": a uniform prior is put on the share by which a typical
    group is pulled to the mean (the idea of Christiansen and Morris, JASA 92 (1997) 618-632, from
    memory), and the relative variance 1 / a is averaged. The mean of the rates is uncertain too;
    to first order that adds 1 / information to the relative variance. In simulations the 95 %
    limits of the rates then cover 89 to 96 % with 3 to 10 groups and 93 % or more with 40.

    Args:
        failures: Failures d of each group.
        exposure: Exposure E of each group; groups without exposure teach nothing.

    Returns:
        The prior. With fewer than two groups it is the Jeffreys prior (a = 1/2, b = 0). With
        no failure at all it is the Jeffreys posterior of the pooled exposure.

    Raises:
        LifeDataError: Invalid input, or failures in a group without exposure.
    """
    d, e = whole_counts("failures", failures), finite("exposure", exposure, least=0.0)
    same_length(failures=d, exposure=e)
    if np.any((e == 0.0) & (d > 0.0)):
        raise LifeDataError("A group has failures but no exposure; check its entry and exit ages.")
    d, e = d[e > 0.0], e[e > 0.0]
    total = int(d.sum())
    if d.size < 2:
        return GammaPrior(_JEFFREYS, 0.0, "too few groups")
    if total == 0:
        return GammaPrior(_JEFFREYS, float(e.sum()), "no failures")
    unit = float(e.sum()) / total  # the pooled rate is 1 in these units, whatever the ages' unit
    scaled = e / unit
    typical = _typical_spread(d, scaled)
    mean = _mean(typical, d, scaled)
    weight = mean * scaled
    information = float(np.sum(weight / (1.0 + weight / typical)))
    a = 1.0 / (1.0 / typical + 1.0 / information)
    return GammaPrior(a, a / mean * unit, "fitted")


def prior_from_range(low: float, high: float, shape: float, *, weight: float = 3.0) -> GammaPrior:
    """Make a weak prior from a trade range of typical life.

    The range is read as holding the median life of 80 % of vehicles (common practice, no
    source). The prior weighs at most ``weight`` failures, so own data soon overrule it.

    Args:
        low: Low end of the typical life.
        high: High end, above ``low``.
        shape: Weibull shape the rate belongs to.
        weight: Largest number of failures the range may count for.

    Raises:
        LifeDataError: The range or the shape is impossible.
    """
    if not (0.0 < low < high < np.inf and 0.0 < shape < np.inf and 0.0 < weight < np.inf):
        raise LifeDataError(
            "A trade range needs 0 < low < high, a shape and a weight above zero; correct it."
        )
    side = (1.0 - _CENTRAL) / 2.0
    wanted = shape * np.log(high / low)
    small, large = np.log(0.05), np.log(weight)

    def log_ratio(log_a: float) -> float:
        ends = gammaincinv(np.exp(log_a), [1.0 - side, side])
        return float(np.log(ends[0]) - np.log(ends[1]))

    # The ratio of the two quantiles falls as a grows.
    if log_ratio(large) < wanted:
        large = bisected(lambda log_a: log_ratio(log_a) - wanted, small, large)
    a = float(np.exp(large))
    middle_rate = np.log(2.0) / np.exp(shape * (np.log(low) + np.log(high)) / 2.0)
    return GammaPrior(a, float(gammaincinv(a, 0.5) / middle_rate), "trade range, no source")


def _mean(a: float, d: Floats, e: Floats) -> float:
    """Solve for the mean rate at a given spread; the score falls in log(mean), so it is unique."""
    log_mean, low, high = 0.0, -60.0, 60.0
    for _ in range(100):
        part = e * np.exp(log_mean)
        share = part / (a + part)
        excess = float(np.sum((a + d) * share - d))
        low, high = (low, log_mean) if excess > 0.0 else (log_mean, high)
        slope = float(np.sum((a + d) * share * (1.0 - share)))
        step = log_mean - excess / slope if slope > 0.0 else np.inf
        new = step if low < step < high else (low + high) / 2.0
        if abs(new - log_mean) < 1e-12:
            break
        log_mean = new
    return float(np.exp(log_mean))


def _typical_spread(d: Floats, e: Floats) -> float:
    """Return the Gamma shape of the spread between groups whose relative variance is average."""

    def log_likelihood(log_a: float) -> float:
        """Marginal over the mean rate, by Laplace's approximation."""
        a = float(np.exp(log_a))
        part = _mean(a, d, e) * e
        terms = gammaln(a + d) - gammaln(a) - (a + d) * np.log1p(part / a)
        height = float(np.sum(terms + d * np.log(part / a)))
        return height - 0.5 * float(np.log(np.sum(part / (1.0 + part / a))))

    grid = np.linspace(np.log(_LEAST_A), np.log(_LARGEST_A), 38)
    heights = np.array([log_likelihood(x) for x in grid])
    held = np.flatnonzero(heights > heights.max() - 12.0)
    fine = np.linspace(grid[max(held[0] - 1, 0)], grid[min(held[-1] + 1, grid.size - 1)], 60)
    likely = np.array([log_likelihood(x) for x in fine])
    # A group of typical exposure is pulled to the mean by the share a / (a + w); a uniform prior
    # on that share is a density a w / (a + w)^2 on the grid of log(a).
    w = float(e.sum()) / e.size
    pooled = np.exp(fine) / (np.exp(fine) + w)
    chance = np.exp(likely - likely.max()) * pooled * (1.0 - pooled)
    return float(np.sum(chance) / np.sum(chance / np.exp(fine)))


@dataclass(frozen=True, eq=False)
class Sufficient:
    """All that the lives of each group say about its rate, at a given shape.

    Attributes:
        failures: Failures d of groups 0 to n_groups - 1.
        exposure: Sum of exit^shape - entry^shape, same order.
        shape: The shape it was computed at; only figures of one shape may be added.
    """

    failures: Floats
    exposure: Floats
    shape: float


@dataclass(frozen=True, eq=False)
class Posterior:
    """Gamma posterior of the Weibull rate, one entry a group."""

    a: Floats
    b: Floats

    def take(self, group: ArrayLike) -> "Posterior":
        """Return the posteriors of these groups, for instance one for each fitted part."""
        index = np.asarray(group, dtype=np.int64)
        return Posterior(self.a[index], self.b[index])


def sufficient(
    group: ArrayLike,
    entry: ArrayLike,
    exit_age: ArrayLike,
    failed: ArrayLike,
    shape: float,
    *,
    count: ArrayLike = 1.0,
    n_groups: int | None = None,
) -> Sufficient:
    """Reduce lives to failures and exposure of each group.

    Args:
        group: Dense group numbers from 0.
        entry: Ages at the start of observation, 0 from new.
        exit_age: Ages at failure or at the end of observation.
        failed: True where the life ended in failure.
        shape: Common Weibull shape.
        count: How many such lives; 1 by default.
        n_groups: Number of groups when the last ones may be empty.

    Raises:
        LifeDataError: Invalid lives, or ages too large for the power.
    """
    codes = np.asarray(group, dtype=np.int64)
    if codes.size == 0:
        raise LifeDataError("There are no lives; give at least one.")
    if np.any(codes != np.asarray(group)):
        raise LifeDataError("Group numbers must be whole numbers; recode the groups.")
    lives = Lives.from_ages(
        exit_age, failed, entry=entry, group=codes, count=count, n_groups=n_groups
    )
    if not 0.0 < shape < np.inf:
        raise LifeDataError(f"The Weibull shape must be above zero, not {shape}; correct it.")
    grown = lives.count * _growth(lives.entry, lives.exit - lives.entry, shape)
    died = np.where(lives.exact, lives.count, 0.0)
    n = lives.n_groups
    return Sufficient(summed(lives.group, died, n), summed(lives.group, grown, n), shape)


def posterior(failures: ArrayLike, exposure: ArrayLike, prior: GammaPrior) -> Posterior:
    """Update the prior with each group's failures and exposure.

    A group that was among those the prior was learnt from is used twice to a small extent;
    this matters only where it holds a good part of all failures.

    Raises:
        LifeDataError: Invalid input, or a group without exposure under a prior without any.
    """
    d, e = whole_counts("failures", failures), finite("exposure", exposure, least=0.0)
    same_length(failures=d, exposure=e)
    if prior.b == 0.0 and np.any(e == 0.0):
        raise LifeDataError(
            "A group has no exposure and the prior has none either; use a trade range as prior."
        )
    return Posterior(prior.a + d, prior.b + e)


def _growth(age: Floats, ahead: Floats, shape: float) -> Floats:
    """(age + ahead)^shape - age^shape without cancellation when ``ahead`` is short."""
    short = ahead < age
    with np.errstate(over="ignore", under="ignore"):
        ratio = np.where(short, ahead, 0.0) / np.where(short, age, 1.0)
        direct = np.where(short, 0.0, age + ahead) ** shape - np.where(short, 0.0, age) ** shape
        grown = np.where(short, age**shape * np.expm1(shape * np.log1p(ratio)), direct)
    if not np.all(np.isfinite(grown)):
        raise LifeDataError("Ages to the power of the shape overflow; use a larger unit of age.")
    return np.asarray(grown)
