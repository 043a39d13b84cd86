"""The fast way of many events into DuckDB: as text files that its CSV reader takes in parallel.

Row by row, Python spends twice as long on a million events as SQLite takes to give them. Here
SQLite joins a few thousand rows into one text, a thread writes those to a file, and DuckDB
reads the file while the thread is at the next one. Control characters separate fields and
rows; canonical JSON never contains them, and a batch that does (in a name, say), or that
this form cannot carry exactly, goes the slow way.
"""

import queue
import sqlite3
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import orjson

from roadworn.model.errors import LedgerDamaged
from roadworn.model.kinds import KindRegistry

if TYPE_CHECKING:
    import duckdb


#: Columns fetched, in the order of the table `incoming`.
COLUMNS = (
    "seq",
    "event_id",
    "vehicle_id",
    "kind",
    "version",
    "occurred_at",
    "recorded_at",
    "recorded_by",
    "source",
    "odometer",
    "odometer_unit",
    "payload",
)
INCOMING = (
    "CREATE OR REPLACE TEMP TABLE incoming (seq BIGINT, event_id VARCHAR, vehicle_id VARCHAR, "
    "kind VARCHAR, version INTEGER, occurred_at VARCHAR, recorded_at VARCHAR, recorded_by VARCHAR, "
    "source VARCHAR, odometer DOUBLE, odometer_unit VARCHAR, payload VARCHAR)"
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
            rows = [_lifted(row, current, kinds) for row in rows]
        yield rows


def _lifted(row: Sequence[Any], current: dict[str, int], kinds: KindRegistry) -> Sequence[Any]:
    """Return the row with its payload in the current version; `version` stays as written."""
    kind, version = row[3], row[4]
    if current.get(kind, version) == version:
        return row
    try:
        payload = orjson.loads(row[11])
    except orjson.JSONDecodeError:
        raise LedgerDamaged(
            f"Event {row[1]} cannot be read: run `roadworn verify` to see what is damaged."
        ) from None
    lifted = kinds.get(kind).upcast(version, payload)
    return (*row[:11], orjson.dumps(lifted, option=orjson.OPT_SORT_KEYS).decode())


#: Rows in a file: enough that DuckDB's threads share it, little enough for a modest memory.
FILE_ROWS = 120_000
_PIECE_ROWS = 10_000
_FIELD, _ROW = "\x1f", "\n"
_LONGEST_PAYLOAD = 200_000

_READ = (
    "INSERT INTO incoming SELECT * REPLACE (coalesce(recorded_by, '') AS recorded_by, "
    "coalesce(source, '') AS source) FROM read_csv(?, delim = chr(31), header = false, "
    "quote = '', escape = '', new_line = '\\n', auto_detect = false, columns = {"
    "'seq': 'BIGINT', 'event_id': 'VARCHAR', 'vehicle_id': 'VARCHAR', 'kind': 'VARCHAR', "
    "'version': 'INTEGER', 'occurred_at': 'VARCHAR', 'recorded_at': 'VARCHAR', "
    "'recorded_by': 'VARCHAR', 'source': 'VARCHAR', 'odometer': 'DOUBLE', "
    "'odometer_unit': 'VARCHAR', 'payload': 'VARCHAR'})"
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


def write_file(
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
            file.write(text.encode())
            file.write(_ROW.encode())
    return True


def read_file(con: "duckdb.DuckDBPyConnection", path: Path) -> None:
    """Read a file of `write_file` into the table `incoming`."""
    con.execute(_READ, (str(path),))


class _Chunk:
    """One range of events: its file, or None when it must go row by row."""

    def __init__(self, after: int, upto: int, path: Path | None) -> None:
        self.after, self.upto, self.path = after, upto, path


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
            ledger = open_ledger()
            try:
                for first in range(after, upto, FILE_ROWS):
                    last = min(first + FILE_ROWS, upto)
                    path = folder / f"{first}.tsv"
                    fits = not stop.is_set() and write_file(ledger, first, last, kinds, path)
                    give(_Chunk(first, last, path if fits else None))
            finally:
                ledger.close()
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
