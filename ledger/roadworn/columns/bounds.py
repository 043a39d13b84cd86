"""What a person's query may take, and what it may reach: time, memory, files.

Files of somebody's own are read into tables beside ours, and one folder may be written to by
COPY, both before the connection is locked. Whatever else a query says of files is refused by the
engine.
"""

import os
import re
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import takewhile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadworn.columns.spec import Outside, Parameters, Rows, sql_text
from roadworn.model.errors import EnvironmentFailure, UnknownName, UsageError

if TYPE_CHECKING:
    import duckdb

    from roadworn.columns.session import Reader

_PIECE_ROWS = 10_000
_LOOK_SECONDS = 0.05
_MEGABYTE = 1 << 20
#: Resident pages of this process come second; Linux only, elsewhere only time is bounded.
_PAGES = Path("/proc/self/statm")


#: What the engine says of a column that is not there, of a value too few or too many.
_NO_COLUMN = re.compile(r'(?:Referenced column|a column named) "([^"]+)"')
_NO_VALUE = re.compile(r"not provided for the following parameters: (.+)")
_NO_PLACE = re.compile(r"identifiers of the excess parameters: (.+)")
_LINE = re.compile(r"^LINE (\d+):", re.MULTILINE)
_COLUMNS = "`roadworn tables TABLE` lists the columns of each"


def why_not(query: str, error: Exception, columns: Callable[[], Sequence[str]]) -> str:
    """Return in one sentence why the engine cannot run a query, and what helps where it is known.

    Args:
        query: as it was asked.
        error: what the engine raised.
        columns: returns the columns of the tables that it names.
    """
    import duckdb

    told = str(error)
    missing = _NO_COLUMN.search(told)
    if missing is not None:
        name = missing[1]
        near = UnknownName.of(f"column {name!r} there", name, columns(), f"{_COLUMNS}.")
        more = ""
        if near.near:
            more = f" {_COLUMNS}."
        elif f'"{name}"' in query:
            more = f" Text stands in single quotes: '{name}'."
        return f"The query cannot be run: {near.message[:1].lower()}{near.message[1:]}{more}"
    paragraph = takewhile(str.strip, told.splitlines())
    reason = " ".join(word for line in paragraph for word in line.split()).rstrip(".!")
    remedy = ""
    if (values := _NO_VALUE.search(told)) and "$" in query:
        reason = f"nothing is given for {_dollars(values[1])}"
        remedy = ": give each $NAME its value by --set NAME=VALUE, in Python by NAME=VALUE"
    elif values := _NO_PLACE.search(told):
        reason = f"it has no {_dollars(values[1])}"
        remedy = ": name it there, or do not give it"
    elif isinstance(error, (duckdb.PermissionException, duckdb.IOException)):
        reason = "it names a file"
        remedy = ": bring it in as a table by --with NAME=FILE, in Python by open(…, files=…)"
    elif "add explicit type casts" in told:
        reason = reason.partition(" In order to")[0].rstrip(".")
        remedy = ": say what a value is, as in CAST($n AS DOUBLE)"
    elif isinstance(error, duckdb.BinderException) and "GROUP BY" not in told:
        remedy = f": {_COLUMNS}"
    elif isinstance(error, duckdb.ParserException) and (line := _LINE.search(told)):
        remedy = f", in line {line[1]}"
    return f"The query cannot be run: {reason}{remedy}."


def _dollars(names: str) -> str:
    return ", ".join(f"${name.strip()}" for name in names.split(","))


def rows_within(
    reader: "Reader", query: str, parameters: Parameters, seconds: float, megabytes: float
) -> Rows:
    """Return the rows of a query.

    Args:
        reader: the connection, on no other query.
        query: one SELECT.
        parameters: its values.
        seconds: the most it may take; no bound when 0.
        megabytes: the most that the process may grow by; no bound when 0.

    Raises:
        UsageError: it was stopped at a bound, or is no single SELECT.
        KeyboardInterrupt: it was stopped by hand.
        duckdb.Error: it cannot be run.
    """
    with within(reader, seconds, megabytes):
        cursor = reader.run(query, parameters)
        columns = tuple(column[0] for column in cursor.description or ())
        rows: list[tuple[Any, ...]] = []
        # In pieces, since the one who watches has no turn while a piece is made into rows.
        while piece := cursor.fetchmany(_PIECE_ROWS):
            rows += piece
        return Rows(columns, rows)


@contextmanager
def within(reader: "Reader", seconds: float, megabytes: float) -> Iterator[None]:
    """Run what a person asked of a reader within bounds; see `rows_within`."""
    import duckdb

    try:
        with _bounded(reader.con, seconds, megabytes):
            yield
    except RuntimeError as error:
        # So DuckDB says that Ctrl-C was pressed.
        if isinstance(error, duckdb.Error) or "interrupted" not in str(error):
            raise
        raise KeyboardInterrupt from error


@contextmanager
def _bounded(con: "duckdb.DuckDBPyConnection", seconds: float, megabytes: float) -> Iterator[None]:
    """Interrupt what a connection runs when it takes too long or too much.

    Args:
        con: the connection; what runs on it meanwhile raises ``duckdb.InterruptException``.
        seconds: the most it may take; no bound when 0.
        megabytes: the most that the whole process may grow by; no bound when 0, or when the
            system does not tell.

    Raises:
        UsageError: it was interrupted for that.
    """
    done, passed = threading.Event(), threading.Event()
    reasons: list[str] = []
    before = _resident()
    until = time.monotonic() + seconds

    def watch() -> None:
        while not done.wait(_LOOK_SECONDS):
            if seconds and time.monotonic() > until:
                reasons.append(f"took longer than {seconds:g} seconds (--seconds)")
            elif megabytes and _resident() - before > megabytes * _MEGABYTE:
                reasons.append(f"took more memory than {megabytes:g} MB (--memory)")
            if reasons:
                passed.set()
                con.interrupt()

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield
    except Exception:
        # What an interrupted query raises hangs on who reads it: DuckDB, Arrow or a file.
        if not passed.is_set():
            raise
    finally:
        done.set()
        watcher.join()
    if reasons:
        raise UsageError(
            f"The query {reasons[0]} and was stopped: narrow it with WHERE or LIMIT, or allow more."
        )


def _resident() -> int:
    """Return how many bytes of memory this process holds, 0 when the system does not tell."""
    try:
        return int(_PAGES.read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, AttributeError):
        return 0


_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
#: Suffix of a file -> the function that reads it.
_READERS = {
    ".csv": "read_csv",
    ".tsv": "read_csv",
    ".parquet": "read_parquet",
    ".json": "read_json",
    ".ndjson": "read_json",
    ".jsonl": "read_json",
}


def bring(con: "duckdb.DuckDBPyConnection", outside: Outside, taken: set[str]) -> None:
    """Read the files, and open the folder, on a connection that is locked next.

    Args:
        con: the connection.
        outside: the files and the folder.
        taken: names of tables that are there already.

    Raises:
        UsageError: a name is taken or no name, or a file cannot be read as a table.
        EnvironmentFailure: a file is not there.
    """
    import duckdb

    if outside.into is not None:
        folder = sql_text(str(outside.into.absolute()))
        con.execute(f"SET allowed_directories = [{folder}]")
    for name, path in outside.files.items():
        if not _NAME.fullmatch(name):
            raise UsageError(f"{name!r} is no name of a table: take letters, digits and _.")
        if name.lower() in taken:
            raise UsageError(f"There is a table {name} already: give {path} another name.")
        whole = path
        if path.is_dir():
            # Parted by year, as `export` does it, and with `year` as a column.
            whole = path / "**" / "*.parquet"
        elif not path.is_file():
            raise EnvironmentFailure(f"{path} is not there: name the right file.")
        reader = _READERS.get(whole.suffix.lower())
        if reader is None:
            known = ", ".join(_READERS)
            raise UsageError(f"{path} is read by its ending, which is one of {known}.")
        source = sql_text(str(whole.absolute()))
        try:
            con.execute(f'CREATE TABLE main."{name}" AS SELECT * FROM {reader}({source})')
        except duckdb.Error as error:
            first = str(error).splitlines()[0].rstrip(".")
            raise UsageError(f"{path} cannot be read as a table: {first}.") from error
