"""The table behind ``fit repairs``: repairs of units in, curve and trend of each group out.

Rows say what happened to a unit at an age: ``repair``, ``start`` or ``end`` of observation.
Without a ``start`` a unit is watched from 0; without an ``end`` it ends at its last repair.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from roadworn.model.messages import Problem
from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.power_law import TrendTest, laplace, military_handbook, power_law
from roadworn_plugins.lifedata.recurrence import MeanCumulative, mean_cumulative
from roadworn_plugins.lifedata.repair_history import RepairHistory

_EVENTS = ("repair", "end", "start")
#: Other words for them, those of this program's own tables among them.
_WORDS = {
    **dict.fromkeys(("fail", "failed", "failure", "replaced", "replacement", "repaired"), "repair"),
    **dict.fromkeys(("censored", "last seen", "retired", "retirement", "stop"), "end"),
    **dict.fromkeys(("begin", "enrolled", "enrolment", "new"), "start"),
}


_KNOWN = ("unit", "age", "event", "group", "count")


@dataclass
class _Unit:
    """Rows of one unit as they are read; a mutable collector, not a value."""

    name: str
    group: str
    row: int
    repairs: list[tuple[float, int, int]] = field(default_factory=list)  # age, count, row
    starts: list[float] = field(default_factory=list)
    ends: list[float] = field(default_factory=list)
    stretches: list[tuple[float, float]] = field(default_factory=list)  # start < age <= stop
    at_failure: bool = False  # the last stretch ends at the last repair

    def stretch_of(self, age: float) -> int | None:
        """Return the number of the stretch in which the unit was watched at an age."""
        watched = (i for i, (start, stop) in enumerate(self.stretches) if start < age <= stop)
        return next(watched, None)


def fit_repairs_table(
    columns: Mapping[str, Sequence[Any]], *, level: float = 0.95
) -> dict[str, Any]:
    """Fit the mean cumulative function, power law and trend tests to each group of units.

    Args:
        columns: ``unit``, ``age`` and ``event`` of each row, optionally ``group`` and ``count``.
        level: Two-sided level of the limits of beta.

    Returns:
        ``{"groups": [...], "ignored_columns": [...]}`` ready for JSON. A figure that the data do
        not allow is None; a group is stopped by ``failure`` when all of its units are. Without a
        group column the group is the empty text.

    Raises:
        LifeDataError: The rows cannot be read; ``problems`` names each of them.
    """
    units, problems = _read(columns)
    for unit in units:
        problems += _pair_up(unit) or _outside(unit)
    if problems:
        first = problems[0]
        raise LifeDataError(f"{len(problems)} rows cannot be used; the first: {first}", problems)
    if not units:
        raise LifeDataError("The table has no rows; give at least one unit.", ())
    repairs = [(unit.name, age, count) for unit in units for age, count, _ in unit.repairs]
    windows = [(unit, *stretch) for unit in units for stretch in unit.stretches]
    curves = mean_cumulative(
        [name for name, _, _ in repairs],
        [age for _, age, _ in repairs],
        (
            [unit.name for unit, _, _ in windows],
            [start for _, start, _ in windows],
            [stop for _, _, stop in windows],
        ),
        count=[count for _, _, count in repairs],
        group=[unit.group for unit, _, _ in windows],
        level=level,
    )
    return {
        "groups": [
            _group(curves, number, [unit for unit in units if unit.group == label], level)
            for number, label in enumerate(curves.labels)
        ],
        "ignored_columns": [name for name in columns if name not in _KNOWN],
    }


def _read(columns: Mapping[str, Sequence[Any]]) -> tuple[list[_Unit], list[Problem]]:
    absent = [name for name in ("unit", "age", "event") if name not in columns]
    if absent:
        raise LifeDataError(f"The table lacks the columns {', '.join(absent)}; add them.", ())
    n = len(columns["unit"])
    if any(
        len(columns[name]) != n for name in ("age", "event", "group", "count") if name in columns
    ):
        raise LifeDataError("The columns differ in length; give one value a row.", ())
    units: dict[str, _Unit] = {}
    problems: list[Problem] = []
    for i in range(n):
        row = i + 1
        name, event = str(columns["unit"][i]).strip(), str(columns["event"][i]).strip()
        event = _WORDS.get(event.lower(), event.lower())
        group = str(columns["group"][i]).strip() if "group" in columns else ""
        age, count = _number(columns["age"][i]), 1.0
        if "count" in columns and columns["count"][i] not in ("", None):
            count = _number(columns["count"][i])
        wrong = _row_problem(row, name, event, age, count)
        if wrong is None and name in units and units[name].group != group:
            wrong = Problem(
                "two-groups", f"unit {name} stands in two groups", "give it one", "", row, "group"
            )
        if wrong is not None:
            problems.append(wrong)
            continue
        unit = units.setdefault(name, _Unit(name, group, row))
        if event == "repair":
            if count:
                unit.repairs.append((age, int(count), row))
        else:
            (unit.ends if event == "end" else unit.starts).append(age)
    return list(units.values()), problems


def _number(text: object) -> float:
    """Return a number, or nan for what is none; the caller reports it."""
    try:
        return float(str(text))
    except ValueError:
        return math.nan


def _row_problem(row: int, unit: str, event: str, age: float, count: float) -> Problem | None:
    if not unit:
        return Problem("no-unit", "the row names no unit", "name it", "", row, "unit")
    if event not in _EVENTS:
        hint = f"write one of {', '.join(_EVENTS)}"
        return Problem("unknown-event", f"the event {event!r} is unknown", hint, "", row, "event")
    if not (math.isfinite(age) and age >= 0.0):
        return Problem("bad-age", "the age is no number from 0 up", "correct it", "", row, "age")
    if not (math.isfinite(count) and count >= 0.0 and count == int(count)):
        return Problem("bad-count", "the count is no whole number", "correct it", "", row, "count")
    return None


def _pair_up(unit: _Unit) -> list[Problem]:
    """Pair the starts and ends of a unit in order of age into stretches of observation."""
    starts, ends = sorted(unit.starts) or [0.0], sorted(unit.ends)
    last = max((age for age, _, _ in unit.repairs), default=-1.0)
    unit.at_failure = len(ends) == len(starts) - 1 and last > starts[-1]
    if unit.at_failure:
        ends = [*ends, last]
    fits = len(ends) == len(starts) and all(a < b for a, b in zip(starts, ends, strict=True))
    if not fits or any(end > start for end, start in zip(ends[:-1], starts[1:], strict=True)):
        message = f"the start and end rows of unit {unit.name} do not pair up"
        if not unit.ends and not unit.repairs:
            message = f"unit {unit.name} has neither an end nor a repair"
        hint = "give each start one later end; only the last end may be left to the last repair"
        return [Problem("bad-windows", message, hint, "", unit.row, "event")]
    unit.stretches = list(zip(starts, ends, strict=True))
    return []


def _outside(unit: _Unit) -> list[Problem]:
    hint = "a repair counts while start < age <= end; correct the age or the observation"
    return [
        Problem(
            "not-observed", f"unit {unit.name} was not observed at {age:g}", hint, "", row, "age"
        )
        for age, _, row in unit.repairs
        if unit.stretch_of(age) is None
    ]


def _group(
    curves: MeanCumulative, number: int, units: Sequence[_Unit], level: float
) -> dict[str, Any]:
    history = _history(units)
    rows = curves.group_slice(number)
    steps = zip(
        *(x[rows].tolist() for x in (curves.age, curves.at_risk, curves.mcf, curves.se)),
        strict=True,
    )
    return {
        "group": curves.labels[number],
        "units": len(units),
        "repairs": int(history.age.size),
        "mcf": [dict(zip(("age", "at_risk", "mcf", "se"), step, strict=True)) for step in steps],
        "power_law": {**_power_law(history, level), "stopped": history.stopped},
        "laplace": _test(laplace, history, statistic="u", p="p"),
        "military_handbook": _test(military_handbook, history, statistic="chi2", df="df", p="p"),
    }


def _history(units: Sequence[_Unit]) -> RepairHistory:
    ages: list[float] = []
    stretches: list[int] = []
    windows: list[tuple[float, float]] = []
    stopped: list[str] = []
    for unit in units:
        for age, count, _ in unit.repairs:
            ages += [age] * count
            stretches += [len(windows) + (unit.stretch_of(age) or 0)] * count
        windows += unit.stretches
        last = "failure" if unit.at_failure else "time"
        stopped += ["time"] * (len(unit.stretches) - 1) + [last]
    start, stop = np.array(windows).T
    return RepairHistory.of(
        np.array(ages), stop, np.array(stopped), np.array(stretches, dtype=np.int64), start
    )


def _power_law(history: RepairHistory, level: float) -> dict[str, Any]:
    """Return the fit, with None for what there is not: no repair, or all at the very end."""
    try:
        law = power_law(history, level=level)
    except LifeDataError:
        return dict.fromkeys(("beta", "lambda", "beta_unbiased", "beta_ci"))
    return {
        "beta": law.beta,
        "lambda": law.rate,
        "beta_unbiased": None if math.isnan(law.beta_unbiased) else law.beta_unbiased,
        "beta_ci": None if math.isnan(law.beta_ci[0]) else list(law.beta_ci),
    }


def _test(
    test: Callable[[RepairHistory], TrendTest], history: RepairHistory, **names: str
) -> dict[str, Any]:
    """Return figures of a test by the names that the table gives them."""
    try:
        found = test(history)
    except LifeDataError:
        return dict.fromkeys(names.values())  # no repair is left to test
    return {name: getattr(found, figure) for figure, name in names.items()}
