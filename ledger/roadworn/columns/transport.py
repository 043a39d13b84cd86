"""Events from the ledger's SQLite file into DuckDB, in batches.

The rows come through a read-only connection and go in by DuckDB's appender. Payloads written
in an older version are brought up to date here, so that the tables know one version only.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from typing import Any

import orjson

from roadworn.errors import LedgerDamaged
from roadworn.registry import KindRegistry

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
