"""Where the likelihood of one group has fallen to its limit: a walk along its contour."""

from dataclasses import dataclass
from typing import NamedTuple, Self

import numpy as np

from roadworn_plugins.lifedata import Floats, Ints
from roadworn_plugins.lifedata.families import Terms
from roadworn_plugins.lifedata.likelihood import GroupedLikelihood

_MOST_STEPS = 200


# How near the nuisance parameter must be to its optimum, in log likelihood, to trust a point.
_TRUSTED = 1e-2


# One more Newton step follows from here, quadratically convergent, to about 1e-9.
_ARRIVED_DROP = 1e-4


_ARRIVED_GAIN = 1e-6


# Bounds that keep a quotient within a float far away from the optimum.
_LEAST_CURVE, _MOST_SLOPE, _MOST_LOG = -1e-30, 1e100, 30.0


class Chart(NamedTuple):
    """Log likelihood seen from the parameter of interest x and the nuisance parameter v."""

    value: Floats
    x: Floats
    v: Floats
    xv: Floats
    vv: Floats


@dataclass(frozen=True, eq=False)
class SpreadTarget:
    """x is log phi (so the Weibull shape, or 1 / sigma), v is ``delta - lead phi``.

    Attributes:
        lead: how delta follows phi, shape (n_groups,); chosen so that x and v are
            uncorrelated at the optimum, which keeps v in place while phi grows large.
    """

    lead: Floats

    @classmethod
    def at(cls, terms: Terms) -> Self:
        """Choose the lead at the optimum."""
        return cls(-terms.dp / terms.dd)

    def take(self, groups: Ints) -> Self:
        """Keep the given groups."""
        return type(self)(self.lead[groups])

    def start(self, delta: Floats, phi: Floats) -> tuple[Floats, Floats]:
        """Return x and v of a point."""
        return np.log(phi), delta - self.lead * phi

    def place(self, x: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Return delta and phi of a point."""
        phi = _exp(x)
        return v + self.lead * phi, phi

    def chart(self, t: Terms, x: Floats, _v: Floats) -> Chart:
        """Turn derivatives by delta and phi into those by x and v."""
        phi = _exp(x)
        return Chart(
            t.value, phi * (t.p + self.lead * t.d), t.d, phi * (t.dp + self.lead * t.dd), t.dd
        )

    def reaches(self, phi: Floats) -> tuple[Floats, Floats, float]:
        """Return the largest first steps of x and v, and how far out an end counts as open."""
        return np.full_like(phi, 3.0), np.full_like(phi, 2.0), 12.0


@dataclass(frozen=True, eq=False)
class QuantileTarget:
    """x is the scaled log age ``mu + w sigma``, v is log phi; w = 0 gives mu itself.

    Attributes:
        w: z of the quantile.
    """

    w: float

    def take(self, _groups: Ints) -> Self:
        """Keep the given groups."""
        return self

    def start(self, delta: Floats, phi: Floats) -> tuple[Floats, Floats]:
        """Return x and v of a point."""
        return (delta + self.w) / phi, np.log(phi)

    def place(self, x: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Return delta and phi of a point."""
        phi = _exp(v)
        return phi * x - self.w, phi

    def chart(self, t: Terms, x: Floats, v: Floats) -> Chart:
        """Turn derivatives by delta and phi into those by x and v."""
        phi = _exp(v)
        by_x, by_v = phi * t.d, phi * (t.p + x * t.d)
        cross = by_x + phi * phi * (t.dp + x * t.dd)
        bend = phi * phi * (t.pp + 2.0 * x * t.dp + x * x * t.dd) + by_v
        return Chart(t.value, by_x, by_v, cross, bend)

    def reaches(self, phi: Floats) -> tuple[Floats, Floats, float]:
        """Return the largest first steps of x and v, and how far out an end counts as open."""
        return 10.0 / phi, np.full_like(phi, 0.7), 1e4


Target = SpreadTarget | QuantileTarget


def _exp(log_phi: Floats) -> Floats:
    return np.exp(np.clip(log_phi, -_MOST_LOG, _MOST_LOG))


class Limit(NamedTuple):
    """Where a profile leaves the contour on one side.

    Attributes:
        x: the limit; -inf or inf where the profile never drops so low; nan where the
            iteration did not arrive.
        delta: the other coordinates of the point, or of the last one before an open end.
        phi: as delta.
    """

    x: Floats
    delta: Floats
    phi: Floats


def contour_limit(
    likelihood: GroupedLikelihood,
    delta: Floats,
    phi: Floats,
    terms: Terms,
    target: Target,
    standard_error: Floats,
    *,
    side: int,
    chi2: float,
    start: tuple[Floats, Floats] | None = None,
) -> Limit:
    """Return the likelihood-ratio limit of the target on one side, for every group.

    Args:
        likelihood: groups that all have an interior optimum.
        delta: optimum, shape (n_groups,).
        phi: optimum.
        terms: what the likelihood evaluates to there.
        target: what the limit is for.
        standard_error: Wald standard error of x.
        side: -1 for the lower limit of x, 1 for the upper.
        chi2: quantile of the chi-square distribution with one degree of freedom.
        start: x and v of a point on or inside the contour to go on from, instead of the
            optimum.
    """
    n = likelihood.n_groups
    out = Limit(*(np.full(n, np.nan) for _ in range(3)))
    best_x, v = target.start(delta, phi)
    here = target.chart(terms, best_x, v)
    best, half, root = here.value, 0.5 * chi2, np.sqrt(chi2)
    first, least_reach, far = target.reaches(phi)
    first = np.minimum(root * standard_error, first)
    # The last trusted point, the way the nuisance optimum leaves it, and the bracket.
    base = _Base(best_x, v, -here.xv / here.vv)
    inner, outer = best_x, np.full(n, side * np.inf)
    x = best_x + side * first
    v = v + np.clip(base.lean * (x - best_x), -2.0 * least_reach, 2.0 * least_reach)
    if start is not None:
        x, v = start
        base, inner, first = _Base(x, v, np.zeros(n)), x, np.abs(x - best_x)
    reach, last_sign = least_reach, np.zeros(n)
    at, part, aim = np.arange(n), likelihood, target
    for _ in range(_MOST_STEPS):
        here = aim.chart(part.evaluate(*aim.place(x, v)), x, v)
        hill = here.vv < _LEAST_CURVE
        curve = np.where(hill, here.vv, -1.0)
        push = np.clip(here.v, -_MOST_SLOPE, _MOST_SLOPE)
        gain = np.where(hill, -0.5 * push**2 / curve, np.inf)
        trusted = gain < _TRUSTED
        drop = best - here.value - np.where(trusted, gain, 0.0)
        error = drop - half
        inner = np.where(trusted & (error < 0), x, inner)
        outer = np.where(trusted & (error >= 0), x, outer)
        lean = np.where(trusted, -here.xv / curve, base.lean)
        slope = here.x + np.where(trusted, lean * push, 0.0)
        # Far below the contour the jump was too bold: go back half way to trusted ground,
        # else the nuisance parameter may climb another hill than the one that leads here.
        retreat = ~trusted & (drop > 3.0 * half + 3.0) & (np.abs(x - base.x) > 1e-3 * first)
        new_x = np.where(trusted, _move(x, best_x, inner, outer, drop, slope, root, side), x)
        new_x = np.where(retreat, 0.5 * (x + base.x), new_x)
        step = np.where(hill, -push / curve, np.sign(push) * reach)
        # A step that keeps being cut may grow; one that swings to and fro must shrink.
        sign = np.sign(push)
        reach = reach * np.where(
            sign * last_sign < 0, 0.5, np.where(np.abs(step) > reach, 2.0, 1.0)
        )
        reach = np.where(trusted | retreat, least_reach, reach)
        last_sign = np.where(trusted | retreat, 0.0, sign)
        new_v = v + np.clip(step, -reach, reach)
        base = _Base(np.where(trusted, x, base.x), np.where(trusted, new_v, base.v), lean)
        along = np.clip(lean * (new_x - base.x), -least_reach, least_reach)
        new_v = np.where(trusted | retreat, base.v + along, new_v)
        arrived = (np.abs(error) < _ARRIVED_DROP) & (gain < _ARRIVED_GAIN)
        open_end = np.abs(new_x - best_x) > far
        out.x[at[open_end]] = side * np.inf
        out.x[at[arrived]] = new_x[arrived]
        done = arrived | open_end
        for values, ends in zip((out.delta, out.phi), aim.place(new_x, new_v), strict=True):
            values[at[done]] = ends[done]
        keep = np.flatnonzero(~done)
        if not keep.size:
            break
        if keep.size < at.size:
            part, at, aim = part.take(keep), at[keep], aim.take(keep)
            best, best_x, inner, outer = best[keep], best_x[keep], inner[keep], outer[keep]
            reach, last_sign, first = reach[keep], last_sign[keep], first[keep]
            least_reach, base = least_reach[keep], _Base(*(values[keep] for values in base))
        x, v = new_x[keep], new_v[keep]
    return out


class _Base(NamedTuple):
    """A point where the nuisance parameter is at its optimum, and dv / dx along there."""

    x: Floats
    v: Floats
    lean: Floats


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
        rise > 0, x + side * (root - height) * height / np.maximum(rise, 1e-30), side * np.inf
    )
    farthest = best_x + 3.0 * (x - best_x)
    newton = np.where((newton - farthest) * side > 0, farthest, newton)
    inside = ((newton - inner) * side > 0) & ((outer - newton) * side > 0)
    bounded = np.where(np.isinf(outer), best_x + 2.0 * (x - best_x), 0.5 * (inner + outer))
    return np.where(inside | (newton == x), newton, bounded)
