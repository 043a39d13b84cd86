"""Lives that hang on what is known of a vehicle: its duty, its depot, its class.

Weibull accelerated life: log t = x b + sigma W with W of the smallest extreme value law, so a
covariate stretches every life by a factor exp(b). For the Weibull law that is the same as
proportional hazards with the ratio exp(-b / sigma) (Lawless, Statistical Models and Methods for
Lifetime Data, 2003; Kalbfleisch and Prentice, 2002; both from memory). In b / sigma and 1 / sigma
the likelihood without late entry has one maximum; with it nearly always.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import Floats, LifeDataError, climb, finite
from roadworn_plugins.lifedata.lives import Lives


@dataclass(frozen=True, eq=False)
class WeibullRegression:
    """Accelerated-life fit; the intercept comes first.

    Attributes:
        coefficients: Of the log life, shape (1 + covariates,).
        sigma: Spread of the log life; the Weibull shape is 1 / sigma.
        covariance: Of the coefficients and log(sigma), which comes last.
        loglik: Log-likelihood at the estimate, in the unit of the ages, without the prior.
    """

    coefficients: Floats
    sigma: float
    covariance: Floats
    loglik: float

    @property
    def shape(self) -> float:
        """The Weibull shape, common to all lives."""
        return 1.0 / self.sigma

    @property
    def se(self) -> Floats:
        """Standard errors of the coefficients and of log(sigma)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def hazard_ratios(self) -> Floats:
        """Ratio of the hazard for one more of each covariate."""
        return np.asarray(np.exp(-self.coefficients[1:] / self.sigma))

    def hazard_multiplier(self, x: ArrayLike) -> Floats:
        """Return the hazard at these covariates over that where all are 0, shape (lives,)."""
        return np.asarray(
            np.exp(-np.asarray(x, dtype=np.float64) @ self.coefficients[1:] / self.sigma)
        )


def weibull_aft(
    entry: ArrayLike,
    leaving: ArrayLike,
    failed: ArrayLike,
    x: ArrayLike,
    *,
    count: ArrayLike = 1.0,
    usual: float | None = None,
    upper: ArrayLike | None = None,
) -> WeibullRegression:
    """Fit the regression by maximum likelihood, or with shrinkage.

    Args:
        entry: Age at which each life came under watch, 0 from new, shape (lives,).
        leaving: Age at failure or at the last look.
        failed: True where the life ended in failure.
        x: Covariates, shape (lives, covariates), without a column of ones; a word of several
            values as a column of 0 and 1 for each but one.
        count: How many such lives, above 0.
        usual: Spread of a normal prior, mean 0, of each log hazard ratio; None for none. With it
            a depot without a failure has an estimate.
        upper: Age by which each life had failed, where only that is known and `leaving` is the
            last age at which it worked; equal to `leaving` for an exact failure, inf while
            still running. `failed` is not asked then.

    Raises:
        LifeDataError: Invalid lives, fewer than two failures, a covariate that follows from the
            others, or no maximum.
    """
    times = np.broadcast_to(finite("counts", count, least=0.0), np.shape(leaving))
    if np.any(times == 0.0):
        raise LifeDataError("A count is 0; leave the row out.")
    if upper is None:
        lives = Lives.from_ages(leaving, failed, entry=entry, count=times)
    else:
        lives = Lives.from_intervals(leaving, upper, entry=entry, count=times)
    known = finite("covariates", x)
    if known.ndim != 2 or known.shape[0] != lives.group.size:
        raise LifeDataError("Give one row of covariates for each life, one column for each.")
    died = np.where(lives.exact, lives.count, 0.0)
    failures = float(np.where(lives.running, 0.0, lives.count).sum())
    if failures < 2.0:
        raise LifeDataError("A regression needs at least two failures; take a wider group.")
    middle, spread = known.mean(axis=0), known.std(axis=0)
    if np.linalg.matrix_rank(known - middle) < known.shape[1]:
        raise LifeDataError("A covariate follows from the others; leave out one column.")
    problem = _Regression.of(lives, died, (known - middle) / spread, spread, usual)
    start = np.zeros(known.shape[1] + 2)
    start[-1] = 1.0
    start[0] = np.log(float(np.sum(lives.count * problem.gone)) / failures)
    point, value, bend, gain = climb(problem.at, start, longest=2.0)
    # A hazard ratio of a thousand million over the lives is one that runs away.
    ratio = np.abs(point[1:-1]) * np.ptp((known - middle) / spread, axis=0)
    if gain > 1e-8 or point[-1] <= 0.0 or ratio.max(initial=0.0) > 20.0:
        raise LifeDataError(
            "The likelihood has no maximum: a value of a covariate may have no failure; join it "
            "with another, or give the usual spread of a log hazard ratio."
        )
    return problem.result(point, value, bend, middle)


@dataclass(frozen=True, eq=False)
class _Regression:
    """Log-likelihood by d = b / sigma and phi = 1 / sigma, of centred and scaled columns.

    With w = phi y - x d the log-likelihood is the sum over the failures of log phi + w, less the
    sum of exp(w) where lives end, plus that where they began. A life that failed between two
    ages gives the log of exp(-A) - exp(-B), A and B being exp(w) at the two.
    """

    columns: Floats  # x with ones in front and -y behind: w = -columns @ (d, phi)
    late: Floats  # the same at entry
    count: Floats
    late_count: Floats
    died: Floats
    low: Floats  # the same at the two ends of each interval
    high: Floats
    interval_count: Floats
    pull: Floats
    gone: Floats  # age watched, in the unit of the centre
    centre: float
    spread: Floats
    shift: float

    @classmethod
    def of(
        cls, lives: Lives, died: Floats, x: Floats, spread: Floats, usual: float | None
    ) -> "_Regression":
        """Lay out the columns, ages in units of a middle one."""
        # Where all lie in intervals, their ends serve as well to choose a unit.
        weight = died if died.any() else np.where(lives.running, 0.0, lives.count)
        centre = float(weight @ np.log(lives.exit) / weight.sum())
        open_, plain = np.flatnonzero(lives.interval), ~lives.interval
        late = np.flatnonzero(lives.entry > 0.0)
        ones = np.ones((lives.group.size, 1))
        y, y_late = np.log(lives.exit) - centre, np.log(lives.entry[late]) - centre
        pull = np.zeros(x.shape[1] + 2)
        if usual is not None:
            pull[1:-1] = (usual * spread) ** -2.0
        ends = [
            np.log(np.maximum(age[open_], 1e-300)) - centre for age in (lives.lower, lives.upper)
        ]
        low, high = (np.hstack([ones[open_], x[open_], -end[:, None]]) for end in ends)
        return cls(
            columns=np.hstack([ones, x, -y[:, None]])[plain],
            late=np.hstack([ones[late], x[late], -y_late[:, None]]),
            count=lives.count[plain],
            low=low,
            high=high,
            interval_count=lives.count[open_],
            late_count=lives.count[late],
            died=died[plain],
            pull=pull,
            gone=np.exp(y) - lives.entry / np.exp(centre),
            centre=centre,
            spread=spread,
            shift=float(died @ np.log(np.maximum(lives.exit, 1e-300))),
        )

    def at(self, point: Floats) -> tuple[float, Floats, Floats]:
        """Return the penalised log-likelihood and its derivatives."""
        phi = point[-1]
        if phi <= 0.0:
            return -np.inf, np.zeros(point.size), -np.eye(point.size)
        with np.errstate(over="ignore"):
            w = -self.columns @ point
            ended = self.count * np.exp(np.minimum(w, 600.0))
            began = self.late_count * np.exp(np.minimum(-self.late @ point, 600.0))
        failures = float(self.died.sum())
        value = failures * float(np.log(phi)) + float(self.died @ w - ended.sum() + began.sum())
        value -= 0.5 * float(self.pull @ point**2)
        slope = self.columns.T @ (ended - self.died) - self.late.T @ began - self.pull * point
        bend = self.late.T @ (began[:, None] * self.late)
        bend -= self.columns.T @ (ended[:, None] * self.columns) + np.diag(self.pull)
        slope[-1] += failures / phi
        bend[-1, -1] -= failures / phi**2
        if self.interval_count.size:
            more = self._between(point)
            value, slope, bend = value + more[0], slope + more[1], bend + more[2]
        return value, slope, bend

    def _between(self, point: Floats) -> tuple[float, Floats, Floats]:
        """Return what the lives that failed between two ages add, and its derivatives."""
        with np.errstate(over="ignore"):
            low = np.exp(np.minimum(-self.low @ point, 600.0))
            high = np.exp(np.minimum(-self.high @ point, 600.0))
            wide = np.maximum(high - low, 1e-300)
            rest = 1.0 / np.maximum(np.expm1(np.minimum(wide, 600.0)), 1e-300)
        times = self.interval_count
        value = float(times @ (np.log(-np.expm1(-wide)) - low))
        # By the two hazards: -1 - rest and rest; rest falls by rest (1 + rest).
        by_low, by_high = times * (-1.0 - rest) * low, times * rest * high
        slope = -(self.low.T @ by_low) - self.high.T @ by_high
        step = low[:, None] * self.low - high[:, None] * self.high
        bend = self.low.T @ (by_low[:, None] * self.low)
        bend += self.high.T @ (by_high[:, None] * self.high)
        bend -= step.T @ ((times * rest * (1.0 + rest))[:, None] * step)
        return value, slope, bend

    def result(
        self, point: Floats, value: float, bend: Floats, middle: Floats
    ) -> WeibullRegression:
        """Turn the point into coefficients of the columns and ages as given."""
        phi = float(point[-1])
        scaled = point[:-1] / phi
        size = point.size
        turn = np.zeros((size, size))
        turn[:-1, :-1] = np.eye(size - 1) / phi
        turn[:-1, -1] = -scaled / phi
        turn[-1, -1] = -1.0 / phi
        back = np.eye(size)
        back[1:-1, 1:-1] = np.diag(1.0 / self.spread)
        back[0, 1:-1] = -middle / self.spread
        turn = back @ turn
        coefficients = back[:-1, :-1] @ scaled
        coefficients[0] += self.centre
        return WeibullRegression(
            coefficients=coefficients,
            sigma=1.0 / phi,
            covariance=turn @ np.linalg.inv(-bend) @ turn.T,
            loglik=value + 0.5 * float(self.pull @ point**2) - self.shift,
        )
