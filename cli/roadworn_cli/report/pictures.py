"""Pictures made from tables, by what a table holds and what its columns tell.

Each maker answers with no picture when a column it needs is not there: an analysis may change
its table without breaking a report, and a plugin's table is drawn as ours are.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from typing import Final

from roadworn.analysis import Cell, Chart, Holds, Mark, Series, Table, Tells
from roadworn.say import Said
from roadworn_cli.report.charts import draw
from roadworn_cli.report.marks import Interval, Scale, intervals
from roadworn_cli.report.model import Picture
from roadworn_cli.words import Words

_MOST = 12
_MOST_BARS = 10
_NAMING = (Tells.VEHICLE, Tells.COMPONENT, Tells.PLACE, Tells.NAME)
_STRONG = frozenset({Mark.SAFETY, Mark.CRITICAL})


@dataclass(frozen=True, slots=True)
class _Figures:
    """A row as figures: its value and limits, infinite where it has no upper one."""

    value: float
    low: float
    high: float


def _rows(table: Table) -> list[tuple[int, _Figures]]:
    """Return the numbers of the rows that have a figure, with it."""
    at = table.place(Tells.VALUE)
    if at is None:
        return []
    beside = [column.tells for column in table.columns[at + 1 : at + 3]]
    banded = beside == [Tells.LOW, Tells.HIGH]
    return [
        (
            number,
            _Figures(
                _figure(row[at]),
                _figure(row[at + 1]) if banded else math.nan,
                _figure(row[at + 2], math.inf) if banded else math.nan,
            ),
        )
        for number, row in enumerate(table.rows)
        if row[at] is not None
    ]


def _compare(
    table: Table,
    ident: str,
    words: Words,
    *,
    title: str,
    axis: str,
    log: bool = False,
    share: bool = False,
) -> Picture | None:
    """Draw estimates with their limits; ratios on a logarithmic axis with a line at 1.

    Args:
        table: with a value and its limits.
        ident: unique on the page.
        words: of the report.
        title: key of the string that says the finding.
        axis: key of the axis title.
        log: the figures are ratios.
        share: the figures are chances.
    """
    marks = table.marks or (frozenset(),) * len(table.rows)
    shown = [
        Interval(
            _name(table, number, words), one.value, one.low, one.high, bool(marks[number] & _STRONG)
        )
        for number, one in _rows(table)
        # A ratio of nothing has no place on a logarithmic axis, and is not counted as drawn.
        if not (math.isnan(one.low) or (log and one.value <= 0))
    ][:_MOST]
    if not shown:
        return None
    first = shown[0]
    told = {
        key: _short(value, words, share=share)
        for key, value in (("value", first.value), ("low", first.low), ("high", first.high))
    }
    return intervals(
        shown,
        Scale(words(axis, unit=_unit(table)), log, 1.0 if log else None, share),
        ident,
        words,
        title=words(title, name=first.name, number=len(shown)),
        alternative=words("compared_in_words", name=first.name, number=len(shown), **told),
    )


def _name(table: Table, number: int, words: Words) -> Said:
    """Return what names a row: its columns for that, a vehicle only where there are several."""
    row, component = table.rows[number], table.cells(Tells.COMPONENT)[number]
    several = len(set(table.cells(Tells.VEHICLE))) > 1
    parts = [
        words.place(cell, component) if column.tells is Tells.PLACE else words.word(cell)
        for column, cell in zip(table.columns, row, strict=True)
        if column.tells in _NAMING and not column.detail and cell
        if several or column.tells is not Tells.VEHICLE
    ]
    return words.joined(dict.fromkeys(parts), ", ")


def _figure(value: Cell, missing: float = 0.0) -> float:
    return float(value) if isinstance(value, int | float | Decimal) else missing


def _short(value: float, words: Words, *, share: bool = False) -> Said:
    if not math.isfinite(value):
        return Said("∞")
    form = ".0%" if share else ",.0f" if abs(value) >= 100 else ",.3g"
    return Said(words.number(f"{value:{form}}"))


def _unit(table: Table) -> str:
    at = table.place(Tells.VALUE)
    return "" if at is None else table.columns[at].unit


def _money(table: Table, ident: str, words: Words) -> Picture | None:
    """Draw what failures are expected to cost over ever longer times, with the band."""
    months = [_figure(cell) for cell in table.cells(Tells.TIME)]
    figures = [one for _number, one in _rows(table)]
    if len(figures) != len(months) or not any(one.value for one in figures):
        return None
    unit, last = _unit(table), figures[-1]
    told = {
        "unit": unit,
        "months": Said(words.number(f"{months[-1]:g}")),
        "value": _short(last.value, words),
        "low": _short(last.low, words),
        "high": _short(last.high, words),
    }
    series = Series(
        words("expected"),
        (0.0, *months),
        (0.0, *(one.value for one in figures)),
        "line",
        (0.0, *(one.low for one in figures)),
        (0.0, *(one.high for one in figures)),
    )
    axes = words("months_axis"), words("money_axis", unit=unit)
    alternative = words("money_in_words", **told)
    title = words("money_title", **told)
    return draw(Chart("money", title, *axes, (series,), alternative), ident, words)


def _quarters(table: Table, ident: str, words: Words) -> Picture | None:
    """Draw the cost by quarter; actual ones apart from those to come, when both are there."""
    days, limits = table.cells(Tells.TIME), table.place(Tells.LOW)
    groups: dict[str, list[tuple[str, _Figures]]] = {"actual": [], "expected": []}
    for number, one in _rows(table):
        past = bool(table.marks) and Mark.PAST in table.marks[number]
        groups["actual" if past else "expected"].append((words.plain(days[number]), one))
    actual, coming = groups.values()
    if limits is None or not any(one.value for _day, one in (*actual, *coming)):
        return None
    banded = {
        key: all(math.isfinite(one.high) for _day, one in group) for key, group in groups.items()
    }
    series = tuple(
        Series(
            words(key),
            tuple(day for day, _one in group),
            tuple(one.value for _day, one in group),
            "bars",
            tuple(one.low for _day, one in group if banded[key]),
            tuple(one.high for _day, one in group if banded[key]),
        )
        for key, group in groups.items()
        if group
    )
    unit = _unit(table)
    title = words("quarter_title", unit=unit, **_span(coming or actual, words))
    told = [title]
    if coming and banded["expected"]:
        told.append(words("quarter_band", unit=unit, **_span(coming, words, limits=True)))
    if actual and coming:
        told.append(words("quarter_past", unit=unit, **_span(actual, words)))
    axes = words("quarter_axis"), words("money_axis", unit=unit)
    return draw(Chart("quarters", title, *axes, series, words.joined(told, "; ")), ident, words)


def _span(
    rows: Sequence[tuple[str, _Figures]], words: Words, *, limits: bool = False
) -> dict[str, Said]:
    """Return the least and the largest figure of some rows, or of their limits."""
    low = min(one.low if limits else one.value for _day, one in rows)
    high = max(one.high if limits else one.value for _day, one in rows)
    return {"low": _short(low, words), "high": _short(high, words)}


def _dearest(table: Table, ident: str, words: Words) -> Picture | None:
    """Draw what costs most by distance."""
    rows = sorted(_rows(table), key=lambda row: -row[1].value)
    codes = table.cells(Tells.CURRENCY)
    if len({codes[number] for number, _one in rows}) != 1 or len(rows) < 2:
        return None
    rows = rows[:_MOST_BARS]
    names = table.cells(Tells.NAME)
    unit = f"{codes[rows[0][0]] or ''} / {words.look.unit}".strip(" /")
    figures = tuple(one.value for _number, one in rows)
    series = Series(unit, tuple(str(names[number]) for number, _one in rows), figures, "bars")
    title = words(
        "dearest_title", name=names[rows[0][0]], value=_short(figures[0], words), unit=Said(unit)
    )
    chart = Chart("dearest", title, words("vehicle_axis"), Said(unit), (series,), title)
    return draw(chart, ident, words)


_Maker = Callable[[Table, str, Words], Picture | None]
#: What a table holds -> the end of the picture's name, and what draws it.
_PICTURES: Final[Mapping[Holds, tuple[str, _Maker]]] = {
    Holds.REPEATS: ("", partial(_compare, title="times_title", axis="times_axis", log=True)),
    Holds.AHEAD: ("0", partial(_compare, title="chance_title", axis="chance_axis", share=True)),
    Holds.TOTALS: ("1", _money),
    Holds.QUARTERS: ("2", _quarters),
    Holds.SUPPLIERS: ("", partial(_compare, title="hazard_title", axis="hazard_axis", log=True)),
    Holds.WAYS: ("", partial(_compare, title="ways_title", axis="ways_axis")),
    Holds.BY_DISTANCE: ("", _dearest),
}


def pictures_of(tables: Sequence[Table], ident: str, words: Words) -> list[Picture]:
    """Return the pictures of the tables of one answer."""
    found = []
    for holds, (end, maker) in _PICTURES.items():
        for table in tables:
            drawn = maker(table, f"{ident}{end}", words) if table.holds is holds else None
            if drawn is not None:
                found.append(drawn)
    return found
