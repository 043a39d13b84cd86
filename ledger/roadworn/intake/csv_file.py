"""Opening somebody else's table: its encoding, its delimiter, its rows with their place.

CSV and TSV are read as text; an xlsx file through python-calamine when that is installed.
"""

import csv
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE, lookup
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

from roadworn.errors import EnvironmentFailure, UsageError
from roadworn.intake.csv_cells import Cell
from roadworn.intake.csv_map import CsvMap

#: A note may be long; the csv module's own limit is 128 KiB a cell.
_LONGEST_CELL = 16_000_000
_SHEETS = frozenset({".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"})


class TableRow(NamedTuple):
    """A row of a table with the line it begins at, counted from 1."""

    line: int
    cells: list[Cell]


def read_table(path: Path, csv_map: CsvMap) -> Iterator[TableRow]:
    """Yield the rows of a file, its header first; rows without any content are left out.

    Raises:
        EnvironmentFailure: the file cannot be read, or the reader for its form is missing.
        UsageError: its encoding is not the one said, or a quote is never closed.
    """
    if path.suffix.casefold() in _SHEETS:
        yield from _sheet_rows(path, csv_map)
    else:
        yield from _text_rows(path, csv_map)


def _text_rows(path: Path, csv_map: CsvMap) -> Iterator[TableRow]:
    encoding = csv_map.encoding or _sniff(path)
    try:
        lookup(encoding)
    except LookupError:
        raise UsageError(
            f"{encoding!r} in the map {csv_map.name} is no encoding: write one such as utf-8 or "
            "cp1252."
        ) from None
    delimiter = csv_map.delimiter or ("\t" if path.suffix.casefold() in {".tsv", ".tab"} else ",")
    csv.field_size_limit(_LONGEST_CELL)
    try:
        with path.open(encoding=encoding, newline="") as stream:
            reader = csv.reader(stream, delimiter=delimiter, strict=True)
            line = 1
            for cells in reader:
                if any(cell.strip() for cell in cells):
                    yield TableRow(line, list(cells))
                line = reader.line_num + 1
    except OSError as error:
        raise _unreadable(path, error) from error
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{path} is not {encoding} (byte {error.start}): say its encoding in [file] of the "
            'map, as in encoding = "cp1252", or save it as UTF-8.'
        ) from None
    except csv.Error as error:
        raise UsageError(
            f"{path} cannot be read after line {line} ({error}): check the quotes there, and "
            "delimiter in [file] of the map."
        ) from None


def _sniff(path: Path) -> str:
    """Return the encoding by the byte order mark, UTF-8 without one."""
    try:
        with path.open("rb") as stream:
            head = stream.read(4)
    except OSError as error:
        raise _unreadable(path, error) from error
    if head.startswith(BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        return "utf-16"
    return "utf-8"


def _sheet_rows(path: Path, csv_map: CsvMap) -> Iterator[TableRow]:
    if find_spec("python_calamine") is None:
        raise EnvironmentFailure(
            f"{path} is a spreadsheet, for which python-calamine is needed: save it as CSV, or "
            "install python-calamine."
        )
    from importlib import import_module

    calamine = import_module("python_calamine")
    try:
        book = calamine.CalamineWorkbook.from_path(str(path))
        if csv_map.sheet and csv_map.sheet not in book.sheet_names:
            raise UsageError(
                f"{path} has no sheet {csv_map.sheet!r}: it has {', '.join(book.sheet_names)}."
            )
        sheet = book.get_sheet_by_name(csv_map.sheet or book.sheet_names[0])
        rows = sheet.to_python(skip_empty_area=False)
    except OSError as error:
        raise _unreadable(path, error) from error
    except calamine.CalamineError as error:
        raise UsageError(f"{path} is no spreadsheet ({error}): save it as CSV.") from None
    for line, cells in enumerate(rows, start=1):
        if any(str(cell).strip() for cell in cells):
            yield TableRow(line, list(cells))


def _unreadable(path: Path, error: OSError) -> EnvironmentFailure:
    return EnvironmentFailure(
        f"{path} cannot be read ({error.strerror}): check its name and rights."
    )
