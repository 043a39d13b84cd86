"""From a result table to a table on a report: fewer, wider columns that fit a phone and a page.

An estimate and its limits share a cell, `39% (13% to 66%)`, and a currency that is the same in
every row moves into the heading. The figures of a column are written alike.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal

from roadworn.analysis import Cell, Column, Mark, Table, Tells
from roadworn.say import Said
from roadworn_cli.report.model import (
    Block,
    Facts,
    Fold,
    Grid,
    Heading,
    Line,
    Listing,
    Paragraph,
)
from roadworn_cli.results import cell as in_terminal
from roadworn_cli.words import Words

_NUMERIC = {"integer", "number", "distance", "money", "chance"}
#: An amount that stands by itself.
MONEY = Column("money", "money", "money")
_LEFT = {"text", "component", "date", "sentence"}


@dataclass(frozen=True, slots=True)
class _Shown:
    """A column on the report: where its value and its limits stand in a row.

    `places` are the decimals that the whole column is written with, None for as many as fit.
    """

    column: Column
    at: int
    limits: tuple[int, int] | None = None
    places: int | None = None


def blocks_of(
    table: Table,
    words: Words,
    *,
    full: bool = False,
    brief: bool = False,
    first: int = 0,
) -> tuple[Block, ...]:
    """Return a table, the rows after the first ones folded away.

    Args:
        table: of a result.
        words: of the report.
        full: with columns of detail and evidence.
        brief: only its columns for a short report, if it has any.
        first: so many rows stand open; 0 for all.
    """
    grid, other = grid_of(table, words, full=full, brief=brief)
    blocks: list[Block] = []
    if grid.lines and len(grid.headings) == 1 and not any(line.below for line in grid.lines):
        # One column of text is a list.
        blocks.append(Paragraph(grid.caption))
        blocks.append(Listing(tuple(line.cells[0] for line in grid.lines)))
        return tuple(blocks)
    if grid.lines:
        cut = first if first and len(grid.lines) > first + 1 else len(grid.lines)
        blocks.append(Grid(grid.caption, grid.headings, grid.lines[:cut]))
        if cut < len(grid.lines):
            more = words("more_rows", number=len(grid.lines) - cut)
            rest = Grid(more, grid.headings, grid.lines[cut:])
            cut_off = words("rows_on_screen", number=len(grid.lines) - cut)
            blocks.append(Fold(more, (rest,), cut=cut_off))
    if other:
        blocks.append(Paragraph(words("other_currency", number=other), "quiet"))
    return tuple(blocks)


def listed_by_vehicle(table: Table, words: Words) -> tuple[Block, ...]:
    """Return every row of a table in few words, those of one vehicle together, to look one up.

    A part is told once with all its places, each with the figure of its row, or with its first
    day where it has none. Of a table that names no vehicles nothing is returned.
    """
    if not any(column.tells is Tells.VEHICLE for column in table.columns):
        return ()
    days = (n for n, column in enumerate(table.columns) if column.kind == "date")
    at = value if (value := table.place(Tells.VALUE)) is not None else next(days, None)
    shown = None if at is None else _evenly(_Shown(table.columns[at], at), table.rows)
    tells = (Tells.VEHICLE, Tells.COMPONENT, Tells.PLACE, Tells.NAME, Tells.STATE, Tells.SEEN)
    of: dict[str, dict[Said, list[Said]]] = {}
    columns = zip(*map(table.cells, tells), strict=True)
    for row, (vehicle, component, place, *others) in zip(table.rows, columns, strict=True):
        name = words.word(component or next(filter(None, others), ""))
        where = words.place(place, component) if component and place else Said()
        figure = _cell(shown, row, words, component) if shown is not None else Said()
        both = words.joined(filter(None, (where, figure)), " ")
        of.setdefault(str(vehicle or ""), {}).setdefault(name, []).append(both)
    pairs = []
    for whose, parts in sorted(of.items(), key=lambda one: _by_number(one[0])):
        told = [
            words.joined((part, words.joined(filter(None, places), ", ")), " ")
            for part, places in parts.items()
        ]
        pairs.append((words.word(whose), words.joined(told, "; ")))
    heading = _heading(shown.column, "", words) if shown is not None else Said()
    title = words("by_vehicle_with" if heading else "by_vehicle", n=len(table.rows), figure=heading)
    return (Paragraph(title), Facts(tuple(pairs), dense=True))


def _by_number(name: str) -> list[tuple[bool, int, str]]:
    """Return what sorts names as a person does, car-9 before car-10."""
    parts = re.split(r"(\d+)", name)
    return [(one.isdigit(), int(one) if one.isdigit() else 0, one) for one in parts]


def grid_of(
    table: Table, words: Words, *, full: bool = False, brief: bool = False
) -> tuple[Grid, int]:
    """Return a table as a grid, and how many rows are in another currency than asked for."""
    currencies = table.cells(Tells.CURRENCY)
    kept = [
        number
        for number, code in enumerate(currencies)
        if not words.look.currency or code in {None, words.look.currency}
    ]
    codes = {currencies[n] for n in kept} - {None, ""}
    columns = _columns(table, full=full, brief=brief, money_by_row=len(codes) > 1)
    unit = str(codes.pop()) if len(codes) == 1 else ""
    columns = [_evenly(shown, [table.rows[n] for n in kept]) for shown in columns]
    headings = tuple(
        Heading(
            _heading(shown.column, unit, words),
            right=bool(place) and shown.column.kind not in _LEFT,
            day=shown.column.kind == "date",
        )
        for place, shown in enumerate(columns)
    )
    lines = [_line(table, number, columns, words, full=full) for number in kept]
    lines.sort(key=lambda line: not line.alert)  # safety first, else in the order of the answer
    return Grid(words.said(table.title), headings, tuple(lines)), len(table.rows) - len(kept)


def _columns(table: Table, *, full: bool, brief: bool, money_by_row: bool) -> list[_Shown]:
    brief = brief and any(column.brief for column in table.columns)
    found: list[_Shown] = []
    # What a row is called is not told a second time by its id and its place.
    named = any(column.tells is Tells.NAME and not column.detail for column in table.columns)
    taken: set[int] = {
        at
        for at, column in enumerate(table.columns)
        if named and column.detail and column.tells in {Tells.COMPONENT, Tells.PLACE}
    }
    for at, column in enumerate(table.columns):
        if at in taken or column.kind == "sentence":
            continue
        if column.tells is Tells.CURRENCY:
            if money_by_row:
                found.append(_Shown(column, at))
            continue
        limits = _limits(table.columns, at)
        if limits is not None:
            taken.update(limits)
        if (brief and not column.brief) or (column.detail and not full):
            continue
        found.append(_Shown(column, at, limits))
    if brief:
        found.sort(key=lambda shown: shown.column.brief)
    # A column that nobody filled only takes room.
    return [
        shown
        for shown in found
        if not table.rows or any(row[shown.at] not in {None, ""} for row in table.rows)
    ]


def _limits(columns: Sequence[Column], at: int) -> tuple[int, int] | None:
    """Return where the lower and upper limit of a column stand: right after it."""
    if columns[at].kind not in _NUMERIC or at + 2 >= len(columns):
        return None
    low, high = columns[at + 1], columns[at + 2]
    fits = low.tells is Tells.LOW and high.tells is Tells.HIGH
    return (at + 1, at + 2) if fits and low.kind == high.kind == columns[at].kind else None


def _heading(column: Column, currency: str, words: Words) -> Said:
    unit = column.unit or (currency if column.kind == "money" else "")
    title = words.said(column.title)
    return words("in_unit", title=title, unit=unit) if unit else title


def _line(
    table: Table, number: int, columns: Sequence[_Shown], words: Words, *, full: bool
) -> Line:
    row, marks = table.rows[number], table.marks[number] if table.marks else ()
    component = table.cells(Tells.COMPONENT)[number]
    below = [
        (words.said(column.title), words.said(row[at]))
        for at, column in enumerate(table.columns)
        if column.kind == "sentence" and row[at]
    ]
    if full and table.evidence and table.evidence[number]:
        ids = table.evidence[number]
        more = f" +{len(ids) - 3}" if len(ids) > 3 else ""
        short = ", ".join(event[-8:] for event in ids[:3])
        below.append((words("events"), Said(f"{short}{more}")))
    return Line(
        cells=tuple(_cell(shown, row, words, component) for shown in columns),
        below=tuple(below),
        alert=Mark.SAFETY in marks,
    )


def _evenly(shown: _Shown, rows: Sequence[Sequence[Cell]]) -> _Shown:
    """Settle how many decimals a column of money or of plain numbers is written with."""
    if shown.column.kind not in {"money", "number"}:
        return shown
    at = (shown.at, *(shown.limits or ()))
    values = [abs(float(row[i])) for row in rows for i in at if _finite(row[i])]
    if not values:
        return shown
    most = max(values)
    if shown.column.kind == "money":
        # Whole amounts once one of them reaches a hundred; a column of zeros has no cents either.
        return replace(shown, places=0 if most >= 100 or not most else 2)
    if all(value == int(value) for value in values):
        return replace(shown, places=0)
    return replace(shown, places=0 if most >= 1000 else 1 if most >= 20 else 2)


def _finite(value: Cell) -> bool:
    return isinstance(value, int | float | Decimal) and math.isfinite(value)


def _cell(shown: _Shown, row: Sequence[Cell], words: Words, component: Cell) -> Said:
    if shown.column.tells is Tells.PLACE:
        return words.place(row[shown.at], component)
    text = value_text(shown.column, row[shown.at], words, shown.places)
    if shown.limits is None or not text:
        return text
    low, high = (value_text(shown.column, row[at], words, shown.places) for at in shown.limits)
    if low == high == text:
        return text
    return (
        words("with_limits", value=text, low=low or "?", high=high or "?") if low or high else text
    )


def value_text(column: Column, value: Cell, words: Words, places: int | None = None) -> Said:
    """Return one value as the report writes it.

    Args:
        column: what it is.
        value: of a result.
        words: of the report.
        places: decimals of its column; a value too small for them keeps its first figure.
    """
    if isinstance(value, str):
        return words.word(value)
    if isinstance(value, date | bool):
        return words.plain(value)
    if value is None or value != value:
        return Said()
    if not isinstance(value, int | float):
        value = float(value)
    if abs(value) == float("inf"):
        return Said("∞" if value > 0 else "−∞")
    return Said(words.number(_figure(column, value, places)))


def money_text(value: Cell, low: Cell, high: Cell, unit: str, words: Words) -> Said:
    """Return an amount with its limits where they say more than it does, and its currency."""
    if value is None or value != value:
        return Said()
    figures = [value_text(MONEY, one, words, 0) for one in (value, low, high)]
    text = figures[0]
    if low is not None and high is not None and figures[1] != figures[2]:
        text = words("from_to", low=figures[1], high=figures[2])
    return words.joined((text, unit), "\u00a0") if unit else text


def estimate_text(value: Cell, low: Cell, high: Cell, unit: str, words: Words) -> Said:
    """Return an amount with its currency, and its limits behind it where they say more."""
    told = money_text(value, None, None, unit, words)
    if not told or low is None or high is None:
        return told
    figures = [value_text(MONEY, one, words, 0) for one in (value, low, high)]
    if figures[1] == figures[2]:
        return told
    return words("with_limits", value=told, low=figures[1], high=figures[2])


def _figure(column: Column, value: float, places: int | None) -> str:
    """Write a figure by its kind: distances whole, chances in whole per cent, money even."""
    if column.kind == "distance" and abs(value) >= 1:
        return f"{value:,.0f}"
    if column.kind == "chance" and not column.detail and 0 < value < 1:
        # Neither certain nor impossible by rounding; a detail, as a p-value, keeps its figures.
        return "<1%" if value < 0.005 else ">99%" if value >= 0.995 else f"{value:.0%}"
    if places is None or (value and abs(value) < 0.5 * 10.0**-places):
        return in_terminal(column, value)
    return f"{value:,.{places}f}"
