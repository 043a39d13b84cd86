"""The cells of a filled-in look-over, from a text file or a spreadsheet."""

import csv
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Iterator, Mapping
from io import StringIO
from pathlib import Path
from typing import NamedTuple

from roadworn.intake.csv_file import unguarded
from roadworn.model.errors import EnvironmentFailure, UsageError

#: Without these nothing can be said about anything.
_NEEDED = ("item", "measured", "condition")


_SPREADSHEETS = frozenset({".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"})


_LONGEST_CELL = 16_000_000


class FilledRow(NamedTuple):
    """A row with the line it begins at, its cells by heading, blanks around them taken off."""

    line: int
    cells: Mapping[str, str]


def filled_rows(path: Path) -> Iterator[FilledRow]:
    """Yield the rows of a filled-in look-over.

    Raises:
        EnvironmentFailure: the file cannot be read.
        UsageError: it is no text in Unicode, or not such a table.
    """
    rows = _spreadsheet(path) if path.suffix.casefold() in _SPREADSHEETS else _text(path)
    _line, header = next(rows, (0, []))
    names = [cell.strip().casefold() for cell in header]
    missing = [name for name in _NEEDED if name not in names]
    if missing:
        raise UsageError(
            f"{path} has no column {' or '.join(map(repr, missing))}: begin with an empty one, "
            "roadworn sheets SHEET --blank."
        )
    for line, cells in rows:
        told = {name: cell.strip() for name, cell in zip(names, cells, strict=False) if name}
        if any(told.values()):
            yield FilledRow(line, told)


def _spreadsheet(path: Path) -> Iterator[tuple[int, list[str]]]:
    from roadworn.intake.csv_file import cell_text, read_table
    from roadworn.intake.csv_map import CsvMap

    for row in read_table(path, CsvMap(path.name, "inspection", {})):
        yield row.line, [cell_text(cell) for cell in row.cells]


def _text(path: Path) -> Iterator[tuple[int, list[str]]]:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise EnvironmentFailure.unreadable(path, error) from error
    encoding = "utf-8"
    if raw.startswith(BOM_UTF8):
        encoding = "utf-8-sig"
    elif raw.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        encoding = "utf-16"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError:
        raise UsageError(f"{path} is not Unicode: save it as CSV UTF-8.") from None
    head = text.partition("\n")[0]
    delimiter = max(",;\t", key=head.count)
    csv.field_size_limit(_LONGEST_CELL)
    reader = csv.reader(StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 1
    try:
        for cells in reader:
            yield line, [unguarded(cell) for cell in cells]
            line = reader.line_num + 1
    except csv.Error as error:
        raise UsageError(
            f"{path} cannot be read after line {line} ({error}): check the quotes there."
        ) from None
