"""The shape of the ledger file: tables, guards, and how older shapes are brought up to date.

Tables and migrations go through sqlite-utils. Because importing it costs a third of a second,
the shape's number is also kept in `PRAGMA user_version`, so that opening a ledger of the
present shape needs only the standard library.

The guards are triggers. `INSERT OR REPLACE` deletes rows without firing delete triggers (unless
`recursive_triggers` is on in that connection), so the insert guard looks for the row that
would be replaced. It also refuses a gap in `seq`. Guards use RAISE(FAIL), which spares SQLite a
statement journal for each row; nothing has been changed yet when a BEFORE trigger fails.

sqlite-utils' `transform()` and `add_foreign_key()` drop triggers without a word: a later
migration must put the guards back, and `missing_guards` runs at every open.
"""

import sqlite3
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sqlite_utils.db import Database

#: The shape this program writes, kept in PRAGMA user_version.
SHAPE = 1
#: Marks a file as a ledger, kept in PRAGMA application_id ("Rdwn").
APPLICATION_ID = 0x5264776E

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


def shape_of(connection: sqlite3.Connection) -> int | None:
    """Return the ledger's shape number, or None when the file is no ledger."""
    (application_id,) = connection.execute("PRAGMA application_id").fetchone()
    if application_id != APPLICATION_ID:
        return None
    (shape,) = connection.execute("PRAGMA user_version").fetchone()
    return int(shape)


def upgrade(connection: sqlite3.Connection) -> None:
    """Bring a new or older file to the present shape; payloads are never touched.

    Imports sqlite-utils, which costs about 0.4 s.
    """
    from sqlite_utils import Database, Migrations

    migrations = Migrations("roadworn")

    @migrations()
    def m001_ledger(db: "Database") -> None:
        _first_shape(db)

    migrations.apply(Database(connection))


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
        f"PRAGMA user_version = {SHAPE}",
    ):
        db.execute(statement)
