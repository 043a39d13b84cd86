"""How a table lies in its file, found: encoding, delimiter, headings, decimal sign, total lines.

What is found is data (`Found`), as a map says it; nothing of it is taken for sure where the file
can be read two ways.
"""

import csv
import re
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from io import StringIO
from pathlib import Path
from typing import NamedTuple

from roadworn.intake.csv_file import SHEETS, TableRow, cell_text, read_table, sheet_names
from roadworn.intake.csv_map import CsvMap
from roadworn.intake.look_columns import role_of
from roadworn.intake.map_sections import Layout, fold
from roadworn.model.errors import EnvironmentFailure, UsageError

_DELIMITERS = ",;\t|"
#: Encodings of files that are no Unicode, as spreadsheets and old systems write them.
_CODE_PAGES = ("cp1252", "cp850", "mac_roman")
_HEAD_ROWS = 60
_SAMPLE_BYTES = 4_000_000
#: Words that a line begins with which is no row of the table (common practice, no source).
TOTALS = (
    "total", "totals", "sub total", "sub-total", "subtotal", "grand total", "sum", "summe",
    "gesamt", "gesamtsumme", "zwischensumme", "totaal", "totale", "total general", "suma",
    "page", "seite", "pagina", "página", "printed", "print date", "report", "end of report",
    "end of", "count", "records", "number of records", "average", "mean", "generated", "***",
)  # fmt: skip
#: Words that say that there is nothing.
BLANKS = frozenset(
    {"?", "??", "???", "n/a", "na", "n.a.", "#n/a", "#value!", "#ref!", "-", "--", "---", "none",
     "null", "nil", "unknown", "unk", "tbd", "tbc", ".", "..", "x", "xx", "blank", "s/d", "k.a.",
     "unbekannt", "desconocido", "n.v.t."}
)  # fmt: skip
#: Marks that say what the cell above says (common practice, no source).
DITTOS = frozenset({'"', "''", '-"-', "\u3003", "\u2033", "ditto", "idem", "dto", "dto."})
_NUMBER = re.compile(
    r"[-+(]?(?:[$€£¥₹]|[A-Z]{3}\s|R\$|kr\.?|Fr\.?)?\s?\d[\d.,' \u00a0\u202f]*\)?\s?[^\d\s]{0,6}"
)
_DATE_LIKE = re.compile(
    r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}.*|\d{1,2}[\s.-]+[^\W\d_]{3,9}\.?[\s,.-]+\d{2,4}"
    r"|[^\W\d_]{3,9}\.?\s+\d{1,2},?\s+\d{4}|\d{8}"
)
_COMMA = re.compile(r"\d,\d{1,2}(?!\d)|\d\.\d{3},\d")
_POINT = re.compile(r"\d\.\d{1,2}(?!\d)|\d,\d{3}\.\d")
_FIGURE = re.compile(
    r"[-+(]?\s*([^\d\s.,()+-]{0,4})\s*\d[\d.,' \u00a0\u202f]*\)?\s*([^\d\s.,]{0,6})"
)


class Found(NamedTuple):
    """How one table lies.

    Attributes:
        path: its file.
        layout: as a map says it.
        notes: what was found, a sentence each.
        asks: keys of [file] that the table leaves open, each with what speaks for it.
        names: its headings.
    """

    path: Path
    layout: Layout
    notes: tuple[str, ...]
    asks: tuple[str, ...]
    names: tuple[str, ...]


def find_layout(path: Path, sheet: str = "") -> Found:
    """Return how a table lies in its file.

    Args:
        path: a text file or a workbook.
        sheet: of a workbook; its first when empty.

    Raises:
        EnvironmentFailure: it cannot be read.
        UsageError: there is no table in it.
    """
    notes: list[str] = []
    layout = Layout(sheet=sheet) if path.suffix.casefold() in SHEETS else _text_layout(path, notes)
    rows = list(_first_rows(path, layout, _HEAD_ROWS))
    if not rows:
        raise UsageError(f"{path} is empty: there is no table in it.")
    line, height = _header(rows)
    if line == 0:
        notes.append("no line with headings: columns are named by their number")
        names = tuple(f"column {n}" for n in range(1, max(len(r.cells) for r in rows) + 1))
        return Found(path, layout.model_copy(update={"no_header": True}), tuple(notes), (), names)
    first = rows[0].line
    changed: dict[str, object] = {}
    if line != first:
        changed["header"] = line
        notes.append(f"the headings stand in line {line}")
    if height > 1:
        changed["header_rows"] = height
        notes.append(f"the headings take {height} lines")
    return Found(path, layout.model_copy(update=changed), tuple(notes), (), ())


def sheets_of(path: Path) -> list[str]:
    """Return the names of a workbook's sheets that hold a table; nothing of a text file.

    Raises:
        EnvironmentFailure: it cannot be read.
        UsageError: it is no workbook.
    """
    if path.suffix.casefold() not in SHEETS:
        return []
    names = sheet_names(path)
    return [name for name in names if len(list(_first_rows(path, Layout(sheet=name), 2))) > 1]


def _first_rows(path: Path, layout: Layout, number: int) -> Iterable[TableRow]:
    rows = read_table(path, plain_map(layout))
    for _, row in zip(range(number), rows, strict=False):
        yield row


def plain_map(layout: Layout) -> CsvMap:
    """Return a map that does no more than say how a table lies."""
    return replace(
        CsvMap("", "", {}),
        delimiter=layout.delimiter,
        encoding=layout.encoding,
        sheet=layout.sheet,
        decimal_comma=layout.decimal_comma,
        layout=layout,
    )


def _text_layout(path: Path, notes: list[str]) -> Layout:
    try:
        with path.open("rb") as stream:
            raw = stream.read(_SAMPLE_BYTES)
    except OSError as error:
        raise EnvironmentFailure.unreadable(path, error) from error
    encoding = _encoding(raw)
    text = raw.decode(encoding or _unicode(raw), errors="replace")
    if encoding:
        notes.append(f"its letters are {encoding}")
    cuts = cuts_of(text)
    if cuts:
        notes.append("a printed list: blanks part its columns")
        return Layout(encoding=encoding, cuts=cuts)
    delimiter = _delimiter(text)
    usual = "\t" if path.suffix.casefold() in {".tsv", ".tab"} else ","
    if delimiter != usual:
        shown = {"\t": "tabs", ";": "semicolons", "|": "bars", ",": "commas"}[delimiter]
        notes.append(f"{shown} stand between its cells")
    return Layout(encoding=encoding, delimiter="" if delimiter == usual else delimiter)


def _unicode(raw: bytes) -> str:
    if raw.startswith(BOM_UTF8):
        return "utf-8-sig"
    return "utf-16" if raw.startswith((BOM_UTF16_LE, BOM_UTF16_BE)) else "utf-8"


def _encoding(raw: bytes) -> str:
    """Return the encoding of bytes; an empty text for Unicode that says so itself."""
    if raw.startswith((BOM_UTF8, BOM_UTF16_LE, BOM_UTF16_BE)):
        return ""
    zeros = raw[:2000].count(0)
    if zeros > len(raw[:2000]) // 4:
        return "utf-16-le" if raw[1:2] == b"\0" else "utf-16-be"
    try:
        raw[: len(raw) - 4 if len(raw) == _SAMPLE_BYTES else None].decode("utf-8")
    except UnicodeDecodeError:
        return max(_CODE_PAGES, key=lambda page: _reads_well(raw, page))
    return ""


def _reads_well(raw: bytes, page: str) -> float:
    """Return how much bytes look like words in a code page: letters beside letters."""
    text = raw.decode(page, errors="replace")
    score = 0.0
    for found in re.finditer(r"[^\x00-\x7f]", text):
        one, before = found[0], text[found.start() - 1 : found.start()]
        behind = text[found.end() : found.end() + 1]
        if one.isalpha() and (before.isalpha() or behind.isalpha()):
            # A capital within small letters is a sign of the wrong page.
            score += -1 if one.isupper() and before.islower() else 1
        elif one in "€£°–’‘“”éö½":
            score += 0.5
        else:
            score -= 1
    return score


def _delimiter(text: str) -> str:
    """Return what stands between the cells: what parts most lines into as many cells."""
    best, delimiter = 0.0, ","
    lines = "\n".join(text.splitlines()[:400])
    for candidate in _DELIMITERS:
        try:
            rows = [row for row in csv.reader(StringIO(lines), delimiter=candidate) if any(row)]
        except csv.Error:
            continue
        counts = Counter(len(row) for row in rows if len(row) > 1)
        if not counts:
            continue
        cells, number = counts.most_common(1)[0]
        score = number / len(rows) * min(cells, 12)
        if score > best:
            best, delimiter = score, candidate
    return delimiter


#: A printed list has so many lines at least, and a blank may stand in so few of its gaps' lines.
_PRINTED_LINES, _GAP = 4, 2


def cuts_of(text: str) -> tuple[int, ...]:
    """Return where a printed list is cut into columns; nothing where signs part its cells.

    A gap is a place of two blanks or more in all lines that have the shape of the list: those
    with two gaps or more of their own.
    """
    lines = [line.expandtabs() for line in text.splitlines()[:2000] if line.strip()]
    shaped = [line for line in lines if len(re.findall(r"\S {2,}(?=\S)", line.strip())) >= _GAP]
    signs = max((sum(sign in line for line in lines) for sign in ",;\t|"), default=0)
    if len(shaped) < _PRINTED_LINES or len(shaped) < len(lines) * 0.6 or "\t" in text:
        return ()
    if signs > len(lines) * 0.5:
        parted = csv.reader(StringIO("\n".join(lines)), delimiter=_delimiter("\n".join(lines)))
        widths = Counter(len(row) for row in parted)
        if widths.most_common(1)[0][0] > 1 and widths.most_common(1)[0][1] > len(lines) * 0.8:
            return ()
    width = max(map(len, shaped))
    blank = [all(line[at : at + 1] in {"", " "} for line in shaped) for at in range(width)]
    return tuple(at for at in range(width) if not blank[at] and (not at or blank[at - 1]))


def is_data(text: str) -> bool:
    """Return whether a cell is a figure or a day, which no heading is."""
    return bool(_NUMBER.fullmatch(text) or _DATE_LIKE.fullmatch(text))


def _header(rows: Sequence[TableRow]) -> tuple[int, int]:
    """Return the line of the headings and how many they take; 0 where there is none."""
    said = [[cell_text(cell) for cell in row.cells] for row in rows]
    widths = Counter(sum(map(bool, cells)) for cells in said)
    usual = max(widths, key=lambda width: (widths[width] * width, width))
    best, at = 0.0, -1
    for index, cells in enumerate(said[:40]):
        filled = [cell for cell in cells if cell]
        if len(filled) < 2 or len(filled) < usual * 0.5:  # a title has one cell
            continue
        texts = [cell for cell in filled if not is_data(cell)]
        known = sum(bool(role_of(cell)) for cell in texts)
        # Rows are alike among themselves; the headings are words, known ones, and stand first.
        score = len(texts) / len(filled) + known * 1.5 - index * 0.02
        if len(texts) < len(filled) * 0.7:
            score = 0
        if known and score > best:
            best, at = score, index
    if at < 0:
        first = said[0]
        wordy = all(not is_data(cell) for cell in first if cell)
        data = any(is_data(cell) for cells in said[1:4] for cell in cells if cell)
        wide = sum(map(bool, first)) >= max(2, usual * 0.6)
        return (rows[0].line, 1) if wordy and data and wide else (0, 1)
    return _with_upper(rows, said, at)


def _with_upper(
    rows: Sequence[TableRow], said: Sequence[Sequence[str]], at: int
) -> tuple[int, int]:
    """Return the line of the headings with that of merged headings above, where there is one."""
    if at and rows[at].line == rows[at - 1].line + 1:
        upper = [cell for cell in said[at - 1] if cell]
        lower = [cell for cell in said[at] if cell]
        doubled = len({fold(cell) for cell in lower}) < len(lower)
        if doubled and 2 <= len(upper) < len(lower) and not any(map(is_data, upper)):
            return rows[at - 1].line, 2
    if at + 2 < len(rows):
        here, below = said[at], said[at + 1]
        merged = sum(not cell for cell in here[:-1]) > 0
        wordy = [cell for cell in below if cell]
        known = sum(bool(role_of(cell)) for cell in wordy)
        if merged and known >= 2 and not any(map(is_data, wordy)):
            return rows[at].line, 2
    return rows[at].line, 1


def is_total(text: str) -> str:
    """Return the pattern of lines that begin like this text and are no rows, or an empty text."""
    folded = fold(text).strip(" :=-")
    for word in TOTALS:
        if folded == word or folded.startswith((f"{word} ", f"{word}:")):
            return f"{word}*"
    return ""


def decimal_sign(texts: Iterable[str]) -> tuple[bool | None, int, int]:
    """Return whether figures have a decimal comma, None where that is open; and what speaks how."""
    comma = point = 0
    for text in texts:
        comma += bool(_COMMA.search(text))
        point += bool(_POINT.search(text))
    if comma and not point:
        return True, comma, point
    if point and not comma:
        return False, comma, point
    return None, comma, point


def signs_of(texts: Iterable[str]) -> list[str]:
    """Return the signs and words that stand beside figures, the most frequent first."""
    found: Counter[str] = Counter()
    for text in texts:
        shape = _FIGURE.fullmatch(text)
        if shape:
            found.update(sign for sign in shape.groups() if sign)
    return [sign for sign, _number in found.most_common(8)]
