"""Printing: data to stdout in three forms, talk to stderr, and nothing that fools the eye.

Notes hold whatever somebody pasted. Control characters could move the cursor and
right-to-left marks could reorder a line, so both are shown as escapes, in CSV too, which may be
shown on a terminal later. A spreadsheet would run a text that begins with `=`, so CSV puts an
apostrophe before it, which an import takes off again; JSON is the exact form.
"""

import os
import re
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from functools import partial
from typing import Any, Final

import typer

from roadworn.model.errors import UsageError

#: Nothing is said about work that is done sooner, in seconds.
_PATIENCE = 1.0
#: How often a terminal line is renewed, and how often a log gets a new line, in seconds.
_TERMINAL_PACE = 0.2
_LOG_PACE = 10.0
#: The same of what is computed, which a kept answer spares the next time.
_COMPUTING_PATIENCE, _COMPUTING_PACE = 2.0, 1.0


def progress(what: str) -> Callable[[int, int], None]:
    """Return a callback (done, of all) that says how far the work is.

    Args:
        what: what is being done, for instance ``reading events``.
    """
    on_terminal = sys.stderr.isatty()
    pace = _TERMINAL_PACE if on_terminal else _LOG_PACE
    started = time.monotonic()
    due = started + _PATIENCE
    said = False

    def tell(done: int, total: int) -> None:
        nonlocal due, said
        now = time.monotonic()
        finished = total > 0 and done >= total
        if now < due and not (finished and said):
            return
        due, said = now + pace, True
        of_all = f" of {total:,}" if total > 0 else ""
        text = f"{what}: {done:,}{of_all} ({now - started:.0f} s)"
        if on_terminal:
            end = "\n" if finished else ""
            sys.stderr.write(f"\r{text}\x1b[K{end}")
        else:
            sys.stderr.write(f"{text}\n")
        sys.stderr.flush()

    return tell


@contextmanager
def told(what: str) -> Iterator[None]:
    """Say on a terminal what is being computed and for how long; a log gets nothing.

    Nothing is said of what is done within two seconds, and the line is gone when it is done.

    Args:
        what: what is asked for, for instance ``outlook of car-9``.
    """
    if not sys.stderr.isatty():
        yield
        return
    finished = threading.Event()
    started = time.monotonic()
    stream, said = sys.stderr, False

    def talk() -> None:
        nonlocal said
        pace = _COMPUTING_PATIENCE
        while not finished.wait(pace):
            said, pace = True, _COMPUTING_PACE
            stream.write(f"\r{what}: {time.monotonic() - started:.0f} s\x1b[K")
            stream.flush()

    thread = threading.Thread(target=talk, name="progress", daemon=True)
    thread.start()
    try:
        yield
    finally:
        finished.set()
        thread.join()
        if said:
            stream.write("\r\x1b[K")
            stream.flush()


FORMATS: Final = ("table", "json", "csv")
#: JSON with what it rests on around it.
RESULT: Final = "result"
#: Where the context has the function that says what an answer rests on.
RESTING: Final = "roadworn.resting"
#: Says what an answer rests on when it is printed; None where nobody asked for that.
_resting: "ContextVar[Callable[[], dict[str, Any]] | None]" = ContextVar("resting", default=None)
WIDEST_CELL = 500
#: No screen is narrower: a line this short needs no wrapping.
_SHORT: Final = 20
# C0 and C1 controls, DEL, bidirectional marks, line separators, lone surrogates and the BOM.
_UNSAFE = re.compile(
    "[\x00-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u2069\ufeff\ud800-\udfff]"
)
#: What a spreadsheet takes for the beginning of a formula, in full width as well.
_FORMULA = re.compile(r"[=+\-@\t\r＝＋－＠]")
#: What would end a cell; a spreadsheet set to another language may part them by ; or a tab.
_PARTING = re.compile('[",;\\t\\r\\n]')
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")


def format_option() -> Any:  # noqa: ANN401  # what typer.Option says it returns
    """Return the `--format` option, the same in every reading verb."""
    return typer.Option(
        "table",
        "--format",
        metavar="|".join((*FORMATS, RESULT)),
        help="Form of the data on stdout.",
        callback=_form,
    )


def _form(ctx: typer.Context, form: str) -> str:
    """Take `result` for JSON with what it rests on around it: no verb needs to know of it."""
    if form != RESULT:
        return form
    ctx.with_resource(_around(ctx))
    return "json"


@contextmanager
def _around(ctx: typer.Context) -> Iterator[None]:
    token = _resting.set(partial(ctx.meta[RESTING], ctx))
    try:
        yield
    finally:
        _resting.reset(token)


def say(text: str) -> None:
    """Talk: a line on stderr, wrapped where somebody reads it; a log keeps a line a sentence."""
    lines = [escape(line) for line in text.split("\n")]
    read = sys.stderr.isatty() or os.environ.get("COLUMNS")
    if read and any(len(line) > _SHORT for line in lines):
        from roadworn_cli.screen import width, wrapped

        cells = width()
        lines = [
            " " * by + part
            for line in lines
            for by in [min(len(line) - len(line.lstrip(" ")), cells // 4)]
            for part in wrapped(line.lstrip(" "), cells - by, hang=2)
        ]
    typer.echo("\n".join(lines), err=True)


def note(text: str) -> None:
    """Talk about something worth knowing that stops nothing."""
    say(f"note: {text}")


def counted(number: int, what: str) -> str:
    """Return a number with its noun, ``1 row`` or ``2,000 rows``."""
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def escape(text: str, keep: str = "") -> str:
    r"""Return `text` with control and direction characters written as ``\n`` or ``\u202e``.

    Args:
        text: any text.
        keep: characters that stay as they are.
    """
    return _UNSAFE.sub(lambda found: found[0] if found[0] in keep else _escaped(found[0]), text)


def _escaped(character: str) -> str:
    short = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(character)
    if short:
        return short
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def emit(
    columns: Sequence[str],
    rows: Sequence[Sequence[object]],
    *,
    fmt: str,
    title: str = "",
    notes: Sequence[str] = (),
    widest: int = WIDEST_CELL,
) -> None:
    """Print rows, and the title of a table, to stdout; notes to stderr.

    Args:
        columns: names, in order.
        rows: values; None is nothing known.
        fmt: one of `FORMATS`.
        title: a heading, for tables only.
        notes: reservations, said in every form.
        widest: characters of a cell that a table shows, 0 for all of them.

    Raises:
        UsageError: another format.
    """
    check_format(fmt)
    if fmt == "json":
        names = apart(columns)
        emit_json([dict(zip(names, row, strict=True)) for row in rows])
    elif fmt == "csv":
        _emit_csv(columns, rows)
    else:
        if title:
            typer.echo(escape(title))
        _emit_table(columns, rows, widest)
    for text in notes:
        note(text)


def apart(names: Sequence[str]) -> list[str]:
    """Return the names of columns so that no two are the same: a second `km` is `km_1`."""
    found: dict[str, None] = {}
    for name in names:
        number, other = 0, name
        while other in found:
            number += 1
            other = f"{name}_{number}"
        found[other] = None
    return list(found)


def check_format(fmt: str) -> None:
    """Refuse a format before any work is done.

    Raises:
        UsageError: it is none of `FORMATS`.
    """
    if fmt not in FORMATS:
        raise UsageError(f"--format is table, json or csv, or result, not {fmt!r}.")


def emit_json(value: object) -> None:
    """Print one JSON document; what could fool a terminal is a JSON escape in it.

    Under `--format result` it is the `answer` of one that says what it rests on.
    """
    resting = _resting.get()
    typer.echo(json_text(value if resting is None else {**resting(), "answer": value}))


def json_text(value: object) -> str:
    """Return the text that `emit_json` prints."""
    import json

    text = json.dumps(_plain(value), ensure_ascii=False, indent=2, allow_nan=False)
    return escape_json(text, "\n")


def escape_json(text: str, keep: str) -> str:
    """Return JSON in which what could fool a terminal is an escape of JSON, `keep` excepted."""
    return _UNSAFE.sub(lambda c: c[0] if c[0] in keep else f"\\u{ord(c[0]):04x}", text)


def _plain(value: object) -> object:
    """Return a value that JSON knows; of what it does not, infinity is a text and NaN null."""
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        if value - value == 0:
            return value
        # Python, JavaScript and DuckDB read these words as the number; null is what is unknown.
        return None if value != value else "Infinity" if value > 0 else "-Infinity"
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):  # NumPy scalars and arrays
        return _plain(value.tolist())
    return cell_text(value)


def cell_text(value: object) -> str:
    """Return how one value is written in text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.12g}"
    if isinstance(value, str):
        return value
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, Mapping | list | tuple):
        import json

        return json.dumps(_plain(value), ensure_ascii=False)
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def _emit_csv(columns: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    on_terminal = sys.stdout.isatty()
    lines = []
    for row in (columns, *rows):
        cells = [escape(_csv_cell(value), keep="" if on_terminal else "\n\r\t") for value in row]
        lines.append(",".join(_csv_quoted(cell) for cell in cells) or '""')
    typer.echo("\n".join(lines))


def _csv_quoted(cell: str) -> str:
    # By RFC 4180; the standard library leaves a lone carriage return bare, which its own reader
    # then takes for the end of the row.
    if _PARTING.search(cell):
        return '"' + cell.replace('"', '""') + '"'
    return cell


def _csv_cell(value: object) -> str:
    text = cell_text(value)
    if isinstance(value, str) and _FORMULA.match(text) and not _NUMBER.fullmatch(text):
        return f"'{text}"
    return text


def _emit_table(columns: Sequence[str], rows: Sequence[Sequence[object]], widest: int) -> None:
    from roadworn_cli.screen import Head, put, table

    numeric = [
        bool(rows) and all(row[i] is None or _is_number(row[i]) for row in rows)
        for i in range(len(columns))
    ]
    heads = [Head(escape(name), right) for name, right in zip(columns, numeric, strict=True)]
    put(table(heads, [[_table_cell(value, widest) for value in row] for row in rows]))


def _is_number(value: object) -> bool:
    from decimal import Decimal

    return isinstance(value, int | float | Decimal) and not isinstance(value, bool)


def _table_cell(value: object, widest: int) -> str:
    text = f"{value:,.6g}" if isinstance(value, float) and abs(value) < 1e6 else cell_text(value)
    if isinstance(value, float) and abs(value) >= 1e6:
        text = f"{value:,.0f}" if value - value == 0 else str(value)
    if not widest:
        return escape(text)
    text = escape(text[: widest + 1])
    # A word is not cut in two, unless it is all there is.
    return text if len(text) <= widest else f"{text[: widest - 1].rsplit(' ', 1)[0]}…"
