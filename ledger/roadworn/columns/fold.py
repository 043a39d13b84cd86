"""From rows of SQLite to typed tables: one reading of the JSON for each table, done in SQL.

A good many events go a faster way, as text files that DuckDB's CSV reader takes in parallel: row
by row, Python spends twice as long on a million events as SQLite takes to give them. SQLite joins
a few thousand rows into one text, a thread writes those to a file, and DuckDB reads the file while
the thread is at the next one. Control characters separate fields and rows; canonical JSON never
contains them, and a batch that does (in a name, say), or that this form cannot carry exactly, goes
the slow way.
"""

import queue
import sqlite3
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import orjson

from roadworn.columns.spec import ENVELOPE, ColumnSpec, TableSpec, sql_text
from roadworn.model.errors import LedgerDamaged, PluginFailure
from roadworn.model.kinds import KindRegistry

if TYPE_CHECKING:
    import duckdb


#: Columns fetched, in the order of the table `incoming`, with their types there.
COLUMNS = {
    "seq": "BIGINT",
    "event_id": "VARCHAR",
    "vehicle_id": "VARCHAR",
    "kind": "VARCHAR",
    "version": "INTEGER",
    "occurred_at": "VARCHAR",
    "recorded_at": "VARCHAR",
    "recorded_by": "VARCHAR",
    "source": "VARCHAR",
    "odometer": "DOUBLE",
    "odometer_unit": "VARCHAR",
    "payload": "VARCHAR",
}
INCOMING = "CREATE OR REPLACE TEMP TABLE incoming ({})".format(
    ", ".join(f"{name} {kind}" for name, kind in COLUMNS.items())
)
ROWS_AT_ONCE = 5_000


def fetch(
    connection: sqlite3.Connection, after: int, upto: int, kinds: KindRegistry
) -> Iterator[list[Sequence[Any]]]:
    """Yield the events with after < seq <= upto in lists of a few thousand, payloads current.

    Raises:
        LedgerDamaged: a payload is no JSON object.
        LedgerRefused: a payload is newer than this program.
    """
    query = f"SELECT {', '.join(COLUMNS)} FROM events WHERE seq > ? AND seq <= ? ORDER BY seq"
    cursor = connection.execute(query, (after, upto))
    current = {kind.name: kind.version for kind in kinds}
    while rows := cursor.fetchmany(ROWS_AT_ONCE):
        if any(current.get(row[3], row[4]) != row[4] for row in rows):
            rows = [
                row if current.get(row[3], row[4]) == row[4] else _lifted(row, kinds)
                for row in rows
            ]
        yield rows


def _lifted(row: Sequence[Any], kinds: KindRegistry) -> Sequence[Any]:
    """Return the row with its payload in the current version; `version` stays as written."""
    try:
        payload = orjson.loads(row[11])
    except orjson.JSONDecodeError:
        raise LedgerDamaged(
            f"Event {row[1]} cannot be read: run `roadworn verify` to see what is damaged."
        ) from None
    lifted = kinds.get(row[3]).upcast(row[4], payload)
    return (*row[:11], orjson.dumps(lifted, option=orjson.OPT_SORT_KEYS).decode())


#: Rows in a file: enough that DuckDB's threads share it, little enough for a modest memory.
FILE_ROWS = 120_000
_PIECE_ROWS = 10_000
_FIELD, _ROW = "\x1f", "\n"
_LONGEST_PAYLOAD = 200_000

#: Reads a file of `chunks`, its path the parameter, into the table `incoming`.
_READ = (
    "INSERT INTO incoming SELECT * REPLACE (coalesce(recorded_by, '') AS recorded_by, "
    "coalesce(source, '') AS source) FROM read_csv(?, delim = chr(31), header = false, "
    f"quote = '', escape = '', new_line = '\\n', auto_detect = false, columns = {COLUMNS})"
)


def _query(kinds: KindRegistry) -> str:
    """Return the SELECT of one piece: its text, number of rows, and whether any is unfit."""
    shape = _FIELD.join("%d" if name in ("seq", "version") else "%s" for name in COLUMNS)
    newer = " ".join(
        f"WHEN '{kind.name}' THEN {kind.version}" for kind in kinds if kind.version > 1
    )
    unfit = (
        f"version <> CASE kind {newer} ELSE 1 END" if newer else "version <> 1",
        # SQLite writes a float with 15 digits: exact for the tenths that an odometer shows.
        "coalesce(odometer * 10 <> CAST(odometer * 10 AS INTEGER), 0)",
        f"length(payload) > {_LONGEST_PAYLOAD}",
        # format() ends a text at its first NUL.
        "instr(recorded_by, char(0))",
        "instr(source, char(0))",
    )
    return (
        f"SELECT group_concat(format('{shape}', {', '.join(COLUMNS)}), '{_ROW}'), count(*), "
        f"max({' OR '.join(unfit)}) FROM events WHERE seq > ? AND seq <= ?"
    )


def _write_file(
    connection: sqlite3.Connection, after: int, upto: int, kinds: KindRegistry, path: Path
) -> bool:
    """Write the events with after < seq <= upto to a text file; False when they do not fit."""
    query = _query(kinds)
    with path.open("wb") as file:
        for first in range(after, upto, _PIECE_ROWS):
            last = min(first + _PIECE_ROWS, upto)
            text, rows, unfit = connection.execute(query, (first, last)).fetchone()
            if not rows:
                continue
            if (
                unfit
                or text.count(_FIELD) != rows * (len(COLUMNS) - 1)
                or text.count(_ROW) != rows - 1
                or "\r" in text
            ):
                return False
            file.write(f"{text}{_ROW}".encode())
    return True


class _Chunk(NamedTuple):
    """One range of events: its file, or None when it must go row by row."""

    after: int
    upto: int
    path: Path | None


@contextmanager
def chunks(
    open_ledger: Callable[[], sqlite3.Connection], after: int, upto: int, kinds: KindRegistry
) -> Iterator[Iterator[_Chunk]]:
    """Give the events of a range chunk by chunk, each written while the one before is used.

    Args:
        open_ledger: opens a connection of the writing thread's own.
        after: the last event that is not wanted.
        upto: the last event that is.
        kinds: for the current version of each kind.
    """
    ready: queue.Queue[_Chunk | BaseException | None] = queue.Queue(maxsize=1)
    stop = threading.Event()

    def give(item: _Chunk | BaseException | None) -> None:
        while not stop.is_set():
            try:
                ready.put(item, timeout=0.1)
            except queue.Full:
                continue
            return

    def work(folder: Path) -> None:
        try:
            with closing(open_ledger()) as ledger:
                for first in range(after, upto, FILE_ROWS):
                    last = min(first + FILE_ROWS, upto)
                    path = folder / f"{first}.tsv"
                    fits = not stop.is_set() and _write_file(ledger, first, last, kinds, path)
                    give(_Chunk(first, last, path if fits else None))
            give(None)
        # Whatever goes wrong here belongs to the one who waits for the chunks.
        except BaseException as error:  # noqa: BLE001
            give(error)

    def taken() -> Iterator[_Chunk]:
        while (item := ready.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            yield item
            if item.path is not None:
                item.path.unlink()

    with tempfile.TemporaryDirectory(prefix="roadworn-") as folder:
        thread = threading.Thread(target=work, args=(Path(folder),), daemon=True)
        thread.start()
        try:
            yield taken()
        finally:
            stop.set()
            thread.join()


_DERIVED = frozenset({"seq", "odometer_km", "odometer_mi", "true_km", "true_km_estimated"})
RAW_EVENTS = TableSpec(
    "events",
    "every event of the ledger, as written",
    (),
    tuple(column for column in ENVELOPE if column[0] not in _DERIVED),
    "SELECT seq, event_id, vehicle_id, kind, version, CAST(occurred_at AS TIMESTAMP) "
    "AS occurred_at, CAST(substr(occurred_at, 1, 10) AS DATE) AS occurred_on, "
    "CAST(datediff('day', DATE '1970-01-01', CAST(substr(occurred_at, 1, 10) AS DATE)) "
    "AS INTEGER) AS day, length(occurred_at) = 10 AS date_only, "
    "CAST(recorded_at AS TIMESTAMP) AS recorded_at, recorded_by, source, odometer, "
    "odometer_unit FROM incoming",
)

_ROWS_AT_ONCE = 100_000
_SEQ: ColumnSpec = ("seq", "BIGINT", "number of the event in the ledger")


def create_tables(con: "duckdb.DuckDBPyConnection", tables: Iterable[TableSpec]) -> None:
    """Create the empty folded tables in schema `raw`, and the table that batches come in by."""
    con.execute("CREATE SCHEMA IF NOT EXISTS raw")
    con.execute(INCOMING)
    for spec in (RAW_EVENTS, *tables):
        columns = ", ".join(f'"{name}" {kind}' for name, kind, _ in (_SEQ, *spec.columns))
        con.execute(f'CREATE TABLE raw."{spec.name}" ({columns})')
    con.execute("CREATE TABLE raw.payloads (seq BIGINT, payload VARCHAR)")


def fold_rows(
    con: "duckdb.DuckDBPyConnection",
    batches: Iterable[list[Sequence[Any]]],
    tables: Sequence[TableSpec],
) -> None:
    """Fold rows as `fetch` yields them, a good many at a time."""
    source = iter(batches)
    while True:
        waiting = 0
        with con.appender("incoming") as appender:
            for rows in source:
                appender.append_rows(rows)
                waiting += len(rows)
                if waiting >= _ROWS_AT_ONCE:
                    break
        if not waiting:
            return
        extract(con, tables)


def fold_file(con: "duckdb.DuckDBPyConnection", path: Path, tables: Sequence[TableSpec]) -> None:
    """Fold a text file that `chunks` has written."""
    con.execute(_READ, (str(path),))
    extract(con, tables)


def extract(con: "duckdb.DuckDBPyConnection", tables: Sequence[TableSpec]) -> None:
    """Extract what stands in `incoming` into every table, and empty it.

    Raises:
        PluginFailure: the SELECT of a plugin's table cannot be run.
    """
    import duckdb

    kinds = {row[0] for row in con.execute("SELECT DISTINCT kind FROM incoming").fetchall()}
    names = ", ".join(name for name, _t, _m in RAW_EVENTS.columns)
    con.execute(f"INSERT INTO raw.events SELECT seq, {names} FROM ({RAW_EVENTS.select})")
    for spec in tables:
        if spec.kinds and not kinds.intersection(spec.kinds):
            continue
        try:
            con.execute(_insert(spec))
        except duckdb.Error as error:
            first = str(error).splitlines()[0]
            raise PluginFailure(
                f"The table {spec.name!r} cannot be folded ({first}): "
                "tell the author of the plugin that brings it, or run without that plugin."
            ) from error
    con.execute("TRUNCATE incoming")


def _insert(spec: TableSpec) -> str:
    listed = ", ".join(sql_text(kind) for kind in spec.kinds)
    condition = f"WHERE kind IN ({listed})" if spec.kinds else ""
    own = ", ".join(f'"{name}"' for name, _type, _meaning in spec.columns)
    return (
        f'INSERT INTO raw."{spec.name}" '
        f"WITH batch AS (SELECT * FROM incoming {condition}) "
        f"SELECT seq, {own} FROM ({spec.select})"
    )
