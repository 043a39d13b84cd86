"""A fitted life distribution for every group, with its limits and with what it lacks.

Both families are location-scale on log age, so one result serves them: ``mu`` and ``sigma``
of log age, of which the Weibull shape and scale are other names. A group that cannot be
fitted keeps its counts, carries nan and says why in its status; nothing is nan without.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import ClassVar, Self

import numpy as np

from roadworn_plugins.lifedata.checked import Bools, Floats, Ints, LifeDataError
from roadworn_plugins.lifedata.families import Family


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

    @property
    def fitted(self) -> bool:
        """Whether there are estimates."""
        return self <= Status.WALD_LIMIT


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

    def log_survival(self, group: Ints | int | None, age: Floats | float) -> Floats:
        """Return log S(age); arguments and shapes as for ``survival``."""
        t = np.asarray(age, dtype=np.float64)
        if (t < 0).any():
            raise LifeDataError("An age is negative: ages start at 0.")
        mu, sigma = self._parameters(group, t)
        log_t = np.log(t, out=np.full_like(t, -np.inf), where=t > 0.0)
        return self.family.log_survival((log_t - mu) / sigma).value

    def survival(self, group: Ints | int | None, age: Floats | float) -> Floats:
        """Return the share surviving beyond an age.

        Args:
            group: group number, or numbers that broadcast with ``age``; None for all
                groups, which puts their axis first.
            age: age from new, not negative.
        """
        return np.exp(self.log_survival(group, age))

    def conditional_failure(
        self, group: Ints | int | None, age: Floats | float, ahead: Floats | float
    ) -> Floats:
        """Return the chance that a part of age ``age`` fails within the next ``ahead``.

        Args:
            group: as for ``survival``.
            age: age now.
            ahead: further use, same unit, not negative.
        """
        start, further = np.broadcast_arrays(
            np.asarray(age, dtype=np.float64), np.asarray(ahead, dtype=np.float64)
        )
        if (further < 0).any():
            raise LifeDataError("The span ahead is negative: give 0 or more.")
        now = self.log_survival(group, start)
        return -np.expm1(self.log_survival(group, start + further) - now)

    def _parameters(self, group: Ints | int | None, age: Floats) -> tuple[Floats, Floats]:
        if group is None:
            shape = (self.n_groups,) + (1,) * age.ndim
            return self.mu.reshape(shape), self.sigma.reshape(shape)
        return self.mu[group], self.sigma[group]

    def with_groups(self, groups: Ints) -> Self:
        """Return the fit of the given groups only, in that order."""
        return type(self)(
            self.n[groups],
            self.failures[groups],
            self.running[groups],
            self.interval_censored[groups],
            self.mu[groups],
            self.sigma[groups],
            self.mu_ci[groups],
            self.sigma_ci[groups],
            self.loglik[groups],
            self.aic[groups],
            self.cov[groups],
            {p: q[groups] for p, q in self.quantiles.items()},
            {p: q[groups] for p, q in self.quantile_ci.items()},
            self.status[groups],
            self.level,
            self.interval,
        )
