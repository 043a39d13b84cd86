"""Making a ledger's file, bringing an older one up to date, and what a new one holds.

Kept apart from `roadworn.store.schema`, since sqlite-utils is only needed here.
"""

import re
import sqlite3
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sqlite_utils.db import Database

#: Quotes and spaces, in which the SQL of the same table may differ.
_LOOKS = re.compile(r'[\[\]"`\s]+')
#: What SQLite keeps for itself, unasked or after ANALYZE.
_OF_SQLITE = re.compile(r"sqlite_(autoindex_.*|stat[134]|sequence)")


def schema_of(connection: sqlite3.Connection) -> dict[tuple[str, str], str]:
    """Return (type, name) -> SQL of everything in a file, spaces and quotes evened out."""
    return {
        (str(kind), str(name)): _LOOKS.sub(" ", sql or "").strip()
        for kind, name, sql in connection.execute("SELECT type, name, sql FROM sqlite_master")
        if not _OF_SQLITE.fullmatch(str(name))
    }


def upgrade(
    connection: sqlite3.Connection,
    columns: Sequence[str],
    guards: Mapping[str, str],
    application_id: int,
) -> None:
    """Bring a new or older file to the present shape; payloads are never touched.

    Args:
        connection: of the file.
        columns: those of the events.
        guards: trigger -> what makes it.
        application_id: marks the file as a ledger.
    """
    with _left_out("pandas"):
        from sqlite_utils import Database, Migrations

    migrations = Migrations("roadworn")

    @migrations()
    def m001_ledger(db: "Database") -> None:
        _first_shape(db, columns, guards, application_id)

    @migrations()
    def m002_beside(db: "Database") -> None:
        _second_shape(db)

    migrations.apply(Database(connection))


@contextmanager
def _left_out(module: str) -> Iterator[None]:
    """Let what is imported meanwhile do without a module that it would only like to have.

    sqlite-utils imports pandas wherever that is installed, half a second for nothing here.
    """
    if module in sys.modules:
        yield
        return
    sys.modules[module] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules[module]


def _first_shape(
    db: "Database", columns: Sequence[str], guards: Mapping[str, str], application_id: int
) -> None:
    """Events, checkpoints and contacts, with the guards of the first two."""
    required = set(columns) - {"seq", "odometer", "odometer_unit", "intake_key"}
    types = {"seq": int, "version": int, "odometer": float, "leaf": bytes}
    db.table("events").create(
        {name: types.get(name, str) for name in columns},
        pk="seq",
        not_null=required,
        strict=True,
    )
    db.table("events").create_index(["event_id"], "events_event_id", unique=True)
    db.table("checkpoints").create(
        {"size": int, "root": str, "peaks": bytes, "made_at": str},
        pk="size",
        not_null={"root", "peaks", "made_at"},
        strict=True,
    )
    db.table("contacts").create(
        {"reference": str, "name": str, "phone": str, "address": str, "note": str},
        pk="reference",
        strict=True,
    )
    # Partial indexes, which sqlite-utils has no word for: rows without a key, and the kinds
    # that intake never asks about, cost nothing.
    for statement in (
        "CREATE UNIQUE INDEX events_intake_key ON events(intake_key) WHERE intake_key IS NOT NULL",
        "CREATE INDEX events_enrolment ON events(vehicle_id) WHERE kind = 'enrolment'",
        (
            "CREATE INDEX events_replacement ON events(vehicle_id, odometer) "
            "WHERE kind = 'replacement'"
        ),
        "CREATE INDEX events_retraction ON events(vehicle_id) WHERE kind = 'retraction'",
        *guards.values(),
        f"PRAGMA application_id = {application_id}",
        "PRAGMA user_version = 1",
    ):
        db.execute(statement)


def _second_shape(db: "Database") -> None:
    """Number plates, and which file gave which events: beside the chain, free to be erased.

    Whatever of it is there already stays: another program may be at it, or was stopped midway.
    """
    db.table("plates").create(
        {"vehicle_id": str, "plate": str},
        pk="vehicle_id",
        not_null={"plate"},
        strict=True,
        if_not_exists=True,
    )
    db.table("imports").create(
        {"size": int, "after": int, "file": str, "made_at": str},
        pk="size",
        not_null={"after", "file", "made_at"},
        strict=True,
        if_not_exists=True,
    )
    db.table("import_rows").create(
        {"mark": str, "map": str, "seq": int},
        pk=("mark", "map"),
        not_null={"seq"},
        strict=True,
        if_not_exists=True,
    )
    db.execute("CREATE INDEX IF NOT EXISTS events_merge ON events(vehicle_id) WHERE kind = 'merge'")
    db.execute("PRAGMA user_version = 2")
