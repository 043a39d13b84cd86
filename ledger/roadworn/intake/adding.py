"""Adding chunks of a file to the ledger: in one stroke where nothing can be wrong.

Most rows of an import are of vehicles known to be enrolled and name no other event; those are
added as a run. A row that is a second of its kind, that hangs on another event, or whose id or
key is in the ledger already goes one by one through `Writer.add`, which knows every rule.
"""

from array import array
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType

import orjson

from roadworn.intake import prepare
from roadworn.intake.again import MENDED, Freed, taking_back
from roadworn.intake.chunks import Chunk
from roadworn.intake.doubts import Doubts, Problems
from roadworn.intake.fast import ID_GIVEN, KEY_MADE, TIME_GIVEN
from roadworn.intake.looking import (
    _ID,
    _KEY,
    _KIND,
    _OCCURRED,
    _ODOMETER,
    _UNIT,
    _VEHICLE,
    FileFacts,
    ProfileLook,
    ReadingLook,
)
from roadworn.model.events import StoredEvent, utc_now
from roadworn.model.kinds import KindRegistry
from roadworn.model.messages import Problem, Sentence
from roadworn.store.writer import Prepared, Row, Writer

#: How an event of the same file is named: nobody will find its number when it is not taken.
_AS_ROW = {"event": "Row {row}", "event-and-id": "row {row}"}


_READ_ANEW = "the map of this file reads its row otherwise now"
NOTHING_FREED = Freed(set(), set())


class FileTaker:
    """Adds the chunks of one file.

    Attributes:
        rows: number of rows met so far, bad ones included.
        problems: what was wrong with them.
    """

    def __init__(
        self,
        writer: Writer,
        facts: FileFacts,
        file: str,
        doubts: Doubts,
        *,
        allow_repeat: bool = False,
        named: Callable[[str], str] = str,
        freed: Freed = NOTHING_FREED,
    ) -> None:
        """Begin with a file.

        Args:
            writer: to add through.
            facts: what the ledger knows.
            file: its name, for problems and doubts.
            doubts: where to put what is odd.
            allow_repeat: take replacements that look like one already entered.
            named: what turns a field of ours into the user's name of it.
            freed: events that were taken back so that their rows may come again.
        """
        self._freed = freed
        self._kinds = KindRegistry()
        self._before_map: Mapping[int, StoredEvent] = {}
        self.rows = 0
        self.problems = Problems()
        self._doubts = doubts
        self._named = named
        self._look = ProfileLook(facts)
        self._readings = ReadingLook(facts, writer.seq)
        self._odd: dict[int, list[Problem]] = {}
        self._writer = writer
        self._facts = facts
        self._file = file
        self._allow_repeat = allow_repeat
        self._before = writer.seq
        self._enrolled: set[str] = set()
        self._new: set[str] = set()
        self._replaced: dict[str, set[int]] = {}
        self._again: dict[int, int] = {}
        # Rows of the events added, in their order; four bytes each, for files of millions.
        self._numbers = array("I")

    def add(self, chunk: Chunk, before: Mapping[int, StoredEvent] = MappingProxyType({})) -> None:
        """Add a chunk's rows; those that cannot be taken become problems.

        Args:
            chunk: the rows.
            before: index -> event that the same row gave before, to be taken back.
        """
        self._before_map = before
        # A row of a table may give several events.
        self.rows += len({*chunk.numbers, *(problem.row for problem in chunk.problems)})
        for problem in chunk.problems:
            self.problems.add(problem.at(problem.row, self._file))
        self._odd = {}
        for index, doubt in chunk.doubts:
            self._odd.setdefault(index, []).append(doubt)
        start = 0
        for index in sorted(self._one_by_one(chunk)):
            self._add_run(chunk, start, index)
            self._add_one(chunk, index)
            start = index + 1
        self._add_run(chunk, start, len(chunk.rows))

    def finish(self) -> None:
        """Say what is odd among all of the file's odometer figures, and its names of vehicles."""
        if self._new:
            from roadworn.checks.identity import plates
            from roadworn.intake.look_columns import role_of

            headed = role_of(self._named("vehicle_id")) == "plate"
            if doubt := plates(self._new, named_so=headed):
                self._doubt(doubt, self._numbers[0] if self._numbers else 1)
        for seq, doubt in self._readings.doubts():
            self._doubt(doubt, self._numbers[seq - self._before - 1])

    def _one_by_one(self, chunk: Chunk) -> set[int]:
        """Return the indexes of rows that must be checked against the ledger."""
        rows = chunk.rows
        indexes = set(chunk.entangled)
        # A retraction may take back the enrolment itself.
        doubtful = {rows[i][_VEHICLE] for i in chunk.entangled if rows[i][_KIND] == "retraction"}
        indexes |= self._before_map.keys()
        doubtful |= {event.vehicle_id for event in self._before_map.values()}
        self._enrolled -= doubtful
        for vehicle_id in {row[_VEHICLE] for row in rows} - self._enrolled - doubtful:
            if self._facts.enrolled(vehicle_id):
                self._enrolled.add(vehicle_id)
            else:
                self._new.add(vehicle_id)
                doubtful.add(vehicle_id)
        if doubtful:
            indexes.update(i for i, row in enumerate(rows) if row[_VEHICLE] in doubtful)
        if not self._allow_repeat:
            indexes.update(self._repeats(chunk))
        return indexes

    def _repeats(self, chunk: Chunk) -> Iterator[int]:
        """Yield the indexes of replacements that look like one entered before."""
        for index, component, position in chunk.replaced:
            row = chunk.rows[index]
            seen = self._replaced.get(row[_VEHICLE])
            if seen is None:
                known = self._facts.replaced(row[_VEHICLE])
                seen = self._replaced[row[_VEHICLE]] = {hash(entry) for entry in known}
            # Only the hash is kept; when two happen to agree, the exact check finds no repeat.
            figure = row[_ODOMETER], row[_UNIT], row[_OCCURRED][:10]
            entry = hash((component, position, *figure))
            if entry in seen:
                yield index
            else:
                seen.add(entry)

    def _add_run(self, chunk: Chunk, start: int, stop: int) -> None:
        rows = chunk.rows
        present: set[str] = set()
        while start < stop:
            if rows[start][_ID] in present or rows[start][_KEY] in present:
                self._add_one(chunk, start)
                start += 1
                continue
            end = start + 1
            if present:
                while end < stop and not {rows[end][_ID], rows[end][_KEY]} & present:
                    end += 1
            else:
                end = stop
            added = self._writer.add_unchecked(rows[start:end])
            self._numbers.extend(chunk.numbers[start : start + added])
            self._tell_odd(chunk, start, start + added)
            start += added
            if start < end:
                present = self._writer.present("event_id", [r[_ID] for r in rows[start:stop]])
                keys = [r[_KEY] for r in rows[start:stop] if r[_KEY] is not None]
                present |= self._writer.present("intake_key", keys)
                self._add_one(chunk, start)
                start += 1

    def _add_one(self, chunk: Chunk, index: int) -> None:
        row, flags = Row(*chunk.rows[index]), chunk.given[index]
        if flags & KEY_MADE:
            row = self._numbered(row)
        prepared = Prepared(
            row, orjson.loads(row.payload), bool(flags & ID_GIVEN), bool(flags & TIME_GIVEN)
        )
        taken_back = self._before_map.get(index)
        if taken_back is not None:
            self.take_back(taken_back, chunk.numbers[index])
        before = self._writer.seq
        result = self._writer.add(prepared)
        if isinstance(result, StoredEvent) and result.event_id in self._freed.ids:
            told = Sentence("taken-back", "The event {id} was taken back.", id=result.event_id)
            hint = "leave its event_id out, so that it is written down as a new event"
            result = [Problem("taken-back", told, hint, column="event_id")]
        if not isinstance(result, list):
            if self._writer.seq > before:
                self._numbers.append(chunk.numbers[index])
                self._tell_odd(chunk, index, index + 1)
            return
        for problem in result:
            self.problems.add(
                replace(
                    problem,
                    message=self._by_row(problem.message),
                    file=self._file,
                    row=chunk.numbers[index],
                    column=self._named(problem.column),
                )
            )

    def take_back(self, event: StoredEvent, number: int = 0) -> None:
        """Take back what a row gave before, within the same transaction."""
        day = max(event.occurred_at[:10], utc_now()[:10])
        made = prepare(taking_back(event, _READ_ANEW, MENDED, day), self._kinds)
        if isinstance(made, Prepared) and isinstance(self._writer.add(made), StoredEvent):
            self._numbers.append(number)
            self._replaced.pop(event.vehicle_id, None)

    def _tell_odd(self, chunk: Chunk, start: int, stop: int) -> None:
        """Keep what is odd in rows that were added just now."""
        for index in sorted(self._odd) if self._odd else ():
            if start <= index < stop:
                for doubt in self._odd[index]:
                    self._doubt(doubt, chunk.numbers[index])
        self._readings.see(chunk.rows, start, stop)
        for index, doubt in self._look.doubts(chunk.rows, start, stop):
            self._doubt(doubt, chunk.numbers[index])

    def _doubt(self, doubt: Problem, number: int) -> None:
        self._doubts.add(doubt.at(number, self._file, self._named(doubt.column)))

    def _by_row(self, told: str) -> str:
        """Return a problem's sentence, naming an event of this file by its row."""
        event = told.arguments.get("event") if isinstance(told, Sentence) else None
        if not isinstance(told, Sentence) or not isinstance(event, Sentence):
            return told
        at = int(str(event.arguments["seq"])) - self._before - 1
        if not 0 <= at < len(self._numbers):
            return told
        row = Sentence("row", _AS_ROW[event.code], row=self._numbers[at])
        return Sentence(told.code, told.template, **{**told.arguments, "event": row})

    def _numbered(self, row: Row) -> Row:
        """Return the row with a key that tells it from equal rows above it in the file.

        Two equal lines are two events. Their keys are the made key, then the made key with
        `#2` and so on, so that importing the file again finds each of them.
        """
        key = row.intake_key or ""
        seq = self._writer.seq_of_key(key)
        if seq is None:
            return row
        earlier = self._again.get(hash(key), 1 if seq > self._before else 0)
        self._again[hash(key)] = earlier + 1
        if not earlier:
            return row
        return row._replace(intake_key=self._freed.key(f"{key}#{earlier + 1}")).sealed()
