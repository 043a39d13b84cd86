"""A Weibull fit whose limits hold for the five failures that a shop has.

Maximum likelihood gives the figures; the limits are the conditional ones where they exist.
Two cases keep likelihood-ratio limits: groups with failures known only to an interval, where
no closed form is left, and groups with so many failures that the two agree.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from roadworn_plugins.lifedata.conditional import Conditional
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.segments import Bools, Floats
from roadworn_plugins.lifedata.weibull import WeibullFit, fit_weibull

# Beyond this many failures the two kinds of limits differ by less than 2 % of their width.
_ENOUGH = 300
# The share that has failed by the characteristic life.
_AT_SCALE = float(-np.expm1(-1.0))


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
    where = np.flatnonzero(
        found.fitted
        & (found.failures >= 2)
        & (found.failures <= _ENOUGH)
        & (found.interval_censored == 0)
    )
    chosen = np.zeros(found.n_groups, dtype=bool)
    chosen[where] = True
    if not where.size:
        return found, chosen
    belief = Conditional.of(lives, where)

    def put(column: Floats, values: Floats) -> Floats:
        full = column.copy()
        full[where] = values
        return full

    fit = replace(
        found,
        mu_ci=put(found.mu_ci, np.log(belief.quantile_limits(_AT_SCALE, level))),
        sigma_ci=put(found.sigma_ci, 1.0 / belief.shape_limits(level)[:, ::-1]),
        quantile_ci={
            p: put(found.quantile_ci[p], belief.quantile_limits(p, level)) for p in quantiles
        },
        interval="conditional",
    )
    return fit, chosen
