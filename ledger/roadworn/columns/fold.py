"""From rows of SQLite to typed tables: one reading of the JSON for each table, done in SQL.

A good many events go a faster way, as text files that DuckDB's CSV reader takes in parallel: row
by row, Python spends twice as long on a million events as SQLite takes to give them. SQLite joins
a few thousand rows into one text, a thread writes those to a file, and DuckDB reads the file while
the thread is at the next one. Control characters separate fields and rows; canonical JSON never
contains them, and a batch that does (in a name, say), or that this form cannot carry exactly, goes
the slow way.
"""

import queue
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import orjson

from roadworn.columns.spec import ENVELOPE, ColumnSpec, TableSpec, sql_text
from roadworn.model.errors import LedgerDamaged, LedgerRefused, PluginFailure, RoadwornError
from roadworn.model.messages import Problem, broken

if TYPE_CHECKING:
    import duckdb

    from roadworn.model.kinds import KindRegistry
    from roadworn.store.engine import Engine


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


@dataclass(slots=True)
class LeftOut:
    """What of plugins could not be folded; everything else goes on without it.

    Attributes:
        tables: table -> why it is left out, with its plugin and the event.
        events: events that no table of a plugin gets, for their payload could not be lifted.
        kinds: kind -> why the first of these could not.
    """

    tables: dict[str, Problem] = field(default_factory=dict)
    events: set[int] = field(default_factory=set)
    kinds: dict[str, Problem] = field(default_factory=dict)

    def rest(self, tables: Iterable[TableSpec]) -> tuple[TableSpec, ...]:
        """Return the tables that are not left out."""
        return tuple(spec for spec in tables if spec.name not in self.tables)

    def problems(self) -> list[Problem]:
        """Return what is to be told."""
        return [*self.tables.values(), *self.kinds.values()]

    def event(self, row: Sequence[Any], owner: str, error: RoadwornError) -> None:
        """Leave an event out of the tables of plugins."""
        self.events.add(row[0])
        if row[3] not in self.kinds:
            what = f"cannot read event {row[1]}, number {row[0]}"
            self.kinds[row[3]] = broken(owner, what, f"{error.what}; its tables lack it", row[0])

    def table(self, spec: TableSpec, reason: str, seq: int = 0) -> None:
        """Leave a table of a plugin out."""
        at = f" at event number {seq}" if seq else ""
        what = f"brings a table {spec.name!r} that cannot be folded{at}"
        self.tables[spec.name] = broken(spec.owner, what, f"{reason}; it is left out", seq)


def fetch(
    connection: "Engine",
    after: int,
    upto: int,
    kinds: "KindRegistry",
    left_out: LeftOut | None = None,
) -> Iterator[list[Sequence[Any]]]:
    """Yield the events with after < seq <= upto in lists of a few thousand, payloads current.

    What a plugin's kind cannot lift is given as it was written, and noted in `left_out`.

    Raises:
        LedgerDamaged: a payload is no JSON object.
        LedgerRefused: a payload is newer than this program.
    """
    left_out = left_out or LeftOut()
    query = f"SELECT {', '.join(COLUMNS)} FROM events WHERE seq > ? AND seq <= ? ORDER BY seq"
    cursor = connection.execute(query, (after, upto))
    current = {kind.name: kind.version for kind in kinds}
    while rows := cursor.fetchmany(ROWS_AT_ONCE):
        if any(current.get(row[3], row[4]) != row[4] for row in rows):
            rows = [
                row if current.get(row[3], row[4]) == row[4] else _lifted(row, kinds, left_out)
                for row in rows
            ]
        yield rows


def _lifted(row: Sequence[Any], kinds: "KindRegistry", left_out: LeftOut) -> Sequence[Any]:
    """Return the row with its payload in the current version; `version` stays as written."""
    try:
        payload = orjson.loads(row[11])
    except orjson.JSONDecodeError:
        raise LedgerDamaged(
            f"Event {row[1]} cannot be read: run `roadworn verify` to see what is damaged."
        ) from None
    kind = kinds.get(row[3])
    try:
        lifted = kind.upcast(row[4], payload)
        return (*row[:11], orjson.dumps(lifted, option=orjson.OPT_SORT_KEYS).decode())
    except (PluginFailure, LedgerRefused, orjson.JSONEncodeError) as error:
        if not kind.owner:
            raise
        told = error if isinstance(error, RoadwornError) else PluginFailure(str(error))
        left_out.event(row, kind.owner, told)
        return row


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


def _query(kinds: "KindRegistry") -> str:
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
    connection: "Engine", after: int, upto: int, kinds: "KindRegistry", path: Path
) -> bool:
    """Write the events with after < seq <= upto to a text file; False when they do not fit."""
    if not connection.writes_text:
        return False
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
    open_ledger: Callable[[], "Engine"], after: int, upto: int, kinds: "KindRegistry"
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


def create_tables(
    con: "duckdb.DuckDBPyConnection", tables: Iterable[TableSpec], left_out: LeftOut | None = None
) -> None:
    """Create the empty folded tables in schema `raw`, and the table that batches come in by.

    Those of plugins are tried on no events at all; what cannot be run is noted in `left_out`.
    """
    con.execute("CREATE SCHEMA IF NOT EXISTS raw")
    con.execute(INCOMING)
    con.execute("CREATE OR REPLACE TEMP TABLE unread (seq BIGINT)")
    for spec in (RAW_EVENTS, *tables):
        fault = _trial(con, spec) if spec.owner else ""
        if fault and left_out is not None:
            left_out.table(spec, fault)
        else:
            con.execute(_create(spec))
    con.execute("CREATE TABLE raw.payloads (seq BIGINT, payload VARCHAR)")


def _create(spec: TableSpec) -> str:
    columns = ", ".join(f'"{name}" {kind}' for name, kind, _ in (_SEQ, *spec.columns))
    return f'CREATE TABLE raw."{spec.name}" ({columns})'


def _trial(con: "duckdb.DuckDBPyConnection", spec: TableSpec) -> str:
    """Return why a table of a plugin cannot be folded even from no events, or an empty text."""
    import duckdb

    try:
        statements = con.extract_statements(spec.select)
        if len(statements) != 1 or statements[0].type.name != "SELECT":
            return "its select is no single SELECT"
        if len(con.extract_statements(_create(spec))) != 1:
            return "the type of a column is no type"
        # Rolled back, whatever the types of its columns would run.
        con.execute("BEGIN")
        try:
            con.execute(_create(spec))
            con.execute(_insert(spec))
        finally:
            con.execute("ROLLBACK")
    except duckdb.Error as error:
        return _first_line(error)
    return ""


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0].rstrip(".")


def fold_rows(
    con: "duckdb.DuckDBPyConnection",
    batches: Iterable[list[Sequence[Any]]],
    tables: Sequence[TableSpec],
    left_out: LeftOut | None = None,
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
        extract(con, tables, left_out)


def fold_file(
    con: "duckdb.DuckDBPyConnection",
    path: Path,
    tables: Sequence[TableSpec],
    left_out: LeftOut | None = None,
) -> None:
    """Fold a text file that `chunks` has written."""
    con.execute(_READ, (str(path),))
    extract(con, tables, left_out)


def extract(
    con: "duckdb.DuckDBPyConnection",
    tables: Sequence[TableSpec],
    left_out: LeftOut | None = None,
) -> None:
    """Extract what stands in `incoming` into every table, and empty it.

    A table of a plugin that cannot take it is emptied and noted in `left_out`.
    """
    import duckdb

    left_out = left_out or LeftOut()
    if left_out.events:
        con.execute("TRUNCATE unread")
        con.execute("INSERT INTO unread SELECT unnest(?)", (sorted(left_out.events),))
    kinds = {row[0] for row in con.execute("SELECT DISTINCT kind FROM incoming").fetchall()}
    names = ", ".join(name for name, _t, _m in RAW_EVENTS.columns)
    con.execute(f"INSERT INTO raw.events SELECT seq, {names} FROM ({RAW_EVENTS.select})")
    for spec in left_out.rest(tables):
        if spec.kinds and not kinds.intersection(spec.kinds):
            continue
        try:
            con.execute(_insert(spec))
        except duckdb.Error as error:
            if not spec.owner:
                raise
            left_out.table(spec, _first_line(error), _first_bad(con, spec))
            con.execute(f'TRUNCATE raw."{spec.name}"')
    con.execute("TRUNCATE incoming")


def _first_bad(con: "duckdb.DuckDBPyConnection", spec: TableSpec) -> int:
    """Return the number of the first event in `incoming` that a table cannot take."""
    import duckdb

    seqs = [row[0] for row in con.execute("SELECT seq FROM incoming ORDER BY seq").fetchall()]
    good, bad = 0, len(seqs)
    while good + 1 < bad:
        half = (good + bad) // 2
        try:
            con.execute(_insert(spec, f"seq >= {seqs[good]} AND seq <= {seqs[half - 1]}"))
            good = half
        except duckdb.Error:
            bad = half
    return int(seqs[bad - 1])


def _insert(spec: TableSpec, within: str = "TRUE") -> str:
    listed = ", ".join(sql_text(kind) for kind in spec.kinds)
    condition = f"WHERE kind IN ({listed}) AND {within}" if spec.kinds else f"WHERE {within}"
    if spec.owner:
        condition += " AND seq NOT IN (SELECT seq FROM unread)"
    own = ", ".join(f'"{name}"' for name, _type, _meaning in spec.columns)
    return (
        f'INSERT INTO raw."{spec.name}" '
        f"WITH batch AS (SELECT * FROM incoming {condition}) "
        f"SELECT seq, {own} FROM ({spec.select})"
    )
