"""Work that a table takes back: a row with amounts below zero and the row whose opposite it is."""

from collections.abc import Iterable
from decimal import Decimal
from typing import NamedTuple

from roadworn.intake.csv_file import CellError, cell_text, read_number
from roadworn.intake.csv_map import CsvMap
from roadworn.intake.map_sections import Reversed, fold
from roadworn.intake.table_records import Record


class Opposites(NamedTuple):
    """Rows below zero of a table.

    Attributes:
        lines: where the rows stand that cancel each other out.
        below: how many rows are below zero.
    """

    lines: frozenset[int]
    below: int


def opposites(records: Iterable[Record], csv_map: CsvMap, how: Reversed) -> Opposites:
    """Return the rows of a table that cancel each other out.

    A row below zero takes back one row that says the same under the headings of `how` and has its
    amounts above zero: the last one before it, else the first one behind it.
    """
    open_rows: dict[tuple[str, ...], list[tuple[tuple[Decimal, ...], int]]] = {}
    lines: set[int] = set()
    below = 0
    for record in records:
        amounts = _amounts(record, csv_map, how)
        if record.skipped or not any(amounts):
            continue
        negative = all(amount <= 0 for amount in amounts)
        below += negative
        own = open_rows.setdefault(_key(record, how), [])
        wanted = tuple(-amount for amount in amounts)
        found = [at for at, (other, _line) in enumerate(own) if other == wanted]
        if found:
            # A row that is written anew stands behind the one that takes the old one back.
            lines |= {own.pop(found[-1 if negative else 0])[1], record.line}
            continue
        own.append((amounts, record.line))
    return Opposites(frozenset(lines), below)


def _key(record: Record, how: Reversed) -> tuple[str, ...]:
    return tuple(fold(cell_text(record.cells.get(name))) for name in how.by)


def _amounts(record: Record, csv_map: CsvMap, how: Reversed) -> tuple[Decimal, ...]:
    """Return the amounts of a row; one that cannot be read is told by the row itself."""
    try:
        return tuple(
            Decimal(0) if (cell := record.cells.get(name)) is None else read_number(cell, csv_map)
            for name in how.amounts
        )
    except CellError:
        return ()
