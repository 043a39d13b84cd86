"""Folding events into typed tables: one reading of the JSON for each table, done in SQL."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadworn.columns import transport as bulk
from roadworn.columns.spec import ColumnSpec, TableSpec
from roadworn.columns.transport import INCOMING
from roadworn.model.errors import PluginFailure

if TYPE_CHECKING:
    import duckdb


RAW_EVENTS = TableSpec(
    "events",
    "every event of the ledger, as written",
    (),
    (
        ("event_id", "VARCHAR", "id of the event, a UUID"),
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("kind", "VARCHAR", "kind of the event"),
        ("version", "INTEGER", "version its payload was written in"),
        ("occurred_at", "TIMESTAMP", "when it happened, UTC; midnight when only the day is known"),
        ("occurred_on", "DATE", "the day it happened"),
        ("day", "INTEGER", "that day, counted from 1970-01-01"),
        ("date_only", "BOOLEAN", "only the day it happened is known"),
        ("recorded_at", "TIMESTAMP", "when it was written down, UTC"),
        ("recorded_by", "VARCHAR", "who wrote it down, as entered"),
        ("source", "VARCHAR", "how it came in"),
        ("odometer", "DOUBLE", "odometer reading as entered"),
        ("odometer_unit", "VARCHAR", "its unit, km or mi"),
    ),
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
    """Fold rows as `transport.fetch` yields them, a good many at a time."""
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
    """Fold a text file that `bulk.write_file` has written."""
    bulk.read_file(con, path)
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
    listed = ", ".join("'" + kind.replace("'", "''") + "'" for kind in spec.kinds)
    condition = f"WHERE kind IN ({listed})" if spec.kinds else ""
    own = ", ".join(f'"{name}"' for name, _type, _meaning in spec.columns)
    return (
        f'INSERT INTO raw."{spec.name}" '
        f"WITH batch AS (SELECT * FROM incoming {condition}) "
        f"SELECT seq, {own} FROM ({spec.select})"
    )
