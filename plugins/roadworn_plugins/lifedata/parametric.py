"""The two families that lives are fitted by, and what a fit of one gives for every group.

A Weibull life has a smallest-extreme-value log, a lognormal one a normal log: both are
location-scale families on the log of age, with ``mu`` and ``sigma``, of which the Weibull shape
and scale are other names. With ``z = (log t - mu) / sigma`` everything an estimator needs of
either is a few functions of z and their derivatives, written so that neither tail overflows.
A group that cannot be fitted keeps its counts, carries nan and says why in its status; nothing
is nan without.

Source of the formulas: Lawless, Statistical Models and Methods for Lifetime Data, ch. 5.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import ClassVar, NamedTuple, Protocol

import numpy as np
from scipy.special import erfcx, gamma, log_ndtr, ndtri

from roadworn_plugins.lifedata import Bools, Floats, Ints

_LOG_ROOT_TWO_PI = 0.5 * np.log(2.0 * np.pi)
_ROOT_HALF = np.sqrt(0.5)
_ROOT_TWO_OVER_PI = np.sqrt(2.0 / np.pi)
# exp of twice this still fits a float; no optimum of scaled data comes near it.
_EXTREME_REACH = 300.0
_NORMAL_REACH = 1e7
# Keeps the square of the inverse within a float when an interval shrinks to nothing.
_LEAST_GAP = 1e-140
# Below this an interval is narrower than the rounding of its ends.
_LEAST_SHARE = 1e-20


class OneSided(NamedTuple):
    """log S(z) with its first and second derivative."""

    value: Floats
    first: Floats
    second: Floats


class TwoSided(NamedTuple):
    """log(S(z1) - S(z2)), or that less log S(z1), with its derivatives by z1 and z2."""

    value: Floats
    first1: Floats
    first2: Floats
    second11: Floats
    second12: Floats
    second22: Floats


class Terms(NamedTuple):
    """A log likelihood of each group with first and second derivatives by delta and phi.

    ``delta = mu / sigma`` and ``phi = 1 / sigma``.
    """

    value: Floats
    d: Floats
    p: Floats
    dd: Floats
    dp: Floats
    pp: Floats

    def take(self, groups: Ints) -> "Terms":
        """Keep the given groups."""
        return Terms(*(values[groups] for values in self))


class Family(Protocol):
    """What the likelihood asks of a family.

    Attributes:
        name: the family's name.
        exact_survives: whether an exact failure also enters ``log_survival`` (its log
            density is then a log hazard plus log S), or is covered by ``exact`` alone.
    """

    name: str
    exact_survives: bool

    def log_survival(self, z: Floats) -> OneSided:
        """Return log S(z) with derivatives."""
        ...

    def log_between(self, z1: Floats, z2: Floats, given: Bools) -> TwoSided:
        """Return log(S(z1) - S(z2)) with derivatives, z1 < z2; z1 may be -inf.

        Where ``given`` is true, given survival to z1: less log S(z1). That is a function of
        its own, because far out the two logs are huge and their difference is small.
        """
        ...

    def exact(self, d: Floats, y1: Floats, y2: Floats, delta: Floats, phi: Floats) -> Terms:
        """Return the part of exact failures given their number, sum and sum of squares of y.

        With ``z = phi y - delta``; the log of phi is not included.
        """
        ...

    def quantile(self, p: float) -> float:
        """Return z with ``1 - S(z) = p``."""
        ...


class _SmallestExtreme:
    """Smallest extreme value: ``log S = -exp(z)``."""

    name = "weibull"
    exact_survives = True

    def log_survival(self, z: Floats) -> OneSided:
        value = -np.exp(np.minimum(z, _EXTREME_REACH))
        return OneSided(value, value, value)

    def log_between(self, z1: Floats, z2: Floats, given: Bools) -> TwoSided:
        open_start = np.isneginf(z1)
        z1 = np.clip(z1, -_EXTREME_REACH, _EXTREME_REACH)
        z2 = np.clip(z2, -_EXTREME_REACH, _EXTREME_REACH)
        a = np.where(open_start, 0.0, np.exp(z1))
        b = np.exp(z2)
        # Not b - a, which loses all digits of a narrow interval.
        gap = np.where(open_start, b, a * np.expm1(z2 - z1))
        gap = np.maximum(gap, np.maximum(_LEAST_GAP, 1e-16 * a))
        # Odds of a failure after the interval against one inside it; 0 when it is far.
        near = np.minimum(gap, 700.0)
        odds = np.where(gap < 700.0, 1.0 / np.expm1(near), 0.0)
        bend = odds * (1.0 + odds)
        start = np.where(given, 0.0, a)
        return TwoSided(
            np.log(-np.expm1(-gap)) - start,
            -a * odds - start,
            b * odds,
            -a * odds - a * a * bend - start,
            a * b * bend,
            b * odds - b * b * bend,
        )

    def exact(self, d: Floats, y1: Floats, y2: Floats, delta: Floats, phi: Floats) -> Terms:
        # The log hazard is z itself; y2 plays no part.
        none = np.zeros_like(y2)
        return Terms(phi * y1 - delta * d, -d, y1, none, none, none)

    def quantile(self, p: float) -> float:
        return float(np.log(-np.log1p(-p)))


class _Normal:
    """Standard normal."""

    name = "lognormal"
    exact_survives = False

    def log_survival(self, z: Floats) -> OneSided:
        z = np.clip(z, -_NORMAL_REACH, _NORMAL_REACH)
        hazard = _ROOT_TWO_OVER_PI / erfcx(z * _ROOT_HALF)
        return OneSided(log_ndtr(-z), -hazard, -hazard * (hazard - z))

    def log_between(self, z1: Floats, z2: Floats, given: Bools) -> TwoSided:
        z1 = np.clip(z1, -_NORMAL_REACH, _NORMAL_REACH)
        z2 = np.clip(z2, -_NORMAL_REACH, _NORMAL_REACH)
        # In the upper tail the difference is taken between the mirrored lower tails.
        mirror = z1 > 0.0
        far = log_ndtr(np.where(mirror, -z1, z2))
        near = log_ndtr(np.where(mirror, -z2, z1))
        value = far + np.log(np.maximum(-np.expm1(near - far), _LEAST_SHARE))
        r1 = np.exp(-0.5 * z1 * z1 - _LOG_ROOT_TWO_PI - value)
        r2 = np.exp(-0.5 * z2 * z2 - _LOG_ROOT_TWO_PI - value)
        start = self.log_survival(z1)
        return TwoSided(
            value - np.where(given, start.value, 0.0),
            -r1 - np.where(given, start.first, 0.0),
            r2,
            r1 * (z1 - r1) - np.where(given, start.second, 0.0),
            r1 * r2,
            -r2 * (z2 + r2),
        )

    def exact(self, d: Floats, y1: Floats, y2: Floats, delta: Floats, phi: Floats) -> Terms:
        squares = phi * phi * y2 - 2.0 * phi * delta * y1 + delta * delta * d
        value = -0.5 * squares - d * _LOG_ROOT_TWO_PI
        return Terms(value, phi * y1 - delta * d, delta * y1 - phi * y2, -d, y1, -y2)

    def quantile(self, p: float) -> float:
        return float(ndtri(p))


SMALLEST_EXTREME: Family = _SmallestExtreme()
NORMAL: Family = _Normal()


class Status(IntEnum):
    """How far a group could be fitted; ``word`` says it in words."""

    OK = 0
    ONE_FAILURE = 1
    WALD_LIMIT = 2
    NO_FAILURES = 3
    ONE_AGE = 4
    NO_OPTIMUM = 5
    NOT_CONVERGED = 6

    @property
    def word(self) -> str:
        """Say the status in words fit for a report."""
        return _WORDS[self]


_WORDS = {
    Status.OK: "fitted",
    Status.ONE_FAILURE: "fitted to a single failure: wide limits, the shape is a hint",
    Status.WALD_LIMIT: "fitted; a likelihood-ratio limit was not found, its Wald limit is given",
    Status.NO_FAILURES: "no failures, so no life can be estimated",
    Status.ONE_AGE: "one age explains every failure, so the spread cannot be estimated",
    Status.NO_OPTIMUM: "the likelihood has no optimum: the rows do not fix a shape",
    Status.NOT_CONVERGED: "the iteration did not arrive at an optimum",
}


@dataclass(frozen=True, eq=False)
class ParametricFit:
    """Estimates of one family for every group, arrays of shape (n_groups,).

    Attributes:
        n: lives in the group.
        failures: of these, failures (exact or within an interval).
        running: still running.
        interval_censored: failures known only to an interval.
        mu: location of log age.
        sigma: scale of log age.
        mu_ci: limits of mu, shape (n_groups, 2); -inf or inf where the likelihood never
            drops far enough.
        sigma_ci: limits of sigma; 0 or inf where open.
        loglik: log likelihood of the ages in their own unit (it changes with the unit).
        aic: Akaike's criterion, ``4 - 2 loglik``.
        cov: covariance of (mu, log sigma) from the observed information, (n_groups, 2, 2).
        quantiles: share failed -> age.
        quantile_ci: share failed -> limits, shape (n_groups, 2); 0 or inf where open.
        status: ``Status`` of each group; where it is not fitted the estimates are nan.
        level: confidence level.
        interval: ``lr`` for likelihood-ratio limits, ``wald`` for Wald limits of mu,
            log sigma and log quantile.
    """

    family: ClassVar[Family]

    n: Floats
    failures: Floats
    running: Floats
    interval_censored: Floats
    mu: Floats
    sigma: Floats
    mu_ci: Floats
    sigma_ci: Floats
    loglik: Floats
    aic: Floats
    cov: Floats
    quantiles: Mapping[float, Floats]
    quantile_ci: Mapping[float, Floats]
    status: Ints
    level: float
    interval: str

    @property
    def n_groups(self) -> int:
        """Number of groups."""
        return self.n.size

    @property
    def fitted(self) -> Bools:
        """Groups that have estimates."""
        return np.less_equal(self.status, Status.WALD_LIMIT)

    def status_word(self, g: int) -> str:
        """Say in words how far group ``g`` could be fitted."""
        return Status(int(self.status[g])).word


@dataclass(frozen=True, eq=False)
class LognormalFit(ParametricFit):
    """Lognormal estimates: natural log of age is normal with ``mu`` and ``sigma``."""

    family: ClassVar[Family] = NORMAL


@dataclass(frozen=True, eq=False)
class WeibullFit(ParametricFit):
    """Weibull estimates: ``S(t) = exp(-(t / scale)^shape)``.

    ``shape = 1 / sigma`` and ``scale = exp(mu)``, in the unit of the ages.
    """

    family: ClassVar[Family] = SMALLEST_EXTREME

    @property
    def shape(self) -> Floats:
        """Shape; above 1 the part wears out, below 1 it fails early."""
        return 1.0 / self.sigma

    @property
    def scale(self) -> Floats:
        """Characteristic life: the age by which 63.2 % have failed."""
        return np.exp(self.mu)

    @property
    def shape_ci(self) -> Floats:
        """Limits of the shape, shape (n_groups, 2); 0 or inf where open."""
        ends = self.sigma_ci[:, ::-1]
        return np.divide(1.0, ends, out=np.full_like(ends, np.inf), where=ends != 0.0)

    @property
    def scale_ci(self) -> Floats:
        """Limits of the scale, shape (n_groups, 2); 0 or inf where open."""
        return np.exp(np.where(self.mu_ci > 700.0, np.inf, self.mu_ci))

    def mean(self) -> Floats:
        """Mean life."""
        return np.asarray(self.scale * gamma(1.0 + self.sigma))
