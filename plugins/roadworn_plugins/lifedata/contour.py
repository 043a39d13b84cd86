"""Likelihood-ratio limits: how far a parameter can go before the likelihood drops too low.

With few failures the log likelihood is far from a parabola and Wald limits mislead; the
limits here follow the profile log likelihood itself to where it lies ``chi2 / 2`` below its
maximum. For each group the other parameter is kept at its own optimum by Newton steps; only
when it is close enough does the parameter of interest move, by a Newton step on the signed
root of the drop (nearly linear), inside a bracket.

Source: Meeker & Escobar, Statistical Methods for Reliability Data, sec. 8.3 (profile
likelihood limits); the simultaneous step is that of Venzon & Moolgavkar (1988) Applied
Statistics 37:87-94.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from roadworn_plugins.lifedata.likelihood import GroupedLikelihood, Terms
from roadworn_plugins.lifedata.segments import Floats

_MOST_STEPS = 200
# How near the nuisance parameter must be to its optimum, in log likelihood, to trust a point.
_TRUSTED = 1e-2
# One more Newton step follows from here; it converges quadratically, to about 1e-7 of a standard error.
_ARRIVED_DROP = 1e-3
_ARRIVED_GAIN = 1e-5


class Chart(NamedTuple):
    """Log likelihood seen from the parameter of interest x and the nuisance parameter v."""

    value: Floats
    x: Floats
    v: Floats
    xv: Floats
    vv: Floats


@dataclass(frozen=True)
class SpreadTarget:
    """x is log phi (so the Weibull shape, or 1 / sigma), v is delta."""

    # Largest move of v in one step, and how far x may be from its optimum before the limit
    # counts as open.
    reach: float = 3.0
    far: float = 16.0

    def place(self, x: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Return delta and phi."""
        return v, np.exp(x)

    def start(self, delta: Floats, phi: Floats) -> tuple[Floats, Floats]:
        """Return x and v at the optimum."""
        return np.log(phi), delta

    def chart(self, t: Terms, x: Floats, _v: Floats) -> Chart:
        """Turn derivatives by delta and phi into those by x and v."""
        phi = np.exp(x)
        return Chart(t.value, phi * t.p, t.d, phi * t.dp, t.dd)


@dataclass(frozen=True)
class QuantileTarget:
    """x is the scaled log age ``mu + w sigma``, v is log phi; w = 0 gives mu itself.

    Attributes:
        w: z of the quantile.
    """

    w: float
    reach: float = 0.7
    far: float = 1e4

    def place(self, x: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Return delta and phi."""
        phi = np.exp(v)
        return phi * x - self.w, phi

    def start(self, delta: Floats, phi: Floats) -> tuple[Floats, Floats]:
        """Return x and v at the optimum."""
        return (delta + self.w) / phi, np.log(phi)

    def chart(self, t: Terms, x: Floats, v: Floats) -> Chart:
        """Turn derivatives by delta and phi into those by x and v."""
        phi = np.exp(v)
        by_phi = t.p + x * t.d
        by_phi2 = t.pp + 2.0 * x * t.dp + x * x * t.dd
        cross = t.d + phi * (t.dp + x * t.dd)
        return Chart(
            t.value, phi * t.d, phi * by_phi, phi * cross, phi * phi * by_phi2 + phi * by_phi
        )


Target = SpreadTarget | QuantileTarget


def contour_limit(
    likelihood: GroupedLikelihood,
    delta: Floats,
    phi: Floats,
    terms: Terms,
    target: Target,
    *,
    side: int,
    chi2: float,
) -> Floats:
    """Return the likelihood-ratio limit of the target on one side, for every group.

    Args:
        likelihood: groups that all have an interior optimum.
        delta: optimum, shape (n_groups,).
        phi: optimum.
        terms: what the likelihood evaluates to there.
        target: what the limit is for.
        side: -1 for the lower limit of x, 1 for the upper.
        chi2: quantile of the chi-square distribution with one degree of freedom.

    Returns:
        x at the limit; -inf or inf where the profile never drops so low; nan where the
        iteration did not arrive.
    """
    n = likelihood.n_groups
    out = np.full(n, np.nan)
    best_x, v = target.start(delta, phi)
    here = target.chart(terms, best_x, v)
    best = here.value
    root = np.sqrt(chi2)
    slope_v = -here.xv / here.vv
    x = best_x + side * root * _standard_error(terms, target, best_x, v)
    v = v + np.clip(slope_v * (x - best_x), -2.0 * target.reach, 2.0 * target.reach)
    inner, outer = best_x.copy(), np.full(n, side * np.inf)
    reach, last_sign = np.full(n, target.reach), np.zeros(n)
    at, part = np.arange(n), likelihood
    for _ in range(_MOST_STEPS):
        here = target.chart(part.evaluate(*target.place(x, v)), x, v)
        hill = here.vv < 0.0
        curve = np.where(hill, here.vv, -1.0)
        gain = np.where(hill, -0.5 * here.v**2 / curve, np.inf)
        trusted = gain < _TRUSTED
        drop = best - (here.value + np.where(trusted, gain, 0.0))
        error = drop - 0.5 * chi2
        inner = np.where(trusted & (error < 0), x, inner)
        outer = np.where(trusted & (error >= 0), x, outer)
        profile_slope = here.x - here.xv * here.v / curve
        new_x = np.where(
            trusted, _move(x, best_x, inner, outer, drop, profile_slope, root, side), x
        )
        step = np.where(hill, -here.v / curve, np.sign(here.v) * target.reach)
        flipped = np.sign(here.v) * last_sign < 0
        reach = np.where(trusted, target.reach, np.where(flipped, 0.5 * reach, reach))
        last_sign = np.where(trusted, 0.0, np.sign(here.v))
        new_v = v + np.clip(step, -reach, reach)
        new_v += np.clip(-here.xv / curve * (new_x - x), -target.reach, target.reach)
        arrived = (np.abs(error) < _ARRIVED_DROP) & (gain < _ARRIVED_GAIN)
        open_end = np.abs(new_x - best_x) > target.far
        out[at[arrived]] = new_x[arrived]
        out[at[open_end & ~arrived]] = side * np.inf
        keep = np.flatnonzero(~(arrived | open_end))
        if not keep.size:
            break
        if keep.size < at.size:
            part, at = part.take(keep), at[keep]
            best, best_x, inner, outer = best[keep], best_x[keep], inner[keep], outer[keep]
            reach, last_sign = reach[keep], last_sign[keep]
        x, v = new_x[keep], new_v[keep]
    return out


def _standard_error(terms: Terms, target: Target, x: Floats, v: Floats) -> Floats:
    """Return the Wald standard error of x at the optimum."""
    here = target.chart(terms, x, v)
    # At the optimum the gradient is 0, so x is curved by the second derivatives alone.
    determinant = terms.dd * terms.pp - terms.dp**2
    phi = target.place(x, v)[1]
    jacobian = phi if isinstance(target, SpreadTarget) else phi * phi
    return np.sqrt(-here.vv / (determinant * jacobian**2))


def _move(
    x: Floats,
    best_x: Floats,
    inner: Floats,
    outer: Floats,
    drop: Floats,
    slope: Floats,
    root: float,
    side: int,
) -> Floats:
    """Return the next x: Newton on sqrt(2 drop), kept inside the bracket."""
    height = np.sqrt(2.0 * np.maximum(drop, 1e-12))
    rise = -slope * side
    newton = np.where(
        rise > 0, x + side * (root - height) * height / np.maximum(rise, 1e-300), side * np.inf
    )
    farthest = best_x + 3.0 * (x - best_x)
    newton = np.where((newton - farthest) * side > 0, farthest, newton)
    inside = ((newton - inner) * side > 0) & ((outer - newton) * side > 0)
    bounded = np.where(np.isinf(outer), best_x + 2.0 * (x - best_x), 0.5 * (inner + outer))
    return np.where(inside | (newton == x), newton, bounded)
