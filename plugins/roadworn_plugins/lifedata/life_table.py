"""Reading lives from the columns of a plain table, text or numbers, row by row.

Every row that cannot be a life becomes a problem with its row and column, so that a person
sees all of them at once; nothing is guessed from a value that is not plainly a number.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from roadworn.problems import Problem
from roadworn_plugins.lifedata.errors import LifeDataError
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.segments import Floats, Ints

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
