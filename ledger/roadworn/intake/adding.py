"""Adding chunks of a file to the ledger: in one stroke where nothing can be wrong.

Most rows of an import are of vehicles known to be enrolled and name no other event; those are
added as a run. A row that is a second of its kind, that hangs on another event, or whose id or
key is in the ledger already goes one by one through `Writer.add`, which knows every rule.
"""

from array import array
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, NamedTuple

import orjson

from roadworn.checks import Needs, found
from roadworn.checks.facts import Facts, LastReading, Query, RoadReading
from roadworn.checks.odd import FIRST_YEAR, MOST_KM, MOST_KM_PER_DAY, ROLLED, reading_doubt
from roadworn.intake import draft_of
from roadworn.intake.chunks import Chunk
from roadworn.intake.fast import ID_GIVEN, KEY_MADE, TIME_GIVEN
from roadworn.model.messages import Problem, Sentence
from roadworn.model.units import KM_PER_MILE, convert
from roadworn.store.writer import Prepared, Row, Writer

_ID, _VEHICLE, _KIND, _OCCURRED, _ODOMETER, _UNIT, _PAYLOAD, _KEY = 0, 1, 2, 4, 8, 9, 10, 11
#: How an event of the same file is named: nobody will find its number when it is not taken.
_AS_ROW = {"event": "Row {row}", "event-and-id": "row {row}"}


class ReadingLook:
    """The readings of one file."""

    def __init__(self, facts: Facts, before: int) -> None:
        """Begin with a file; `before` is the number of the ledger's last event."""
        self._facts = facts
        self._before = before
        # What each vehicle showed first and last: day or moment, km.
        self._last: dict[str, tuple[str, float]] = {}
        self._first: dict[str, tuple[str, float]] = {}
        self._doubtful: set[str] = set()

    def see(self, rows: Sequence[tuple[Any, ...]], start: int, stop: int) -> None:
        """Look at rows from `start` to before `stop`, which were added."""
        last, miles, most = self._last, KM_PER_MILE, MOST_KM_PER_DAY
        for index in range(start, stop):
            row = rows[index]
            km = row[_ODOMETER]
            if km is None:
                if row[_KIND] == "odometer_exchange":
                    self._doubtful.add(row[_VEHICLE])
                continue
            if row[_UNIT] == "mi":
                km *= miles
            vehicle, on = row[_VEHICLE], row[_OCCURRED]
            known = last.get(vehicle)
            if known is None:
                self._first[vehicle] = (on, km)
                if km > MOST_KM:
                    self._doubtful.add(vehicle)
            elif not (known[0] <= on and 0 <= km - known[1] <= most):
                self._doubtful.add(vehicle)
            last[vehicle] = (on, km)

    def doubts(self) -> Iterator[tuple[int, Problem]]:
        """Yield (number of an event of this file, doubt) once all of the file's rows were seen."""
        for vehicle, reading in self._facts.readings_before(self._first, self._before):
            on, km = self._first[vehicle]
            gone = km - convert(reading.value, reading.unit, "km")
            if not (reading.occurred_at <= on and 0 <= gone <= MOST_KM_PER_DAY):
                self._doubtful.add(vehicle)
        series: list[RoadReading] = []
        for reading_of in self._facts.readings_of(self._doubtful):
            if series and series[0].vehicle_id != reading_of.vehicle_id:
                yield from self._gone_through(series)
                series = []
            series.append(reading_of)
        yield from self._gone_through(series)

    def _gone_through(self, series: Sequence[RoadReading]) -> Iterator[tuple[int, Problem]]:
        """Yield what is odd about one vehicle's readings, in the order of the road.

        A doubtful figure is left aside, so that one slip does not make the next one doubtful;
        one that follows it all the same shows that it was none.
        """
        last: LastReading | None = None
        aside: LastReading | None = None
        for own in series:
            shown = partial(self._facts.digits, own.vehicle_id)
            doubt = reading_doubt(own.value, own.unit, own.occurred_at, last, shown)
            agrees = aside is not None and (
                reading_doubt(own.value, own.unit, own.occurred_at, aside) is None
            )
            follows = LastReading(own.next_value, own.unit, own.occurred_at)
            if doubt is None or doubt.code == ROLLED or agrees or own.exchanged:
                # A new instrument counts from its own figure, whatever the old one showed.
                last, aside = follows, None
            else:
                aside = follows
            if doubt is not None and not agrees and own.seq > self._before:
                yield own.seq, doubt


PROFILE_KINDS = frozenset({"enrolment", "profile_change"})
_NO_LIMIT = 1e12


class _Limits(NamedTuple):
    """From where on a vehicle's rows are worth a second look."""

    first_day: str
    beyond: float


class FileFacts(Facts):
    """What a ledger knows while a file is taken in, asked for many vehicles at once.

    Enrolments are looked up by their index. Changes of profile have none: those of the file are
    kept as they pass, and those of the ledger are only read before something is said.
    """

    def __init__(self, query: Query) -> None:
        super().__init__(query)
        self._changes: dict[str, list[dict[str, Any]]] = {}
        self._read = False

    def profile(self, vehicle_id: str) -> dict[str, Any]:
        """Return the profile of a vehicle as far as it was read, the latest word for each field."""
        found: dict[str, Any] = {}
        for said in (*self.enrolments(vehicle_id), *self._changes.get(vehicle_id, ())):
            found |= {name: value for name, value in said.items() if value is not None}
        return found

    def digits(self, vehicle_id: str) -> int | None:
        """Return how many digits a vehicle's odometer has, by the whole ledger, or None."""
        self.read_changes()
        return super().digits(vehicle_id)

    def keep_change(self, vehicle_id: str, payload: dict[str, Any]) -> None:
        """Keep a change of profile of the file."""
        self._changes.setdefault(vehicle_id, []).append(payload)

    def read_changes(self) -> None:
        """Read all changes of profile, those of the file too: it is in the same transaction."""
        if not self._read:
            self._read = True
            self._changes.clear()
            for vehicle_id, payload in self.profile_changes():
                self.keep_change(vehicle_id, payload)


class ProfileLook:
    """Rows of an import held against the profiles of their vehicles, few of them closely."""

    def __init__(self, facts: FileFacts) -> None:
        self._facts = facts
        self._limits: dict[str, _Limits] = {}

    def doubts(
        self, rows: Sequence[tuple[Any, ...]], start: int, stop: int
    ) -> Iterator[tuple[int, Problem]]:
        """Yield (index, doubt) for those rows from `start` to before `stop`, which were added."""
        limits = self._limits
        for index in range(start, stop):
            row = rows[index]
            vehicle, profiled = row[_VEHICLE], row[_KIND] in PROFILE_KINDS
            known = limits.get(vehicle)
            if profiled or known is None:
                if row[_KIND] == "profile_change":
                    self._facts.keep_change(vehicle, orjson.loads(row[_PAYLOAD]))
                known = limits[vehicle] = _limits(self._facts.profile(vehicle))
            odometer = row[_ODOMETER]
            beyond = row[_OCCURRED] < known.first_day or (
                odometer is not None and odometer >= known.beyond
            )
            if beyond:
                self._facts.read_changes()
                limits[vehicle] = _limits(self._facts.profile(vehicle))
            if profiled or beyond:
                draft = draft_of(Row(*row), orjson.loads(row[_PAYLOAD]))
                for doubt in found(draft, self._facts, (Needs.PROFILE,)):
                    yield index, doubt


def _limits(profile: Mapping[str, Any]) -> _Limits:
    year, digits = profile.get("model_year"), profile.get("odometer_digits")
    first = str(year - 1) if year else str(FIRST_YEAR)
    return _Limits(
        max(first, profile.get("in_service_date") or "", str(FIRST_YEAR)),
        10.0**digits if digits else _NO_LIMIT,
    )


#: So many doubts of one sort in one file are kept; the rest is counted.
MAX_DOUBTS = 1_000


@dataclass(frozen=True, slots=True)
class DoubtGroup:
    """Doubts of one sort about one column of one file.

    Attributes:
        rows: how many there are.
        kept: the first of them, at most `MAX_DOUBTS`.
    """

    rows: int
    kept: tuple[Problem, ...]


class Doubts:
    """Gathers doubts by file, sort and column, so that a million of them stay a few."""

    def __init__(self) -> None:
        self._rows: dict[tuple[str, str, str], int] = {}
        self._kept: dict[tuple[str, str, str], list[Problem]] = {}

    def add(self, doubt: Problem) -> None:
        """Keep a doubt, or count it when there are many of its sort."""
        # Which of several findings it is makes no other sort.
        key = (doubt.file, doubt.code, doubt.column.partition("[")[0])
        self._rows[key] = self._rows.get(key, 0) + 1
        kept = self._kept.setdefault(key, [])
        if len(kept) < MAX_DOUBTS:
            kept.append(doubt)

    def groups(self) -> Iterator[DoubtGroup]:
        """Yield the groups in the order in which each was first met."""
        for key, rows in self._rows.items():
            yield DoubtGroup(rows, tuple(self._kept[key]))


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
    ) -> None:
        """Begin with a file.

        Args:
            writer: to add through.
            facts: what the ledger knows.
            file: its name, for problems and doubts.
            doubts: where to put what is odd.
            allow_repeat: take replacements that look like one already entered.
            named: what turns a field of ours into the user's name of it.
        """
        self.rows = 0
        self.problems: list[Problem] = []
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
        self._replaced: dict[str, set[int]] = {}
        self._again: dict[int, int] = {}
        # Rows of the events added, in their order; four bytes each, for files of millions.
        self._numbers = array("I")

    def add(self, chunk: Chunk) -> None:
        """Add a chunk's rows; those that cannot be taken become problems."""
        self.rows += len(chunk.rows) + len({problem.row for problem in chunk.problems})
        self.problems += (problem.at(problem.row, self._file) for problem in chunk.problems)
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
        """Say what is odd among all of the file's odometer figures."""
        for seq, doubt in self._readings.doubts():
            self._doubt(doubt, self._numbers[seq - self._before - 1])

    def _one_by_one(self, chunk: Chunk) -> set[int]:
        """Return the indexes of rows that must be checked against the ledger."""
        rows = chunk.rows
        indexes = set(chunk.entangled)
        # A retraction may take back the enrolment itself.
        doubtful = {rows[i][_VEHICLE] for i in chunk.entangled if rows[i][_KIND] == "retraction"}
        self._enrolled -= doubtful
        for vehicle_id in {row[_VEHICLE] for row in rows} - self._enrolled - doubtful:
            if self._facts.enrolled(vehicle_id):
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
                known = self._facts.replaced(row[_VEHICLE])
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
                replace(
                    problem,
                    message=self._by_row(problem.message),
                    file=self._file,
                    row=chunk.numbers[index],
                    column=self._named(problem.column),
                )
            )

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
        return row._replace(intake_key=f"{key}#{earlier + 1}").sealed()
