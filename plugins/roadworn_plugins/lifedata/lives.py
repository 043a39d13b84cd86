"""Lives of parts as columns: what every estimator of this package takes.

One row is one stay of a part: from when it was observed (late entry), the span in which
it failed, and how many identical rows it stands for. An exact failure, a part that is
still running and a failure found between two looks are the same row with other bounds,
so no estimator needs a code for the kind of row.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Self

import numpy as np

from roadworn.model.messages import Problem
from roadworn_plugins.lifedata.checked import Bools, Floats, Ints, LifeDataError, group_order

Column = Sequence[Any] | Floats | Ints | Bools

# More rows than anybody reads; the rest is counted.
_SHOWN_PER_CHECK = 200


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
        age: Column,
        failed: Column,
        *,
        entry: Column | None = None,
        group: Column | None = None,
        count: Column | None = None,
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
        at = np.asarray(age, dtype=np.float64)
        event = np.asarray(failed)
        if event.size != at.size:
            raise LifeDataError("The columns age and failed differ in length.")
        if not np.isin(event, (0, 1)).all():
            raise LifeDataError("The column failed may hold only 0 and 1 (or true and false).")
        upper = np.where(event.astype(bool), at, np.inf)
        return cls._checked(at, upper, entry, group, count, n_groups, ("age", "age"))

    @classmethod
    def from_intervals(
        cls,
        lower: Column,
        upper: Column,
        *,
        entry: Column | None = None,
        group: Column | None = None,
        count: Column | None = None,
        n_groups: int | None = None,
    ) -> Self:
        """Build lives from the span (lower, upper] in which each part failed.

        Args:
            lower: last age at which the part worked, shape (n,). A value below ``entry``
                is raised to it: the part was seen working then.
            upper: first age at which it had failed; inf while still running, equal to
                ``lower`` for an exact failure.
            entry: age at which observation began, 0 by default.
            group: group number of each row, 0 by default.
            count: multiplicity of each row, 1 by default; rows with 0 are left out.
            n_groups: number of groups, by default the largest group number plus one.

        Raises:
            LifeDataError: when rows cannot be lives; ``problems`` names each of them.
        """
        low = np.asarray(lower, dtype=np.float64)
        high = np.asarray(upper, dtype=np.float64)
        return cls._checked(low, high, entry, group, count, n_groups, ("lower", "upper"))

    @classmethod
    def _checked(
        cls,
        lower: Floats,
        upper: Floats,
        entry: Column | None,
        group: Column | None,
        count: Column | None,
        n_groups: int | None,
        names: tuple[str, str],
    ) -> Self:
        size = lower.size
        start = np.zeros(size) if entry is None else np.asarray(entry, dtype=np.float64)
        times = np.ones(size) if count is None else np.asarray(count, dtype=np.float64)
        member = (
            np.zeros(size, dtype=np.int64) if group is None else np.asarray(group, dtype=np.int64)
        )
        if any(c.shape != (size,) for c in (lower, upper, start, times, member)):
            raise LifeDataError(
                "The columns of a life table differ in length: give one value a row.", ()
            )
        total = n_groups
        if total is None:
            total = int(member.max()) + 1 if size else 0
        problems = _find_problems(lower, upper, start, times, member, total, names)
        if problems:
            raise LifeDataError(
                f"{len(problems)} rows are no lives: correct or leave out the rows named,"
                f" the first is row {problems[0].row}: {problems[0].message}",
                problems,
            )
        keep = times > 0
        lower = np.maximum(lower, start)
        if keep.all():
            return cls(member, start, lower, upper, times, total)
        return cls(member[keep], start[keep], lower[keep], upper[keep], times[keep], total)

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
        order = group_order(self.group)
        return type(self)(
            self.group[order],
            self.entry[order],
            self.lower[order],
            self.upper[order],
            self.count[order],
            self.n_groups,
        )

    def where(self, rows: Bools) -> Self:
        """Return the chosen rows; the groups keep their numbers."""
        return type(self)(
            self.group[rows],
            self.entry[rows],
            self.lower[rows],
            self.upper[rows],
            self.count[rows],
            self.n_groups,
        )

    def surviving(self, age: float) -> Self:
        """Return the lives seen beyond ``age``, entering there: for curves given survival.

        A curve with late entry may fall to 0 while one or two parts are at risk and stay
        there; the curve given survival to an age with enough parts at risk is the use of it.
        """
        keep = self.exit > age
        entry = np.maximum(self.entry[keep], age)
        lower = np.maximum(self.lower[keep], entry)
        return type(self)(
            self.group[keep], entry, lower, self.upper[keep], self.count[keep], self.n_groups
        )


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
    low_name, high_name = names
    unreadable = ~np.isfinite(lower) | np.isnan(upper) | ~np.isfinite(entry) | ~np.isfinite(count)
    negative = (lower < 0) | (upper < 0) | (entry < 0) | (count < 0)
    crossed = lower > upper
    leaves = np.where(np.isinf(upper), lower, upper)
    instant = ~(unreadable | negative | crossed) & (leaves <= entry)
    stranger = (group < 0) | (group >= n_groups)
    checks = (
        (unreadable, "not-a-number", low_name, "a value is missing or not finite", "give a number"),
        (negative, "negative", low_name, "a value is negative", "ages and counts start at 0"),
        (
            crossed,
            "crossed-interval",
            low_name,
            f"{low_name} is above {high_name}",
            "exchange the two or correct one",
        ),
        (
            instant,
            "exit-before-entry",
            high_name,
            "the part leaves observation no later than it enters, so it was never at risk",
            "leave the row out, or correct the age or the entry",
        ),
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
        rows = np.flatnonzero(bad)
        problems += [
            Problem(code, message, hint, row=int(row) + 1, column=column)
            for row in rows[:_SHOWN_PER_CHECK]
        ]
        if rows.size > _SHOWN_PER_CHECK:
            more = rows.size - _SHOWN_PER_CHECK
            problems.append(
                Problem(code, f"{more} more rows: {message}", hint, row=int(rows[-1]) + 1)
            )
    return sorted(problems, key=lambda problem: problem.row)
