"""The table behind ``fit lives``: lives in, fitted distributions and survival out.

The statistics of the ledger on any plain table, so that they can be checked against data
whose answers are known. The result is a dictionary ready for JSON: a figure that the data do
not allow, and the open end of an interval, is None, and a status says why.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import numpy as np

from roadworn.model.messages import Problem
from roadworn_plugins.lifedata import Bools, ByGroup, Floats, Ints, LifeDataError
from roadworn_plugins.lifedata.fitting import fit_lognormal, fit_weibull
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.parametric import ParametricFit, WeibullFit
from roadworn_plugins.lifedata.small_samples import fit_small
from roadworn_plugins.lifedata.survival import kaplan_meier
from roadworn_plugins.lifedata.turnbull import turnbull

LimitsKind = Literal["conditional", "lr", "wald"]
Columns = Mapping[str, Sequence[Any]]
Row = dict[str, float | None]

_KNOWN = ("group", "entry", "age", "failed", "lower", "upper", "count")
#: What stands for a failure and for none; what this program writes itself among them.
_TRUTH = {
    **dict.fromkeys(("1", "1.0", "true", "yes", "failed"), 1.0),
    **dict.fromkeys(("0", "0.0", "false", "no", "running"), 0.0),
}
_SHOWN = 20
_YES_OR_NO = "write 1 or yes for a failure and 0 or no for a part still running"
_INSTANT = "they end at the age at which they began: a life of length 0 has no age to fit"
_NO_TURNBULL = (
    "survival without a model is not given where intervals and late entry meet:"
    " the estimate would be ambiguous"
)


def fit_lives_table(
    columns: Columns, *, unit: str = "", level: float = 0.95, interval: LimitsKind = "conditional"
) -> dict[str, Any]:
    """Fit Weibull, lognormal and model-free survival to each group of a table of lives.

    Args:
        columns: ``age`` and ``failed``, or ``lower`` and ``upper`` (empty: still running,
            equal: exact); optionally ``group``, ``entry`` (0) and ``count`` (1). Values may be
            numbers or text. Other columns are ignored and named in the result.
        unit: unit of the ages, handed through.
        level: confidence level.
        interval: ``conditional`` for limits corrected for small samples, ``lr`` for
            likelihood-ratio limits, ``wald`` for Wald limits on the log scale. Lognormal fits,
            and groups with interval rows, have likelihood-ratio limits in place of
            conditional ones; ``limits`` of each fit says which it has.

    Returns:
        ``{"unit", "level", "interval", "ignored_columns", "left_out", "groups": [...]}``. A group
        with interval rows has Turnbull's estimate under ``survival``, the others Kaplan and
        Meier's. A life that ends where it began says nothing of age and is left out; the first of
        these are named by row, from 1.

    Raises:
        LifeDataError: the table cannot be read as lives; ``problems`` names each row.
    """
    lives, labels, instant = _read(columns)
    weibull, conditional = _fit_weibull(lives, level, interval)
    rest: Literal["lr", "wald"] = "wald" if interval == "wald" else "lr"
    lognormal = fit_lognormal(lives, level=level, interval=rest)
    survival, ambiguous = _survival(lives, level)
    groups = []
    for g, label in enumerate(labels):
        group = {
            "group": label,
            "n": _count(weibull.n[g]),
            "failures": _count(weibull.failures[g]),
            "running": _count(weibull.running[g]),
            "interval_censored": _count(weibull.interval_censored[g]),
            "weibull": {
                **_parameters(weibull, ("shape", "scale"), g),
                "limits": "conditional" if conditional[g] else rest,
            },
            "lognormal": {**_parameters(lognormal, ("mu", "sigma"), g), "limits": rest},
            "survival": survival[g],
        }
        if ambiguous[g]:
            group["survival_note"] = _NO_TURNBULL
        groups.append(group)
    return {
        "unit": unit,
        "level": level,
        "interval": interval,
        "ignored_columns": [name for name in columns if name not in _KNOWN],
        "left_out": {"rows": instant[:_SHOWN], "number": len(instant), "why": _INSTANT},
        "groups": groups,
    }


def _fit_weibull(lives: Lives, level: float, interval: LimitsKind) -> tuple[WeibullFit, Bools]:
    """Return the fit, and the groups whose limits are conditional."""
    if interval == "conditional":
        return fit_small(lives, level=level)
    if interval in ("lr", "wald"):
        found = fit_weibull(lives, level=level, interval=interval)
        return found, np.zeros(lives.n_groups, dtype=bool)
    raise LifeDataError(
        f"There is no interval named {interval!r}: use 'conditional', 'lr' or 'wald'."
    )


def _number(value: float) -> float | None:
    """Return a float for JSON, None for what is undefined or open."""
    return float(value) if math.isfinite(value) else None


def _pair(values: Floats) -> list[float | None]:
    return [_number(value) for value in values]


def _count(value: float) -> int | float:
    return int(value) if float(value).is_integer() else float(value)


def _parameters(fit: ParametricFit, names: tuple[str, str], g: int) -> dict[str, Any]:
    return {
        **{name: _number(getattr(fit, name)[g]) for name in names},
        **{f"{name}_ci": _pair(getattr(fit, f"{name}_ci")[g]) for name in names},
        "loglik": _number(fit.loglik[g]),
        "aic": _number(fit.aic[g]),
        "b10": _number(fit.quantiles[0.1][g]),
        "b10_ci": _pair(fit.quantile_ci[0.1][g]),
        "b50": _number(fit.quantiles[0.5][g]),
        "b50_ci": _pair(fit.quantile_ci[0.5][g]),
        "status": fit.status_word(g),
    }


def _survival(lives: Lives, level: float) -> tuple[list[list[Row]], Bools]:
    """Return the survival table of each group, and where intervals and late entry meet."""
    with_intervals = lives.per_group(lives.interval) > 0.0
    ambiguous = with_intervals & (lives.per_group(lives.entry > 0.0) > 0.0)
    curve = kaplan_meier(lives.where(~with_intervals[lives.group]), level=level)
    masses = turnbull(lives.where((with_intervals & ~ambiguous)[lives.group]))
    tables = [
        _rows(masses, g, lower=masses.lower, upper=masses.upper, mass=masses.mass, s=masses.s)
        if with_intervals[g]
        else _rows(
            curve,
            g,
            age=curve.age,
            at_risk=curve.at_risk,
            events=curve.events,
            s=curve.s,
            se=curve.se,
            lower=curve.lower,
            upper=curve.upper,
        )
        for g in range(lives.n_groups)
    ]
    return tables, ambiguous


def _rows(curve: ByGroup, g: int, **columns: Floats) -> list[Row]:
    """Return the rows of one group of a curve, counts as whole numbers."""
    rows = curve.group_slice(g)
    return [
        {
            name: _count(value) if name in ("at_risk", "events") else _number(value)
            for name, value in zip(columns, row, strict=True)
        }
        for row in zip(*(column[rows].tolist() for column in columns.values()), strict=True)
    ]


def _read(columns: Columns) -> tuple[Lives, tuple[str, ...], list[int]]:
    """Read lives, the labels of their groups in the order of first appearance, and rows left out.

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
    leaves = start if by_age else np.where(np.isinf(end), start, end)
    instant = (leaves == entry) & (leaves >= 0.0) & (by_age | (start <= end))
    # Kept as no life at all, so that the problems of the others are named by their rows.
    start, entry = np.where(instant, 1.0, start), np.where(instant, 0.0, entry)
    end = end if by_age else np.where(instant, 1.0, end)
    count = np.where(instant, 0.0, count)
    lives = build(start, end, entry=entry, group=group, count=count, n_groups=len(labels))
    return lives, labels, (np.flatnonzero(instant) + 1).tolist()


def _groups(columns: Columns, n: int) -> tuple[Ints, tuple[str, ...]]:
    """Number the groups in the order in which they appear; one nameless group without a column."""
    if "group" not in columns:
        return np.zeros(n, dtype=np.int64), ("",)
    number: dict[str, int] = {}
    codes = [number.setdefault(str(label), len(number)) for label in columns["group"]]
    return np.array(codes), tuple(number)


def _numbers(
    columns: Columns, name: str, n: int, default: float | None, problems: list[Problem]
) -> Floats:
    """Read a column of numbers; an empty value is the default, or a problem without one."""
    out = np.full(n, math.nan if default is None else default)
    for i, value in enumerate(columns.get(name, ())):
        empty = value is None or (isinstance(value, str) and not value.strip())
        if empty and default is not None:
            continue
        try:
            out[i] = float(value)
        except (TypeError, ValueError):
            out[i] = math.nan
        if math.isnan(out[i]) or (math.isinf(out[i]) and default != math.inf):
            what, hint = f"{name} is {value!r}", "give a plain number"
            problems.append(Problem("not-a-number", what, hint, row=i + 1, column=name))
    return out


def _truths(column: Sequence[Any], problems: list[Problem]) -> Floats:
    out = np.zeros(len(column))
    for i, value in enumerate(column):
        truth = _TRUTH.get(str(value).strip().lower())
        if truth is None:
            what, hint = f"failed is {value!r}", _YES_OR_NO
            problems.append(Problem("not-yes-or-no", what, hint, row=i + 1, column="failed"))
        else:
            out[i] = truth
    return out
