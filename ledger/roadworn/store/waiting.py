"""Who waits for the write lock of a file says so, and who holds it for long may ask.

SQLite tells nobody who waits. So one who waits holds a shared lock on the folder of the ledger,
which leaves nothing behind: the system lets go of it with the process. Another ledger in the same
folder tells the same, so this only says when to make room, and nothing rests on it.
"""

import os
import random
import sqlite3
import time
from contextlib import closing, suppress
from pathlib import Path

try:
    import fcntl
except ImportError:  # a system without such locks
    fcntl = None  # type: ignore[assignment]


#: How long one who has just come to wait for the write lock pauses between two looks, in seconds.
PAUSES = (0.0005, 0.0025)
#: Who has waited so many seconds looks twice as often, and so on, which gives turns to those who
#: came first: drawn by lot alone, the last of eight waits several times as long as most.
_AGE_SECONDS = 0.05
_SHORTEST = 0.0002
#: How long others are kept from writing at a time while the log waits for readers.
_TURN_SECONDS = 0.1


def begin(connection: sqlite3.Connection, seconds: float) -> None:
    """Begin a write transaction where somebody else holds the lock.

    SQLite's own way to wait sleeps the longer the longer it has waited, so that whoever writes
    without a pause keeps the others out. Who waits here looks the oftener the longer.

    Args:
        connection: one that does not wait by itself.
        seconds: how long to wait.

    Raises:
        sqlite3.OperationalError: somebody else held it all that time.
    """
    came = time.monotonic()
    with closing(_Telling(_folder(connection))) as telling:
        while True:
            telling.tell()
            pause = random.uniform(*PAUSES)  # noqa: S311  # nothing secret
            time.sleep(max(pause / (1 + (time.monotonic() - came) / _AGE_SECONDS), _SHORTEST))
            if _begun(connection, last=time.monotonic() > came + seconds):
                return


def _begun(connection: sqlite3.Connection, *, last: bool = False) -> bool:
    try:
        connection.execute("BEGIN IMMEDIATE")
    except sqlite3.OperationalError as error:
        busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
        if last or not busy:
            raise
        return False
    return True


def _folder(connection: sqlite3.Connection) -> Path:
    _, _, file = connection.execute("PRAGMA database_list").fetchone()
    return Path(file).parent


def empty_log(connection: sqlite3.Connection, seconds: float) -> bool:
    """Put the write-ahead log into the file and empty it; False when a reader stands in the way.

    While SQLite waits for readers it keeps everybody from writing: so it waits in short turns.

    Args:
        connection: one whose time to wait may be changed.
        seconds: how long to wait for readers.
    """
    until = time.monotonic() + seconds
    while True:
        turn = min(_TURN_SECONDS, max(until - time.monotonic(), 0))
        connection.execute(f"PRAGMA busy_timeout = {int(turn * 1000)}")
        (busy, *_) = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        if not busy or time.monotonic() >= until:
            return not busy
        time.sleep(2 * PAUSES[1])


class _Telling:
    """One who waits."""

    def __init__(self, folder: Path) -> None:
        self._handle: int | None = None
        self._told = False
        if fcntl is not None:
            with suppress(OSError):
                self._handle = os.open(folder, os.O_RDONLY)

    def tell(self) -> None:
        """Say so; to be repeated, since it is not heard in the moment in which somebody asks."""
        if self._handle is not None and not self._told:
            with suppress(OSError):
                fcntl.flock(self._handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
                self._told = True

    def close(self) -> None:
        """Wait no more."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


def somebody_waits(connection: sqlite3.Connection) -> bool:
    """Return whether somebody waits; True as well where nobody can tell."""
    if fcntl is None:
        return True
    try:
        handle = os.open(_folder(connection), os.O_RDONLY)
    except OSError:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(handle)
    return False
