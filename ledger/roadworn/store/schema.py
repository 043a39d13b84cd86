"""The tables of a ledger file, their guards, and how the file is opened."""

import random
import re
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.model.errors import (
    EnvironmentFailure,
    LedgerBusy,
    LedgerDamaged,
    LedgerRefused,
    NotALedger,
)
from roadworn.store.whole import require_local

if TYPE_CHECKING:
    from sqlite_utils.db import Database


#: The shape this program writes, kept in PRAGMA user_version.
SHAPE = 2
#: From this shape on a ledger is read as it stands: what came since stands beside the events.
READABLE = 1
#: Marks a file as a ledger, kept in PRAGMA application_id ("Rdwn").
APPLICATION_ID = 0x5264776E

#: Whether foreign code runs here that was handed a view.
ONLY_READING: ContextVar[bool] = ContextVar("only_reading", default=False)

EVENT_COLUMNS = (
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
    "intake_key",
    "leaf",
)

#: The guard against gaps and INSERT OR REPLACE.
INSERT_GUARD = "events_insert_guard"
_NEVER = "append-only: {table} are never {done}; record a retraction or a correction instead"


def _guards() -> dict[str, str]:
    guards = {}
    for table in ("events", "checkpoints"):
        for word, done in (("UPDATE", "changed"), ("DELETE", "deleted")):
            name = f"{table}_no_{word.lower()}"
            message = _NEVER.format(table=table, done=done)
            guards[name] = (
                f"CREATE TRIGGER {name} BEFORE {word} ON {table} "
                f"BEGIN SELECT RAISE(FAIL, '{message}'); END"
            )
    gap = "NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM events)"
    same_id = "EXISTS (SELECT 1 FROM events WHERE event_id = NEW.event_id)"
    same_key = "EXISTS (SELECT 1 FROM events WHERE intake_key = NEW.intake_key)"
    # One WHEN is tested for each row; the reasons are told apart only when it holds.
    guards[INSERT_GUARD] = (
        f"CREATE TRIGGER {INSERT_GUARD} BEFORE INSERT ON events "
        f"WHEN {gap} OR {same_id} OR {same_key} BEGIN "
        f"SELECT RAISE(FAIL, 'append-only: seq must be the next number') WHERE {gap}; "
        f"SELECT RAISE(FAIL, 'append-only: this event_id is already there') WHERE {same_id}; "
        "SELECT RAISE(FAIL, 'append-only: this intake_key is already there'); END"
    )
    guards["checkpoints_insert_guard"] = (
        "CREATE TRIGGER checkpoints_insert_guard BEFORE INSERT ON checkpoints BEGIN "
        "SELECT RAISE(FAIL, 'append-only: a checkpoint is of the present size') "
        "WHERE NEW.size IS NOT (SELECT coalesce(max(seq), 0) FROM events); "
        "SELECT RAISE(FAIL, 'append-only: this checkpoint is already there') "
        "WHERE EXISTS (SELECT 1 FROM checkpoints WHERE size >= NEW.size); END"
    )
    return guards


#: Trigger name -> the SQL that makes it.
GUARDS = _guards()


def missing_guards(connection: sqlite3.Connection) -> list[str]:
    """Return the names of guards that are not there as they should be, sorted."""
    found = dict(connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"))
    return sorted(name for name, sql in GUARDS.items() if found.get(name) != sql)


def extra_triggers(connection: sqlite3.Connection) -> list[str]:
    """Return the names of triggers that no Roadworn made, sorted; any may swallow an event."""
    found = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
    return sorted(str(name) for (name,) in found if name not in GUARDS)


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


def expected_schema() -> dict[tuple[str, str], str]:
    """Return what `schema_of` gives for a new ledger of the present shape."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as new:
        upgrade(new)
        return schema_of(new)


def shape_of(connection: sqlite3.Connection) -> int | None:
    """Return the ledger's shape number, or None when the file is no ledger."""
    (application_id,) = connection.execute("PRAGMA application_id").fetchone()
    if application_id != APPLICATION_ID:
        return None
    (shape,) = connection.execute("PRAGMA user_version").fetchone()
    return int(shape)


def known_shape(path: Path, connection: sqlite3.Connection) -> int:
    """Return the ledger's shape number.

    Raises:
        NotALedger: the file is something else, or from a newer program.
    """
    shape = shape_of(connection)
    if shape is None:
        raise NotALedger(f"{path} is not a ledger: name the right file with --ledger.")
    if shape > SHAPE:
        raise NotALedger(f"{path} was written by a newer Roadworn: update the program.")
    return shape


def upgrade(connection: sqlite3.Connection) -> None:
    """Bring a new or older file to the present shape; payloads are never touched."""
    with _left_out("pandas"):
        from sqlite_utils import Database, Migrations

    migrations = Migrations("roadworn")

    @migrations()
    def m001_ledger(db: "Database") -> None:
        _first_shape(db)

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


def _first_shape(db: "Database") -> None:
    """Events, checkpoints and contacts, with the guards of the first two."""
    required = set(EVENT_COLUMNS) - {"seq", "odometer", "odometer_unit", "intake_key"}
    types = {"seq": int, "version": int, "odometer": float, "leaf": bytes}
    db.table("events").create(
        {name: types.get(name, str) for name in EVENT_COLUMNS},
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
        *GUARDS.values(),
        f"PRAGMA application_id = {APPLICATION_ID}",
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
