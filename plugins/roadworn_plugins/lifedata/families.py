"""Location-scale families of the logarithm of life, and their derivatives."""

from typing import NamedTuple, Protocol

import numpy as np

from roadworn_plugins.lifedata import Bools, Floats, Ints
from roadworn_plugins.lifedata.special import erfcx, log_ndtr, ndtri

_LOG_ROOT_TWO_PI = 0.5 * np.log(2.0 * np.pi)


_ROOT_HALF = np.sqrt(0.5)


_ROOT_TWO_OVER_PI = np.sqrt(2.0 / np.pi)


# exp of twice this still fits a float; no optimum of scaled data comes near it.
_EXTREME_REACH = 300.0


_NORMAL_REACH = 1e7


# Keeps the square of the inverse within a float when an interval shrinks to nothing.
_LEAST_GAP = 1e-140


# Below this an interval is narrower than the rounding of its ends.
_LEAST_SHARE = 1e-20


class OneSided(NamedTuple):
    """log S(z) with its first and second derivative."""

    value: Floats
    first: Floats
    second: Floats


class TwoSided(NamedTuple):
    """log(S(z1) - S(z2)), or that less log S(z1), with its derivatives by z1 and z2."""

    value: Floats
    first1: Floats
    first2: Floats
    second11: Floats
    second12: Floats
    second22: Floats


class Terms(NamedTuple):
    """A log likelihood of each group with first and second derivatives by delta and phi.

    ``delta = mu / sigma`` and ``phi = 1 / sigma``.
    """

    value: Floats
    d: Floats
    p: Floats
    dd: Floats
    dp: Floats
    pp: Floats

    def take(self, groups: Ints) -> "Terms":
        """Keep the given groups."""
        return Terms(*(values[groups] for values in self))


class Family(Protocol):
    """What the likelihood asks of a family.

    Attributes:
        name: the family's name.
        exact_survives: whether an exact failure also enters ``log_survival`` (its log
            density is then a log hazard plus log S), or is covered by ``exact`` alone.
    """

    name: str
    exact_survives: bool

    def log_survival(self, z: Floats) -> OneSided:
        """Return log S(z) with derivatives."""
        ...

    def log_between(self, z1: Floats, z2: Floats, given: Bools) -> TwoSided:
        """Return log(S(z1) - S(z2)) with derivatives, z1 < z2; z1 may be -inf.

        Where ``given`` is true, given survival to z1: less log S(z1). That is a function of
        its own, because far out the two logs are huge and their difference is small.
        """
        ...

    def exact(self, d: Floats, y1: Floats, y2: Floats, delta: Floats, phi: Floats) -> Terms:
        """Return the part of exact failures given their number, sum and sum of squares of y.

        With ``z = phi y - delta``; the log of phi is not included.
        """
        ...

    def quantile(self, p: float) -> float:
        """Return z with ``1 - S(z) = p``."""
        ...


class _SmallestExtreme:
    """Smallest extreme value: ``log S = -exp(z)``."""

    name = "weibull"
    exact_survives = True

    def log_survival(self, z: Floats) -> OneSided:
        value = -np.exp(np.minimum(z, _EXTREME_REACH))
        return OneSided(value, value, value)

    def log_between(self, z1: Floats, z2: Floats, given: Bools) -> TwoSided:
        open_start = np.isneginf(z1)
        z1 = np.clip(z1, -_EXTREME_REACH, _EXTREME_REACH)
        z2 = np.clip(z2, -_EXTREME_REACH, _EXTREME_REACH)
        a = np.where(open_start, 0.0, np.exp(z1))
        b = np.exp(z2)
        # Not b - a, which loses all digits of a narrow interval.
        gap = np.where(open_start, b, a * np.expm1(z2 - z1))
        gap = np.maximum(gap, np.maximum(_LEAST_GAP, 1e-16 * a))
        # Odds of a failure after the interval against one inside it; 0 when it is far.
        near = np.minimum(gap, 700.0)
        odds = np.where(gap < 700.0, 1.0 / np.expm1(near), 0.0)
        bend = odds * (1.0 + odds)
        start = np.where(given, 0.0, a)
        return TwoSided(
            np.log(-np.expm1(-gap)) - start,
            -a * odds - start,
            b * odds,
            -a * odds - a * a * bend - start,
            a * b * bend,
            b * odds - b * b * bend,
        )

    def exact(self, d: Floats, y1: Floats, y2: Floats, delta: Floats, phi: Floats) -> Terms:
        # The log hazard is z itself; y2 plays no part.
        none = np.zeros_like(y2)
        return Terms(phi * y1 - delta * d, -d, y1, none, none, none)

    def quantile(self, p: float) -> float:
        return float(np.log(-np.log1p(-p)))


class _Normal:
    """Standard normal."""

    name = "lognormal"
    exact_survives = False

    def log_survival(self, z: Floats) -> OneSided:
        z = np.clip(z, -_NORMAL_REACH, _NORMAL_REACH)
        hazard = _ROOT_TWO_OVER_PI / erfcx(z * _ROOT_HALF)
        return OneSided(log_ndtr(-z), -hazard, -hazard * (hazard - z))

    def log_between(self, z1: Floats, z2: Floats, given: Bools) -> TwoSided:
        z1 = np.clip(z1, -_NORMAL_REACH, _NORMAL_REACH)
        z2 = np.clip(z2, -_NORMAL_REACH, _NORMAL_REACH)
        # In the upper tail the difference is taken between the mirrored lower tails.
        mirror = z1 > 0.0
        far = log_ndtr(np.where(mirror, -z1, z2))
        near = log_ndtr(np.where(mirror, -z2, z1))
        value = far + np.log(np.maximum(-np.expm1(near - far), _LEAST_SHARE))
        r1 = np.exp(-0.5 * z1 * z1 - _LOG_ROOT_TWO_PI - value)
        r2 = np.exp(-0.5 * z2 * z2 - _LOG_ROOT_TWO_PI - value)
        start = self.log_survival(z1)
        return TwoSided(
            value - np.where(given, start.value, 0.0),
            -r1 - np.where(given, start.first, 0.0),
            r2,
            r1 * (z1 - r1) - np.where(given, start.second, 0.0),
            r1 * r2,
            -r2 * (z2 + r2),
        )

    def exact(self, d: Floats, y1: Floats, y2: Floats, delta: Floats, phi: Floats) -> Terms:
        squares = phi * phi * y2 - 2.0 * phi * delta * y1 + delta * delta * d
        value = -0.5 * squares - d * _LOG_ROOT_TWO_PI
        return Terms(value, phi * y1 - delta * d, delta * y1 - phi * y2, -d, y1, -y2)

    def quantile(self, p: float) -> float:
        return float(ndtri(p))


SMALLEST_EXTREME: Family = _SmallestExtreme()
NORMAL: Family = _Normal()
