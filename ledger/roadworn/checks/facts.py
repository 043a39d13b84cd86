"""What is to be judged, and what the ledger knows about it, asked on one connection.

A `Draft` is an event on its way in, whichever door it came through. `Facts` answers what the
rules ask of the ledger: lazily, and remembered until something is written. All lookups go
through partial indexes or from the newest row backwards, so that writing one event costs the
same on a small and on a large ledger; what an import asks is asked once for many vehicles.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, NamedTuple

import orjson

from roadworn.model.errors import UnknownName
from roadworn.model.events import Amendment, StoredEvent, taken_back

if TYPE_CHECKING:
    from roadworn.trade.limits import Sheet

#: Runs a SELECT with its parameters and returns all of its rows.
Query = Callable[[str, tuple[Any, ...] | Mapping[str, Any]], list[tuple[Any, ...]]]
#: How many of a vehicle's newest readings are compared by date; a later entry of an old
#: invoice is newer in the ledger but older on the road.
_READINGS = 50
#: How many estimates, answers and works are looked at for what was agreed or is back.
_AGREED = 200
#: Kinds of work that an estimate line may be done by.
WORK = ("replacement", "repair", "maintenance")
_COLUMNS = ", ".join(field.name for field in fields(StoredEvent))
# The first enrolment bounds the search, which otherwise runs through the whole ledger for a
# vehicle that has no reading yet. Both inner queries go through the ledger's partial indexes.
_NEWEST = f"""
SELECT {_COLUMNS} FROM events
WHERE vehicle_id = :vehicle
  AND seq >= coalesce(
    (SELECT min(seq) FROM events WHERE kind = 'enrolment' AND vehicle_id = :vehicle), 1)
  AND event_id NOT IN (
    SELECT coalesce(json_extract(payload, '$.event'), '') FROM events
    WHERE kind = 'retraction' AND vehicle_id = :vehicle)
  AND {{condition}}
ORDER BY seq DESC LIMIT :limit
"""
# An event can only be taken back by a later one of its vehicle, which bounds the search.
_AMENDING = f"""
SELECT {_COLUMNS} FROM events
WHERE seq > ? AND vehicle_id = ?
  AND (kind = 'retraction' OR json_extract(payload, '$.replaces') IS NOT NULL)
ORDER BY seq
"""


@dataclass(frozen=True, slots=True)
class Draft:
    """An event to be judged, its payload as it is or will be stored.

    Attributes:
        vehicle_id: its vehicle.
        kind: name of its kind.
        occurred_at: day or moment.
        odometer: the figure, or None.
        odometer_unit: ``km``, ``mi`` or None.
        payload: fields of its kind.
        event_id: its id, where it has one already: it is no fact about itself.
        seq: its number in the ledger, 0 while it has none.
        typed: the odometer figure as it was typed, or an empty text.
        sheet: whose limits its figures were judged by; where None, the one that it names.
    """

    vehicle_id: str
    kind: str
    occurred_at: str
    odometer: float | None
    odometer_unit: str | None
    payload: dict[str, Any]
    event_id: str = ""
    seq: int = 0
    typed: str = ""
    sheet: "Sheet | None" = None

    @classmethod
    def of(cls, event: StoredEvent, typed: str = "", sheet: "Sheet | None" = None) -> "Draft":
        """Return the draft of an event that was just written."""
        return cls(
            event.vehicle_id,
            event.kind,
            event.occurred_at,
            event.odometer,
            event.odometer_unit,
            event.data(),
            event.event_id,
            event.seq,
            typed,
            sheet,
        )

    @property
    def day(self) -> str:
        """The ISO day it happened."""
        return self.occurred_at[:10]

    def data(self) -> dict[str, Any]:
        """Return the payload, as a stored event does."""
        return self.payload


class LastReading(NamedTuple):
    """The last figure an odometer showed.

    Attributes:
        value: as entered.
        unit: ``km`` or ``mi``.
        occurred_at: day or moment of the reading.
    """

    value: float
    unit: str
    occurred_at: str


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


class Facts:
    """What a ledger knows."""

    def __init__(self, query: Query) -> None:
        self._query = query
        self._newest: dict[tuple[str, str], list[StoredEvent]] = {}
        self._vins: dict[str, set[str]] | None = None

    def forget(self) -> None:
        """Drop what was remembered, since something was written."""
        self._newest.clear()
        self._vins = None

    # Vehicles

    def enrolled(self, vehicle_id: str) -> bool:
        """Return whether the vehicle has an enrolment that was not retracted."""
        return self._any(
            "SELECT 1 FROM events AS made WHERE kind = 'enrolment' AND vehicle_id = ? "
            "AND NOT EXISTS (SELECT 1 FROM events WHERE kind = 'retraction' "
            "AND vehicle_id = made.vehicle_id "
            "AND json_extract(payload, '$.event') = made.event_id) LIMIT 1",
            vehicle_id,
        )

    def retired(self, vehicle_id: str) -> bool:
        """Return whether the vehicle left once."""
        sql = "SELECT 1 FROM events WHERE kind = 'retirement' AND vehicle_id = ? LIMIT 1"
        return self._any(sql, vehicle_id)

    def vehicle_ids(self) -> list[str]:
        """Return the ids of enrolled vehicles, sorted."""
        rows = self._query(
            "SELECT DISTINCT vehicle_id FROM events WHERE kind = 'enrolment' "
            "AND event_id NOT IN (SELECT json_extract(payload, '$.event') FROM events "
            "WHERE kind = 'retraction') ORDER BY vehicle_id",
            (),
        )
        return [vehicle_id for (vehicle_id,) in rows]

    def profile(self, vehicle_id: str) -> dict[str, Any]:
        """Return the profile of a vehicle, the latest word for each field."""
        found: dict[str, Any] = {}
        enrolments = self.events(vehicle_id, "enrolment")[:1]
        for event in (*enrolments, *reversed(self.events(vehicle_id, "profile_change"))):
            found |= {name: value for name, value in event.data().items() if value is not None}
        return found

    def watched_since(self, vehicle_id: str) -> str:
        """Return the ISO day from which a vehicle is under observation, or an empty text."""
        said: str | None = self.profile(vehicle_id).get("records_since")
        if said:
            return said
        sql = "SELECT min(occurred_at) FROM events WHERE kind = 'enrolment' AND vehicle_id = ?"
        return (self._query(sql, (vehicle_id,))[0][0] or "")[:10]

    def before_watched(self) -> list[tuple[str, str, int]]:
        """Return (vehicle, first ISO day, number) of work before a vehicle was observed."""
        found = []
        for vehicle_id in self.vehicle_ids():
            first, number = self._query(
                "SELECT min(occurred_at), count(*) FROM events WHERE vehicle_id = ? "
                "AND kind IN ('replacement', 'repair', 'maintenance', 'inspection') "
                "AND occurred_at < ? AND event_id NOT IN ("
                "SELECT json_extract(payload, '$.event') FROM events WHERE kind = 'retraction' "
                "AND vehicle_id = ?)",
                (vehicle_id, self.watched_since(vehicle_id), vehicle_id),
            )[0]
            if number:
                found.append((vehicle_id, first[:10], number))
        return found

    def digits(self, vehicle_id: str) -> int | None:
        """Return how many digits the vehicle's odometer has, or None."""
        found: int | None = self.profile(vehicle_id).get("odometer_digits")
        return found

    def others_with_vin(self, vehicle_id: str, vin: str) -> set[str]:
        """Return the other vehicles with a VIN, and keep that this one has it."""
        if self._vins is None:
            self._vins = {}
            for other, known in self._query(
                "SELECT vehicle_id, json_extract(payload, '$.vin') FROM events "
                "WHERE kind = 'enrolment' AND json_extract(payload, '$.vin') IS NOT NULL",
                (),
            ):
                self._vins.setdefault(known.upper(), set()).add(other)
        holders = self._vins.setdefault(vin.upper(), set())
        holders.add(vehicle_id)
        return holders - {vehicle_id}

    # The newest events of one vehicle, the newest entry first; what was taken back is left out.

    def events(self, vehicle_id: str, *kinds: str) -> list[StoredEvent]:
        """Return the latest events of one kind, or of several."""
        among = ", ".join(f"'{kind}'" for kind in kinds)
        return self._latest(
            vehicle_id, f"kind IN ({among})", _READINGS if len(kinds) == 1 else _AGREED
        )

    def last_event(self, vehicle_id: str, kind: str) -> StoredEvent | None:
        """Return the event of a kind that was entered last, or None."""
        return next(iter(self.events(vehicle_id, kind)), None)

    def readings(self, vehicle_id: str, but: str = "") -> list[LastReading]:
        """Return the latest readings of a vehicle, leaving out the event with the id `but`.

        After an exchange the new instrument's first figure is the last reading.
        """
        condition = "(odometer IS NOT NULL OR kind = 'odometer_exchange')"
        return [
            _reading(event)
            for event in self._latest(vehicle_id, condition, _READINGS)
            if event.event_id != but
        ]

    def last_reading(self, vehicle_id: str, but: str = "") -> LastReading | None:
        """Return the latest reading by day; of one day, the one entered last."""
        return latest(self.readings(vehicle_id, but))

    def amendment_of(self, event: StoredEvent) -> StoredEvent | None:
        """Return the last event of the chain that took `event` back, or None while it counts.

        A replaced event that was corrected again gives the newest correction; the last of the
        chain may be a retraction.
        """
        rows = self._query(_AMENDING, (event.seq, event.vehicle_id))
        later = {row[1]: StoredEvent(*row) for row in rows}
        undone = taken_back(_amendment(amending) for amending in later.values())
        last: StoredEvent | None = None
        at = undone.get(event.event_id)
        while at is not None:
            last = later[at]
            at = undone.get(at)
        return last

    # Single events

    def named(self, event_id: str) -> tuple[str, str] | None:
        """Return vehicle and kind of an event, or None when there is none."""
        sql = "SELECT vehicle_id, kind FROM events WHERE event_id = ?"
        rows = self._query(sql, (event_id,))
        return (rows[0][0], rows[0][1]) if rows else None

    def same_replacement(self, draft: Draft) -> tuple[int, str] | None:
        """Return number and id of a replacement that a draft would enter a second time.

        The same part at the same place, figure and day: on another day it has come back.
        """
        same = self._query(
            "SELECT seq, event_id FROM events WHERE kind = 'replacement' AND vehicle_id = ? "
            "AND odometer IS ? AND odometer_unit IS ? "
            "AND substr(occurred_at, 1, 10) = ? "
            "AND json_extract(payload, '$.component') = ? "
            "AND json_extract(payload, '$.position') IS ?",
            (
                draft.vehicle_id,
                draft.odometer,
                draft.odometer_unit,
                draft.day,
                draft.payload["component"],
                draft.payload.get("position"),
            ),
        )
        for seq, event_id in same:
            amended = event_id == draft.payload.get("replaces") or any(
                self._any(
                    f"SELECT 1 FROM events WHERE kind = '{kind}' AND vehicle_id = ? "
                    f"AND json_extract(payload, '$.{field}') = ? LIMIT 1",
                    draft.vehicle_id,
                    event_id,
                )
                for kind, field in (("retraction", "event"), ("replacement", "replaces"))
            )
            if not amended:
                return seq, event_id
        return None

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

    def _any(self, sql: str, *parameters: str) -> bool:
        return bool(self._query(sql, parameters))

    def _latest(self, vehicle_id: str, condition: str, limit: int) -> list[StoredEvent]:
        found = self._newest.get((vehicle_id, condition))
        if found is None:
            rows = self._query(
                _NEWEST.format(condition=condition), {"vehicle": vehicle_id, "limit": limit}
            )
            events = [StoredEvent(*row) for row in rows]
            replaced = {event.data().get("replaces") for event in events}
            found = [event for event in events if event.event_id not in replaced]
            self._newest[vehicle_id, condition] = found
        return found


def latest(readings: Iterable[LastReading]) -> LastReading | None:
    """Return the latest of readings that stand newest entry first, or None."""
    return max(readings, key=lambda reading: reading.occurred_at, default=None)


def _amendment(event: StoredEvent) -> Amendment:
    payload, retracts = event.data(), event.kind == "retraction"
    target = payload["event"] if retracts else payload["replaces"]
    return Amendment(event.seq, event.event_id, target, retracts)


def _reading(event: StoredEvent) -> LastReading:
    if event.odometer is not None and event.odometer_unit is not None:
        return LastReading(event.odometer, event.odometer_unit, event.occurred_at)
    exchange = event.data()
    return LastReading(exchange["new_reading"], exchange["unit"], event.occurred_at)


def nearest(name: str, names: Iterable[str]) -> list[str]:
    """Return up to three names that look like `name`, letter case aside."""
    folded = {known.casefold(): known for known in names}
    return [folded[near] for near in get_close_matches(name.casefold(), folded, n=3)]


def named_vehicle(text: str, known: list[str]) -> str:
    """Return the one of `known` that `text` names, letter case aside.

    Raises:
        UnknownName: there is none, or letter case must decide; carries the nearest names.
    """
    if text in known:
        return text
    same = [vehicle_id for vehicle_id in known if vehicle_id.casefold() == text.casefold()]
    if len(same) == 1:
        return same[0]
    near = same or nearest(text, known)
    hint = f"did you mean {' or '.join(near)}?" if near else "see `roadworn vehicles`."
    raise UnknownName(f"There is no vehicle {text!r}; {hint}", near)
