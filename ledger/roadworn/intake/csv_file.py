"""Opening somebody else's table: its encoding, its delimiter, its rows with their place.

CSV and TSV are read as text; an xlsx file through python-calamine when that is installed.
"""

import csv
import marshal
import re
import subprocess
import sys
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE, lookup
from collections.abc import Generator, Iterator
from datetime import date, datetime
from decimal import Decimal
from importlib.util import find_spec
from pathlib import Path
from typing import IO, Any, NamedTuple, cast

from roadworn.checks.known import day_hint
from roadworn.intake.csv_map import CsvMap
from roadworn.intake.day_forms import days_by
from roadworn.model.amounts import check_currency, likely_amount
from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn.model.events import parse_moment

#: A cell as a reader hands it over; spreadsheets know dates and numbers, CSV only text.
Cell = str | int | float | bool | date | datetime | Decimal | None

_POINT = re.compile(r"[+-]?(\d{1,3}(,\d{3})+|\d+)(\.\d+)?", re.ASCII)
_COMMA = re.compile(r"[+-]?(\d{1,3}([. \u00a0\u202f']\d{3})+|\d+)(,\d+)?", re.ASCII)
_DATE = re.compile(
    r"(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})(?:[ T]\d{1,2}:\d{2}(?::\d{2})?)?", re.ASCII
)


class CellError(ValueError):
    """A cell cannot be read; carries a message and a hint for a `Problem`."""

    def __init__(self, code: str, message: str, hint: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.hint = hint


def cell_text(cell: Cell) -> str:
    """Return a cell as text without surrounding blanks; whole numbers without a point."""
    if isinstance(cell, str):
        return cell.strip()
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    if isinstance(cell, datetime):
        return cell.date().isoformat()
    if isinstance(cell, date):
        return cell.isoformat()
    return str(cell).strip()


#: A text that our own CSV put an apostrophe before, since a spreadsheet would run it.
_GUARDED = re.compile(r"'[=+\-@\t\r＝＋－＠]")


#: A text as exports write it for a spreadsheet, so that 0012 keeps its zeros.
_AS_FORMULA = re.compile(r'="([^"]*)"')


def unguarded(cell: str) -> str:
    """Return a cell of CSV without what it has for a spreadsheet alone.

    That is the apostrophe that keeps it from being run, and ``="0012"`` around a text.
    """
    if _GUARDED.match(cell):
        return cell[1:]
    as_formula = _AS_FORMULA.fullmatch(cell) if cell[:2] == '="' else None
    return as_formula[1] if as_formula else cell


def read_number(cell: Cell, csv_map: CsvMap) -> Decimal:
    """Read a figure, ``1,234.50`` or with the map's decimal comma ``1.234,50``.

    Raises:
        CellError: it is none.
    """
    if isinstance(cell, Decimal):
        return cell
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        return Decimal(repr(cell))
    text = _without_signs(cell_text(cell), csv_map.layout.signs)
    # Bookkeeping writes what is below zero in brackets, older systems with the sign behind.
    if (text[:1] == "(" and text[-1:] == ")") or (text[-1:] == "-" and text[:1].isdecimal()):
        text = f"-{text.strip('()-').strip()}"
    comma = _comma_of(text) if csv_map.decimal_comma == "either" else csv_map.decimal_comma
    form = _COMMA if comma else _POINT
    if not form.fullmatch(text):
        other = _POINT if comma else _COMMA
        hint = "write the figure alone, without signs or words"
        if other.fullmatch(text):
            wanted = "false" if comma else "true"
            hint = f"if the file writes figures so, say decimal_comma = {wanted} in [file]"
        elif likely := likely_amount(text):
            hint = f"did you mean {likely}?"
        raise CellError("bad-number", f"{_shown(text)} is no figure.", hint)
    if comma:
        text = re.sub(r"[. \u00a0\u202f']", "", text).replace(",", ".")
    return Decimal(text.replace(",", ""))


def _comma_of(text: str) -> bool:
    """Return whether a figure has a decimal comma where a file has figures of both sorts.

    Raises:
        CellError: nobody can see, as of 1.234.
    """
    marks = [sign for sign in text if sign in ",."]
    if len(set(marks)) > 1:
        return marks[-1] == ","
    if len(marks) == 1 and len(text.rpartition(marks[0])[2]) == len("000"):
        raise CellError(
            "which-mark",
            f"{_shown(text)} can be thousands or have three decimals.",
            "correct the cell, or leave the row out with skip under [[when]] of the map",
        )
    # One mark several times parts thousands.
    return marks == [","] or (len(marks) > 1 and marks[0] == ".")


def _without_signs(text: str, signs: tuple[str, ...]) -> str:
    """Return a figure without the signs and words that its map leaves out of figures."""
    for sign in signs:
        at = text.casefold().find(sign.casefold())
        if at >= 0:
            text = f"{text[:at]}{text[at + len(sign) :]}".strip()
    return text


def _day_by_forms(cell: Cell, csv_map: CsvMap) -> str:
    """Read a day by the forms of the map; what fits two of them, on two days, is refused."""
    text = cell_text(cell)
    found: dict[date, str] = {}
    for form, day in days_by(text, csv_map.dates):
        found.setdefault(day, form)
    if len(found) > 1:
        told = " and ".join(f"{day.isoformat()} by {form}" for day, form in found.items())
        raise CellError(
            "which-day",
            f"{_shown(text)} is {told}.",
            "say which form holds in which rows, with dates under [[when]] of the map",
        )
    if found:
        return next(iter(found)).isoformat()
    try:
        return parse_moment(text)
    except ValueError:
        raise CellError(
            "bad-date",
            f"{_shown(text)} is no day in the forms {', '.join(csv_map.dates)}.",
            "add its form to dates in [file] of the map, or write it as 2026-05-04",
        ) from None


def read_day(cell: Cell, csv_map: CsvMap) -> str:
    """Read a day in the map's forms or order, or an ISO day or moment.

    A time of day without a zone is left out, since the zone would have to be guessed.

    Raises:
        CellError: it is none, its year has two digits, or its order is not said.
    """
    if isinstance(cell, date | datetime):
        return cell_text(cell)
    if csv_map.dates:
        return _day_by_forms(cell, csv_map)
    text = cell_text(cell)
    found = _DATE.fullmatch(text)
    if found is None:
        try:
            return parse_moment(text)
        except ValueError:
            raise CellError(
                "bad-date",
                f"{_shown(text)} is no date.",
                day_hint(text) or "write it as 2026-05-04",
            ) from None
    if len(found[1]) == 4:
        order = csv_map.date_order if csv_map.date_order.startswith("y") else "ymd"
    else:
        order = csv_map.date_order
    if not order:
        raise CellError(
            "date-order",
            f"The order of day and month in {_shown(text)} is not known.",
            'say date_order = "dmy" or "mdy" in [file] of the map',
        )
    parts = dict(zip(order, found.groups(), strict=True))
    if len(parts["y"]) != 4:
        raise CellError(
            "bad-date",
            f"{_shown(text)} has no year of four digits.",
            f"write it in full, in the order {order}",
        )
    try:
        return date(int(parts["y"]), int(parts["m"]), int(parts["d"])).isoformat()
    except ValueError:
        raise CellError(
            "no-such-date",
            f"{_shown(text)} is no day of the calendar in the order {order}.",
            f"{day_hint(text)}; correct the cell, or date_order in [file] of the map",
        ) from None


def read_money(cell: Cell, csv_map: CsvMap, currency: str) -> dict[str, str]:
    """Read an amount.

    Raises:
        CellError: it is none, or it has no currency.
    """
    if not currency:
        raise CellError(
            "no-currency",
            f"The amount {_shown(cell_text(cell))} has no currency.",
            'say default = "USD" in [currency] of the map, or map a column to currency',
        )
    # A spreadsheet keeps 0.1 + 0.2 as it computes it; money has at most four decimals.
    amount = read_number(cell, csv_map)
    if isinstance(cell, float):
        amount = round(amount, 4).normalize()
    try:
        code = check_currency(currency)
    except UsageError as error:
        raise CellError("unknown-currency", f"{error.what}.", error.remedy) from None
    return {"amount": f"{amount:f}", "currency": code}


def read_truth(cell: Cell) -> bool:
    """Read yes or no.

    Raises:
        CellError: it is neither.
    """
    text = cell_text(cell).casefold()
    if text not in {"yes", "no", "true", "false"}:
        raise CellError(
            "bad-value", f"{_shown(text)} is neither yes nor no.", "map it under [values.…]"
        )
    return text in {"yes", "true"}


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:40] + "…")


#: A note may be long; the csv module's own limit is 128 KiB a cell.
_LONGEST_CELL = 16_000_000
SHEETS = frozenset({".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"})


_READER = Path(__file__).with_name("sheet_reader.py")
_TOO_LARGE = {
    "cell": "holds a cell of more than a million characters: shorten it",
    "sheet": "takes too much memory or time: delete what stands far from the table",
}


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
    if path.suffix.casefold() in SHEETS:
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
            if csv_map.layout.cuts:
                yield from _cut_rows(stream, csv_map.layout.cuts)
                return
            reader = csv.reader(stream, delimiter=delimiter, strict=True)
            line = 1
            for cells in reader:
                if any(cell.strip() for cell in cells):
                    yield TableRow(line, [unguarded(cell) for cell in cells])
                line = reader.line_num + 1
    except OSError as error:
        raise EnvironmentFailure.unreadable(path, error) from error
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


def _cut_rows(stream: IO[str], cuts: tuple[int, ...]) -> Iterator[TableRow]:
    """Yield the rows of a printed list; lines of dashes alone part its pages."""
    ends = [*cuts[1:], None]
    for number, line in enumerate(stream, start=1):
        text = line.expandtabs().rstrip()
        if text.strip("-=_ \f"):
            yield TableRow(
                number, [text[at:end].strip() for at, end in zip(cuts, ends, strict=True)]
            )


def _sniff(path: Path) -> str:
    """Return the encoding by the byte order mark, UTF-8 without one."""
    try:
        with path.open("rb") as stream:
            head = stream.read(4)
    except OSError as error:
        raise EnvironmentFailure.unreadable(path, error) from error
    if head.startswith(BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        return "utf-16"
    return "utf-8"


def _sheet_rows(path: Path, csv_map: CsvMap) -> Iterator[TableRow]:
    for word, content in _told_words(path, csv_map.sheet):
        if word == "rows":
            for line, cells in content:
                yield TableRow(line, [_cell(cell) for cell in cells])
        elif word == "end":
            return
        elif word != "sheet":
            raise _refused(path, word, content, csv_map.sheet)


def _told_words(path: Path, sheet: str) -> Generator[tuple[str, Any]]:
    """Yield what the process that reads a spreadsheet tells, see `roadworn.intake.sheet_reader`."""
    if find_spec("python_calamine") is None:
        raise EnvironmentFailure(
            f"{path} is a spreadsheet, for which python-calamine is needed: save it as CSV, or "
            "install python-calamine."
        )
    # -I: nothing of the folder that the user stands in is imported there.
    command = [sys.executable, "-I", str(_READER), str(path), sheet]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdout=pipe, stderr=subprocess.DEVNULL) as reader:  # noqa: S603
        stream = cast("IO[bytes]", reader.stdout)
        try:
            while True:
                try:
                    told = marshal.load(stream)  # noqa: S302  (from our own child)
                except (EOFError, ValueError, TypeError):
                    told = "too-large", "sheet"
                yield told
        finally:
            reader.kill()


def _refused(
    path: Path,
    word: str,
    content: Any,  # noqa: ANN401  # of each word its own
    wanted: str,
) -> UsageError | EnvironmentFailure:
    """Return the error that the reader of spreadsheets told of."""
    if word == "no-sheet":
        lacks = f"no sheet {wanted!r}" if wanted else "no sheet at all"
        has = f": it has {', '.join(content)}." if content else ": save it as CSV."
        return UsageError(f"{path} has {lacks}{has}")
    if word == "unreadable":
        return EnvironmentFailure.unreadable(path, OSError(*content))
    if word == "bad":
        return UsageError(f"{path} is no spreadsheet ({content}): save it as CSV.")
    return UsageError(f"{path} {_TOO_LARGE[content]}, or save the sheet as CSV.")


def sheet_names(path: Path) -> list[str]:
    """Return the names of a workbook's sheets.

    Raises:
        EnvironmentFailure: it cannot be read, or the reader of workbooks is missing.
        UsageError: it is no workbook.
    """
    # A sheet of this name is none: its characters are not allowed in one.
    told = _told_words(path, "[]:*?")
    word, content = next(told)
    told.close()
    if word == "no-sheet":
        return list(content)
    raise _refused(path, word, content, "")


def _cell(told: object) -> Cell:
    if isinstance(told, tuple):
        kind, text = told
        return date.fromisoformat(text) if kind == "day" else datetime.fromisoformat(text)
    return cast("Cell", told)
