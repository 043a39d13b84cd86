"""Pictures made from tables, by what a table holds and what its columns tell.

Each maker answers with no picture when a column it needs is not there: an analysis may change
its table without breaking a report, and a plugin's table is drawn as ours are.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from functools import partial
from typing import Final

from roadworn.analysis import Cell, Chart, Holds, Mark, Series, Table, Tells
from roadworn.say import Said
from roadworn_cli.report.charts import draw
from roadworn_cli.report.marks import Axis, Bar, Interval, bars, intervals
from roadworn_cli.report.model import Picture
from roadworn_cli.report.periods import Period, periods
from roadworn_cli.words import Words

_MOST = 12
_MOST_BARS = 10
_ALIKE = 0.6
_MONTH = 30.436875
_NAMING = (Tells.VEHICLE, Tells.COMPONENT, Tells.PLACE, Tells.NAME)
#: Name of a column of ratios: they are drawn on a logarithmic axis with a line at 1.
_RATIO = "ratio"
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
    axis: str | Said,
    log: bool = False,
    share: bool = False,
) -> Picture | None:
    """Draw estimates with their limits; ratios on a logarithmic axis with a line at 1.

    Args:
        table: with a value and its limits.
        ident: unique on the page.
        words: of the report.
        title: key of the string that says the finding.
        axis: key of the axis title, or the title itself.
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
        # What cannot be told apart from chance is told by its row alone.
        if not (math.isnan(one.low) or (log and one.value <= 0))
        and Mark.NOT_KNOWN not in marks[number]
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
        Axis(
            axis if isinstance(axis, Said) else words(axis, unit=_unit(table)),
            log,
            1.0 if log else None,
            share,
            words("safety_part") if share else "",
        ),
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
    if not parts and table.columns and row[0] is not None:
        parts = [words.word(row[0])]
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


def _periods(table: Table, ident: str, words: Words) -> Picture | None:
    """Draw the cost by month or quarter, what came apart from what is to come."""
    return periods_of(periods_in(table), _unit(table), ident, words)


def periods_in(table: Table) -> list[Period]:
    """Return the months or quarters of a table, past ones marked."""
    begins, marked = table.cells(Tells.TIME), table.marked()
    return [
        Period(day, one.value, one.low, one.high, Mark.PAST in marked[number][1])
        for number, one in _rows(table)
        if isinstance(day := begins[number], date)
    ]


def periods_of(
    given: Sequence[Period],
    unit: str,
    ident: str,
    words: Words,
    known: Mapping[bool, float] | None = None,
) -> Picture | None:
    """Draw periods with the sums of both halves written over them.

    Args:
        given: past ones first.
        unit: the currency.
        ident: unique on the page.
        words: of the report.
        known: the sum of past ones, and of those to come, where it is known better than that.
    """
    if len(given) < 2:
        return None
    months = round((given[1].begins - given[0].begins).days / _MONTH)
    sums = {
        past: (
            sum(one.value for one in given if one.past is past),
            sum(one.past is past for one in given),
        )
        for past in (True, False)
    }
    sums |= {past: (value, sums[past][1]) for past, value in (known or {}).items()}
    above = tuple(
        words(key, months=sums[past][1] * months, value=_short(sums[past][0], words), unit=unit)
        if sums[past][1]
        else Said()
        for key, past in (("periods_past", True), ("periods_ahead", False))
    )
    told = words.joined((one for one in above if one), "; ")
    return periods(
        given, ident, words, unit=unit, title=told, alternative=told, above=(above[0], above[1])
    )


def _dearest(table: Table, ident: str, words: Words) -> Picture | None:
    """Draw what costs most by distance."""
    rows = sorted(_rows(table), key=lambda row: -row[1].value)
    codes = table.cells(Tells.CURRENCY)
    if len({codes[number] for number, _one in rows}) != 1 or len(rows) < 2:
        return None
    rows = rows[:_MOST_BARS]
    if rows[-1][1].value > _ALIKE * rows[0][1].value:
        return None  # bars of nearly one length say less than the table below
    names = table.cells(Tells.NAME)
    unit = f"{codes[rows[0][0]] or ''} / {words.look.unit}".strip(" /")
    title = words(
        "dearest_title",
        name=names[rows[0][0]],
        value=_short(rows[0][1].value, words),
        unit=Said(unit),
    )
    given = [Bar(str(names[n]), one.value, _short(one.value, words)) for n, one in rows]
    return bars(given, ident, words, title=title, alternative=title, head=Said(unit))


def _causes(table: Table, ident: str, words: Words) -> Picture | None:
    """Draw the money that repeats cost beyond the usual, what failed against what is usual."""
    given = causes_of(table, words)
    if not given:
        return _compare(table, ident, words, title="times_title", axis="times_axis", log=True)
    title = words("causes_title", name=given[0].name, told=Said(given[0].text))
    return bars(given, ident, words, title=title, alternative=title, head=words("causes_head"))


@dataclass(frozen=True, slots=True)
class Cause(Bar):
    """What keeps failing: failures against the usual, and the money beyond it, in words."""

    against: Said = field(default_factory=Said)
    money: Said = field(default_factory=Said)


def causes_of(table: Table, words: Words, most: int = _MOST) -> list[Cause]:
    """Return what keeps failing as bars of avoidable money a year; none without its columns."""
    columns = [table.named(name) for name in ("avoidable_a_year", "failed", "expected")]
    if any(column is None for column in columns):
        return []
    found = []
    codes, first = table.cells(Tells.CURRENCY), table.named("since")
    for number, row in enumerate(zip(*(column or () for column in columns), strict=True)):
        money, failed, usual = map(_figure, row)
        if row[0] is None:
            continue
        against = words(
            "cause",
            failed=Said(words.number(f"{failed:,.0f}")),
            usual=Said(words.number(f"{usual:,.1f}")),
        )
        began = first[number] if first else None
        if isinstance(began, date):
            against = words("cause_since", told=against, year=Said(str(began.year)))
        sum_of = words.joined((_short(money, words), codes[number] or ""), " ")
        told = words.joined((against, sum_of), " · ")
        name = _name(table, number, words)
        found.append(Cause(name, max(money, 0.0), told, against, sum_of))
    return sorted(found, key=lambda bar: -bar.value)[:most]


def _estimates(table: Table, ident: str, words: Words) -> Picture | None:
    """Draw the estimates of any table that has them with limits, whatever it is about."""
    at = table.place(Tells.VALUE)
    if at is None:
        return None
    column = table.columns[at]
    told = words.said(column.title)
    unit = Said(column.unit)
    return _compare(
        table,
        ident,
        words,
        title="estimates_title",
        axis=words("in_unit", title=told, unit=unit) if column.unit else told,
        log=column.name == _RATIO,
        share=column.kind == "chance",
    )


_Maker = Callable[[Table, str, Words], Picture | None]
#: What a table holds -> the end of the picture's name, and what draws it.
_PICTURES: Final[Mapping[Holds, tuple[str, _Maker]]] = {
    Holds.REPEATS: ("", _causes),
    Holds.AHEAD: ("0", partial(_compare, title="chance_title", axis="chance_axis", share=True)),
    Holds.TOTALS: ("1", _money),
    Holds.QUARTERS: ("2", _periods),
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


def estimates_of(tables: Sequence[Table], ident: str, words: Words) -> Picture | None:
    """Return the picture of an answer that has no other: its first table of estimates.

    Tables that hold something a report knows of have a picture of their own, or none on purpose.
    """
    made = (_estimates(one, ident, words) for one in tables if one.holds is None)
    return next((one for one in made if one is not None), None)
