"""Reads one sheet of a spreadsheet in a process of its own, which may be short of memory.

A spreadsheet of a few kilobytes can name a cell a million rows down, or unpack to gigabytes, and
the reader asks for all of it at once and is ended. Here that ends nothing else. Run by path, with
nothing of ours imported; it writes one marshalled message after another:

    ("sheet", None), then ("rows", [(line, [cell, …]), …]) as often as needed, then ("end", None)
    ("no-sheet", names of the sheets), ("unreadable", (number, words)), ("bad", words of the reader)
    ("too-large", which bound)

A day is written as ("day", ISO text) and a moment as ("moment", ISO text).
"""

import marshal
import sys
from datetime import date, datetime
from importlib import import_module
from typing import Any

#: Address space; a cell takes 32 bytes, so about 20 million of them.
MOST_BYTES = 1 << 30
MOST_SECONDS = 120
#: A spreadsheet program takes 32,767 characters in a cell.
LONGEST_CELL = 1_000_000
_ROWS_AT_ONCE = 500


def _bounded() -> None:
    try:
        resource = import_module("resource")
    except ImportError:  # not on every system
        return
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_SECONDS, MOST_SECONDS))


def _say(word: str, content: Any) -> None:  # noqa: ANN401  # whatever marshal knows
    sys.stdout.buffer.write(marshal.dumps((word, content)))


def _plain(cell: object) -> object:
    if isinstance(cell, datetime):
        return ("moment", cell.isoformat())
    if isinstance(cell, date):
        return ("day", cell.isoformat())
    if isinstance(cell, float):
        # A sum of 64.80 is kept as 64.79999999999998 and shown in the 15 digits that a double is
        # sure of (DBL_DIG of ISO/IEC 9899): what is shown is what is meant.
        return float(f"{cell:.15g}")
    return cell if isinstance(cell, str | int | bool) else str(cell)


def _read(path: str, wanted: str) -> None:
    calamine = import_module("python_calamine")
    try:
        book = calamine.CalamineWorkbook.from_path(path)
        names = book.sheet_names
        if not names or (wanted and wanted not in names):
            _say("no-sheet", names)
            return
        sheet = book.get_sheet_by_name(wanted or names[0])
    except OSError as error:
        _say("unreadable", (error.errno, error.strerror or str(error)))
        return
    except calamine.CalamineError as error:
        _say("bad", str(error))
        return
    _say("sheet", None)
    rows = []
    # Empty rows above the table are given, empty columns before it are not.
    before = [""] * (sheet.start[1] if sheet.start else 0)
    for line, cells in enumerate(sheet.iter_rows(), start=1):
        if any(isinstance(cell, str) and len(cell) > LONGEST_CELL for cell in cells):
            _say("too-large", "cell")
            return
        if any(str(cell).strip() for cell in cells):
            rows.append((line, [*before, *map(_plain, cells)]))
        if len(rows) >= _ROWS_AT_ONCE:
            _say("rows", rows)
            rows = []
    _say("rows", rows)
    _say("end", None)


if __name__ == "__main__":
    _bounded()
    _read(sys.argv[1], sys.argv[2])
