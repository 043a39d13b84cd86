"""The spread of what one replacement costs, in a form that totals can be made of.

Prices are skewed and known by a low, a middle and a high figure. A lognormal with a spread of
its own on each side of the middle meets all three.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from roadworn_plugins.lifedata.checked import Floats, LifeDataError, finite, tail


@dataclass(frozen=True, eq=False)
class CostSpread:
    """Two-piece lognormal cost of one replacement of each part.

    Attributes:
        median: Half of the costs lie below it, shape (parts,).
        below: Standard deviation of the logarithm below the median, shape (parts,).
        above: The same above it.
    """

    median: Floats
    below: Floats
    above: Floats

    @classmethod
    def fixed(cls, cost: ArrayLike) -> "CostSpread":
        """Take costs without spread.

        Args:
            cost: Not negative, shape (parts,).
        """
        median = np.atleast_1d(finite("costs", cost, least=0.0))
        return cls(median, np.zeros(median.shape), np.zeros(median.shape))

    @classmethod
    def lognormal(cls, mean: ArrayLike, relative_sd: ArrayLike) -> "CostSpread":
        """Take a mean and a standard deviation as a share of it.

        Args:
            mean: Not negative, shape (parts,).
            relative_sd: Not negative, broadcast.
        """
        centre = np.atleast_1d(finite("costs", mean, least=0.0))
        variance = np.log1p(finite("spreads of cost", relative_sd, least=0.0) ** 2)
        sigma = np.broadcast_to(np.sqrt(variance), centre.shape)
        return cls(centre * np.exp(-(sigma**2) / 2.0), sigma, sigma)

    @classmethod
    def quantiles(
        cls, low: ArrayLike, middle: ArrayLike, high: ArrayLike, *, level: float = 0.8
    ) -> "CostSpread":
        """Take low, middle and high figures, for instance the 10, 50 and 90 % quantiles.

        Args:
            low: Above zero and at most ``middle``, shape (parts,).
            middle: The median.
            high: At least ``middle``.
            level: Share of costs between low and high, half of the rest on each side.

        Raises:
            LifeDataError: The figures are not in order, or not above zero.
        """
        lower, median, upper = (
            np.atleast_1d(finite(f"{name} costs", values, least=0.0))
            for name, values in (("low", low), ("middle", middle), ("high", high))
        )
        if np.any(lower <= 0.0) or np.any(median < lower) or np.any(upper < median):
            raise LifeDataError("Costs need 0 < low <= middle <= high; correct or drop the others.")
        z = -float(ndtri(tail(level)))
        return cls(median, np.log(median / lower) / z, np.log(upper / median) / z)

    def take(self, index: ArrayLike) -> "CostSpread":
        """Return the costs of these parts, in this order."""
        i = np.asarray(index)
        return CostSpread(self.median[i], self.below[i], self.above[i])

    def mean(self) -> Floats:
        """Mean cost, shape (parts,)."""
        return np.asarray(self.moments()[0])

    def moments(self) -> Floats:
        """Return E[X], E[X^2] and E[X^3], shape (3, parts)."""
        out = [
            self.median**j
            * (
                np.exp((j * self.below) ** 2 / 2.0) * ndtr(-j * self.below)
                + np.exp((j * self.above) ** 2 / 2.0) * ndtr(j * self.above)
            )
            for j in range(1, 4)
        ]
        return np.stack(out)

    def points(self, number: int) -> Floats:
        """Return equally likely costs whose mean is exact, shape (parts, number).

        Each is the mean of one of ``number`` slices of equal chance, an even number.
        """
        z = ndtri(np.linspace(0.0, 1.0, number + 1))
        half = number // 2
        sides = []
        for sigma, edges in ((self.below, z[: half + 1]), (self.above, z[half:])):
            s = sigma[:, None]
            held = np.diff(ndtr(edges - s), axis=1) * number
            sides.append(np.exp(s**2 / 2.0) * held)
        return np.asarray(self.median[:, None] * np.concatenate(sides, axis=1))
