"""The log likelihood of censored and late-entry lives, summed inside each group.

Parameters are ``delta = mu / sigma`` and ``phi = 1 / sigma``, so that ``z = phi y - delta``
is linear in them: derivatives are plain moments of y, and without late entry the log
likelihood is concave (Burridge 1981, JRSS-B 43:41-45), which is what makes Newton's method
safe. Ages enter as ``y = (log t - centre) / spread`` of their group, so that one set of
tolerances fits kilometres and years alike.
"""

from dataclasses import dataclass
from typing import NamedTuple, Self

import numpy as np

from roadworn_plugins.lifedata.families import Family
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.segments import Floats, Ints, Segments, group_order


class Terms(NamedTuple):
    """Log likelihood of each group with gradient and second derivatives by delta and phi."""

    value: Floats
    d: Floats
    p: Floats
    dd: Floats
    dp: Floats
    pp: Floats


@dataclass(frozen=True, eq=False)
class SurvivalBlock:
    """Rows that enter by log S(y): exits with weight +count, late entries with -count."""

    y: Floats
    weight: Floats
    segments: Segments

    def take(self, groups: Ints) -> Self:
        """Keep the rows of the given groups."""
        rows, segments = self.segments.rows_of(groups)
        return type(self)(self.y[rows], self.weight[rows], segments)


@dataclass(frozen=True, eq=False)
class IntervalBlock:
    """Rows that enter by log(S(y1) - S(y2)); y1 is -inf for a failure before the first look."""

    y1: Floats
    y2: Floats
    count: Floats
    segments: Segments

    def take(self, groups: Ints) -> Self:
        """Keep the rows of the given groups."""
        rows, segments = self.segments.rows_of(groups)
        return type(self)(self.y1[rows], self.y2[rows], self.count[rows], segments)


@dataclass(frozen=True, eq=False)
class GroupedLikelihood:
    """Log likelihood of one family for many groups.

    Attributes:
        family: location-scale family of log age.
        centre: centre of log age in each group, shape (n_groups,).
        spread: spread of log age in each group.
        d: exact failures of each group.
        y1: sum of y over the exact failures.
        y2: sum of y squared over the exact failures.
        survival: rows that enter by log S.
        interval: rows that enter by an interval.
        log_age: sum of log age over the exact failures, for the density of t itself.
    """

    family: Family
    centre: Floats
    spread: Floats
    d: Floats
    y1: Floats
    y2: Floats
    survival: SurvivalBlock
    interval: IntervalBlock
    log_age: Floats

    @classmethod
    def of(cls, lives: Lives, family: Family) -> Self:
        """Sort the rows of ``lives`` into blocks by group and scale them."""
        n = lives.n_groups
        order = group_order(lives.group)
        group, count = lives.group[order], lives.count[order]
        exact, interval = lives.exact[order], lives.interval[order]
        entry = lives.entry[order]
        log_exit = np.log(lives.exit[order])
        centre, spread = _scales(log_exit, count, Segments.of_sorted(group, n))
        y = (log_exit - centre[group]) / spread[group]

        def total(values: Floats) -> Floats:
            return np.bincount(group[exact], values, n).astype(np.float64)

        leaves = np.flatnonzero(~interval & (family.exact_survives | ~exact))
        enters = np.flatnonzero(entry > 0.0)
        members = np.concatenate((group[leaves], group[enters]))
        y_entry = (np.log(entry[enters]) - centre[group[enters]]) / spread[group[enters]]
        both = group_order(members) if enters.size else np.arange(members.size)
        survival = SurvivalBlock(
            np.concatenate((y[leaves], y_entry))[both],
            np.concatenate((count[leaves], -count[enters]))[both],
            Segments.of_sorted(members[both], n),
        )
        low = lives.lower[order][interval]
        log_low = np.log(low, out=np.full_like(low, -np.inf), where=low > 0.0)
        g = group[interval]
        intervals = IntervalBlock(
            (log_low - centre[g]) / spread[g],
            y[interval],
            count[interval],
            Segments.of_sorted(g, n),
        )
        ye, ce = y[exact], count[exact]
        return cls(
            family,
            centre,
            spread,
            total(ce),
            total(ce * ye),
            total(ce * ye * ye),
            survival,
            intervals,
            total(ce * log_exit[exact]),
        )

    def take(self, groups: Ints) -> Self:
        """Keep the given groups, in that order."""
        return type(self)(
            self.family,
            self.centre[groups],
            self.spread[groups],
            self.d[groups],
            self.y1[groups],
            self.y2[groups],
            self.survival.take(groups),
            self.interval.take(groups),
            self.log_age[groups],
        )

    @property
    def n_groups(self) -> int:
        """Number of groups."""
        return self.d.size

    def evaluate(self, delta: Floats, phi: Floats) -> Terms:
        """Return the log likelihood of the scaled log ages and its derivatives.

        Args:
            delta: one value a group.
            phi: one value a group, above 0.
        """
        value, gd, gp, hdd, hdp, hpp = self.family.exact(self.d, self.y1, self.y2, delta, phi)
        terms = Terms(
            value + self.d * np.log(phi), gd, gp + self.d / phi, hdd, hdp, hpp - self.d / phi**2
        )
        if self.survival.y.size:
            terms = _added(terms, self._survival_terms(delta, phi))
        if self.interval.y2.size:
            terms = _added(terms, self._interval_terms(delta, phi))
        return terms

    def density_shift(self) -> Floats:
        """Return what turns the value of ``evaluate`` into the log likelihood of the ages."""
        return -self.log_age - self.d * np.log(self.spread)

    def survival_moments(self, delta: Floats, phi: Floats) -> tuple[Floats, Floats, Floats]:
        """Return sums of ``w log S``, ``w y log S`` and ``w y^2 log S`` over the survival rows."""
        block = self.survival
        z = block.y * block.segments.spread(phi)
        z -= block.segments.spread(delta)
        part = self.family.log_survival(z).value * block.weight
        s0 = block.segments.sum(part)
        part *= block.y
        s1 = block.segments.sum(part)
        part *= block.y
        return s0, s1, block.segments.sum(part)

    def _survival_terms(self, delta: Floats, phi: Floats) -> Terms:
        if self.family.exact_survives:
            # log S is its own derivative in the extreme value family: three sums, not six.
            s0, s1, s2 = self.survival_moments(delta, phi)
            return Terms(s0, -s0, s1, s0, -s1, s2)
        block = self.survival
        y, add = block.y, block.segments.sum
        z = y * block.segments.spread(phi) - block.segments.spread(delta)
        one = self.family.log_survival(z)
        first, second = block.weight * one.first, block.weight * one.second
        return Terms(
            add(block.weight * one.value),
            -add(first),
            add(first * y),
            add(second),
            -add(second * y),
            add(second * y * y),
        )

    def _interval_terms(self, delta: Floats, phi: Floats) -> Terms:
        block = self.interval
        y2, c, add = block.y2, block.count, block.segments.sum
        rows_phi, rows_delta = block.segments.spread(phi), block.segments.spread(delta)
        two = self.family.log_between(rows_phi * block.y1 - rows_delta, rows_phi * y2 - rows_delta)
        # A lower end of -inf has derivatives of 0, whatever stands in for it here.
        y1 = np.where(np.isfinite(block.y1), block.y1, 0.0)
        q11, q12, q22 = two.second11, two.second12, two.second22
        return Terms(
            add(c * two.value),
            -add(c * (two.first1 + two.first2)),
            add(c * (two.first1 * y1 + two.first2 * y2)),
            add(c * (q11 + 2.0 * q12 + q22)),
            -add(c * (q11 * y1 + q12 * (y1 + y2) + q22 * y2)),
            add(c * (q11 * y1 * y1 + 2.0 * q12 * y1 * y2 + q22 * y2 * y2)),
        )


def _added(left: Terms, right: Terms) -> Terms:
    return Terms(*(a + b for a, b in zip(left, right, strict=True)))


def _scales(log_exit: Floats, count: Floats, segments: Segments) -> tuple[Floats, Floats]:
    """Return centre and spread of log age in each group.

    The weighted mean stands in for the log of the median: it removes the unit just as well
    and needs no sort. A group at one age keeps its own scale of log age.
    """
    weight = segments.sum(count)
    some = weight > 0.0
    safe = np.where(some, weight, 1.0)
    centre = segments.sum(count * log_exit) / safe
    gaps = log_exit - segments.spread(centre)
    spread = np.sqrt(segments.sum(count * gaps * gaps) / safe)
    return centre, np.where(spread > 1e-8, spread, 1.0)
