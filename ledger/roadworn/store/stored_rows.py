"""The rows of a ledger as they are found, unreadable and missing ones too."""

import sqlite3
from collections.abc import Iterator
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

from roadworn.store.schema import EVENT_COLUMNS
from roadworn.store.writer import Row

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

_SLICE = 5_000


_CAREFUL_SLICE = 64


_SELECT = f"SELECT {', '.join(EVENT_COLUMNS)} FROM events"


class Unreadable(NamedTuple):
    """An event whose record cannot be read; its id where an index still has it."""

    event_id: str


class Missing(NamedTuple):
    """Events that are not in the file, from the one that it stands for to `last`."""

    last: int


class StoredRows:
    """Iterates over (seq, what is there) for every number from 1 to `last`.

    Attributes:
        last: number of the last event there is or should be.
    """

    def __init__(self, connection: "Engine", last: int) -> None:
        self._connection = connection
        # Bytes that are no text any more must not stop the reading.
        if isinstance(connection, sqlite3.Connection):
            connection.text_factory = lambda data: data.decode("utf-8", "surrogateescape")
        self.last = max(last, self._last_there())

    def __iter__(self) -> Iterator[tuple[int, Row | Unreadable | Missing]]:
        seq, size = 1, _SLICE
        while seq <= self.last:
            rows = self._slice(seq, size)
            start = seq
            for number, *columns in rows:
                if number != seq:
                    break
                yield seq, Row(*columns)
                seq += 1
            if rows and seq - start == len(rows):
                size = min(2 * size, _SLICE)
                continue
            size = _CAREFUL_SLICE
            if seq <= self.last:
                found = self._one(seq)
                yield seq, found
                seq = found.last + 1 if isinstance(found, Missing) else seq + 1

    def _slice(self, seq: int, size: int) -> list[tuple[Any, ...]]:
        try:
            return self._connection.execute(
                f"{_SELECT} WHERE seq >= ? ORDER BY seq LIMIT ?", (seq, size)
            ).fetchall()
        except sqlite3.DatabaseError:
            return []

    def _one(self, seq: int) -> Row | Unreadable | Missing:
        try:
            row = self._connection.execute(f"{_SELECT} WHERE seq = ?", (seq,)).fetchone()
        except sqlite3.DatabaseError:
            return Unreadable(self._ids.get(seq, ""))
        if row is not None:
            return Row(*row[1:])
        if seq in self._ids:
            return Unreadable(self._ids[seq])
        later = [number for number in self._numbers if number > seq]
        return Missing(min(later, default=self.last + 1) - 1)

    @cached_property
    def _ids(self) -> dict[int, str]:
        """Event ids by number as the index has them, which needs no page of the table."""
        ids: dict[int, str] = {}
        try:
            for seq, event_id in self._connection.execute(
                "SELECT seq, event_id FROM events INDEXED BY events_event_id"
            ):
                ids[seq] = str(event_id)
        except sqlite3.DatabaseError:
            return ids
        return ids

    @cached_property
    def _numbers(self) -> set[int]:
        """All numbers that the index or the table still knows."""
        numbers = set(self._ids)
        try:
            for (seq,) in self._connection.execute("SELECT seq FROM events NOT INDEXED"):
                numbers.add(seq)
        except sqlite3.DatabaseError:
            return numbers
        return numbers

    def _last_there(self) -> int:
        try:
            (last,) = self._connection.execute("SELECT max(seq) FROM events").fetchone()
        except sqlite3.DatabaseError:
            return 0
        return last or 0
