"""The ledger: the one place where a vehicle's history is written, and it is never rewritten.

`Ledger` owns the SQLite file. It appends events (durable when the call returns), hands them
back in order, and keeps a checkpoint of the Merkle tree over them with every commit. Analyses
do not read here but from the columns folded from it (`roadworn.columns.view`).
"""

import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from roadworn.checks.context import LedgerContext, named_vehicle
from roadworn.intake.rows import Prepared, prepare
from roadworn.model.errors import (
    EnvironmentFailure,
    LedgerDamaged,
    LedgerRefused,
    NotALedger,
    ProblemsFound,
    UnknownName,
)
from roadworn.model.events import NewEvent, StoredEvent
from roadworn.model.messages import Problem
from roadworn.model.registry import KindRegistry
from roadworn.store import checkpoints, schema
from roadworn.store.checkpoints import Checkpoint
from roadworn.store.contacts import Contacts
from roadworn.store.schema import connect, plain_failures
from roadworn.store.writer import COLUMNS, Writer

#: Fetching in slices keeps no read transaction open while a caller works.
_SLICE = 5_000
_MIN_ID_PART = 4
#: How old the checkpoint beside a ledger may get while a program keeps writing, in seconds.
_BESIDE_SECONDS = 1.0


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of a batch of events."""

    added: int
    already_there: int
    checkpoint: Checkpoint


class Ledger:
    """An open ledger; a context manager. Made by `create` or `open`.

    Attributes:
        path: the SQLite file.
        kinds: the event kinds that may be written.
        contacts: names and addresses, outside the chain.
    """

    def __init__(
        self, path: Path, connection: sqlite3.Connection, kinds: KindRegistry, *, writable: bool
    ) -> None:
        self.path = path
        self.kinds = kinds
        self.contacts = Contacts(connection, path)
        self._connection = connection
        self._context = LedgerContext(connection)
        self._writable = writable
        self._behind = False
        self._beside_at = time.monotonic()

    @classmethod
    def create(cls, path: str | Path, kinds: KindRegistry | None = None) -> "Ledger":
        """Make a new, empty ledger and open it.

        Raises:
            LedgerRefused: there is a file of that name.
            EnvironmentFailure: the folder is missing or cannot be written.
        """
        path = Path(path)
        try:
            path.touch(exist_ok=False)
        except FileExistsError:
            raise LedgerRefused(
                f"{path} exists already: choose another name, or open it as it is."
            ) from None
        except OSError as error:
            raise EnvironmentFailure(
                f"{path} cannot be made ({error.strerror}): check that its folder exists and "
                "can be written."
            ) from error
        try:
            with plain_failures(path):
                connection = connect(path, writable=True)
                try:
                    schema.upgrade(connection)
                finally:
                    connection.close()
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return cls.open(path, kinds)

    @classmethod
    def open(
        cls, path: str | Path, kinds: KindRegistry | None = None, *, writable: bool = True
    ) -> "Ledger":
        """Open a ledger, an older shape being brought up to date when writable.

        Raises:
            EnvironmentFailure: there is no such file, or it cannot be read or written.
            NotALedger: the file is something else, or from a newer program.
            LedgerDamaged: the append-only guards are missing.
        """
        path = Path(path)
        if not path.exists():
            raise EnvironmentFailure(
                f"There is no ledger at {path}: make one with `roadworn create`, "
                "or name yours with --ledger."
            )
        if not path.is_file():
            raise NotALedger(f"{path} is not a file: name the ledger with --ledger.")
        with plain_failures(path):
            connection = connect(path, writable=writable)
            try:
                _check_shape(path, connection, writable=writable)
            except BaseException:
                connection.close()
                raise
        return cls(path, connection, kinds or KindRegistry(), writable=writable)

    def append(self, event: NewEvent, *, allow_repeat: bool = False) -> StoredEvent:
        """Add one event; it is on the disk when this returns.

        An event that is there already (same id or intake key, same content) is returned as
        stored.

        Args:
            event: the event, its payload not yet validated.
            allow_repeat: take a replacement that looks like one already entered.

        Raises:
            ProblemsFound: the event cannot be taken; nothing was changed.
            LedgerBusy: another process is writing.
        """
        prepared = prepare(event, self.kinds)
        if not isinstance(prepared, Prepared):
            raise _problems(prepared)
        with self.writing(allow_repeat=allow_repeat) as writer:
            stored = writer.add(prepared)
            if not isinstance(stored, StoredEvent):
                raise _problems(stored)
            writer.finish()
        return stored

    def append_many(self, events: Iterable[NewEvent], *, allow_repeat: bool = False) -> Receipt:
        """Add events in one transaction, all of them or none.

        Raises:
            ProblemsFound: some cannot be taken; `row` of each problem counts the events from 1.
            LedgerBusy: another process is writing.
        """
        problems: list[Problem] = []
        with self.writing(allow_repeat=allow_repeat) as writer:
            for row, event in enumerate(events, start=1):
                prepared = prepare(event, self.kinds)
                stored = writer.add(prepared) if isinstance(prepared, Prepared) else prepared
                if isinstance(stored, list):
                    problems += [replaced_row(problem, row) for problem in stored]
            if problems:
                raise _problems(problems)
            checkpoint = writer.finish()
        return Receipt(writer.added, writer.already_there, checkpoint)

    @contextmanager
    def writing(self, *, allow_repeat: bool = False) -> Iterator[Writer]:
        """Hold the write lock; commit at the end, roll back when an exception leaves.

        Raises:
            LedgerRefused: the ledger was opened for reading.
            LedgerBusy: another process is writing.
        """
        if not self._writable:
            raise LedgerRefused(f"{self.path} was opened for reading only: open it writable.")
        with plain_failures(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                writer = Writer(self._connection, allow_repeat=allow_repeat)
                yield writer
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise
        self._behind = self._behind or writer.added > 0
        if self._behind and time.monotonic() - self._beside_at > _BESIDE_SECONDS:
            self._write_beside()

    def checkpoint(self) -> Checkpoint:
        """Return the size and root of the ledger as last committed."""
        with plain_failures(self.path):
            return checkpoints.latest(self._connection)[0]

    def event(self, event_id: str) -> StoredEvent:
        """Return an event by its id, or by a part of at least 4 characters that only it has.

        The part may be the beginning or the end: ids of one day begin alike.

        Raises:
            UnknownName: none or several events answer to it.
        """
        text = event_id.strip().lower()
        with plain_failures(self.path):
            found = self._matching("event_id = ?", text)
            if not found and len(text) >= _MIN_ID_PART and set(text) <= set("0123456789abcdef-"):
                found = self._matching("event_id >= ? AND event_id < ? || 'g'", text, text)
                found = found or self._matching("substr(event_id, ?) = ?", -len(text), text)
        if len(found) == 1:
            return found[0]
        if found:
            raise UnknownName(
                f"Several events have {event_id!r} in their id: write more of it.",
                [event.event_id for event in found],
            )
        raise UnknownName(
            f"There is no event {event_id!r}: `roadworn history --evidence` prints the ids."
        )

    def events(self, after: int = 0, upto: int | None = None) -> Iterator[StoredEvent]:
        """Yield events with `after` < seq <= `upto` in order, as stored."""
        last = self.checkpoint().size if upto is None else upto
        while after < last:
            with plain_failures(self.path):
                rows = self._connection.execute(
                    f"SELECT {COLUMNS} FROM events WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?",
                    (after, last, _SLICE),
                ).fetchall()
            if not rows:
                return
            for row in rows:
                yield StoredEvent(*row)
            after = rows[-1][0]

    def vehicle_ids(self) -> list[str]:
        """Return the ids of enrolled vehicles, sorted."""
        with plain_failures(self.path):
            return self._context.vehicle_ids()

    def enrolled(self, vehicle_id: str) -> bool:
        """Return whether a vehicle of exactly this id is enrolled."""
        with plain_failures(self.path):
            return self._context.enrolled(vehicle_id)

    def require_vehicle(self, text: str) -> str:
        """Return the id of the vehicle that `text` names, letter case aside.

        Raises:
            UnknownName: there is none, or letter case must decide; carries the nearest names.
        """
        if self.enrolled(text):
            return text
        return named_vehicle(text, self.vehicle_ids())

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
            checkpoints.write_beside(self.path, self._connection)

    def _matching(self, where: str, *parameters: str | int) -> list[StoredEvent]:
        query = f"SELECT {COLUMNS} FROM events WHERE {where} ORDER BY seq LIMIT 5"
        return [StoredEvent(*row) for row in self._connection.execute(query, parameters)]


def replaced_row(problem: Problem, row: int, file: str = "") -> Problem:
    """Return the problem with the place it was met at."""
    return Problem(problem.code, problem.message, problem.hint, file, row, problem.column)


def _problems(problems: list[Problem]) -> ProblemsFound:
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return ProblemsFound(f"Not taken: {problems[0]}{more}", problems)


def _check_shape(path: Path, connection: sqlite3.Connection, *, writable: bool) -> None:
    shape = schema.shape_of(connection)
    if shape is None:
        raise NotALedger(f"{path} is not a ledger: name the right file with --ledger.")
    if shape > schema.SHAPE:
        raise NotALedger(f"{path} was written by a newer Roadworn: update the program.")
    if shape < schema.SHAPE:
        if not writable:
            raise NotALedger(
                f"{path} has the shape of an older Roadworn: record something in it once, "
                "which brings it up to date."
            )
        schema.upgrade(connection)
    missing = schema.missing_guards(connection)
    if missing:
        raise LedgerDamaged(
            f"{path} has lost its append-only guards ({', '.join(missing)}): run "
            "`roadworn verify`, and take a backup from before they were removed."
        )
