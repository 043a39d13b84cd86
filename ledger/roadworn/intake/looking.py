"""What a file's rows say of a vehicle together: its figures in their order, its profile."""

from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from typing import Any, NamedTuple

import orjson

from roadworn.checks import Needs, found
from roadworn.checks.facts import Facts, LastReading, Query
from roadworn.checks.odd import (
    FIRST_YEAR,
    MOST_KM,
    ROLLED,
    latest_day,
    reading_doubt,
)
from roadworn.intake import draft_of
from roadworn.model.messages import Problem
from roadworn.model.units import KM_PER_MILE, MOST_KM_PER_DAY, convert
from roadworn.store.writer import Row

_ID, _VEHICLE, _KIND, _OCCURRED, _ODOMETER, _UNIT, _PAYLOAD, _KEY = 0, 1, 2, 4, 8, 9, 10, 11


class RoadReading(NamedTuple):
    """A figure of a vehicle's odometer.

    Attributes:
        vehicle_id: whose.
        seq: number of its event.
        occurred_at: day or moment.
        value: what was read.
        unit: ``km`` or ``mi``.
        next_value: what the instrument showed from then on; another after an exchange.
        exchanged: whether the instrument was exchanged.
    """

    vehicle_id: str
    seq: int
    occurred_at: str
    value: float
    unit: str
    next_value: float
    exchanged: bool


class ReadingLook:
    """The readings of one file."""

    def __init__(self, facts: "FileFacts", before: int) -> None:
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

    # For many vehicles at once

    def enrolments(self, vehicle_id: str) -> list[dict[str, Any]]:
        """Return the payloads of a vehicle's enrolments, oldest first."""
        rows = self._query(
            "SELECT payload FROM events WHERE kind = 'enrolment' AND vehicle_id = ? ORDER BY seq",
            (vehicle_id,),
        )
        return [orjson.loads(payload) for (payload,) in rows]

    def profile_changes(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """Yield (vehicle, payload) of all changes of profile; reads the whole ledger."""
        for vehicle_id, payload in self._query(
            "SELECT vehicle_id, payload FROM events WHERE kind = 'profile_change' ORDER BY seq", ()
        ):
            yield vehicle_id, orjson.loads(payload)

    def replaced(self, vehicle_id: str) -> list[tuple[Any, ...]]:
        """Return what a second entry of a vehicle's replacements would look like.

        Component, position, odometer, its unit and the day.
        """
        return self._query(
            "SELECT json_extract(payload, '$.component'), json_extract(payload, '$.position'), "
            "odometer, odometer_unit, substr(occurred_at, 1, 10) "
            "FROM events WHERE kind = 'replacement' AND vehicle_id = ?",
            (vehicle_id,),
        )

    def readings_before(
        self, vehicles: Iterable[str], seq: int
    ) -> Iterator[tuple[str, LastReading]]:
        """Yield (vehicle, its latest figure by date) among events up to number `seq`.

        Reads the whole ledger up to there, once for all vehicles. Figures that were taken back
        count too: `readings_of` leaves them out.
        """
        rows = self._query(
            # Of a group with one max(), SQLite takes the other columns from the row that has it.
            "SELECT vehicle_id, odometer, odometer_unit, max(occurred_at) FROM events "
            "WHERE seq <= ? AND odometer IS NOT NULL "
            "AND vehicle_id IN (SELECT value FROM json_each(?)) GROUP BY vehicle_id",
            (seq, orjson.dumps(list(vehicles)).decode()),
        )
        for vehicle_id, *reading in rows:
            yield vehicle_id, LastReading(*reading)

    def readings_of(self, vehicles: Iterable[str]) -> Iterator[RoadReading]:
        """Yield all figures of vehicles that count, each vehicle's in the order of the road."""
        names = orjson.dumps(list(vehicles)).decode()
        if names == "[]":
            return
        rows = self._query(
            "SELECT vehicle_id, seq, event_id, occurred_at, odometer, odometer_unit, "
            "CASE WHEN kind = 'odometer_exchange' THEN payload END, "
            "json_extract(payload, '$.replaces') FROM events "
            "WHERE (odometer IS NOT NULL OR kind = 'odometer_exchange') "
            "AND vehicle_id IN (SELECT value FROM json_each(:names)) "
            "AND event_id NOT IN (SELECT json_extract(payload, '$.event') FROM events "
            "WHERE kind = 'retraction' AND vehicle_id IN (SELECT value FROM json_each(:names))) "
            "ORDER BY vehicle_id, occurred_at, seq",
            {"names": names},
        )
        replaced = {row[-1] for row in rows}
        for vehicle_id, seq, event_id, occurred_at, value, unit, exchange, _ in rows:
            if event_id in replaced:
                continue
            if exchange is None:
                yield RoadReading(vehicle_id, seq, occurred_at, value, unit, value, False)
                continue
            said = orjson.loads(exchange)
            old, new, own = said["old_reading"], said["new_reading"], said["unit"]
            yield RoadReading(vehicle_id, seq, occurred_at, old, own, new, True)


class ProfileLook:
    """Rows of an import held against the profiles of their vehicles, few of them closely."""

    def __init__(self, facts: FileFacts) -> None:
        self._facts = facts
        self._limits: dict[str, _Limits] = {}
        # Greater than every moment of today, as a text.
        self._last_day = f"{latest_day()}~"

    def doubts(
        self, rows: Sequence[tuple[Any, ...]], start: int, stop: int
    ) -> Iterator[tuple[int, Problem]]:
        """Yield (index, doubt) for those rows from `start` to before `stop`, which were added."""
        limits, last_day = self._limits, self._last_day
        for index in range(start, stop):
            row = rows[index]
            vehicle, profiled = row[_VEHICLE], row[_KIND] in PROFILE_KINDS
            known = limits.get(vehicle)
            if profiled or known is None:
                if row[_KIND] == "profile_change":
                    self._facts.keep_change(vehicle, orjson.loads(row[_PAYLOAD]))
                known = limits[vehicle] = self._limits_of(vehicle)
            odometer = row[_ODOMETER]
            beyond = not known.first_day <= row[_OCCURRED] <= last_day or (
                odometer is not None and odometer >= known.beyond
            )
            if beyond:
                self._facts.read_changes()
                limits[vehicle] = self._limits_of(vehicle)
            if profiled or beyond:
                draft = draft_of(Row(*row), orjson.loads(row[_PAYLOAD]))
                for doubt in found(draft, self._facts, (Needs.PROFILE,)):
                    yield index, doubt

    def _limits_of(self, vehicle_id: str) -> _Limits:
        profile = self._facts.profile(vehicle_id)
        year, digits = profile.get("model_year"), profile.get("odometer_digits")
        first = str(year - 1) if year else str(FIRST_YEAR)
        began = profile.get("in_service_date") or ""
        return _Limits(
            max(first, began, str(FIRST_YEAR), self._facts.watched_since(vehicle_id)),
            10.0**digits if digits else _NO_LIMIT,
        )
