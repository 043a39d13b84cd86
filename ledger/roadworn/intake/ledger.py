"""The ledger as everyone opens it: what is appended is validated and checked on the way in.

`Ledger` is the only way to the writer. It builds on the file (`roadworn.store.ledger`), which
knows rows and digests and nothing of what they say.
"""

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from roadworn.checks import refusals
from roadworn.checks.facts import Draft, Facts, named_vehicle
from roadworn.intake.rows import prepare
from roadworn.model.errors import ProblemsFound
from roadworn.model.events import NewEvent, StoredEvent
from roadworn.model.kinds import KindRegistry
from roadworn.model.messages import Problem
from roadworn.store.ledger import LedgerFile
from roadworn.store.merkle import Checkpoint
from roadworn.store.rows import Prepared, Row
from roadworn.store.writer import Writer


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of a batch of events."""

    added: int
    already_there: int
    checkpoint: Checkpoint


class Ledger(LedgerFile):
    """An open ledger; a context manager. Made by `create` or `open`.

    Attributes:
        path: the SQLite file.
        kinds: the event kinds that may be written.
        contacts: names and addresses, outside the chain.
        facts: what the ledger knows, for checks.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, *, writable: bool) -> None:
        super().__init__(path, connection, writable=writable)
        self.kinds = KindRegistry()
        self.facts = Facts(self.query)

    @classmethod
    def create(cls, path: str | Path, kinds: KindRegistry | None = None) -> Self:
        """Make a new, empty ledger and open it; see `LedgerFile.create`.

        Args:
            path: the file to make.
            kinds: the event kinds that may be written, those of the core when not given.
        """
        made = super().create(path)
        made.kinds = kinds or made.kinds
        return made

    @classmethod
    def open(
        cls, path: str | Path, kinds: KindRegistry | None = None, *, writable: bool = True
    ) -> Self:
        """Open a ledger; see `LedgerFile.open`.

        Args:
            path: the ledger's file.
            kinds: the event kinds that may be written, those of the core when not given.
            writable: for appending; an older shape is brought up to date then.
        """
        opened = super().open(path, writable=writable)
        opened.kinds = kinds or opened.kinds
        return opened

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
                    problems += [problem.at(row) for problem in stored]
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

        def check(prepared: Prepared) -> list[Problem]:
            draft = draft_of(prepared.row, prepared.payload)
            return refusals(draft, self.facts, allow_repeat=allow_repeat)

        try:
            with self.locked(check) as writer:
                yield writer
        finally:
            self.facts.forget()

    def vehicle_ids(self) -> list[str]:
        """Return the ids of enrolled vehicles, sorted."""
        return self.facts.vehicle_ids()

    def enrolled(self, vehicle_id: str) -> bool:
        """Return whether a vehicle of exactly this id is enrolled."""
        return self.facts.enrolled(vehicle_id)

    def require_vehicle(self, text: str) -> str:
        """Return the id of the vehicle that `text` names, letter case aside.

        Raises:
            UnknownName: there is none, or letter case must decide; carries the nearest names.
        """
        return text if self.enrolled(text) else named_vehicle(text, self.vehicle_ids())


def draft_of(row: Row, payload: dict[str, Any]) -> Draft:
    """Return what is judged of a row."""
    return Draft(
        row.vehicle_id, row.kind, row.occurred_at, row.odometer, row.odometer_unit, payload
    )


def _problems(problems: list[Problem]) -> ProblemsFound:
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return ProblemsFound(f"Not taken: {problems[0]}{more}", problems)
