"""A Weibull fit whose limits hold for the five failures that a shop has.

Maximum likelihood gives the figures; the limits are those given the sample, the shape and the
scale integrated out (Lawless (1978) Technometrics 20:355-364), which are exact without censoring.
Late entry needs a correction of the density that was measured by simulation. Failures
known only to an interval leave no closed form: there the conditional limits of the sample with
each interval at its middle are moved to the estimate that the intervals give and stretched by
the ratio of the standard errors. That is our own device; its coverage stands in the table of
README.md. Groups with so many failures that the two agree keep likelihood-ratio limits.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from roadworn_plugins.lifedata import (
    Bools,
    Floats,
    Ints,
)
from roadworn_plugins.lifedata.conditional import Conditional
from roadworn_plugins.lifedata.families import SMALLEST_EXTREME
from roadworn_plugins.lifedata.fitting import fit_weibull
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.parametric import WeibullFit

# Beyond this many failures the two kinds of limits differ by less than 2 % of their width.
_ENOUGH = 300


def fit_small(
    lives: Lives, *, level: float = 0.95, quantiles: Sequence[float] = (0.1, 0.5)
) -> tuple[WeibullFit, Bools]:
    """Fit a Weibull distribution to each group, with limits corrected for small samples.

    Args:
        lives: exact, running and interval rows, with or without late entry.
        level: confidence level of the limits.
        quantiles: shares failed whose ages are wanted.

    Returns:
        The fit, and the groups whose limits are conditional; the others have
        likelihood-ratio limits.

    Raises:
        LifeDataError: for a level or a quantile out of range.
    """
    found = fit_weibull(lives, level=level, interval="lr", quantiles=quantiles)
    small = found.fitted & (found.failures >= 2) & (found.failures <= _ENOUGH)
    between = found.interval_censored > 0
    chosen = np.zeros(found.n_groups, dtype=bool)
    exact = np.flatnonzero(small & ~between)
    if exact.size:
        found = _with_limits(found, Conditional.of(lives, exact), level, None)
        chosen[exact] = True
    if (small & between).any():
        at_middle = _at_middle(lives)
        middle = fit_weibull(at_middle, level=level, interval="wald", quantiles=quantiles)
        rest = np.flatnonzero(small & between & middle.fitted)
        if rest.size:
            found = _with_limits(found, Conditional.of(at_middle, rest), level, middle)
            chosen[rest] = True
    return replace(found, interval="conditional"), chosen


def _at_middle(lives: Lives) -> Lives:
    """Return the lives with each interval taken as a failure at its middle."""
    middle = 0.5 * (lives.lower + np.where(lives.interval, lives.upper, lives.lower))
    return Lives.from_intervals(
        middle,
        np.where(lives.running, np.inf, middle),
        entry=lives.entry,
        group=lives.group,
        count=lives.count,
        n_groups=lives.n_groups,
    )


def _with_limits(
    fit: WeibullFit, belief: Conditional, level: float, middle: WeibullFit | None
) -> WeibullFit:
    """Return the fit with conditional limits for the groups of `belief`.

    Args:
        fit: maximum likelihood of the lives as they are.
        belief: of the same lives, or of those at the middle of their intervals.
        level: confidence level.
        middle: the fit that `belief` belongs to, when it is not `fit`.
    """
    at = belief.groups

    def moved(log_limits: Floats, w: float | None) -> Floats:
        if middle is None:
            return log_limits
        here, there = (_located(one, at, w) for one in (fit, middle))
        stretch = (here[1] / there[1])[:, None]
        return np.asarray(here[0][:, None] + stretch * (log_limits - there[0][:, None]))

    def put(column: Floats, values: Floats) -> Floats:
        full = column.copy()
        full[at] = values
        return full

    scale = np.log(belief.quantile_limits(float(-np.expm1(-1.0)), level))
    log_sigma = -np.log(belief.shape_limits(level)[:, ::-1])
    ages = {
        p: np.exp(moved(np.log(belief.quantile_limits(p, level)), SMALLEST_EXTREME.quantile(p)))
        for p in fit.quantiles
    }
    return replace(
        fit,
        mu_ci=put(fit.mu_ci, moved(scale, 0.0)),
        sigma_ci=put(fit.sigma_ci, np.exp(moved(log_sigma, None))),
        quantile_ci={p: put(fit.quantile_ci[p], ends) for p, ends in ages.items()},
    )


def _located(fit: WeibullFit, at: Ints, w: float | None) -> tuple[Floats, Floats]:
    """Return estimate and standard error of a log quantile, or of log sigma when w is None."""
    sigma, cov = fit.sigma[at], fit.cov[at]
    if w is None:
        return np.log(sigma), np.sqrt(cov[:, 1, 1])
    lean = w * sigma
    variance = cov[:, 0, 0] + 2.0 * lean * cov[:, 0, 1] + lean**2 * cov[:, 1, 1]
    return fit.mu[at] + lean, np.sqrt(variance)
