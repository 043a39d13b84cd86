"""Adding chunks of a file to the ledger: in one stroke where nothing can be wrong.

Most rows of an import are of vehicles known to be enrolled and name no other event; those are
added as a run. A row that is a second of its kind, that hangs on another event, or whose id or
key is in the ledger already goes one by one through `Writer.add`, which knows every rule.
"""

import re
from array import array
from collections.abc import Callable, Iterator
from dataclasses import replace

import orjson

from roadworn.checks.context import LedgerContext
from roadworn.checks.imported import ProfileLook, ReadingLook
from roadworn.intake.chunks import Chunk
from roadworn.intake.fast import ID_GIVEN, KEY_MADE, TIME_GIVEN
from roadworn.intake.report import Doubts
from roadworn.model.messages import Problem
from roadworn.store.rows import Prepared, Row
from roadworn.store.writer import Writer

_ID, _VEHICLE, _KIND, _OCCURRED, _ODOMETER, _UNIT, _KEY = 0, 1, 2, 4, 8, 9, 11

_NAMES_EVENT = frozenset({"entered-twice", "event-id-taken", "intake-key-taken"})
_EVENT = re.compile(r"\b([Ee])vent ([0-9]+)\b(?: \([0-9a-f-]{36}\))?")


class FileTaker:
    """Adds the chunks of one file.

    Attributes:
        rows: number of rows met so far, bad ones included.
        problems: what was wrong with them.
    """

    def __init__(
        self,
        writer: Writer,
        context: LedgerContext,
        file: str,
        doubts: Doubts,
        *,
        allow_repeat: bool = False,
        named: Callable[[str], str] = str,
    ) -> None:
        """Begin with a file.

        Args:
            writer: to add through.
            context: what the ledger knows.
            file: its name, for problems and doubts.
            doubts: where to put what is odd.
            allow_repeat: take replacements that look like one already entered.
            named: what turns a field of ours into the user's name of it.
        """
        self.rows = 0
        self.problems: list[Problem] = []
        self._doubts = doubts
        self._named = named
        self._look = ProfileLook(context)
        self._readings = ReadingLook(context, writer.seq)
        self._odd: dict[int, list[tuple[str, str, str, str]]] = {}
        self._writer = writer
        self._context = context
        self._file = file
        self._allow_repeat = allow_repeat
        self._before = writer.seq
        self._enrolled: set[str] = set()
        self._replaced: dict[str, set[int]] = {}
        self._again: dict[int, int] = {}
        # Rows of the events added, in their order; four bytes each, for files of millions.
        self._numbers = array("I")

    def add(self, chunk: Chunk) -> None:
        """Add a chunk's rows; those that cannot be taken become problems."""
        self.rows += len(chunk.rows) + len({problem[3] for problem in chunk.problems})
        for code, message, hint, number, column in chunk.problems:
            self.problems.append(Problem(code, message, hint, self._file, number, column))
        self._odd = {}
        for index, *doubt in chunk.doubts:
            code, message, hint, column = doubt
            self._odd.setdefault(index, []).append((code, message, hint, column))
        start = 0
        for index in sorted(self._one_by_one(chunk)):
            self._add_run(chunk, start, index)
            self._add_one(chunk, index)
            start = index + 1
        self._add_run(chunk, start, len(chunk.rows))

    def finish(self) -> None:
        """Say what is odd among all of the file's odometer figures."""
        for seq, doubt in self._readings.doubts(self._look.digits):
            self._doubt(doubt, self._numbers[seq - self._before - 1])

    def _one_by_one(self, chunk: Chunk) -> set[int]:
        """Return the indexes of rows that must be checked against the ledger."""
        rows = chunk.rows
        indexes = set(chunk.entangled)
        # A retraction may take back the enrolment itself.
        doubtful = {rows[i][_VEHICLE] for i in chunk.entangled if rows[i][_KIND] == "retraction"}
        self._enrolled -= doubtful
        for vehicle_id in {row[_VEHICLE] for row in rows} - self._enrolled - doubtful:
            if self._context.enrolled(vehicle_id):
                self._enrolled.add(vehicle_id)
            else:
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
                known = self._context.replaced(row[_VEHICLE])
                seen = self._replaced[row[_VEHICLE]] = {hash(entry) for entry in known}
            place = row[_UNIT] or row[_OCCURRED][:10]
            # Only the hash is kept; when two happen to agree, the exact check finds no repeat.
            entry = hash((component, position, row[_ODOMETER], place))
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
        before = self._writer.seq
        result = self._writer.add(prepared)
        if not isinstance(result, list):
            if self._writer.seq > before:
                self._numbers.append(chunk.numbers[index])
                self._tell_odd(chunk, index, index + 1)
            return
        for problem in result:
            self.problems.append(
                Problem(
                    problem.code,
                    self._by_row(problem),
                    problem.hint,
                    self._file,
                    chunk.numbers[index],
                    self._named(problem.column),
                )
            )

    def _tell_odd(self, chunk: Chunk, start: int, stop: int) -> None:
        """Keep what is odd in rows that were added just now."""
        for index in sorted(self._odd) if self._odd else ():
            if start <= index < stop:
                for code, message, hint, column in self._odd[index]:
                    self._doubt(Problem(code, message, hint, column=column), chunk.numbers[index])
        self._readings.see(chunk.rows, start, stop)
        for index, doubt in self._look.doubts(chunk.rows, start, stop):
            self._doubt(doubt, chunk.numbers[index])

    def _doubt(self, doubt: Problem, number: int) -> None:
        self._doubts.add(
            replace(doubt, file=self._file, row=number, column=self._named(doubt.column))
        )

    def _by_row(self, problem: Problem) -> str:
        """Return a problem's sentence, naming an event of this file by its row.

        The writer knows the event's number only, which nobody will find when the file is not
        taken.
        """
        if problem.code not in _NAMES_EVENT:
            return problem.message

        def row(found: re.Match[str]) -> str:
            at = int(found[2]) - self._before - 1
            if not 0 <= at < len(self._numbers):
                return found[0]
            return f"{'R' if found[1] == 'E' else 'r'}ow {self._numbers[at]}"

        return _EVENT.sub(row, problem.message, count=1)

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
        return row._replace(intake_key=f"{key}#{earlier + 1}").sealed()
