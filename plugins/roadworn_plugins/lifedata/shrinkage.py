"""Small groups borrow strength: closed-form predictions of failure at a common Weibull shape.

Given the shape, a group's failures d and exposure E turn the Gamma prior of its rate into a
Gamma posterior with a + d and b + E. Chances of failure then have closed forms, and d and E of
several shops or machines simply add up.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv

from roadworn_plugins.lifedata.checked import Floats, NoEstimate, finite, same_length, summed, tail
from roadworn_plugins.lifedata.common_shape import (
    CommonShape,
    ShapeHeterogeneity,
    checked_lives,
    common_shape,
    shape_heterogeneity,
)
from roadworn_plugins.lifedata.counts import whole_counts
from roadworn_plugins.lifedata.gamma_prior import GammaPrior, fit_prior, prior_from_range

__all__ = [
    "Chance",
    "CommonShape",
    "ExpectedFailures",
    "GammaPrior",
    "Posterior",
    "ShapeHeterogeneity",
    "Sufficient",
    "chance_of_failure",
    "common_shape",
    "expected_failures",
    "fit_prior",
    "posterior",
    "predictive_survival",
    "prior_from_range",
    "shape_heterogeneity",
    "sufficient",
]


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

    def __add__(self, other: "Sufficient") -> "Sufficient":
        """Pool the data of two shops, group by group.

        Raises:
            NoEstimate: Shapes or numbers of groups differ.
        """
        if self.shape != other.shape or self.failures.shape != other.failures.shape:
            raise NoEstimate("Only figures of the same shape and groups add up; recompute one.")
        return Sufficient(
            self.failures + other.failures, self.exposure + other.exposure, self.shape
        )


@dataclass(frozen=True, eq=False)
class Posterior:
    """Gamma posterior of the Weibull rate, one entry a group."""

    a: Floats
    b: Floats

    def take(self, group: ArrayLike) -> "Posterior":
        """Return the posteriors of these groups, for instance one for each fitted part."""
        index = np.asarray(group, dtype=np.int64)
        return Posterior(self.a[index], self.b[index])

    def rate(self) -> Floats:
        """Return the posterior mean rate, per unit of age to the power of the shape."""
        return self.a / self.b

    def rate_limits(self, level: float = 0.95) -> tuple[Floats, Floats]:
        """Return equal-tailed credible limits of the rate."""
        side = tail(level)
        lower, upper = (gammaincinv(self.a, q) / self.b for q in (side, 1.0 - side))
        return np.asarray(lower), np.asarray(upper)


@dataclass(frozen=True, eq=False)
class Chance:
    """Chance of failure within the next stretch, with credible limits of that chance."""

    chance: Floats
    lower: Floats
    upper: Floats


@dataclass(frozen=True, eq=False)
class ExpectedFailures:
    """Expected number of fitted parts that fail, group by group, with credible limits."""

    expected: Floats
    lower: Floats
    upper: Floats


def sufficient(
    group: ArrayLike,
    entry: ArrayLike,
    exit_age: ArrayLike,
    failed: ArrayLike,
    shape: float,
    *,
    count: ArrayLike | None = None,
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
        NoEstimate: Invalid lives, or ages too large for the power.
    """
    labels, start, stop, ended, weight = checked_lives(group, entry, exit_age, failed, count)
    codes = labels.astype(np.int64)
    n = int(codes.max()) + 1 if n_groups is None else n_groups
    if codes.min() < 0 or codes.max() >= n or np.any(codes != labels):
        raise NoEstimate(f"Group numbers must run from 0 to {n - 1}; recode the groups.")
    exposure = summed(codes, weight * _growth(start, stop - start, shape), n)
    return Sufficient(summed(codes, np.where(ended, weight, 0.0), n), exposure, shape)


def posterior(failures: ArrayLike, exposure: ArrayLike, prior: GammaPrior) -> Posterior:
    """Update the prior with each group's failures and exposure.

    A group that was among those the prior was learnt from is used twice to a small extent;
    this matters only where it holds a good part of all failures.

    Raises:
        NoEstimate: Invalid input, or a group without exposure under a prior without any.
    """
    d, e = whole_counts("failures", failures), finite("exposure", exposure, least=0.0)
    same_length(failures=d, exposure=e)
    if prior.b == 0.0 and np.any(e == 0.0):
        raise NoEstimate(
            "A group has no exposure and the prior has none either; use a trade range as prior."
        )
    return Posterior(prior.a + d, prior.b + e)


def predictive_survival(
    age: ArrayLike,
    until: ArrayLike,
    belief: Posterior,
    shape: float,
    *,
    counted: bool = True,
) -> Floats:
    """Chance that a part which works at ``age`` still works at ``until``.

    With B the exposure of the posterior it is (B / (B + until^k - age^k))^a if the part's own
    life so far is already among the data. For a part that is not, having reached ``age`` is
    news and adds age^k to B first, which gives ((B + age^k) / (B + until^k))^a.

    Args:
        age: Present ages.
        until: Later ages.
        belief: Posterior for each part (see :meth:`Posterior.take`), broadcast against ages.
        shape: Common Weibull shape.
        counted: Whether the parts' own lives so far are in the exposure.

    Raises:
        NoEstimate: Invalid input.
    """
    now = finite("ages", age, least=0.0)
    growth = _growth(now, finite("later ages", until) - now, shape)
    known = belief.b if counted else belief.b + _growth(np.zeros_like(now), now, shape)
    return np.asarray(np.exp(-belief.a * np.log1p(growth / known)))


def chance_of_failure(
    age: ArrayLike,
    ahead: ArrayLike,
    belief: Posterior,
    shape: float,
    *,
    level: float = 0.95,
    counted: bool = True,
) -> Chance:
    """Chance that a part of this age fails within the next stretch.

    Args:
        age: Present ages.
        ahead: Stretch ahead, same unit; broadcast against ``age``.
        belief: Posterior for each part, broadcast against ``age``.
        shape: Common Weibull shape.
        level: Level of the credible limits, which speak of the rate, not of one part's luck.
        counted: Whether the parts' own lives so far are in the exposure.

    Raises:
        NoEstimate: Invalid input.
    """
    now, stretch = finite("ages", age, least=0.0), finite("stretch ahead", ahead, least=0.0)
    growth = _growth(now, stretch, shape)
    if not counted:
        belief = Posterior(belief.a, belief.b + _growth(np.zeros_like(now), now, shape))
    lower, upper = belief.rate_limits(level)
    return Chance(
        np.asarray(-np.expm1(-belief.a * np.log1p(growth / belief.b))),
        np.asarray(-np.expm1(-lower * growth)),
        np.asarray(-np.expm1(-upper * growth)),
    )


def expected_failures(chance: Chance, group: ArrayLike, n_groups: int) -> ExpectedFailures:
    """Add the chances of the fitted parts up to expected failures of each group.

    Within a group all chances rise and fall with the one rate, so the sums of the limits are
    the limits of the sum. A part's replacement failing as well is not counted.

    Args:
        chance: One entry a part.
        group: Group of each part, from 0.
        n_groups: Number of groups.
    """
    codes = np.asarray(group, dtype=np.int64)
    same_length(chance=chance.chance, group=codes)
    parts = (chance.chance, chance.lower, chance.upper)
    return ExpectedFailures(*(summed(codes, x, n_groups) for x in parts))


def _growth(age: Floats, ahead: Floats, shape: float) -> Floats:
    """(age + ahead)^shape - age^shape without cancellation when ``ahead`` is short."""
    if not 0.0 < shape < np.inf:
        raise NoEstimate(f"The Weibull shape must be above zero, not {shape}; correct it.")
    if np.any(ahead < 0.0):
        raise NoEstimate("A later age lies before the present one; correct the ages.")
    short = ahead < age
    with np.errstate(over="ignore", under="ignore"):
        ratio = np.where(short, ahead, 0.0) / np.where(short, age, 1.0)
        direct = np.where(short, 0.0, age + ahead) ** shape - np.where(short, 0.0, age) ** shape
        grown = np.where(short, age**shape * np.expm1(shape * np.log1p(ratio)), direct)
    if not np.all(np.isfinite(grown)):
        raise NoEstimate("Ages to the power of the shape overflow; use a larger unit of age.")
    return np.asarray(grown)
