"""What is to be judged, and what the ledger knows about it, asked on one connection.

A `Draft` is an event on its way in, whichever door it came through. `Facts` answers what the
rules ask of the ledger: lazily, and remembered until something is written. All lookups go
through partial indexes or from the newest row backwards, so that writing one event costs the
same on a small and on a large ledger; what an import asks is asked once for many vehicles.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, NamedTuple

from roadworn.model.errors import UnknownName
from roadworn.model.events import Amendment, StoredEvent, taken_back
from roadworn.model.messages import Sentence

if TYPE_CHECKING:
    from roadworn.trade.limits import Sheet

#: Runs a SELECT with its parameters and returns all of its rows.
Query = Callable[[str, tuple[Any, ...] | Mapping[str, Any]], list[tuple[Any, ...]]]
#: How many of a vehicle's newest readings are compared by date; a later entry of an old
#: invoice is newer in the ledger but older on the road.
_READINGS = 50
_HAS_READING = "(odometer IS NOT NULL OR kind = 'odometer_exchange')"
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
        recorded_by: who wrote it down, as entered.
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
    recorded_by: str = ""

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
            event.recorded_by,
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


class Facts:
    """What a ledger knows."""

    def __init__(self, query: Query) -> None:
        self._query = query
        self._newest: dict[tuple[str, str], list[StoredEvent]] = {}
        self._vins: dict[str, set[str]] | None = None
        self._merged: dict[str, str] | None = None

    def forget(self) -> None:
        """Drop what was remembered, since something was written."""
        self._newest.clear()
        self._vins = None
        self._merged = None

    # Vehicles

    def kept_as(self, vehicle_id: str) -> str:
        """Return the vehicle whose record a record belongs to, since both were merged; or itself.

        Where nothing was merged, which is nearly everywhere, this costs one look at an index.
        """
        if self._merged is None:
            self._merged = {}
            if self._any("SELECT 1 FROM events WHERE kind = 'merge' LIMIT 1"):
                from roadworn.checks.merged import merged_into

                self._merged = merged_into(self._query)
        return self._merged.get(vehicle_id, vehicle_id)

    def merged_records(self) -> list[str]:
        """Return the ids of records that were merged into others."""
        self.kept_as("")
        return sorted(self._merged or ())

    def records_of(self, vehicle_id: str) -> list[str]:
        """Return the ids under which what is known of a vehicle was written down."""
        kept = self.kept_as(vehicle_id)
        return [kept, *sorted(old for old, new in (self._merged or {}).items() if new == kept)]

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
        return [vehicle_id for (vehicle_id,) in rows if self.kept_as(vehicle_id) == vehicle_id]

    def profile(self, vehicle_id: str) -> dict[str, Any]:
        """Return the profile of a vehicle, the latest word for each field."""
        found: dict[str, Any] = {}
        enrolments = self.events(vehicle_id, "enrolment")
        # A vehicle that is enrolled again begins anew; two records of one say both what they know.
        enrolments = enrolments[::-1] if len(self.records_of(vehicle_id)) > 1 else enrolments[:1]
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

    def last_written(self, vehicle_id: str) -> StoredEvent | None:
        """Return the event that was entered last and counts, a retraction among them, or None."""
        return next(iter(self._latest(vehicle_id, "TRUE", 1)), None)

    def last_entry(self, vehicle_id: str) -> StoredEvent | None:
        """Return the event of any kind that was entered last and counts, or None."""
        return next(iter(self._latest(vehicle_id, "kind <> 'retraction'", 1)), None)

    def last_job(self, vehicle_id: str, component: str) -> StoredEvent | None:
        """Return the work on a component that was entered last, or None."""
        jobs = self.events(vehicle_id, *WORK)
        return next((job for job in jobs if job.data().get("component") == component), None)

    def readings(self, vehicle_id: str, but: str = "") -> list[LastReading]:
        """Return the latest readings of a vehicle, leaving out the event with the id `but`.

        After an exchange the new instrument's first figure is the last reading.
        """
        return [
            _reading(event)
            for event in self._latest(vehicle_id, _HAS_READING, _READINGS)
            if event.event_id != but
        ]

    def shown(self, vehicle_id: str, but: str = "") -> list[LastReading]:
        """Return what `readings` does, of an exchange the old instrument's last figure."""
        found = []
        for event in self._latest(vehicle_id, _HAS_READING, _READINGS):
            if event.event_id == but:
                continue
            if event.kind == "odometer_exchange":
                said = event.data()
                found.append(LastReading(said["old_reading"], said["unit"], event.occurred_at))
            else:
                found.append(_reading(event))
        return found

    def last_reading(self, vehicle_id: str, but: str = "") -> LastReading | None:
        """Return the latest reading by day; of one day, the one entered last."""
        return latest(self.readings(vehicle_id, but))

    def reading_on(self, vehicle_id: str, day: str) -> LastReading | None:
        """Return the last reading of an ISO day, from whichever entry of it, or None."""
        of_the_day = f"{_HAS_READING} AND substr(occurred_at, 1, 10) = '{day}'"
        newest = self._latest(vehicle_id, of_the_day, _READINGS)
        return latest(_reading(event) for event in newest)

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

    def _any(self, sql: str, *parameters: str) -> bool:
        return bool(self._query(sql, parameters))

    def _latest(self, vehicle_id: str, condition: str, limit: int) -> list[StoredEvent]:
        found = self._newest.get((vehicle_id, condition))
        if found is None:
            events = [
                StoredEvent(*row)
                for record in self.records_of(vehicle_id)
                for row in self._query(
                    _NEWEST.format(condition=condition), {"vehicle": record, "limit": limit}
                )
            ]
            events.sort(key=lambda event: -event.seq)
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
    hint = Sentence("see-vehicles", "see `roadworn vehicles`.")
    if near:
        hint = Sentence("did-you-mean", "did you mean {names}?", names=" or ".join(near))
    told = Sentence("no-such-vehicle", "There is no vehicle {name!r}; {hint}", name=text, hint=hint)
    raise UnknownName(told, near)
