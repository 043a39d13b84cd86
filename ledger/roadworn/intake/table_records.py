"""The rows of a table by heading, as its map says it lies: what is skipped, blank, filled, joined.

A record holds cells that say something, by heading. Where the table has rows that are none (a
title, a total, the headings once more) they give no record; what a merged cell or a heading
between rows says is put into each row that it holds for.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

import orjson

from roadworn.intake.csv_file import (
    Cell,
    CellError,
    TableRow,
    cell_text,
    read_number,
    read_table,
)
from roadworn.intake.csv_map import CsvMap
from roadworn.intake.map_sections import Join, Layout, fold, is_like
from roadworn.model.errors import UsageError


class Record(NamedTuple):
    """A row of a table.

    Attributes:
        line: where it begins, from 1.
        mark: tells the row by all its cells as they stand, whatever a map reads of them.
        cells: heading -> cell, those that say something.
        beyond: how many cells it has when some stand beyond the last heading, else 0.
        skipped: it is no row of the table, or its map leaves it out.
        unjoined: headings of which the joined rows give no one cell.
    """

    line: int
    mark: str
    cells: dict[str, Cell]
    beyond: int = 0
    skipped: bool = False
    unjoined: tuple["Unjoined", ...] = ()


class Unjoined(NamedTuple):
    """A heading of another table whose rows of one key give no one cell.

    Attributes:
        heading: in the other table.
        line: of the row there that does not fit.
        code: ``join-differs`` where they say several things, ``join-currencies`` where amounts
            of two currencies would be added, or that of a figure that cannot be read.
        told: what is wrong with the figure, and what to do about it.
    """

    heading: str
    line: int
    code: str
    told: tuple[str, str] = ("", "")


class Table:
    """A table being read; its headings are there at once.

    Attributes:
        names: its headings, in order; an empty one is an empty text.
        headings: how many columns have one.
    """

    def __init__(self, path: Path, csv_map: CsvMap) -> None:
        """Open a table and read its headings.

        Raises:
            UsageError: it is empty, or cannot be read as its map says.
            EnvironmentFailure: the file cannot be read.
        """
        self._path = path
        self._layout = csv_map.layout
        self._rows = read_table(path, csv_map)
        self._held: list[TableRow] = []
        self.names = self._headings(csv_map)

    def records(self) -> Iterator[Record]:
        """Yield the rows below the headings, those left out marked as such."""
        layout, names = self._layout, self.names
        marked: Counter[str] = Counter()
        above: dict[str, Cell] = {}
        section = ""
        blank = frozenset(map(fold, layout.blank))
        ditto = frozenset(map(fold, layout.ditto))
        before: Sequence[Cell] = ()
        texts = [fold(name) for name in names]
        for line, cells in self._all():
            mark = mark_of(names, cells)
            marked[mark] += 1
            mark = f"{mark}:{marked[mark]}"
            said = [cell_text(cell) for cell in cells]
            filled = [at for at, text in enumerate(said) if text]
            if is_like(said[filled[0]], layout.skip) or _is_heading(said, filled, texts):
                yield Record(line, mark, {}, skipped=True)
                continue
            if layout.section and len(filled) == 1:
                section = said[filled[0]]
                yield Record(line, mark, {}, skipped=True)
                continue
            found = {
                names[at]: cells[at]
                for at in filled
                if at < len(names) and names[at] and not (blank and fold(said[at]) in blank)
            }
            if ditto:
                before = _above_for(ditto, cells, said, before)
                found |= {name: before[at] for at, name in enumerate(names) if name in found}
            if section:
                found.setdefault(layout.section, section)
            for name in layout.fill_down:
                if name in found:
                    above[name] = found[name]
                elif name in above:
                    found[name] = above[name]
            beyond = len(cells) if filled[-1] >= len(names) else 0
            yield Record(line, mark, found, beyond)

    def _all(self) -> Iterator[TableRow]:
        yield from self._held
        yield from self._rows

    def _headings(self, csv_map: CsvMap) -> list[str]:
        layout = self._layout
        first = next(self._rows, None)
        while first is not None and layout.header and first.line < layout.header:
            first = next(self._rows, None)
        if first is None:
            where = f" below line {layout.header}" if layout.header else ""
            raise UsageError(f"{self._path} is empty{where}: its first line names the columns.")
        if layout.no_header:
            self._held.append(first)
            return [f"column {n}" for n in range(1, len(first.cells) + 1)]
        names = [cell_text(cell) for cell in first.cells]
        for _ in range(layout.header_rows - 1):
            below = next(self._rows, None)
            names = _joined(names, [cell_text(cell) for cell in below.cells] if below else [])
        return self._told_apart([" ".join(name.split()) for name in names], csv_map)

    def _told_apart(self, names: list[str], csv_map: CsvMap) -> list[str]:
        """Return headings of which a second one of a name is ``Date (2)``."""
        seen: Counter[str] = Counter()
        made = []
        for name in names:
            seen[name] += 1
            made.append(f"{name} ({seen[name]})" if name and seen[name] > 1 else name)
        for name, number in seen.items():
            second = f"{name} (2)" in csv_map.headers()
            if name and number > 1 and name in csv_map.headers() and not second:
                raise UsageError(
                    f"{self._path} has the column {name!r} twice: rename one of them, since the "
                    f"map {csv_map.name} cannot tell them apart; the second is {name + ' (2)'!r} "
                    "to a map."
                )
        return made


def mark_of(names: Sequence[str], cells: Sequence[Cell]) -> str:
    """Return a digest of what stands in a row and below which heading; empty cells count not."""
    said = [
        [name, cell_text(cell)] for name, cell in zip(names, cells, strict=False) if cell_text(cell)
    ]
    return sha256(orjson.dumps(sorted(said))).hexdigest()[:32]


def _above_for(
    ditto: frozenset[str], cells: Sequence[Cell], said: Sequence[str], before: Sequence[Cell]
) -> list[Cell]:
    """Return a row's cells with those of the row before where a ditto mark stands."""
    return [
        before[at] if fold(said[at]) in ditto and at < len(before) else cell
        for at, cell in enumerate(cells)
    ]


def _is_heading(said: Sequence[str], filled: Sequence[int], names: Sequence[str]) -> bool:
    """Return whether a row says the headings once more, as on each page of a print."""
    own = [(fold(said[at]), names[at] if at < len(names) else "") for at in filled]
    return len(own) > 1 and all(text == name for text, name in own)


def _joined(upper: list[str], lower: Sequence[str]) -> list[str]:
    """Return headings of two lines in one; the upper of merged cells holds to its right."""
    width = max(len(upper), len(lower))
    above, made = "", []
    for at in range(width):
        above = upper[at] if at < len(upper) and upper[at] else above
        below = lower[at] if at < len(lower) else ""
        # Left of a first upper heading, and where both say the same, there is one name.
        made.append(below if not above or fold(above) == fold(below) else f"{above} {below}")
    return [name.strip() for name in made]


def joined_records(path: Path, csv_map: CsvMap, table: Table) -> Iterator[Record]:
    """Yield the rows of a table with the cells of the tables that its map joins them with.

    Raises:
        UsageError: a table to join with lacks the heading, or is not there.
    """
    others = [(join.keys()[0], _others(path, csv_map, join)) for join in csv_map.joins]
    for record in table.records():
        unjoined: list[Unjoined] = []
        for heading, rows in others:
            key = fold(cell_text(record.cells.get(heading)))
            joined = rows.get(key) if key else None
            if joined is not None:
                for name, cell in joined.cells.items():
                    record.cells.setdefault(name, cell)
                unjoined += joined.unjoined
        yield record._replace(unjoined=tuple(unjoined)) if unjoined else record


class _OfKey:
    """What the rows of one key of another table say together."""

    def __init__(self) -> None:
        self.cells: dict[str, Cell] = {}
        self.unjoined: list[Unjoined] = []
        self._signs: dict[str, str] = {}

    def take(self, record: Record, csv_map: CsvMap, join: Join) -> None:
        """Add a row: figures that are added up, and cells that have to say the same."""
        added = join.added()
        for name, cell in record.cells.items():
            if name in added:
                self._add(record, name, added[name], csv_map)
            elif cell_text(self.cells.setdefault(name, cell)) != cell_text(cell):
                money = bool(added) and csv_map.columns.get(name) == "currency"
                code = "join-currencies" if money else "join-differs"
                self.unjoined.append(Unjoined(name, record.line, code))

    def _add(self, record: Record, name: str, times: str, csv_map: CsvMap) -> None:
        cell = record.cells[name]
        try:
            figure = read_number(cell, csv_map)
            if times and times in record.cells:
                figure *= read_number(record.cells[times], csv_map)
        except CellError as error:
            told = (error.message, error.hint)
            self.unjoined.append(Unjoined(name, record.line, error.code, told))
            return
        # A sign of money that the map leaves out of figures tells of another currency.
        sign = fold("".join(letter for letter in cell_text(cell) if letter not in _OF_FIGURES))
        if sign and self._signs.setdefault(name, sign) != sign:
            self.unjoined.append(Unjoined(name, record.line, "join-currencies"))
        before = self.cells.get(name)
        self.cells[name] = figure + before if isinstance(before, Decimal) else figure


_OF_FIGURES = frozenset("0123456789.,+-()' \u00a0\u202f")


def _others(path: Path, csv_map: CsvMap, join: Join) -> Mapping[str, _OfKey]:
    """Return key -> what the rows with that key say."""
    other = path.parent / join.file if join.file else path
    if not other.is_file():
        raise UsageError(
            f"There is no file {other}, which the map {csv_map.name} joins {path.name} with: put "
            "it beside the table, or correct file under [[join]]."
        )
    table = Table(other, _map_of(csv_map, join.layout()))
    _mine, heading = join.keys()
    added = join.added()
    for name in (heading, *added, *filter(None, added.values())):
        if name not in table.names:
            does = "joins by" if name == heading else "adds up"
            raise UsageError(
                f"{other} has no column {name!r} that the map {csv_map.name} {does}: its columns "
                f"are {', '.join(name for name in table.names if name)}."
            )
    found: dict[str, _OfKey] = {}
    for record in table.records():
        key = fold(cell_text(record.cells.pop(heading, None)))
        if key:
            found.setdefault(key, _OfKey()).take(record, csv_map, join)
    return found


def _map_of(csv_map: CsvMap, layout: Layout) -> CsvMap:
    """Return a map that does no more than say how a table lies."""
    return replace(
        CsvMap(csv_map.name, "", {}),
        delimiter=layout.delimiter,
        encoding=layout.encoding,
        sheet=layout.sheet,
        layout=layout,
    )
