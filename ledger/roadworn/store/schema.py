"""The tables of a ledger file, their guards, and how a file or a server is opened."""

import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadworn.model.errors import (
    EnvironmentFailure,
    LedgerBusy,
    LedgerDamaged,
    LedgerRefused,
    NotALedger,
)
from roadworn.store.whole import require_local, shown, url_of

if TYPE_CHECKING:
    from roadworn.store.engine import Engine


#: The shape this program writes, kept in PRAGMA user_version.
SHAPE = 2
#: From this shape on a ledger is read as it stands: what came since stands beside the events.
READABLE = 1
#: Tables that the first shape had not.
SINCE_FIRST = ("plates", "imports")
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


def shape_of(connection: sqlite3.Connection) -> int | None:
    """Return the ledger's shape number, or None when the file is no ledger."""
    (application_id,) = connection.execute("PRAGMA application_id").fetchone()
    if application_id != APPLICATION_ID:
        return None
    (shape,) = connection.execute("PRAGMA user_version").fetchone()
    return int(shape)


BUSY_SECONDS = 20.0


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
        of_server = getattr(error, "plain", None)
        raise (of_server(path) if of_server else _plain(error, path)) from error
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


#: Taken as needed; a bulk import spills less with it.
_CACHE_KIB = 65_536


def known_shape(path: Path, engine: "Engine") -> int:
    """Return the ledger's shape number.

    Raises:
        NotALedger: it is something else, or from a newer program.
    """
    shape = engine.shape()
    if shape is None and url_of(path) is not None:
        raise NotALedger(
            f"{shown(path)} is not a ledger: name the right database with --ledger, or make one "
            "there with `roadworn create`."
        )
    if shape is None:
        raise NotALedger(f"{path} is not a ledger: name the right file with --ledger.")
    if shape > SHAPE:
        raise NotALedger(f"{shown(path)} was written by a newer Roadworn: update the program.")
    return shape


def connect(path: Path, *, writable: bool) -> "Engine":
    """Open what a path leads to, with transactions begun by hand.

    A reader opens a file read-only; in a folder that cannot be written SQLite cannot make the
    shared memory of its write-ahead log, so there the file is read as it stands.

    Raises:
        LedgerRefused: this thread may only read, see `ONLY_READING`.
        EnvironmentFailure: it is to be written, and lies on a network file system.
        sqlite3.Error: wrap the call in `plain_failures`.
    """
    if writable and ONLY_READING.get():
        raise LedgerRefused(
            "A plugin that is asked a question may not write: let an importer of its own do that."
        )
    if (url := url_of(path)) is not None:
        from roadworn.store.server import ServerEngine

        return ServerEngine.open(url)
    if writable:
        require_local(path)
    uri = path.absolute().as_uri()
    mode = "rw" if writable else "ro"
    engine = _open(f"{uri}?mode={mode}")
    try:
        if writable:
            _prepare_for_writing(engine)
        else:
            engine.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        engine.close()
        wal = path.with_name(path.name + "-wal")
        unreadable = error.sqlite_errorcode & 0xFF in (
            sqlite3.SQLITE_CANTOPEN,
            sqlite3.SQLITE_READONLY,
        )
        if writable or not unreadable or (wal.exists() and wal.stat().st_size):
            raise
        engine = _open(f"{uri}?mode=ro&immutable=1")
    except sqlite3.Error:
        engine.close()
        raise
    return engine


def new_file(path: Path) -> "FileEngine":
    """Open an empty file to be filled; the caller upgrades it."""
    engine = _open(f"{path.absolute().as_uri()}?mode=rwc")
    _prepare_for_writing(engine)
    return engine


def _open(uri: str) -> "FileEngine":
    return sqlite3.connect(
        uri, uri=True, isolation_level=None, timeout=BUSY_SECONDS, factory=FileEngine
    )


def _prepare_for_writing(engine: "FileEngine") -> None:
    """Set what makes commits durable; a database that is no ledger is not changed."""
    (application_id,) = engine.execute("PRAGMA application_id").fetchone()
    (pages,) = engine.execute("PRAGMA page_count").fetchone()
    if application_id == APPLICATION_ID or pages == 0:
        engine.execute("PRAGMA journal_mode = WAL")
    engine.execute("PRAGMA synchronous = FULL")
    engine.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
    engine.execute("PRAGMA recursive_triggers = ON")
    # Not every SQLite is built so: what a contact was before a change must not stay in the file.
    engine.execute("PRAGMA secure_delete = ON")


#: SQLite gives the next number itself.
_INSERT_NEXT = (
    f"INSERT OR FAIL INTO events ({', '.join(EVENT_COLUMNS[1:])}) "
    f"VALUES ({', '.join('?' * len(EVENT_COLUMNS[1:]))})"
)
#: From this many rows on, taking the insert guard off and putting it back pays.
_MANY = 200


class FileEngine(sqlite3.Connection):
    """One file of SQLite; one transaction writes at a time."""

    account = ""
    writes_text = True
    beside_seconds = 1.0
    # OR FAIL: a refused row has changed nothing, so SQLite need not keep a journal per row.
    insert_sql = (
        f"INSERT OR FAIL INTO events ({', '.join(EVENT_COLUMNS)}) "
        f"VALUES ({', '.join('?' * len(EVENT_COLUMNS))})"
    )

    def shape(self) -> int | None:
        """Return the number in the file, or None."""
        return shape_of(self)

    def upgrade(self) -> None:
        """Bring the file to the present shape."""
        from roadworn.store.shapes import upgrade

        upgrade(self, EVENT_COLUMNS, GUARDS, APPLICATION_ID)

    def missing_guards(self) -> list[str]:
        """Return the triggers that are not as they should be."""
        return missing_guards(self)

    def extra_triggers(self) -> list[str]:
        """Return the triggers that no Roadworn made."""
        return extra_triggers(self)

    def found_schema(self) -> dict[tuple[str, str], str]:
        """Return what the file holds."""
        from roadworn.store.shapes import schema_of

        return schema_of(self)

    def wanted_schema(self) -> dict[tuple[str, str], str]:
        """Return what a new file holds."""
        with closing(_open("file::memory:")) as new:
            new.upgrade()
            return new.found_schema()

    def damages(self) -> list[str]:
        """Let SQLite check its pages and indexes."""
        found = [str(line) for (line,) in self.execute("PRAGMA integrity_check(20)")]
        return [f"SQLite finds: {' '.join(line.split())}." for line in found if line != "ok"]

    def may_read(self, table: str) -> bool:  # noqa: ARG002  # whoever has the file
        """Return True: whoever has the file reads it."""
        return True

    def begin_reading(self) -> None:
        """Begin a transaction that sees one commit."""
        self.execute("BEGIN")

    def begin_writing(self, vehicle: str = "") -> bool:  # noqa: ARG002  # all wait for all
        """Begin a write transaction, waiting for the lock as long as `BUSY_SECONDS`.

        Who is told that somebody else held it goes by `let_others` before it writes again.
        """
        self.execute("PRAGMA busy_timeout = 0")
        try:
            self.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                raise
            from roadworn.store import waiting

            waiting.begin(self, BUSY_SECONDS)
            return True
        else:
            return False
        finally:
            self.execute(f"PRAGMA busy_timeout = {int(BUSY_SECONDS * 1000)}")

    def others_wait(self) -> bool:
        """Return whether somebody waits for the write lock, or nobody can tell."""
        from roadworn.store.waiting import somebody_waits

        return somebody_waits(self)

    def queues(self, vehicle: str) -> bool:  # noqa: ARG002  # there is one writer at a time
        """Return False: one transaction writes at a time."""
        return False

    def queue(self, columns: Sequence[Any]) -> int | None:
        """Never called."""
        raise NotImplementedError

    supposes = False

    def ask_again(self) -> None:
        """Do nothing: everything is asked."""

    def end_writing(self, *, kept: bool) -> None:
        """Commit, or roll back what was begun."""
        if kept:
            self.execute("COMMIT")
        elif self.in_transaction:
            self.execute("ROLLBACK")

    def let_others(self) -> None:
        """Wait until each of those who look for the write lock has looked once."""
        from roadworn.store.waiting import PAUSES

        time.sleep(2 * PAUSES[1])

    def insert_rows(self, after: int, rows: Sequence[tuple[Any, ...]]) -> int:
        """Insert events; return how many stood in front of the first that was refused."""
        try:
            if len(rows) < _MANY:
                numbered = ((seq, *row) for seq, row in enumerate(rows, after + 1))
                self.executemany(self.insert_sql, numbered)
            else:
                self._insert_many(rows)
        except sqlite3.IntegrityError:
            (last,) = self.execute("SELECT max(seq) FROM events").fetchone()
            return int(last or 0) - after
        return len(rows)

    def _insert_many(self, rows: Sequence[tuple[Any, ...]]) -> None:
        """Insert rows without asking the insert guard about each, which costs a fifth of it.

        The guard is off for nobody else: it goes and comes back within one write transaction.
        What it looks for is looked for all the same: the next number is SQLite's, and the
        unique indexes refuse an id or a key that is there, since nothing here says OR REPLACE.

        Raises:
            sqlite3.IntegrityError: a row was refused; those in front of it are in.
        """
        self.execute(f"DROP TRIGGER {INSERT_GUARD}")
        try:
            self.executemany(_INSERT_NEXT, rows)
        finally:
            # After a failure that ends the transaction the guard is back by itself.
            if self.in_transaction:
                self.execute(GUARDS[INSERT_GUARD])

    def empty_log(self, seconds: float) -> bool:
        """Put the write-ahead log into the file and empty it."""
        from roadworn.store import waiting

        try:
            return waiting.empty_log(self, seconds)
        finally:
            self.execute(f"PRAGMA busy_timeout = {int(BUSY_SECONDS * 1000)}")


def copy_to_file(source: "Engine", path: Path) -> None:
    """Copy a ledger, as of one commit, into an empty file; one file, with no log beside it.

    Raises:
        sqlite3.Error: wrap the call in `plain_failures`.
    """
    from roadworn.store.copying import copy_rows

    if isinstance(source, FileEngine):
        with closing(sqlite3.connect(path, isolation_level=None)) as target:
            source.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")
        return
    with closing(new_file(path)) as target:
        target.upgrade()
        target.execute("BEGIN IMMEDIATE")
        for name in GUARDS:
            target.execute(f"DROP TRIGGER {name}")
        copy_rows(source, target)
        for guard in GUARDS.values():
            target.execute(guard)
        target.execute("COMMIT")
        target.execute("PRAGMA journal_mode = DELETE")
