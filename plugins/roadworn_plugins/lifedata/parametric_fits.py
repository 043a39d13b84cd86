"""Weibull and lognormal fits of many groups at once."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import gamma

from roadworn_plugins.lifedata.checked import Floats
from roadworn_plugins.lifedata.families import NORMAL, SMALLEST_EXTREME, Family
from roadworn_plugins.lifedata.fitting import IntervalKind, fit
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.parametric import ParametricFit

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


__all__ = ["ParametricFit", "WeibullFit", "fit_weibull"]


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

    def standard_deviation(self) -> Floats:
        """Standard deviation of life."""
        variance = gamma(1.0 + 2.0 * self.sigma) - gamma(1.0 + self.sigma) ** 2
        return np.asarray(self.scale * np.sqrt(variance))


def fit_weibull(
    lives: Lives,
    *,
    level: float = 0.95,
    interval: IntervalKind = "lr",
    quantiles: Sequence[float] = (0.1, 0.5),
) -> WeibullFit:
    """Fit a Weibull distribution to each group.

    Args:
        lives: exact, running and interval rows, with or without late entry.
        level: confidence level of the limits.
        interval: ``lr`` for likelihood-ratio limits, ``wald`` for Wald limits on the log scale.
        quantiles: shares failed whose ages are wanted, for instance 0.1 for B10.

    Raises:
        LifeDataError: for a level, an interval or a quantile out of range.
    """
    return fit(lives, WeibullFit, level=level, interval=interval, quantiles=quantiles)
