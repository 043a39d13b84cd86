"""Rows as they are stored, and adding them: already there, a problem, or the next event.

The only place that inserts into `events`. Callers begin and end the transaction, and bring the
checks.
"""

import json
from collections.abc import Callable, Sequence
from hashlib import sha256
from math import isfinite
from typing import TYPE_CHECKING, Any, NamedTuple

import orjson

from roadworn.model.errors import LedgerDamaged, Outdated
from roadworn.model.events import StoredEvent
from roadworn.model.messages import Problem, Sentence
from roadworn.store.merkle import (
    EMPTY,
    LEAF_PREFIX,
    Checkpoint,
    CompactRange,
    latest_checkpoint,
    store_checkpoint,
)
from roadworn.store.schema import EVENT_COLUMNS

if TYPE_CHECKING:
    from roadworn.store.engine import Engine


def without_none(value: Any) -> Any:  # noqa: ANN401  (any JSON value)
    """Return `value` with None-valued keys dropped at every depth.

    Raises:
        ValueError: a number is NaN or infinite, which JSON cannot say.
    """
    if isinstance(value, dict):
        return {key: without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, (list, tuple)):
        return [without_none(item) for item in value]
    if isinstance(value, float) and not isfinite(value):
        raise ValueError(f"{value} is not a number that can be stored: leave the field out.")
    return value


def canonical_payload(payload: dict[str, Any]) -> str:
    """Return `payload` as JSON text with sorted keys, no spaces and no null keys.

    Raises:
        ValueError: a number is NaN or infinite, or a value is no JSON (a lone surrogate, for
            instance).
    """
    try:
        text = orjson.dumps(payload, option=orjson.OPT_SORT_KEYS).decode()
        # orjson writes None, NaN and infinity as null: only then is a closer look needed.
        if "null" not in text:
            return text
        return orjson.dumps(without_none(payload), option=orjson.OPT_SORT_KEYS).decode()
    except orjson.JSONEncodeError as error:
        raise ValueError(f"The payload cannot be written as JSON: {error}.") from error


class Row(NamedTuple):
    """A row of the events table without its `seq`, columns in the table's order."""

    event_id: str
    vehicle_id: str
    kind: str
    version: int
    occurred_at: str
    recorded_at: str
    recorded_by: str
    source: str
    odometer: float | None
    odometer_unit: str | None
    payload: str
    intake_key: str | None
    leaf: bytes = b""

    def canonical_bytes(self) -> bytes:
        """Return what is hashed: a JSON array of all columns but the leaf, the payload last.

        `seq` is not among them: the position in the tree binds it.

        Raises:
            TypeError: a text is not valid Unicode (orjson's JSONEncodeError).
            ValueError: the odometer is infinite or no number, which would be hashed as none.
        """
        if self.odometer is not None and not isfinite(self.odometer):
            raise ValueError(f"{self.odometer} is no reading of an odometer: leave it out.")
        return orjson.dumps([*self[:10], self.intake_key, self.payload])

    def sealed(self) -> "Row":
        """Return the row with its RFC 6962 leaf, SHA-256(0x00 || canonical bytes), 32 bytes."""
        return self._replace(leaf=sha256(LEAF_PREFIX + self.canonical_bytes()).digest())


class Prepared(NamedTuple):
    """A row ready to be added, and what the writer gave rather than the store."""

    row: Row
    payload: dict[str, Any]
    id_given: bool
    time_given: bool


#: Says what is wrong with a row that is not in the ledger yet.
Check = Callable[[Prepared], list[Problem]]
COLUMNS = ", ".join(EVENT_COLUMNS)


class Writer:
    """Appends rows to the ledger of a connection that holds the write lock.

    Attributes:
        seq: number of the last row.
        added: number of rows added so far.
        already_there: number of rows that were in the ledger before.
    """

    def __init__(self, connection: "Engine", check: Check) -> None:
        self._connection = connection
        self._check = check
        self.added = 0
        self.already_there = 0
        try:
            self._checkpoint, self._edge = latest_checkpoint(connection)
        except ValueError:
            raise _no_checkpoint() from None
        (self.seq,) = connection.execute("SELECT coalesce(max(seq), 0) FROM events").fetchone()
        if self.seq != self._edge.size:
            raise _no_checkpoint()
        self._held = (self.seq, self.added, self.already_there, self._edge)

    def add(self, prepared: Prepared) -> StoredEvent | list[Problem]:
        """Add one row; return it as stored (also when it was there before), or its problems."""
        account = self._connection.account
        if account and prepared.row.recorded_by != account:
            prepared = prepared._replace(row=_written_by(account, prepared.row))
        found = self._find(prepared)
        if found is not None:
            if isinstance(found, StoredEvent):
                self.already_there += 1
                return found
            return [found]
        return self._check(prepared) or self._insert(prepared.row)

    def add_unchecked(self, rows: Sequence[tuple[Any, ...]]) -> int:
        """Add rows that were checked against the ledger, except for their id and key.

        Returns:
            How many were added: all of them, or those in front of the first whose event id or
            intake key is there already.
        """
        account = self._connection.account
        if account:
            rows = [row if row[6] == account else _written_by(account, row) for row in rows]
        count = self._connection.insert_rows(self.seq, rows)
        self._edge.extend(row[-1] for row in rows[:count])
        self.seq += count
        self.added += count
        return count

    def present(self, column: str, values: Sequence[str]) -> set[str]:
        """Return those of `values` that the ledger has in `column`, event_id or intake_key."""
        found = self._connection.execute(
            f"SELECT {column} FROM events WHERE {column} IN (SELECT value FROM json_each(?))",
            (json.dumps(values),),
        )
        return {value for (value,) in found}

    def seq_of_key(self, intake_key: str) -> int | None:
        """Return the number of the row with this intake key."""
        row = self._connection.execute(
            "SELECT seq FROM events WHERE intake_key = ?", (intake_key,)
        ).fetchone()
        return None if row is None else int(row[0])

    def hold(self) -> None:
        """Begin a part of the transaction that `undo` can take back."""
        self._connection.execute("SAVEPOINT part")
        edge = CompactRange(self._edge.size, self._edge.peaks)
        self._held = (self.seq, self.added, self.already_there, edge)

    def undo(self) -> None:
        """Take back what was added since `hold`."""
        self._connection.execute("ROLLBACK TO part")
        self.seq, self.added, self.already_there, self._edge = self._held

    def finish(self) -> Checkpoint:
        """Store the checkpoint of what was added, if anything was, and return the newest."""
        self.seal()
        return self._checkpoint

    def seal(self) -> None:
        """Store the checkpoint of what was added, if anything was."""
        if self.added:
            self._checkpoint = store_checkpoint(self._connection, self._edge)

    def _insert(self, row: Row) -> StoredEvent:
        event = StoredEvent(self.seq + 1, *row)  # type: ignore[arg-type]
        self._connection.execute(self._connection.insert_sql, (event.seq, *row))
        self._edge.append(row.leaf)
        self.seq += 1
        self.added += 1
        return event

    def _find(self, prepared: Prepared) -> StoredEvent | Problem | None:
        """Return the stored event that this row is, or a Problem when the two differ."""
        row = prepared.row
        if prepared.id_given:
            stored = self._stored("event_id", row.event_id)
            if stored is not None:
                if _same_event(stored, prepared):
                    return stored
                return Problem(
                    "event-id-taken",
                    Sentence(
                        "event-id-taken",
                        "{event} has the id {id} already, with other content.",
                        event=Sentence("event", "Event {seq}", seq=stored.seq),
                        id=row.event_id,
                    ),
                    "give the new event an id of its own, or none",
                    column="event_id",
                )
        if row.intake_key is not None:
            stored = self._stored("intake_key", row.intake_key)
            if stored is not None:
                if _same_content(stored, row):
                    return stored
                return Problem(
                    "intake-key-taken",
                    Sentence(
                        "intake-key-taken",
                        "{event} was taken from {key!r} already, with other content.",
                        event=Sentence("event", "Event {seq}", seq=stored.seq),
                        key=row.intake_key,
                    ),
                    "if the earlier one was wrong, correct it with `roadworn correct`",
                    column="intake_key",
                )
        return None

    def _stored(self, column: str, value: str) -> StoredEvent | None:
        row = self._connection.execute(
            f"SELECT {COLUMNS} FROM events WHERE {column} = ?", (value,)
        ).fetchone()
        return None if row is None else StoredEvent(*row)


class QueuedWriter(Writer):
    """Hands one event over to an engine that numbers and seals what several write at once.

    The event is the last thing that happens: it is on the disk when `add` returns it.
    """

    def __init__(self, connection: "Engine", check: Check) -> None:
        self._connection = connection
        self._check = check
        self._checkpoint = EMPTY
        self.seq = self.added = self.already_there = 0

    def add(self, prepared: Prepared) -> StoredEvent | list[Problem]:
        """Add the event; return it as stored, or its problems."""
        try:
            told = super().add(prepared)
            if isinstance(told, StoredEvent) or not self._connection.supposes:
                return told
        except Outdated:
            pass
        self._connection.ask_again()
        return super().add(prepared)

    def seal(self) -> None:
        """Do nothing: the engine has."""

    def _insert(self, row: Row) -> StoredEvent:
        seq = self._connection.queue(row)
        if seq is None:
            raise Outdated
        self.added += 1
        return StoredEvent(seq, *row)  # type: ignore[arg-type]


def _written_by(account: str, row: Sequence[Any]) -> Row:
    """Return a row as the account wrote it that the engine answers for."""
    return Row(*row)._replace(recorded_by=account).sealed()


def _content(row: Row | StoredEvent) -> tuple[Any, ...]:
    return (
        row.vehicle_id,
        row.kind,
        row.version,
        row.occurred_at,
        row.odometer,
        row.odometer_unit,
        row.payload,
    )


def _same_content(stored: StoredEvent, row: Row) -> bool:
    return _content(stored) == _content(row)


def _same_event(stored: StoredEvent, prepared: Prepared) -> bool:
    """Return whether the row's leaf is the stored one, once the store's own share is equal."""
    row = prepared.row
    if not prepared.time_given:
        row = row._replace(recorded_at=stored.recorded_at)
    if row.intake_key is None:
        row = row._replace(intake_key=stored.intake_key)
    return row.sealed().leaf == stored.leaf


def _no_checkpoint() -> LedgerDamaged:
    return LedgerDamaged(
        "The ledger's events and its checkpoints do not agree: run `roadworn verify` to see "
        "where, and take a backup from before the damage."
    )
