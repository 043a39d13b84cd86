"""What a vehicle's newest events say, asked of the ledger itself without folding any columns.

Writing one event must be quick, so the unit a person last used, the reading before this one
and the latest estimate are looked up here, from the newest row backwards.
"""

from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import orjson

from roadworn.model.events import Amendment, StoredEvent, taken_back
from roadworn.store.schema import EVENT_COLUMNS, connect, plain_failures

#: How many of a vehicle's newest readings are compared by date; a later entry of an old
#: invoice is newer in the ledger but older on the road.
_READINGS = 50
#: How many estimates, answers and works are looked at for what was agreed or is back.
_AGREED = 200
#: Further than this in a day no vehicle goes; the read model's own bound (`roadworn.columns.view`).
MOST_KM_PER_DAY = 2_500.0
_COLUMNS = ", ".join(EVENT_COLUMNS)
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
class LastReading:
    """The last figure an odometer showed.

    Attributes:
        value: as entered.
        unit: ``km`` or ``mi``.
        occurred_at: day or moment of the reading.
    """

    value: float
    unit: str
    occurred_at: str


def last_reading(path: Path, vehicle_id: str) -> LastReading | None:
    """Return the latest odometer reading of a vehicle, or None when it has none.

    Retracted and replaced readings do not count; after an exchange the new instrument's
    first figure is the last reading.
    """
    # Rows are newest first, so among readings of one day the one entered last wins.
    readings = last_readings(path, vehicle_id)
    return max(readings, key=lambda reading: reading.occurred_at, default=None)


def last_readings(path: Path, vehicle_id: str) -> list[LastReading]:
    """Return the latest readings of a vehicle, newest entry first; see `last_reading`."""
    found = _newest(
        path, vehicle_id, "(odometer IS NOT NULL OR kind = 'odometer_exchange')", _READINGS
    )
    return [_reading(event) for event in found]


def last_event(path: Path, vehicle_id: str, kind: str) -> StoredEvent | None:
    """Return the event of a kind that was entered last for a vehicle, or None."""
    found = _newest(path, vehicle_id, "kind = :kind", 1, kind)
    return found[0] if found else None


def last_events(path: Path, vehicle_id: str, kind: str) -> list[StoredEvent]:
    """Return the latest events of a kind of a vehicle, newest entry first."""
    return _newest(path, vehicle_id, "kind = :kind", _READINGS, kind)


def last_jobs(path: Path, vehicle_id: str) -> list[StoredEvent]:
    """Return the latest replacements, repairs and complaints of a vehicle, newest entry first."""
    kinds = "('replacement', 'repair', 'complaint')"
    return _newest(path, vehicle_id, f"kind IN {kinds}", _AGREED)


def last_agreed(path: Path, vehicle_id: str) -> list[StoredEvent]:
    """Return the latest estimates, answers and work of a vehicle, newest entry first."""
    kinds = "('estimate', 'authorisation', 'replacement', 'repair', 'maintenance')"
    return _newest(path, vehicle_id, f"kind IN {kinds}", _AGREED)


def vehicles_with_vin(path: Path, vin: str) -> list[str]:
    """Return the ids of vehicles that were enrolled with a VIN, sorted."""
    with plain_failures(path), closing(connect(path, writable=False)) as connection:
        rows = connection.execute(
            "SELECT DISTINCT vehicle_id FROM events WHERE kind = 'enrolment' "
            "AND upper(json_extract(payload, '$.vin')) = upper(?) ORDER BY vehicle_id",
            (vin,),
        ).fetchall()
    return [vehicle_id for (vehicle_id,) in rows]


def amendment_of(path: Path, event: StoredEvent) -> StoredEvent | None:
    """Return the last event of the chain that took `event` back, or None while it counts.

    A replaced event that was corrected again gives the newest correction; the last of the chain
    may be a retraction.
    """
    with plain_failures(path), closing(connect(path, writable=False)) as connection:
        rows = connection.execute(_AMENDING, (event.seq, event.vehicle_id)).fetchall()
    later = {row[1]: StoredEvent(*row) for row in rows}
    undone = taken_back(_amendment(amending) for amending in later.values())
    last: StoredEvent | None = None
    at = undone.get(event.event_id)
    while at is not None:
        last = later[at]
        at = undone.get(at)
    return last


def _amendment(event: StoredEvent) -> Amendment:
    payload, retracts = event.data(), event.kind == "retraction"
    target = payload["event"] if retracts else payload["replaces"]
    return Amendment(event.seq, event.event_id, target, retracts)


def _newest(
    path: Path, vehicle_id: str, condition: str, limit: int, kind: str = ""
) -> list[StoredEvent]:
    parameters = {"vehicle": vehicle_id, "limit": limit, "kind": kind}
    with plain_failures(path), closing(connect(path, writable=False)) as connection:
        rows = connection.execute(_NEWEST.format(condition=condition), parameters).fetchall()
    events = [StoredEvent(*row) for row in rows]
    replaced = {event.data().get("replaces") for event in events}
    return [event for event in events if event.event_id not in replaced]


def _reading(event: StoredEvent) -> LastReading:
    if event.odometer is not None and event.odometer_unit is not None:
        return LastReading(event.odometer, event.odometer_unit, event.occurred_at)
    exchange = orjson.loads(event.payload)
    return LastReading(exchange["new_reading"], exchange["unit"], event.occurred_at)
