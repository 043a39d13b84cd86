"""Lognormal lives: maximum likelihood with censoring, intervals and late entry."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from roadworn_plugins.lifedata.families import NORMAL, Family
from roadworn_plugins.lifedata.fitting import IntervalKind, fit
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.parametric import ParametricFit
from roadworn_plugins.lifedata.segments import Floats

__all__ = ["LognormalFit", "ParametricFit", "fit_lognormal"]


@dataclass(frozen=True, eq=False)
class LognormalFit(ParametricFit):
    """Lognormal estimates: natural log of age is normal with ``mu`` and ``sigma``."""

    family: ClassVar[Family] = NORMAL

    def mean(self) -> Floats:
        """Mean life."""
        return np.exp(self.mu + 0.5 * self.sigma**2)

    def standard_deviation(self) -> Floats:
        """Standard deviation of life."""
        return self.mean() * np.sqrt(np.expm1(self.sigma**2))


def fit_lognormal(
    lives: Lives,
    *,
    level: float = 0.95,
    interval: IntervalKind = "lr",
    quantiles: Sequence[float] = (0.1, 0.5),
) -> LognormalFit:
    """Fit a lognormal distribution to each group; arguments as for ``fit_weibull``.

    Raises:
        LifeDataError: for a level, an interval or a quantile out of range.
    """
    return fit(lives, LognormalFit, level=level, interval=interval, quantiles=quantiles)
