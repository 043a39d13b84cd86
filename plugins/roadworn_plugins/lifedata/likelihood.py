"""The log likelihood of censored and late-entry lives, summed inside each group.

Parameters are ``delta = mu / sigma`` and ``phi = 1 / sigma``, so that ``z = phi y - delta``
is linear in them: derivatives are plain moments of y, and without late entry the log
likelihood is concave (Burridge 1981, JRSS-B 43:41-45), which is what makes Newton's method
safe. Ages enter as ``y = (log t - centre) / spread`` of their group, so that one set of
tolerances fits kilometres and years alike.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np

from roadworn_plugins.lifedata import Bools, Floats, Ints, Segments
from roadworn_plugins.lifedata.families import Family, Terms
from roadworn_plugins.lifedata.lives import Lives


@dataclass(frozen=True, eq=False)
class SurvivalBlock:
    """Rows that enter by log S(y): exits with weight +count, late entries with -count.

    Attributes:
        below: y counted from the largest y of its group, so that ``exp(phi below)`` is at
            most 1 whatever phi is.
        weight: weight of each row.
        top: the largest y of each group, 0 for a group without rows.
        segments: rows of each group.
    """

    below: Floats
    weight: Floats
    top: Floats
    segments: Segments

    @property
    def y(self) -> Floats:
        """Scaled log age of each row."""
        return self.below + self.segments.spread(self.top)

    def take(self, groups: Ints) -> Self:
        """Keep the rows of the given groups."""
        rows, segments = self.segments.rows_of(groups)
        return type(self)(self.below[rows], self.weight[rows], self.top[groups], segments)


@dataclass(frozen=True, eq=False)
class IntervalBlock:
    """Rows that enter by log(S(y1) - S(y2)).

    Attributes:
        y1: last look at which the part worked; -inf for a failure before the first look.
        y2: first look at which it had failed.
        given: rows given survival to y1, because they entered there.
        count: multiplicity.
        segments: rows of each group.
    """

    y1: Floats
    y2: Floats
    given: Bools
    count: Floats
    segments: Segments

    def take(self, groups: Ints) -> Self:
        """Keep the rows of the given groups."""
        rows, segments = self.segments.rows_of(groups)
        return type(self)(
            self.y1[rows], self.y2[rows], self.given[rows], self.count[rows], segments
        )


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
        """Put the rows of ``lives`` into blocks by group and scale them."""
        lives = lives.by_group()
        n, group, count = lives.n_groups, lives.group, lives.count
        exact, interval, entry = lives.exact, lives.interval, lives.entry
        segments = Segments.of_sorted(group, n)
        log_exit = np.log(lives.exit)
        centre, spread = _scales(log_exit, count, segments)
        row_centre, row_spread = segments.spread(centre), segments.spread(spread)
        y = (log_exit - row_centre) / row_spread
        failed = np.where(exact, count, 0.0)
        # Entry and last sound look in one: such a row is conditional in itself.
        given = interval & (lives.lower == entry) & (entry > 0.0)
        late = np.flatnonzero((entry > 0.0) & ~given)
        y_entry = (np.log(entry[late]) - row_centre[late]) / row_spread[late]
        leaves = ~interval if family.exact_survives else lives.running
        low = lives.lower[interval]
        log_low = np.log(low, out=np.full_like(low, -np.inf), where=low > 0.0)
        return cls(
            family,
            centre,
            spread,
            segments.sum(failed),
            segments.sum(failed * y),
            segments.sum(failed * y * y),
            _merged(
                (group[leaves], y[leaves], count[leaves]), (group[late], y_entry, -count[late]), n
            ),
            IntervalBlock(
                (log_low - row_centre[interval]) / row_spread[interval],
                y[interval],
                given[interval],
                count[interval],
                Segments.of_sorted(group[interval], n),
            ),
            segments.sum(failed * log_exit),
        )

    def take(self, groups: Ints) -> Self:
        """Keep the given groups, in that order."""
        if np.array_equal(groups, np.arange(self.n_groups)):
            return self
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
        terms = self.family.exact(self.d, self.y1, self.y2, delta, phi)
        terms = terms._replace(
            value=terms.value + self.d * np.log(phi),
            p=terms.p + self.d / phi,
            pp=terms.pp - self.d / phi**2,
        )
        if self.survival.below.size:
            terms = _added(terms, self._survival_terms(delta, phi))
        if self.interval.y2.size:
            terms = _added(terms, self._interval_terms(delta, phi))
        return terms

    def density_shift(self) -> Floats:
        """Return what turns the value of ``evaluate`` into the log likelihood of the ages."""
        return -self.log_age - self.d * np.log(self.spread)

    def hazard_moments(self, phi: Floats) -> tuple[Floats, Floats, Floats]:
        """Return sums of ``w e``, ``w b e`` and ``w b^2 e``, b = below, ``e = exp(phi b)``.

        For the Weibull, where ``exp(phi top - delta)`` times the first is the cumulative hazard.
        """
        block = self.survival
        part = block.below * block.segments.spread(phi)
        np.exp(part, out=part)
        part *= block.weight
        t0 = block.segments.sum(part)
        part *= block.below
        t1 = block.segments.sum(part)
        part *= block.below
        return t0, t1, block.segments.sum(part)

    def _survival_terms(self, delta: Floats, phi: Floats) -> Terms:
        """Sum with y counted from the top, where z = phi b - shifted; then move the origin."""
        block = self.survival
        top, b, add = block.top, block.below, block.segments.sum
        shifted = delta - phi * top
        if self.family.exact_survives:
            # log S is its own derivative in the extreme value family: three sums, not six.
            factor = -np.exp(np.minimum(-shifted, 300.0))
            s0, s1, s2 = (factor * moment for moment in self.hazard_moments(phi))
            value, d, p, dd, dp, pp = s0, -s0, s1, s0, -s1, s2
        else:
            z = b * block.segments.spread(phi) - block.segments.spread(shifted)
            one = self.family.log_survival(z)
            first, second = block.weight * one.first, block.weight * one.second
            value, d, p = add(block.weight * one.value), -add(first), add(first * b)
            dd, dp, pp = add(second), -add(second * b), add(second * b * b)
        return Terms(value, d, p - top * d, dd, dp - top * dd, pp - 2.0 * top * dp + top * top * dd)

    def _interval_terms(self, delta: Floats, phi: Floats) -> Terms:
        block = self.interval
        y2, c, add = block.y2, block.count, block.segments.sum
        rows_phi, rows_delta = block.segments.spread(phi), block.segments.spread(delta)
        two = self.family.log_between(
            rows_phi * block.y1 - rows_delta, rows_phi * y2 - rows_delta, block.given
        )
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


Rows = tuple[Ints, Floats, Floats]


def _merged(leaves: Rows, enters: Rows, n: int) -> SurvivalBlock:
    """Merge rows of exits and of entries, both sorted by group, into one block.

    In each group the exits come first; their places are counted, which is faster than a sort.
    """
    of_exits, of_entries = (np.bincount(group, minlength=n) for group, _, _ in (leaves, enters))
    segments = Segments.of_lengths(of_exits + of_entries)
    y, weight = np.empty(segments.lengths.sum()), np.empty(segments.lengths.sum())
    earlier_entries = np.cumsum(of_entries) - of_entries
    for (group, rows_y, rows_weight), offset in (
        (leaves, earlier_entries),
        (enters, np.cumsum(of_exits)),
    ):
        place = np.arange(group.size) + offset[group]
        y[place], weight[place] = rows_y, rows_weight
    top = np.where(segments.lengths > 0, segments.max(y), 0.0)
    return SurvivalBlock(y - segments.spread(top), weight, top, segments)


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
