"""Nonparametric survival: Kaplan-Meier with late entry, and its table."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri

from roadworn.model.messages import Problem
from roadworn_plugins.lifedata.checked import (
    Bools,
    Floats,
    Ints,
    LifeDataError,
    Segments,
    check_level,
    group_order,
)
from roadworn_plugins.lifedata.lives import Lives

# Two survival values closer than this are the same value reached by another rounding.
_SAME = 1e-9


@dataclass(frozen=True, eq=False)
class KaplanMeier:
    """Survival at each failure age of each group, in flat columns sorted by group and age.

    At an age where the curve reaches 0 Greenwood's variance and the limits are undefined
    and nan; the curve stays 0 from there on, even when parts at risk follow (late entry).

    Attributes:
        group: group number, shape (n_events,).
        age: age of the failures.
        at_risk: lives with ``entry < age <= exit``; failures come before those that leave
            running at the same age.
        events: failures at that age.
        s: survival just after that age.
        se: Greenwood's standard error of ``s``.
        lower: lower log-log limit of ``s``.
        upper: upper log-log limit of ``s``.
        segments: rows of each group.
        last_age: age up to which each group was observed, shape (n_groups,); nan without lives.
        level: confidence level of the limits.
    """

    group: Ints
    age: Floats
    at_risk: Floats
    events: Floats
    s: Floats
    se: Floats
    lower: Floats
    upper: Floats
    segments: Segments
    last_age: Floats
    level: float

    @property
    def n_groups(self) -> int:
        """Number of groups, those without failures included."""
        return self.segments.lengths.size

    def group_slice(self, g: int) -> slice:
        """Return the rows of group ``g`` as a slice into the flat columns."""
        start = int(self.segments.starts[g])
        return slice(start, start + int(self.segments.lengths[g]))

    def at(self, g: int, ages: Floats | float) -> Floats:
        """Return survival of group ``g`` at the given ages; nan beyond its last observed age."""
        return self.limits_at(g, ages)[0]

    def limits_at(self, g: int, ages: Floats | float) -> tuple[Floats, Floats, Floats, Floats]:
        """Return survival, standard error, lower and upper limit of group ``g`` at ages.

        Before the first failure survival is 1 with standard error 0 and limits 1.
        """
        wanted = np.asarray(ages, dtype=np.float64)
        rows = self.group_slice(g)
        step = np.searchsorted(self.age[rows], wanted, side="right")
        seen = wanted <= self.last_age[g]
        if rows.stop > rows.start and self.s[rows.stop - 1] == 0.0:
            seen = seen | (step == rows.stop - rows.start)

        def column(values: Floats, before: float) -> Floats:
            held = np.concatenate(([before], values[rows]))[step]
            return np.where(seen, held, np.nan)

        return (
            column(self.s, 1.0),
            column(self.se, 0.0),
            column(self.lower, 1.0),
            column(self.upper, 1.0),
        )

    def quantile(self, p: float) -> tuple[Floats, Floats, Floats]:
        """Return the age by which the share ``p`` has failed, with limits, for each group.

        The limits invert the limits of the curve (Brookmeyer & Crowley 1982). Where the
        curve runs level at exactly ``1 - p`` the middle of that stretch is returned, up to
        the last observed age when the curve ends there.

        Args:
            p: share failed, between 0 and 1, for instance 0.1 for B10.

        Returns:
            Estimate, lower and upper limit, shape (n_groups,) each; nan means not reached.
        """
        if not 0.0 < p < 1.0:
            raise LifeDataError(f"The quantile {p} is out of range: give a share such as 0.1.")
        return (
            self._first_at_or_below(self.s, 1.0 - p),
            self._first_at_or_below(self.lower, 1.0 - p),
            self._first_at_or_below(self.upper, 1.0 - p),
        )

    def _first_at_or_below(self, curve: Floats, target: float) -> Floats:
        touch = self._first_age(curve <= target + _SAME)
        below = self._first_age(curve < target - _SAME)
        return (touch + np.where(np.isnan(below), self.last_age, below)) / 2.0

    def _first_age(self, chosen: Bools) -> Floats:
        # Ages rise inside a group, so the smallest chosen age is the first.
        first = self.segments.min(np.where(chosen, self.age, np.inf))
        return np.where(np.isfinite(first), first, np.nan)


def kaplan_meier(lives: Lives, *, level: float = 0.95) -> KaplanMeier:
    """Estimate survival of each group by Kaplan and Meier's product.

    Args:
        lives: exact failures and running parts, with or without late entry.
        level: confidence level of the log-log limits.

    Raises:
        LifeDataError: when a failure is known only to an interval; use ``turnbull`` then.
    """
    check_level(level)
    if lives.interval.any():
        raise LifeDataError(
            "Kaplan-Meier needs exact failure ages and some rows are intervals:"
            " use the Turnbull estimate for them."
        )
    group, age, at_risk, events = risk_table(lives)
    # Once nobody at risk is left over, the curve is 0 for good.
    survived = (at_risk - events) / at_risk
    segments = Segments.of_sorted(group, lives.n_groups)
    s = segments.running(np.multiply, survived)
    alive = s > 0.0
    hazard = np.divide(events, at_risk * (at_risk - events), out=np.zeros_like(s), where=alive)
    greenwood = segments.running(np.add, hazard)
    se = np.where(alive, s * np.sqrt(greenwood), np.nan)
    lower, upper = log_log_limits(s, greenwood, alive, level)
    last = np.full(lives.n_groups, -np.inf)
    np.maximum.at(last, lives.group, lives.exit)
    last[np.isinf(last)] = np.nan
    return KaplanMeier(group, age, at_risk, events, s, se, lower, upper, segments, last, level)


def log_log_limits(
    s: Floats, relative_variance: Floats, inside: Bools, level: float
) -> tuple[Floats, Floats]:
    """Return limits of a survival value that are symmetric on the scale log(-log S).

    Args:
        s: survival, shape (n,).
        relative_variance: variance of log S.
        inside: rows with ``0 < S < 1``; the others get nan.
        level: confidence level.
    """
    z = float(ndtri(0.5 + level / 2.0))
    log_s = np.log(s, out=np.full_like(s, -1.0), where=inside)
    reach = np.exp(z * np.sqrt(relative_variance) / -log_s)
    return (
        np.where(inside, np.exp(log_s * reach), np.nan),
        np.where(inside, np.exp(log_s / reach), np.nan),
    )


def risk_table(lives: Lives) -> tuple[Ints, Floats, Floats, Floats]:
    """Count those at risk and failing at each failure age of each group.

    Returns:
        Group, age, at risk, events; one row for each distinct failure age of a group,
        sorted by group and age.
    """
    late = lives.entry > 0.0
    group = np.concatenate((lives.group, lives.group[late]))
    age = np.concatenate((lives.exit, lives.entry[late]))
    # At risk just before an age: entered before it, not gone before it.
    change = np.concatenate((-lives.count, lives.count[late]))
    failed = np.concatenate((np.where(lives.exact, lives.count, 0.0), np.zeros(late.sum())))
    order = group_order(group, age)
    group, age, change, failed = group[order], age[order], change[order], failed[order]
    if not group.size:
        return group, age, change, failed
    fresh = np.concatenate(([True], (group[1:] != group[:-1]) | (age[1:] != age[:-1])))
    first = np.flatnonzero(fresh)
    group, age = group[first], age[first]
    change, failed = np.add.reduceat(change, first), np.add.reduceat(failed, first)
    segments = Segments.of_sorted(group, lives.n_groups)
    from_new = lives.per_group(~late)
    at_risk = segments.spread(from_new) + segments.running(np.add, change) - change
    some = failed > 0.0
    return group[some], age[some], at_risk[some], failed[some]


def at_risk(lives: Lives, age: float) -> Floats:
    """Count the lives of each group at risk at an age: ``entry < age <= exit``."""
    return lives.per_group((lives.entry < age) & (lives.exit >= age))


_KNOWN = ("group", "entry", "age", "failed", "lower", "upper", "count")
_TRUTH = {"1": 1.0, "1.0": 1.0, "true": 1.0, "0": 0.0, "0.0": 0.0, "false": 0.0}


@dataclass(frozen=True, eq=False)
class LifeTable:
    """Lives read from a table.

    Attributes:
        lives: the lives, with dense group numbers.
        labels: label of each group, in the order of first appearance.
        ignored: names of the columns that have no meaning here.
    """

    lives: Lives
    labels: tuple[str, ...]
    ignored: tuple[str, ...]


def read_lives(columns: Mapping[str, Sequence[Any]]) -> LifeTable:
    """Read lives from ``age, failed`` or ``lower, upper`` with optional ``group, entry, count``.

    Args:
        columns: one sequence a column, all of one length; rows are counted from 1.

    Raises:
        LifeDataError: columns are missing or mixed, or rows cannot be read; ``problems``
            names each of them.
    """
    pairs = [pair for pair in (("age", "failed"), ("lower", "upper")) if set(pair) <= set(columns)]
    if len(pairs) != 1:
        raise LifeDataError(
            "A table of lives needs either the columns age and failed or the columns lower and"
            " upper: rename or add them."
        )
    first, second = pairs[0]
    n = len(columns[first])
    if any(len(columns[name]) != n for name in _KNOWN if name in columns):
        raise LifeDataError("The columns differ in length: give one value a row.")
    if n == 0:
        raise LifeDataError("The table has no rows: give at least one life.")
    problems: list[Problem] = []
    group, labels = _groups(columns, n)
    entry = _numbers(columns, "entry", n, 0.0, problems)
    count = _numbers(columns, "count", n, 1.0, problems)
    start = _numbers(columns, first, n, None, problems)
    by_age = second == "failed"
    if by_age:
        end = _truths(columns[second], problems)
    else:
        end = _numbers(columns, second, n, np.inf, problems)
    if problems:
        problems.sort(key=lambda problem: problem.row)
        raise LifeDataError(
            f"{len(problems)} values cannot be read, the first in {problems[0]}", problems
        )
    build = Lives.from_ages if by_age else Lives.from_intervals
    lives = build(start, end, entry=entry, group=group, count=count, n_groups=len(labels))
    ignored = tuple(name for name in columns if name not in _KNOWN)
    return LifeTable(lives, labels, ignored)


def _groups(columns: Mapping[str, Sequence[Any]], n: int) -> tuple[Ints, tuple[str, ...]]:
    """Number the groups in the order in which they appear; one nameless group without a column."""
    if "group" not in columns:
        return np.zeros(n, dtype=np.int64), ("",)
    number: dict[str, int] = {}
    for label in columns["group"]:
        number.setdefault(str(label), len(number))
    return np.array([number[str(label)] for label in columns["group"]]), tuple(number)


def _numbers(
    columns: Mapping[str, Sequence[Any]],
    name: str,
    n: int,
    default: float | None,
    problems: list[Problem],
) -> Floats:
    """Read a column of numbers; an empty value is the default, or a problem without one."""
    out = np.zeros(n)
    if name not in columns:
        out[:] = math.nan if default is None else default
        return out
    for i, value in enumerate(columns[name]):
        if _empty(value):
            if default is None:
                problems.append(_unreadable(name, value, i))
            else:
                out[i] = default
            continue
        try:
            out[i] = float(value)
        except (TypeError, ValueError):
            problems.append(_unreadable(name, value, i))
            continue
        if math.isnan(out[i]) or (math.isinf(out[i]) and default != math.inf):
            problems.append(_unreadable(name, value, i))
    return out


def _truths(column: Sequence[Any], problems: list[Problem]) -> Floats:
    out = np.zeros(len(column))
    for i, value in enumerate(column):
        truth = _TRUTH.get(str(value).strip().lower())
        if truth is None:
            problems.append(
                Problem(
                    "not-yes-or-no",
                    f"failed is {value!r}",
                    "write 1 for a failure and 0 for a part still running",
                    row=i + 1,
                    column="failed",
                )
            )
        else:
            out[i] = truth
    return out


def _empty(value: object) -> bool:
    return value is None or (isinstance(value, str) and not value.strip())


def _unreadable(name: str, value: object, i: int) -> Problem:
    return Problem(
        "not-a-number", f"{name} is {value!r}", "give a plain number", row=i + 1, column=name
    )
