"""Copying a ledger whole, between a file and a server either way."""

from typing import TYPE_CHECKING

from roadworn.model.events import StoredEvent

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

#: Every table of a ledger, with its columns, in the order in which they are copied.
TABLES = {
    "events": tuple(StoredEvent.__dataclass_fields__),
    "checkpoints": ("size", "root", "peaks", "made_at"),
    "contacts": ("reference", "name", "phone", "address", "note"),
    "plates": ("vehicle_id", "plate"),
    "imports": ("size", "after", "file", "made_at"),
    "import_rows": ("mark", "map", "seq"),
}
#: What orders the rows of a table, where that is not its first column.
_KEYS = {"import_rows": ("mark", "map")}
_SLICE = 5_000


def copy_rows(source: "Engine", target: "Engine") -> None:
    """Copy every row of one ledger into another that is empty and has no guards yet.

    Args:
        source: read as of one commit.
        target: in a transaction.
    """
    source.begin_reading()
    for table, columns in TABLES.items():
        names, key = ", ".join(columns), _KEYS.get(table, columns[:1])
        put = f"INSERT INTO {table} ({names}) VALUES ({', '.join('?' * len(columns))})"
        order = f"ORDER BY {', '.join(key)} LIMIT {_SLICE}"
        rows = source.execute(f"SELECT {names} FROM {table} {order}").fetchall()
        beyond = f"({', '.join(key)}) > ({', '.join('?' * len(key))})"
        while rows:
            target.executemany(put, rows)
            last = tuple(rows[-1][columns.index(name)] for name in key)
            sql = f"SELECT {names} FROM {table} WHERE {beyond} {order}"
            rows = source.execute(sql, last).fetchall()
    source.execute("COMMIT")
