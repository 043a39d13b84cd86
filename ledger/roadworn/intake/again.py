"""Rows that were taken before: by a map that was mended since, or by an import that was undone.

A row is known by all its cells, so that the same row is the same whatever a map reads of it. What
it gave by the same map, as that read then, is taken back when it gives something else now; what a
person corrected or took back by hand since stays as he left it.
"""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import orjson

from roadworn.intake.chunks import Chunk
from roadworn.model.events import NewEvent, StoredEvent
from roadworn.model.messages import Problem, Sentence
from roadworn.store.writer import COLUMNS, Row

if TYPE_CHECKING:
    from roadworn.intake import Ledger

#: Sources of retractions that make room for the same rows again; one by hand does not.
UNDONE, MENDED = "undo import", "mended map"
_KEY = 11
_FREED = f"""
SELECT e.intake_key, e.event_id FROM events AS r
JOIN events AS e ON e.event_id = json_extract(r.payload, '$.event')
WHERE r.kind = 'retraction' AND r.source IN ('{UNDONE}', '{MENDED}')"""


class Freed(NamedTuple):
    """Events that an undone import or a mended map took back; grows while a map is mended.

    Attributes:
        keys: their intake keys.
        ids: their ids.
    """

    keys: set[str]
    ids: set[str]

    @classmethod
    def of(cls, ledger: "Ledger") -> "Freed":
        """Return those of a ledger."""
        rows = ledger.query(_FREED)
        return cls({key for key, _ in rows if key}, {one for _, one in rows})

    def free(self, event: StoredEvent) -> None:
        """Note that an event is taken back."""
        self.ids.add(event.event_id)
        if event.intake_key:
            self.keys.add(event.intake_key)

    def key(self, key: str | None) -> str | None:
        """Return the key that a row has now: another one where what it gave was taken back."""
        fresh, again = key, 0
        while fresh in self.keys:
            again += 1
            fresh = f"{key}~{again}"
        return fresh


class Marks:
    """Which rows of a table were read, and which events each of them gives now.

    Attributes:
        of_key: intake key of an event -> mark of its row, and which of its events it is.
        rows: marks of the rows.
    """

    def __init__(self) -> None:
        self.of_key: dict[str, str] = {}
        self.rows: list[str] = []

    def clear(self) -> None:
        """Forget all of them: the next rows come."""
        self.of_key.clear()
        self.rows.clear()

    def of(self, row: Sequence[Any]) -> str:
        """Return the mark of an event's row, whatever key it has now; an empty text for none."""
        return self.of_key.get((row[_KEY] or "").partition("~")[0], "")


class Again:
    """The rows of one table, held against what the same rows gave before.

    Attributes:
        replaced: how many events were taken back since the map reads their rows otherwise now.
    """

    def __init__(self, ledger: "Ledger", csv_map: str, freed: Freed) -> None:
        """Begin with a file; `csv_map` is the name of its map."""
        self.replaced = 0
        self._ledger = ledger
        self._map = csv_map
        self._freed = freed

    def gone(self, marks: Marks) -> list[StoredEvent]:
        """Return what rows gave before by this map and do not give any more.

        Args:
            marks: of rows, and of what they give now.
        """
        now = set(marks.of_key.values())
        known = self._ledger.imports.given_by(self._map, marks.rows)
        seqs = [seq for mark, seq in known.items() if mark not in now]
        events = [
            event
            for event in self._stored(seqs).values()
            if self._ledger.facts.amendment_of(event) is None
        ]
        self.replaced += len(events)
        for event in events:
            self._freed.free(event)
        return events

    def look(self, chunk: Chunk, marks: Marks) -> tuple[Chunk, dict[int, StoredEvent], int]:
        """Return a chunk without rows that stay as they are, and what the others take back.

        Args:
            chunk: rows of a table.
            marks: of its rows.

        Returns:
            The chunk; index in it -> the event that the same row gave before; and how many rows
            were left out, since somebody put right by hand what they gave.
        """
        known = self._ledger.imports.rows(marks.of_key.values())
        if not known:
            return chunk, {}, 0
        stored = self._stored([seq for by_map in known.values() for seq in by_map.values()])
        before: dict[int, StoredEvent] = {}
        left: set[int] = set()
        for index, row in enumerate(chunk.rows):
            by_map = known.get(marks.of(row), {})
            own = stored.get(by_map.get(self._map, 0))
            if own is None:
                self._doubt_copy(chunk, index, by_map, stored)
            elif own.intake_key == self._freed.key(row[_KEY]):
                continue
            elif (last := self._ledger.facts.amendment_of(own)) is None:
                before[index] = own
                self._freed.free(own)
            elif last.source not in (UNDONE, MENDED):
                left.add(index)
        self.replaced += len(before)
        # Another row may say now what one of these said.
        chunk = freshened(chunk, self._freed) if before else chunk
        if not left:
            return chunk, before, 0
        at = [index for index in range(len(chunk.rows)) if index not in left]
        moved = {old: new for new, old in enumerate(at)}
        return (
            _only(chunk, at, moved),
            {moved[index]: event for index, event in before.items()},
            len(left),
        )

    def keep(self, chunk: Chunk, marks: Marks) -> None:
        """Keep which events each row of a chunk gave."""
        keys = [row[_KEY] for row in chunk.rows if row[_KEY]]
        sql = (
            "SELECT intake_key, seq FROM events "
            "WHERE intake_key IN (SELECT value FROM json_each(?))"
        )
        seqs = dict(self._ledger.query(sql, (orjson.dumps(keys).decode(),)))
        marked = ((marks.of(row), row[_KEY]) for row in chunk.rows)
        self._ledger.imports.keep_rows(
            self._map, ((mark, seqs[key]) for mark, key in marked if key in seqs and mark)
        )

    def _doubt_copy(
        self,
        chunk: Chunk,
        index: int,
        by_map: Mapping[str, int],
        stored: Mapping[int, StoredEvent],
    ) -> None:
        """Say that the same row gave an event of the same kind by a map of another name."""
        kind = chunk.rows[index][2]
        for name, seq in by_map.items():
            event = stored.get(seq)
            same = event is not None and event.kind == kind
            if event is None or not same or event.intake_key == chunk.rows[index][_KEY]:
                continue
            if self._ledger.facts.amendment_of(event) is not None:
                continue
            told = Sentence(
                "row-taken-before",
                "The same row gave event {event} of the same kind by the map {map}.",
                event=event.event_id[-8:],
                map=name,
            )
            hint = (
                f"if this map takes its place, give it the name {name}, and what the row gave "
                "before is replaced"
            )
            chunk.doubts.append((index, Problem("row-taken-before", told, hint)))
            return

    def _stored(self, seqs: list[int]) -> dict[int, StoredEvent]:
        rows = self._ledger.query(
            f"SELECT {COLUMNS} FROM events WHERE seq IN "
            "(SELECT CAST(value AS BIGINT) FROM json_each(?))",
            (orjson.dumps(seqs).decode(),),
        )
        return {row[0]: StoredEvent(*row) for row in rows}


def freshened(chunk: Chunk, freed: Freed) -> Chunk:
    """Return a chunk in which rows whose events were taken back have keys of their own again."""
    if not any(row[_KEY] in freed.keys for row in chunk.rows):
        return chunk
    rows = [
        tuple(Row(*row)._replace(intake_key=freed.key(row[_KEY])).sealed())
        if row[_KEY] in freed.keys
        else row
        for row in chunk.rows
    ]
    return chunk._replace(rows=rows)


def taking_back(event: StoredEvent, reason: str, source: str, day: str, by: str = "") -> NewEvent:
    """Return the retraction of an event.

    Args:
        event: what should not count.
        reason: why.
        source: which door takes it back.
        day: ISO day.
        by: who does.
    """
    return NewEvent(
        vehicle_id=event.vehicle_id,
        kind="retraction",
        occurred_at=day,
        payload={"event": event.event_id, "reason": reason},
        recorded_by=by,
        source=source,
    )


def _only(chunk: Chunk, left: list[int], moved: Mapping[int, int]) -> Chunk:
    return chunk._replace(
        rows=[chunk.rows[index] for index in left],
        numbers=[chunk.numbers[index] for index in left],
        given=bytes(chunk.given[index] for index in left),
        entangled=[moved[index] for index in chunk.entangled if index in moved],
        replaced=[(moved[index], part, at) for index, part, at in chunk.replaced if index in moved],
        doubts=[(moved[index], doubt) for index, doubt in chunk.doubts if index in moved],
    )
