"""SQLite connections as the ledger uses them, and SQLite's failures in plain words.

Everything that talks to the file goes through here, so that durability settings stand in one
place and no driver error reaches a person.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from roadworn.errors import EnvironmentFailure, LedgerBusy, LedgerDamaged, NotALedger
from roadworn.schema import APPLICATION_ID

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


def connect(path: Path, *, writable: bool) -> sqlite3.Connection:
    """Open a SQLite file with transactions begun by hand.

    A reader opens read-only; in a folder that cannot be written SQLite cannot make the shared
    memory of its write-ahead log, so there the file is read as it stands.

    Raises:
        sqlite3.Error: wrap the call in `plain_failures`.
    """
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
