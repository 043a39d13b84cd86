"""Hazards in proportion, without a law for age: Cox's regression with late entry.

The partial likelihood asks at each age at which something failed which of the lives then under
watch it was; Efron's way counts ties (Cox, J. R. Stat. Soc. B 34 (1972) 187-220; Efron, J. Am.
Stat. Assoc. 72 (1977) 557-565; both from memory). Against R survival and lifelines in the tests.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import Floats, LifeDataError, climb, finite, normal_reach
from roadworn_plugins.lifedata.lives import Lives


@dataclass(frozen=True, eq=False)
class CoxRegression:
    """Hazard ratios of covariates, whatever the course of the hazard over age.

    Attributes:
        coefficients: Log hazard ratio of one more of each covariate, shape (covariates,).
        covariance: Of the coefficients.
        loglik: Log partial likelihood at the estimate.
        null_loglik: The same with all coefficients 0.
    """

    coefficients: Floats
    covariance: Floats
    loglik: float
    null_loglik: float

    @property
    def se(self) -> Floats:
        """Standard errors of the coefficients."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def hazard_ratios(self) -> Floats:
        """Ratio of the hazard for one more of each covariate."""
        return np.asarray(np.exp(self.coefficients))

    def limits(self, level: float = 0.95) -> Floats:
        """Return Wald limits of the hazard ratios, shape (covariates, 2)."""
        reach = normal_reach(level) * self.se
        ends = np.stack([self.coefficients - reach, self.coefficients + reach], axis=1)
        return np.asarray(np.exp(ends))


def cox(entry: ArrayLike, leaving: ArrayLike, failed: ArrayLike, x: ArrayLike) -> CoxRegression:
    """Fit the regression by maximum partial likelihood.

    Args:
        entry: Age at which each life came under watch, 0 from new, shape (lives,).
        leaving: Age at failure or at the last look.
        failed: True where the life ended in failure.
        x: Covariates, shape (lives, covariates), without a column of ones.

    Raises:
        LifeDataError: Invalid lives, no failure, a covariate that follows from the others, or no
            maximum: a value of a covariate without a failure.
    """
    lives = Lives.from_ages(leaving, failed, entry=entry)
    known = finite("covariates", x)
    if known.ndim != 2 or known.shape[0] != lives.group.size:
        raise LifeDataError("Give one row of covariates for each life, one column for each.")
    if not lives.exact.any():
        raise LifeDataError("A regression needs failures; take a wider group.")
    middle, spread = known.mean(axis=0), known.std(axis=0)
    if np.linalg.matrix_rank(known - middle) < known.shape[1]:
        raise LifeDataError("A covariate follows from the others; leave out one column.")
    problem = _Partial((known - middle) / spread, lives)
    start = np.zeros(known.shape[1])
    null = problem.at(start)[0]
    point, value, bend, gain = climb(problem.at, start, longest=2.0)
    if gain > 1e-8 or (np.abs(point) * np.ptp(problem.x, axis=0)).max() > 20.0:
        raise LifeDataError(
            "The likelihood has no maximum: a value of a covariate may have no failure; join it "
            "with another."
        )
    back = np.diag(1.0 / spread)
    return CoxRegression(point / spread, back @ np.linalg.inv(-bend) @ back, value, null)


class _Partial:
    """The log partial likelihood of scaled covariates.

    Who is at risk at an age came in before and leaves not before: sums over all that leave no
    earlier, less those that came in no earlier, both by sums from the end.
    """

    def __init__(self, x: Floats, lives: Lives) -> None:
        self.x = x
        self.died = x[lives.exact]
        ages, tie = np.unique(lives.exit[lives.exact], return_inverse=True)
        self.ties = np.bincount(tie).astype(np.float64)
        self.order = np.argsort(lives.exit, kind="stable")
        self.late = np.argsort(lives.entry, kind="stable")
        self.leaves = np.searchsorted(lives.exit[self.order], ages, side="left")
        self.comes = np.searchsorted(lives.entry[self.late], ages, side="left")
        # Each failure at an age with its place among the ties there: Efron's share that has gone.
        by_age = np.argsort(tie, kind="stable")
        first = np.cumsum(self.ties) - self.ties
        self.of_age = tie[by_age]
        place = np.arange(tie.size) - first[self.of_age]
        self.share = place / self.ties[self.of_age]
        self.tied = tie

    def at(self, point: Floats) -> tuple[float, Floats, Floats]:
        """Return the log partial likelihood and its derivatives."""
        with np.errstate(over="ignore"):
            risk = np.exp(np.minimum(self.x @ point, 600.0))
            risk_died = np.exp(np.minimum(self.died @ point, 600.0))
        size = point.size
        outer = self.x[:, :, None] * self.x[:, None, :]
        all_ = np.concatenate(
            [
                risk[:, None],
                risk[:, None] * self.x,
                (risk[:, None, None] * outer).reshape(-1, size**2),
            ],
            axis=1,
        )
        under = _from_end(all_[self.order])[self.leaves] - _from_end(all_[self.late])[self.comes]
        outer = self.died[:, :, None] * self.died[:, None, :]
        gone = np.concatenate(
            [
                risk_died[:, None],
                risk_died[:, None] * self.died,
                (risk_died[:, None, None] * outer).reshape(-1, size**2),
            ],
            axis=1,
        )
        tied = np.zeros((self.ties.size, gone.shape[1]))
        np.add.at(tied, self.tied, gone)
        left = under[self.of_age] - self.share[:, None] * tied[self.of_age]
        mean = left[:, 1 : 1 + size] / left[:, :1]
        second = left[:, 1 + size :].reshape(-1, size, size) / left[:, :1, None]
        value = float(np.sum(self.died @ point) - np.sum(np.log(left[:, 0])))
        slope = self.died.sum(axis=0) - mean.sum(axis=0)
        bend = np.einsum("fi,fj->ij", mean, mean) - second.sum(axis=0)
        return value, slope, bend


def _from_end(values: Floats) -> Floats:
    """Return sums from each row to the end, and 0 behind the last."""
    sums = np.cumsum(values[::-1], axis=0)[::-1]
    return np.concatenate([sums, np.zeros((1, values.shape[1]))])
