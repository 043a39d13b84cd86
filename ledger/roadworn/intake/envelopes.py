"""Envelopes on the fast way of an import: checked without building a model, and their keys.

Vehicles, hands and times repeat from row to row, so what was found right once is remembered.
Whatever is not plainly right is left to `NewEvent` and `roadworn.intake.rows`, which have the
last word and the sentences.
"""

import re
from hashlib import sha256
from typing import Any

import orjson

from roadworn.events import NewEvent
from roadworn.intake.rows import envelope_problems

#: What the writer of a row gave, rather than the store; bits of `Chunk.given`.
ID_GIVEN, TIME_GIVEN, KEY_MADE = 1, 2, 4

FIELDS = frozenset(NewEvent.model_fields)
#: Fields that are looked at in every row; a row with others is looked at by `brought`.
USUAL = FIELDS - {"version", "event_id", "intake_key"}
_EVENT_ID = re.compile(r"[0-9a-f-]{36}")
_MOMENT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
    r"(?:T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](?:\.[0-9]{1,6})?Z)?"
)
UNITS = frozenset({"km", "mi"})
MAX_ODOMETER = 10_000_000
#: Room for every second of a day.
_REMEMBERED = 90_000
#: Files are in order of time, more or less, and many have a time of its own in every row.
_REMEMBERED_TIMES = 4_096
#: 112 bits of SHA-256: two rows of one day never get the same key by chance.
_KEY_DIGITS = 28
_MAX_KEY = 200


class Irregular(Exception):
    """Something is not plainly right: take the careful way."""


class KnownEnvelopes:
    """Parts of envelopes that were found right.

    Attributes:
        vehicles: vehicle ids.
        hands: (recorded_by, source).
        times: (occurred_at, recorded_at as given).
    """

    def __init__(self, source: str) -> None:
        self.vehicles: set[str] = set()
        self.hands: set[tuple[str, str]] = set()
        self.times: set[tuple[str, str | None]] = set()
        self._days: set[str] = set()
        self._clocks: set[str] = set()
        self._source = source

    def learn(self, given: dict[str, Any], now: str) -> None:
        """Validate an envelope and remember it; `now` is when it is recorded if it says nothing.

        Raises:
            Irregular, ValidationError, TypeError: it is not right.
        """
        get = given.get
        occurred, recorded = given["occurred_at"], get("recorded_at")
        times = (occurred, recorded)
        if recorded is None:
            recorded = now
        vehicle_id = given["vehicle_id"]
        hand = (get("recorded_by", ""), get("source", self._source))
        if vehicle_id not in self.vehicles or hand not in self.hands:
            NewEvent.model_validate(given)
            _remember(self.vehicles, vehicle_id)
            _remember(self.hands, hand)
        days, clocks = self._days, self._clocks
        if not (
            occurred[:10] in days
            and occurred[10:] in clocks
            and recorded[:10] in days
            and recorded[10:] in clocks
            # A day stands before its hours, so what is not later as a text is not later.
            and occurred[:19] <= recorded[:19]
        ):
            if not (_MOMENT.fullmatch(occurred) and _MOMENT.fullmatch(recorded)):
                raise Irregular
            if envelope_problems(occurred, recorded, None, None):
                raise Irregular
            for moment in (occurred, recorded):
                _remember(days, moment[:10])
                _remember(clocks, moment[10:])
        _remember(self.times, times, _REMEMBERED_TIMES)


def _remember(known: set[Any], value: object, limit: int = _REMEMBERED) -> None:
    if len(known) > limit:
        known.clear()
    known.add(value)


def made_key(envelope: tuple[Any, ...], said: bytes) -> str:
    """Return the intake key of a row that brought none: its day and a digest of what it says.

    It is made from the row as given, not as stored, so that it stays the same when a later
    version of a kind stores more. The day in front keeps the index growing at one end.

    Args:
        envelope: vehicle, kind, version, occurred_at, recorded_at, recorded_by, source,
            odometer and unit as given, absent ones None.
        said: the payload as given, as JSON with sorted keys.
    """
    digest = sha256(orjson.dumps(envelope) + said).hexdigest()
    return f"{envelope[3][:10]}:{digest[:_KEY_DIGITS]}"


def key_of(event: NewEvent) -> str:
    """Return the key of an event that was read the careful way."""
    envelope = (
        event.vehicle_id,
        event.kind,
        event.version,
        event.occurred_at,
        event.recorded_at,
        event.recorded_by,
        event.source,
        event.odometer,
        event.odometer_unit,
    )
    try:
        said = orjson.dumps(event.payload, option=orjson.OPT_SORT_KEYS)
    except orjson.JSONEncodeError:
        # Nested deeper than can be written: `prepare` has the sentence for it.
        said = b""
    return made_key(envelope, said)


def brought(
    given: dict[str, Any], version: int, new_id: str
) -> tuple[int, int | None, str | None, str]:
    """Return what an unusual row brought: ID_GIVEN or 0, its version, its key, its id.

    Raises:
        Irregular, TypeError: something in it is not plainly right.
    """
    if not given.keys() <= FIELDS:
        raise Irregular
    stated, key, bits = given.get("version"), given.get("intake_key"), 0
    event_id = new_id
    if stated is not None and (stated != version or type(stated) is not int):
        raise Irregular
    if key is not None and not (type(key) is str and 0 < len(key) <= _MAX_KEY):
        raise Irregular
    if given.get("event_id") is not None:
        event_id, bits = given["event_id"], ID_GIVEN
        if not _EVENT_ID.fullmatch(event_id):
            raise Irregular
    return bits, stated, key, event_id


def plain_reading(value: object, unit: object) -> float | None:
    """Return an odometer reading as a float, or None when there is neither reading nor unit.

    Raises:
        Irregular: it or its unit is not right.
    """
    if value is None and unit is None:
        return None
    if (type(value) is not float and type(value) is not int) or unit not in UNITS:
        raise Irregular
    if not 0 <= value <= MAX_ODOMETER:
        raise Irregular
    return float(value)
