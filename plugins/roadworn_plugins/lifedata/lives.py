"""Lives of parts as columns: what every estimator of this package takes.

One row is one stay of a part: from when it was observed (late entry), the span in which
it failed, and how many identical rows it stands for. An exact failure, a part that is
still running and a failure found between two looks are the same row with other bounds,
so no estimator needs a code for the kind of row.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from roadworn.model.messages import Problem
from roadworn_plugins.lifedata import Bools, Floats, Ints, LifeDataError, group_order

# More rows than anybody reads; the rest is counted.
_SHOWN_PER_CHECK = 200
_EXCHANGE = "exchange the two or correct one"
_NEVER_AT_RISK = "the part leaves observation no later than it enters, so it was never at risk"
_LEAVE_OUT = "leave the row out, or correct the age or the entry"


@dataclass(frozen=True, eq=False)
class Lives:
    """Lives in columns of equal length n, checked when they are built by a class method.

    Attributes:
        group: group number, dense from 0 to ``n_groups - 1``.
        entry: age at which observation began (left truncation); 0 means from new.
        lower: last age at which the part was known to work; equal to ``upper`` for an
            exact failure. Never below ``entry``.
        upper: first age at which it was known to have failed; inf while still running.
            The failure lies in the half-open span (lower, upper].
        count: how many identical lives the row stands for, above 0.
        n_groups: number of groups, those without rows included.
    """

    group: Ints
    entry: Floats
    lower: Floats
    upper: Floats
    count: Floats
    n_groups: int

    @classmethod
    def from_ages(
        cls,
        age: ArrayLike,
        failed: ArrayLike,
        *,
        entry: ArrayLike = 0.0,
        group: ArrayLike = 0,
        count: ArrayLike = 1.0,
        n_groups: int | None = None,
    ) -> Self:
        """Build lives from the age at failure or at the last look.

        Args:
            age: age at the end of observation, above ``entry``, shape (n,).
            failed: whether the part failed at that age (else it was still running).
            entry: age at which observation began, 0 by default.
            group: group number of each row, 0 by default.
            count: multiplicity of each row, 1 by default; rows with 0 are left out.
            n_groups: number of groups, by default the largest group number plus one.

        Raises:
            LifeDataError: when rows cannot be lives; ``problems`` names each of them.
        """
        at, event = np.asarray(age, dtype=np.float64), np.asarray(failed)
        if event.shape != at.shape:
            raise LifeDataError("The columns age and failed differ in length.")
        if not np.isin(event, (0, 1)).all():
            raise LifeDataError("The column failed may hold only 0 and 1 (or true and false).")
        upper = np.where(event.astype(bool), at, np.inf)
        return cls._checked(at, upper, entry, group, count, n_groups, ("age", "age"))

    @classmethod
    def from_intervals(
        cls,
        lower: ArrayLike,
        upper: ArrayLike,
        *,
        entry: ArrayLike = 0.0,
        group: ArrayLike = 0,
        count: ArrayLike = 1.0,
        n_groups: int | None = None,
    ) -> Self:
        """Build lives from the span (lower, upper] in which each part failed.

        Args:
            lower: last age at which the part worked, shape (n,). A value below ``entry``
                is raised to it: the part was seen working then.
            upper: first age at which it had failed; inf while still running, equal to
                ``lower`` for an exact failure.
            entry: as the others, as for :meth:`from_ages`.
            group: see there.
            count: see there.
            n_groups: see there.

        Raises:
            LifeDataError: when rows cannot be lives; ``problems`` names each of them.
        """
        low, high = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
        return cls._checked(low, high, entry, group, count, n_groups, ("lower", "upper"))

    @classmethod
    def _checked(
        cls,
        lower: Floats,
        upper: Floats,
        entry: ArrayLike,
        group: ArrayLike,
        count: ArrayLike,
        n_groups: int | None,
        names: tuple[str, str],
    ) -> Self:
        start, times = (_column(x, lower.size).astype(np.float64) for x in (entry, count))
        member = _column(group, lower.size).astype(np.int64)
        if any(c.shape != (lower.size,) for c in (lower, upper, start, times, member)):
            raise LifeDataError(
                "The columns of a life table differ in length: give one value a row.", ()
            )
        total = int(member.max(initial=-1)) + 1 if n_groups is None else n_groups
        problems = _find_problems(lower, upper, start, times, member, total, names)
        if problems:
            raise LifeDataError(
                f"{len(problems)} rows are no lives: correct or leave out the rows named,"
                f" the first is row {problems[0].row}: {problems[0].message}",
                problems,
            )
        found = cls(member, start, np.maximum(lower, start), upper, times, total)
        keep = times > 0
        return found if keep.all() else found.where(keep)

    @cached_property
    def exact(self) -> Bools:
        """Rows that are failures at a known age."""
        return np.equal(self.lower, self.upper)

    @cached_property
    def running(self) -> Bools:
        """Rows of parts that were still running when last seen."""
        return np.isinf(self.upper)

    @cached_property
    def interval(self) -> Bools:
        """Rows of failures found between two looks."""
        return ~(self.exact | self.running)

    @property
    def exit(self) -> Floats:
        """Age at which a row leaves observation: ``upper``, or ``lower`` while running."""
        return np.where(self.running, self.lower, self.upper)

    def per_group(self, rows: Bools) -> Floats:
        """Count the lives of the chosen rows in each group, shape (n_groups,)."""
        weights = np.where(rows, self.count, 0.0)
        return np.bincount(self.group, weights, self.n_groups).astype(np.float64)

    def by_group(self) -> Self:
        """Return the rows sorted by group; themselves when they are."""
        if (self.group[1:] >= self.group[:-1]).all():
            return self
        return self.where(group_order(self.group))

    def where(self, rows: Bools | Ints) -> Self:
        """Return the chosen rows; the groups keep their numbers."""
        return type(self)(
            self.group[rows],
            self.entry[rows],
            self.lower[rows],
            self.upper[rows],
            self.count[rows],
            self.n_groups,
        )


def _column(values: ArrayLike, size: int) -> np.ndarray:
    """Return one value a row; a single number stands for all rows."""
    column = np.asarray(values)
    return np.full(size, column) if column.ndim == 0 else column


def _find_problems(
    lower: Floats,
    upper: Floats,
    entry: Floats,
    count: Floats,
    group: Ints,
    n_groups: int,
    names: tuple[str, str],
) -> list[Problem]:
    """Return one problem for each row and check that fails, in the order of the rows."""
    low, high = names
    unreadable = ~np.isfinite(lower) | np.isnan(upper) | ~np.isfinite(entry) | ~np.isfinite(count)
    negative = (lower < 0) | (upper < 0) | (entry < 0) | (count < 0)
    crossed = lower > upper
    leaves = np.where(np.isinf(upper), lower, upper)
    instant = ~(unreadable | negative | crossed) & (leaves <= entry)
    stranger = (group < 0) | (group >= n_groups)
    checks = (
        (unreadable, "not-a-number", low, "a value is missing or not finite", "give a number"),
        (negative, "negative", low, "a value is negative", "ages and counts start at 0"),
        (crossed, "crossed-interval", low, f"{low} is above {high}", _EXCHANGE),
        (instant, "exit-before-entry", high, _NEVER_AT_RISK, _LEAVE_OUT),
        (
            stranger,
            "unknown-group",
            "group",
            f"the group number is not between 0 and {n_groups - 1}",
            "number the groups from 0 without gaps",
        ),
    )
    problems: list[Problem] = []
    for bad, code, column, message, hint in checks:
        rows = np.flatnonzero(bad) + 1
        shown = rows[:_SHOWN_PER_CHECK].tolist()
        problems += [Problem(code, message, hint, row=row, column=column) for row in shown]
        if rows.size > len(shown):
            more = f"{rows.size - len(shown)} more rows: {message}"
            problems.append(Problem(code, more, hint, row=int(rows[-1])))
    return sorted(problems, key=lambda problem: problem.row)
