"""Does a unit need repair ever more often as it ages, or is it only chance?

The power-law process has repairs at the intensity lambda * beta * age^(beta - 1); beta above 1
means that repairs come closer together. Two tests ask whether the rate is constant. They can
disagree; the one to decide by is the military-handbook test where a power law is plausible, and
the Laplace test otherwise. Say beforehand which. Whether the observation stopped at a time or
at a failure changes factors and degrees of freedom.

Source: estimates and exact limits after Crow and MIL-HDBK-189 (1981); tests after
NIST/SEMATECH e-Handbook 8.2.3.4.
"""

from dataclasses import dataclass

import numpy as np

from roadworn_plugins.lifedata import (
    Floats,
    Ints,
    LifeDataError,
    bisected,
    tail,
)
from roadworn_plugins.lifedata.repair_history import RepairHistory
from roadworn_plugins.lifedata.special import chdtr, chdtrc, chdtri, ndtr, ndtri


@dataclass(frozen=True)
class PowerLaw:
    """A fitted power-law process, pooled over units.

    Attributes:
        beta: Maximum likelihood growth exponent.
        scale: Age by which a unit expects one repair; it expects (age / scale)^beta by an age.
        beta_unbiased: Exponent corrected for bias; nan with too few repairs.
        beta_ci: Limits of the exponent.
        limits: ``"exact"`` (chi-square; all units from new to one age) or ``"fisher"``
            (normal on log(beta)).
        loglik: Log-likelihood.
    """

    beta: float
    scale: float
    beta_unbiased: float
    beta_ci: tuple[float, float]
    limits: str
    loglik: float

    @property
    def rate(self) -> float:
        """The constant lambda in lambda * age^beta, which is scale^-beta."""
        return float(np.exp(-self.beta * np.log(self.scale)))


def power_law(history: RepairHistory, *, level: float = 0.95) -> PowerLaw:
    """Fit one power-law process to the repairs of all units together.

    Args:
        history: Repairs and the stretches of observation.
        level: Two-sided level of the limits, exact where possible.

    Raises:
        LifeDataError: No repair, or all repairs at the very end.
    """
    side = tail(level)
    n = history.age.size
    if n == 0:
        raise LifeDataError("Without a repair no trend can be fitted; watch the units for longer.")
    exact = history.from_new_to_one_age
    unit = float(history.stop.max())  # scaled, so that powers of ages stay near 1
    log_sum = float(np.sum(np.log(history.age / unit)))
    if log_sum == 0.0:
        raise LifeDataError("All repairs lie at the end of observation; no exponent fits them.")
    start, stop = history.start / unit, history.stop / unit
    beta = -n / log_sum if exact else _solve(n, log_sum, start, stop)
    power, first, second = _moments(beta, start, stop)
    # Repairs that stopped the observation carry no information on the exponent.
    free = n - int(np.count_nonzero(history.at_failure))
    ci = (np.nan, np.nan)
    if not exact:
        spread = n + n * beta**2 * (second / power - (first / power) ** 2)
        reach = float(np.exp(-ndtri(side) / np.sqrt(spread)))
        ci = (beta / reach, beta * reach)
    elif free > 0:
        low, high = (float(chdtri(2 * free, 1.0 - q)) for q in (side, 1.0 - side))
        ci = (beta * low / (2 * n), beta * high / (2 * n))
    loglik = n * (np.log(n / power) + np.log(beta) - np.log(unit) - 1.0) + (beta - 1.0) * log_sum
    return PowerLaw(
        beta=beta,
        scale=float(unit * (power / n) ** (1.0 / beta)),
        beta_unbiased=beta * (free - 1) / n if free > 1 else np.nan,
        beta_ci=ci,
        limits="exact" if exact else "fisher",
        loglik=float(loglik),
    )


def _moments(beta: float, start: Floats, stop: Floats) -> tuple[float, float, float]:
    """Sums over stretches of stop^beta - start^beta and its two derivatives by beta."""
    late = np.where(start > 0.0, start, 1.0)
    up, down = stop**beta, np.where(start > 0.0, late**beta, 0.0)
    a, b, c = (float(np.sum(up * np.log(stop) ** i - down * np.log(late) ** i)) for i in range(3))
    return a, b, c


def _solve(n: int, log_sum: float, start: Floats, stop: Floats) -> float:
    """Bisect for the root of the score, which falls from plus to minus, from 0.001 to 1000."""

    def score(log_beta: float) -> float:
        beta = float(np.exp(log_beta))
        power, first, _ = _moments(beta, start, stop)
        return n / beta + log_sum - n * first / power

    low, high = np.log(1e-3), np.log(1e3)
    if score(low) <= 0.0 or score(high) >= 0.0:
        raise LifeDataError(
            "No exponent between 0.001 and 1000 fits these repairs; check the ages."
        )
    return float(np.exp(bisected(score, low, high)))


@dataclass(frozen=True)
class TrendTest:
    """Outcome of a test for a trend.

    Attributes:
        statistic: The test statistic.
        df: Degrees of freedom; None for the Laplace test, which is standard normal.
        p: Two-sided p-value.
    """

    statistic: float
    df: int | None
    p: float


def laplace(history: RepairHistory) -> TrendTest:
    """Laplace test: are repairs later than evenly spread ones would be?

    Positive means closer together with age. A repair that stopped the observation is dropped.

    Raises:
        LifeDataError: No repair besides those that stopped the observation.
    """
    age, stretch = _tested(history)
    middle = (history.start + history.stop)[stretch] / 2.0
    width = (history.stop - history.start)[stretch]
    u = float(np.sum(age - middle) / np.sqrt(np.sum(width**2) / 12.0))
    return TrendTest(u, None, float(2.0 * ndtr(-abs(u))))


def military_handbook(history: RepairHistory) -> TrendTest:
    """Military-handbook test: 2 sum log(stop / age), chi-square under a constant rate.

    Small values mean that repairs come closer together. Where a unit was not watched from new,
    ages count from the start of observation, which keeps the distribution but loses power.

    Raises:
        LifeDataError: No repair besides those that stopped the observation.
    """
    age, stretch = _tested(history)
    width = (history.stop - history.start)[stretch]
    statistic = float(2.0 * np.sum(np.log(width / (age - history.start[stretch]))))
    df = 2 * int(age.size)
    low, high = float(chdtr(df, statistic)), float(chdtrc(df, statistic))
    return TrendTest(statistic, df, min(2.0 * min(low, high), 1.0))


def _tested(history: RepairHistory) -> tuple[Floats, Ints]:
    age, stretch = history.free()
    if age.size == 0:
        raise LifeDataError("No repair is left to test; watch the units for longer.")
    return age, stretch
