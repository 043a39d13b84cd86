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


BUSY_SECONDS = 20.0
#: Taken as needed; a bulk import spills less with it.
_CACHE_KIB = 65_536


@contextmanager
def plain_failures(path: Path) -> Iterator[None]:
    """Turn SQLite's errors about `path` into Roadworn's.

    Raises:
        LedgerBusy: another process held the write lock too long.
        NotALedger: the file is no SQLite database.
        LedgerDamaged: SQLite finds the file malformed.
        EnvironmentFailure: disk full, read-only, cannot be opened, input or output error.
    """
    try:
        yield
    except sqlite3.DatabaseError as error:
        raise _plain(error, path) from error
    except UnicodeDecodeError as error:
        # sqlite3 decodes SQLite's own message, which quotes damaged bytes.
        raise _damaged(path) from error


def _plain(error: sqlite3.DatabaseError, path: Path) -> Exception:
    code = getattr(error, "sqlite_errorcode", None)
    primary = code & 0xFF if code is not None else None
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return LedgerBusy(
            f"Another program has been writing to {path} for more than {BUSY_SECONDS:.0f} "
            "seconds: wait for it to finish, then try again; nothing was changed."
        )
    if primary == sqlite3.SQLITE_NOTADB:
        return NotALedger(f"{path} is not a ledger: name the right file with --ledger.")
    if primary == sqlite3.SQLITE_FULL:
        return EnvironmentFailure(
            f"The disk with {path} is full: make room and try again; nothing was changed."
        )
    if primary == sqlite3.SQLITE_READONLY:
        return EnvironmentFailure(
            f"{path} cannot be written: check the rights of the file and of its folder."
        )
    if primary in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_PERM):
        return EnvironmentFailure(
            f"{path} cannot be read or written ({error}): check the disk, and the rights of the "
            "file and its folder."
        )
    if primary in (sqlite3.SQLITE_ERROR, sqlite3.SQLITE_SCHEMA):
        return LedgerDamaged(
            f"{path} does not have the tables of a ledger ({error}): "
            "take a backup from before they were changed."
        )
    if isinstance(error, (sqlite3.IntegrityError, sqlite3.ProgrammingError)):
        return error  # a fault of ours, not of the file
    return _damaged(path)


def _damaged(path: Path) -> LedgerDamaged:
    return LedgerDamaged(
        f"{path} is damaged: run `roadworn verify` to see where, "
        "and take a backup from before the damage."
    )


def require_file(path: Path) -> None:
    """Say that there is no ledger where one is named, before SQLite is asked to open it.

    Raises:
        EnvironmentFailure: there is nothing at the path.
        NotALedger: it is a folder.
    """
    if not path.exists():
        raise EnvironmentFailure(
            f"There is no ledger at {path}: make one with `roadworn create`, "
            "or name yours with --ledger."
        )
    if not path.is_file():
        raise NotALedger(f"{path} is not a file: name the ledger with --ledger.")


def connect(path: Path, *, writable: bool) -> sqlite3.Connection:
    """Open a SQLite file with transactions begun by hand.

    A reader opens read-only; in a folder that cannot be written SQLite cannot make the shared
    memory of its write-ahead log, so there the file is read as it stands.

    Raises:
        LedgerRefused: this thread may only read, see `ONLY_READING`.
        EnvironmentFailure: it is to be written, and lies on a network file system.
        sqlite3.Error: wrap the call in `plain_failures`.
    """
    if writable and ONLY_READING.get():
        raise LedgerRefused(
            "A plugin that is asked a question may not write: let an importer of its own do that."
        )
    if writable:
        require_local(path)
    uri = path.absolute().as_uri()
    mode = "rw" if writable else "ro"
    connection = _open(f"{uri}?mode={mode}")
    try:
        if writable:
            _prepare_for_writing(connection)
        else:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        connection.close()
        wal = path.with_name(path.name + "-wal")
        unreadable = error.sqlite_errorcode & 0xFF in (
            sqlite3.SQLITE_CANTOPEN,
            sqlite3.SQLITE_READONLY,
        )
        if writable or not unreadable or (wal.exists() and wal.stat().st_size):
            raise
        connection = _open(f"{uri}?mode=ro&immutable=1")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _open(uri: str) -> sqlite3.Connection:
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=BUSY_SECONDS)


def _prepare_for_writing(connection: sqlite3.Connection) -> None:
    """Set what makes commits durable; a database that is no ledger is not changed."""
    (application_id,) = connection.execute("PRAGMA application_id").fetchone()
    (pages,) = connection.execute("PRAGMA page_count").fetchone()
    if application_id == APPLICATION_ID or pages == 0:
        connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
    connection.execute("PRAGMA recursive_triggers = ON")
    # Not every SQLite is built so: what a contact was before a change must not stay in the file.
    connection.execute("PRAGMA secure_delete = ON")


#: How often one who waits for the write lock looks for it, in seconds.
_PAUSES = (0.0005, 0.0025)


def begin_writing(connection: sqlite3.Connection) -> bool:
    """Begin a write transaction, waiting for the lock as long as `BUSY_SECONDS`.

    SQLite's own way to wait sleeps the longer the longer it has waited, so that whoever writes
    without a pause keeps the others out. All who wait here look equally often.

    Returns:
        Whether somebody else held the lock. Who was told so lets the others go first for a
        while, by `let_others` before it writes again.

    Raises:
        sqlite3.OperationalError: somebody else held it all that time.
    """
    until, waited = time.monotonic() + BUSY_SECONDS, False
    connection.execute("PRAGMA busy_timeout = 0")
    try:
        while True:
            try:
                connection.execute("BEGIN IMMEDIATE")
            except sqlite3.OperationalError as error:
                busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
                if not busy or time.monotonic() > until:
                    raise
                waited = True
                time.sleep(random.uniform(*_PAUSES))  # noqa: S311  # nothing secret
            else:
                return waited
    finally:
        connection.execute(f"PRAGMA busy_timeout = {int(BUSY_SECONDS * 1000)}")


def let_others() -> None:
    """Wait until each of those who look for the write lock has looked once."""
    time.sleep(2 * _PAUSES[1])


def empty_log(connection: sqlite3.Connection, seconds: float) -> bool:
    """Put the write-ahead log into the file and empty it; False when a reader stands in the way.

    Args:
        connection: of the ledger, writable, in no transaction.
        seconds: how long to wait for readers.
    """
    connection.execute(f"PRAGMA busy_timeout = {int(seconds * 1000)}")
    try:
        (busy, _frames, _moved) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    finally:
        connection.execute(f"PRAGMA busy_timeout = {int(BUSY_SECONDS * 1000)}")
    return not busy
