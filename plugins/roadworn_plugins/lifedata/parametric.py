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
from typing import ClassVar

import numpy as np

from roadworn_plugins.lifedata import Bools, Floats, Ints
from roadworn_plugins.lifedata.families import NORMAL, SMALLEST_EXTREME, Family
from roadworn_plugins.lifedata.special import gamma


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
