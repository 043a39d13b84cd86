"""The ledger's file: the one place where a vehicle's history stands, and it is never rewritten.

`LedgerFile` owns the SQLite file. It holds the write lock for whoever appends, hands events
back in order, and keeps a checkpoint of the Merkle tree over them with every commit. What may
be appended is decided above (`roadworn.intake`). Analyses do not read here but from the
columns folded from it (`roadworn.columns.view`).

Names, phone numbers and addresses are kept outside the chain, so that they can be erased: an
event carries only an opaque `owner_reference`. What it stands for is a row of the contacts,
which may be changed and deleted freely (`roadworn.store.contacts`).
"""

import sqlite3
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from roadworn.model.errors import (
    SEVERAL,
    EnvironmentFailure,
    LedgerDamaged,
    LedgerRefused,
    NotALedger,
    UnknownName,
)
from roadworn.model.events import StoredEvent
from roadworn.store import schema
from roadworn.store.merkle import Checkpoint, latest_checkpoint, require_room, write_beside
from roadworn.store.schema import connect, known_shape, plain_failures
from roadworn.store.whole import made_whole, place_of, require_file, url_of
from roadworn.store.writer import COLUMNS, Check, QueuedWriter, Writer

if TYPE_CHECKING:
    from roadworn.store.aside import Imports, Plates
    from roadworn.store.contacts import Contacts
    from roadworn.store.engine import Engine

#: Fetching in slices keeps no read transaction open while a caller works.
_SLICE = 5_000
_MIN_ID_PART = 4
#: So many writes after one that had to wait, others may go first.
_COURTESIES = 20


class LedgerFile:
    """The file of an open ledger; a context manager. Made by `create` or `open`.

    Attributes:
        path: the SQLite file.
    """

    def __init__(self, path: Path, connection: "Engine", *, writable: bool) -> None:
        self.path = path
        self._connection = connection
        self._writable = writable
        self._behind = False
        self._courtesies = 0
        self._beside_at = time.monotonic()

    @classmethod
    def create(cls, path: str | Path) -> Self:
        """Make a new, empty ledger and open it.

        Raises:
            UsageError: the name is too long.
            LedgerRefused: there is a file of that name.
            EnvironmentFailure: the folder is missing or cannot be written.
        """
        path = place_of(path)
        require_room(path)
        if url_of(path) is not None:
            with plain_failures(path), closing(connect(path, writable=True)) as connection:
                if connection.shape() is not None:
                    raise LedgerRefused(
                        f"{url_of(path)} holds a ledger already: name another database, or open it "
                        "as it is."
                    )
                connection.upgrade()
            return cls.open(path)
        try:
            with (
                made_whole(path, new=True) as making,
                plain_failures(path),
                closing(connect(making, writable=True)) as connection,
            ):
                connection.upgrade()
                # Closing would do the same and say nothing where the disk did not take it.
                connection.empty_log(0)
        except FileExistsError:
            raise LedgerRefused(
                f"{path} exists already: choose another name, or open it as it is."
            ) from None
        except OSError as error:
            raise EnvironmentFailure(
                f"{path} cannot be made ({error.strerror}): check that its folder exists and "
                "can be written."
            ) from error
        return cls.open(path)

    @classmethod
    def open(cls, path: str | Path, *, writable: bool = True) -> Self:
        """Open a ledger, an older shape being brought up to date when writable.

        Raises:
            EnvironmentFailure: there is no such file, or it cannot be read or written.
            NotALedger: the file is something else, or from a newer program.
            LedgerDamaged: the append-only guards are missing.
        """
        path = place_of(path)
        require_file(path)
        with plain_failures(path):
            connection = connect(path, writable=writable)
            try:
                _check_shape(path, connection, writable=writable)
            except BaseException:
                connection.close()
                raise
        return cls(path, connection, writable=writable)

    @property
    def contacts(self) -> "Contacts":
        """Names and addresses, outside the chain."""
        from roadworn.store.contacts import Contacts

        return Contacts(self._connection, self.path)

    @property
    def plates(self) -> "Plates":
        """The number plates of the vehicles, outside the chain."""
        from roadworn.store.aside import Plates

        return Plates(self._connection, self.path)

    @property
    def imports(self) -> "Imports":
        """Which file gave which events."""
        from roadworn.store.aside import Imports

        return Imports(self._connection, self.path)

    @contextmanager
    def locked(self, check: Check, *, vehicle: str = "") -> Iterator[Writer]:
        """Hold the write lock; commit at the end, roll back when an exception leaves.

        Args:
            check: says what is wrong with a row that is not there yet.
            vehicle: one event of it alone is written; on a server others may write meanwhile.

        Raises:
            LedgerRefused: the ledger was opened for reading.
            LedgerBusy: another process is writing.
        """
        if not self._writable:
            raise LedgerRefused(f"{self.path} was opened for reading only: open it writable.")
        with plain_failures(self.path):
            engine = self._connection
            if self._courtesies:
                engine.let_others()
            waited = engine.begin_writing(vehicle)
            self._courtesies = _COURTESIES if waited else max(self._courtesies - 1, 0)
            try:
                writer = (QueuedWriter if engine.queues(vehicle) else Writer)(engine, check)
                yield writer
                engine.end_writing(kept=True)
            except BaseException:
                engine.end_writing(kept=False)
                raise
        self._behind = self._behind or writer.added > 0
        if self._behind and time.monotonic() - self._beside_at > engine.beside_seconds:
            self._write_beside()

    def let_others(self) -> None:
        """Let whoever waits write first, between the stages of something long."""
        self._connection.let_others()

    def others_wait(self) -> bool:
        """Return whether somebody waits to write, or nobody can tell."""
        return self._connection.others_wait()

    def query(
        self, sql: str, parameters: Sequence[Any] | Mapping[str, Any] = ()
    ) -> list[tuple[Any, ...]]:
        """Return the rows that a SELECT gives on the ledger's own connection."""
        with plain_failures(self.path):
            return self._connection.execute(sql, parameters).fetchall()

    def checkpoint(self) -> Checkpoint:
        """Return the size and root of the ledger as last committed."""
        with plain_failures(self.path):
            return latest_checkpoint(self._connection)[0]

    def event(self, event_id: str) -> StoredEvent:
        """Return an event by its id, or by a part of at least 4 characters that only it has.

        The part may be the beginning or the end: ids of one day begin alike. ``last`` is the
        one written last.

        Raises:
            UnknownName: none or several events answer to it.
        """
        text = event_id.strip().lower()
        size = self.checkpoint().size if text == "last" else 0
        if size:
            return next(iter(self.events(size - 1)))
        found = self._matching("event_id = ?", text)
        if not found and len(text) >= _MIN_ID_PART and set(text) <= set("0123456789abcdef-"):
            found = self._matching("event_id >= ? AND event_id < ? || 'g'", text, text)
            found = found or self._matching("event_id LIKE '%' || ?", text)
        if len(found) == 1:
            return found[0]
        if found:
            raise UnknownName(
                f"Several events have {event_id!r} in their id: write more of it.",
                [event.event_id for event in found],
                code=SEVERAL,
            )
        raise UnknownName(
            f"There is no event {event_id!r}: `roadworn history --evidence` prints the ids."
        )

    def events(self, after: int = 0, upto: int | None = None) -> Iterator[StoredEvent]:
        """Yield events with `after` < seq <= `upto` in order, as stored."""
        last = self.checkpoint().size if upto is None else upto
        while after < last:
            rows = self.query(
                f"SELECT {COLUMNS} FROM events WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?",
                (after, last, _SLICE),
            )
            if not rows:
                return
            for row in rows:
                yield StoredEvent(*row)
            after = rows[-1][0]

    def close(self) -> None:
        """Keep the newest checkpoint beside the ledger and close the file; may be repeated."""
        if self._behind:
            self._write_beside()
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def _write_beside(self) -> None:
        self._behind, self._beside_at = False, time.monotonic()
        # The events are safe; a folder that takes no new file must not turn that into an
        # error. `verify` says when the checkpoint beside the ledger is missing.
        with suppress(OSError), plain_failures(self.path):
            write_beside(self.path, self._connection)

    def _matching(self, where: str, *parameters: str | int) -> list[StoredEvent]:
        query = f"SELECT {COLUMNS} FROM events WHERE {where} ORDER BY seq LIMIT 5"
        return [StoredEvent(*row) for row in self.query(query, parameters)]


def _check_shape(path: Path, connection: "Engine", *, writable: bool) -> None:
    shape = known_shape(path, connection)
    if shape < schema.SHAPE:
        if not writable and shape < schema.READABLE:
            raise NotALedger(
                f"{path} has the shape of an older Roadworn: record something in it once, "
                "which brings it up to date."
            )
        if writable:
            try:
                connection.upgrade()
            except sqlite3.Error:
                # Another program may have brought it up to date in the same moment.
                if known_shape(path, connection) < schema.SHAPE:
                    raise
    missing = connection.missing_guards()
    if missing:
        raise LedgerDamaged(
            f"{path} has lost its append-only guards ({', '.join(missing)}): run "
            "`roadworn verify`, and take a backup from before they were removed."
        )
    extra = connection.extra_triggers()
    if extra and writable:
        raise LedgerDamaged(
            f"{path} has triggers that Roadworn did not make ({', '.join(extra)}), which may "
            "change or swallow what is written: run `roadworn verify`, and take a backup from "
            "before they were put in."
        )
