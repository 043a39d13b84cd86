"""A straight line through repeated measurements, and where it meets a limit.

A tire or a lining wears nearly in proportion to distance, so a line through what was measured
says more about this one part than a life table does. A shop has two or three measurements of
a part, not thirty: its own scatter is then worthless, and the scatter of all such lines in the
ledger is borrowed, weighted as so many degrees of freedom (the moderated variance of Smyth,
Stat. Appl. Genet. Mol. Biol. 3 (2004) article 3, formula for the posterior variance). With no
borrowed scatter this is ordinary least squares.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from roadworn_plugins.lifedata import Floats, LifeDataError
from roadworn_plugins.lifedata.special import stdtr, stdtrit


@dataclass(frozen=True, slots=True)
class WearLine:
    """A fitted line y = mean_y + slope (x - mean_x).

    Attributes:
        n: measurements; what is less sure than one counts for less.
        mean_x, mean_y: their means; the line passes through them.
        slope: change of y for one unit of x.
        sxx: sum of squares of x about its mean.
        residual: sum of squares of the residuals.
        spread: standard deviation of one measurement about the line.
        freedom: degrees of freedom of `spread`, own and borrowed.
    """

    n: float
    mean_x: float
    mean_y: float
    slope: float
    sxx: float
    residual: float
    spread: float
    freedom: float

    def at(self, x: float) -> float:
        """Return the line at x."""
        return self.mean_y + self.slope * (x - self.mean_x)

    def slope_limits(self, level: float) -> tuple[float, float]:
        """Return the limits of the slope."""
        half = self._t(level) * self.spread / np.sqrt(self.sxx)
        return float(self.slope - half), float(self.slope + half)

    def limits(self, x: float, level: float) -> tuple[float, float]:
        """Return the prediction limits of one further measurement at x.

        y(x) -+ t s sqrt(1 + 1/n + (x - mean)^2 / Sxx), as in any text on least squares, for
        instance Draper and Smith, Applied Regression Analysis, 3rd ed. (1998), section 3.1.
        """
        half = self._t(level) * self._error(x)
        return float(self.at(x) - half), float(self.at(x) + half)

    def chance_at_slope(self, limit: Floats | float, x: Floats | float, slope: float) -> Floats:
        """Return the chance that a measurement at x would not be above, were this the slope."""
        middle = self.mean_y + slope * (np.asarray(x) - self.mean_x)
        return np.asarray(
            stdtr(self.freedom, (limit - middle) / (self.spread * np.sqrt(1.0 + 1.0 / self.n)))
        )

    def chance_not_above(self, limit: Floats | float, x: Floats | float) -> Floats:
        """Return the chance that a measurement at x would not be above the limit; broadcast."""
        middle = self.mean_y + self.slope * (np.asarray(x) - self.mean_x)
        return np.asarray(stdtr(self.freedom, (limit - middle) / self._error(x)))

    def falls_to(self, limit: float, level: float) -> tuple[float, float, float]:
        """Return the x at which a falling line meets the limit: low, middle, high.

        Low and high are where the lower and the upper prediction limit meet it (inverse
        prediction, Draper and Smith, section 3.2). High is infinite when the fall is not
        certain at this level, middle as well when the line does not fall at all.
        """
        above = self.mean_y - limit
        middle = self.mean_x - above / self.slope if self.slope < 0 else np.inf
        k = (self._t(level) * self.spread) ** 2
        # (above + slope u)^2 = k (1 + 1/n + u^2 / Sxx) with u = x - mean_x.
        a, b = self.slope**2 - k / self.sxx, 2.0 * above * self.slope
        c = above**2 - k * (1.0 + 1.0 / self.n)
        root = np.sqrt(max(b * b - 4.0 * a * c, 0.0))
        certain = self.slope < 0 and a > 0.0
        if certain:
            # Both roots; q avoids the loss of digits of the textbook formula.
            q = -0.5 * (b - root)
            first, second = sorted((q / a, c / q if q else 0.0))
            return self.mean_x + first, float(middle), self.mean_x + second
        if c <= 0.0 or a == 0.0:
            low = self.mean_x if c <= 0.0 else self.mean_x - c / b if b < 0 else np.inf
        else:
            low = self.mean_x + (-b - root) / (2.0 * a)
        return float(low), float(middle), float(np.inf)

    def _t(self, level: float) -> float:
        if not 0.0 < level < 1.0:
            raise LifeDataError("The level must lie between 0 and 1; give 0.8 for 80 %.")
        return float(stdtrit(self.freedom, (1.0 + level) / 2.0))

    def _error(self, x: Floats | float) -> Floats:
        wider = 1.0 + 1.0 / self.n + (x - self.mean_x) ** 2 / self.sxx
        return np.asarray(self.spread * np.sqrt(wider))


def line_through(
    x: Sequence[float],
    y: Sequence[float],
    *,
    borrowed_spread: float = 0.0,
    borrowed_freedom: float = 0.0,
) -> WearLine:
    """Fit a line by least squares.

    Args:
        x: where it was measured.
        y: what was measured there.
        borrowed_spread: standard deviation about such lines elsewhere.
        borrowed_freedom: degrees of freedom that it counts for; 0 for none.

    Raises:
        LifeDataError: fewer than two places, or two measurements with nothing borrowed.
    """
    n = len(x)
    if n != len(y) or n < 2 or max(x) == min(x):
        raise LifeDataError("A line needs measurements at two different distances at least.")
    freedom = n - 2 + borrowed_freedom
    if freedom <= 0:
        raise LifeDataError("Two measurements show no scatter: measure a third time.")
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    mean_x, mean_y = float(xs.mean()), float(ys.mean())
    sxx = float(np.sum((xs - mean_x) ** 2))
    slope = float(np.sum((xs - mean_x) * (ys - mean_y))) / sxx
    residual = float(np.sum((ys - mean_y - slope * (xs - mean_x)) ** 2))
    variance = (residual + borrowed_freedom * borrowed_spread**2) / freedom
    return WearLine(n, mean_x, mean_y, slope, sxx, residual, float(np.sqrt(variance)), freedom)


def line_from_new(
    x: tuple[float, float], y: tuple[float, float], spreads: tuple[float, float], freedom: float
) -> WearLine:
    """Return the line from what a new part measures to the one figure measured since.

    Weighted least squares through two points of different spread: it passes through both, and
    errs by each as far as that is known.

    Args:
        x: where it was fitted, and where it was measured.
        y: what a new one measures, and what was measured.
        spreads: standard deviations of both.
        freedom: degrees of freedom that the spread of a measurement counts for.

    Raises:
        LifeDataError: measured where it was fitted, so that no wear can be seen.
    """
    if x[1] <= x[0]:
        raise LifeDataError("A line from new needs a measurement after some distance.")
    unit = spreads[1]
    weight = (unit / np.asarray(spreads, dtype=np.float64)) ** 2
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    n = float(weight.sum())
    mean_x, mean_y = float(weight @ xs) / n, float(weight @ ys) / n
    sxx = float(weight @ (xs - mean_x) ** 2)
    slope = float((ys[1] - ys[0]) / (xs[1] - xs[0]))
    return WearLine(n, mean_x, mean_y, slope, sxx, 0.0, unit, freedom)


#: What a new part measures in mm, and how far new ones differ (common practice, no source).
NEW_MM = {
    "wheel.tire": (8.0, 1.2),
    "brake.pad": (11.0, 1.5),
    "brake.shoe": (5.0, 0.8),
}
#: A figure taken within so many km of the fitting is one of a new part, less this small wear.
_AS_NEW_KM = 3000.0
#: With fewer of them the usual figure stands in; new ones differ by so much at the least.
_LEAST_NEW, _LEAST_SPREAD = 4, 0.4


def new_figures(measured: Iterable[tuple[str, float, float]]) -> dict[str, tuple[float, float]]:
    """Return component -> what a new one measures in mm, and its spread.

    Args:
        measured: component, km since its fitting and mm of the first figure of each part.
    """
    seen: dict[str, list[float]] = {}
    for component, km, mm in measured:
        if km <= _AS_NEW_KM:
            seen.setdefault(component, []).append(mm)
    own = {
        component: (float(np.median(figures)), max(float(np.std(figures)), _LEAST_SPREAD))
        for component, figures in seen.items()
        if len(figures) >= _LEAST_NEW
    }
    return {**NEW_MM, **own}
