"""The envelope: when, to which vehicle, by whom, at what odometer reading.

`NewEvent` is what a writer hands in; `StoredEvent` is one row of the ledger. The payload of
a stored event is canonical JSON text, exactly the bytes that were hashed.
"""

import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum
from random import SystemRandom
from threading import Lock
from typing import Annotated, Any, Literal, NamedTuple

import orjson
from pydantic import BaseModel, ConfigDict, Field

#: The payloads are many models, which take as long to make as a screen may take: so what is said
#: of their fields to who only reads a ledger stands here.
EventId = Annotated[str, Field(pattern=r"^[0-9a-f-]{36}$", description="a UUID")]
DistanceUnit = Literal["km", "mi"]


class Holds(StrEnum):
    """What a field holds that rules look for wherever it stands in a payload."""

    FREE_TEXT = "free text"  #: what a person writes freely
    DAY = "day"
    COMPONENT = "component"


_COUNTER_END = 1 << 12
_TAIL_BITS = 62
_VARIANT = 0b10 << _TAIL_BITS
#: The last group of an id, which counts up within a batch.
_NODE_DIGITS = 12
_NODE_START = (1 << 47) - 1


def format_uuid7(milliseconds: int, counter: int, tail: int) -> str:
    """Return the text form of a version 7 UUID.

    Args:
        milliseconds: Unix time, 48 bits.
        counter: 12 bits.
        tail: 62 random bits.
    """
    tail_text = f"{_VARIANT | tail:016x}"
    return f"{_time_prefix(milliseconds)}{counter:03x}-{tail_text[:4]}-{tail_text[4:]}"


class IdSource:
    """Makes ids that are unique everywhere and increase within this source; thread-safe."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._last = 0
        self._counter = 0
        self._random = SystemRandom()

    def next(self, milliseconds: int | None = None) -> str:
        """Return a new id for now, or for a given Unix time in milliseconds."""
        with self._lock:
            now = time.time_ns() // 1_000_000 if milliseconds is None else milliseconds
            if now > self._last:
                self._last, self._counter = now, 0
            else:
                self._counter += 1
                if self._counter == _COUNTER_END:
                    self._last, self._counter = self._last + 1, 0
            return format_uuid7(self._last, self._counter, self._random.getrandbits(_TAIL_BITS))

    def batch(self, count: int) -> list[str]:
        """Return `count` new ids for now; several times faster than one by one.

        The tail is drawn once and then counts up (RFC 9562 section 6.2, method 2), so that an
        id costs no more than writing it down.
        """
        with self._lock:
            now = time.time_ns() // 1_000_000
            milliseconds, counter = self._last, self._counter + 1
            if now > milliseconds or counter == _COUNTER_END:
                milliseconds, counter = max(now, milliseconds + 1), 0
            self._last, self._counter = milliseconds, counter
            first = format_uuid7(milliseconds, counter, self._random.getrandbits(_TAIL_BITS))
            head, start = first[:-_NODE_DIGITS], int(first[-_NODE_DIGITS:], 16)
            # The upper bit of what counts is left clear, so that it cannot run over.
            start &= _NODE_START
            return [f"{head}{node:012x}" for node in range(start, start + count)]


def _time_prefix(milliseconds: int) -> str:
    """Return the id's text up to and with the version digit."""
    text = f"{milliseconds:012x}"
    return f"{text[:8]}-{text[8:]}-7"


_source = IdSource()


def new_event_id() -> str:
    """Return a new event id from this process's source."""
    return _source.next()


def new_event_ids(count: int) -> list[str]:
    """Return `count` new event ids from this process's source."""
    return _source.batch(count)


class Amendment(NamedTuple):
    """An event that takes back another one.

    Attributes:
        seq: its place in the ledger.
        event_id: its id.
        target: id of the event it takes back.
        retracts: True for a retraction, False for a correction.
    """

    seq: int
    event_id: str
    target: str
    retracts: bool


def taken_back(amendments: Iterable[Amendment]) -> dict[str, str]:
    """Return event_id -> event_id of what took it back, for every event that does not count.

    Args:
        amendments: all known retractions and corrections, in any order.
    """
    retracted: dict[str, str] = {}
    replaced: dict[str, str] = {}
    # An amendment can only name what was there before it, so from the end backwards each one
    # is judged before it is used.
    for amendment in sorted(amendments, key=lambda a: a.seq, reverse=True):
        if amendment.event_id in retracted:
            continue
        if not amendment.retracts:
            replaced.setdefault(amendment.target, amendment.event_id)
        elif amendment.event_id not in replaced:
            retracted.setdefault(amendment.target, amendment.event_id)
    return {**replaced, **retracted}


#: A day (kept as a day) or a moment in UTC, `2026-05-04` or `2026-05-04T09:30:00Z`.
Moment = Annotated[
    str,
    Field(
        pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}(T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,6})?Z)?$",
        max_length=27,
    ),
]
VehicleId = Annotated[
    str,
    Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,62}$", description="short name without spaces"),
]


class NewEvent(BaseModel):
    """An event as handed to the ledger, payload still a plain dictionary.

    Also the shape of one NDJSON line: `vehicle_id`, `kind`, `occurred_at`, `payload`, and
    optionally the rest.
    """

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)

    vehicle_id: VehicleId
    kind: Annotated[str, Field(min_length=1, max_length=64)]
    occurred_at: Moment
    payload: dict[str, Any]
    version: Annotated[int, Field(ge=1, le=1000)] | None = None
    odometer: Annotated[float, Field(ge=0, le=10_000_000)] | None = None
    odometer_unit: DistanceUnit | None = None
    recorded_by: Annotated[str, Field(max_length=60)] = ""
    source: Annotated[str, Field(max_length=60)] = "typed"
    event_id: EventId | None = None
    recorded_at: Moment | None = None
    intake_key: Annotated[str, Field(min_length=1, max_length=200)] | None = None


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """One row of the ledger, as stored."""

    seq: int
    event_id: str
    vehicle_id: str
    kind: str
    version: int
    occurred_at: str
    recorded_at: str
    recorded_by: str
    source: str
    odometer: float | None
    odometer_unit: Literal["km", "mi"] | None
    payload: str
    intake_key: str | None
    leaf: bytes

    def data(self) -> dict[str, Any]:
        """Return the payload as a dictionary, in the version it was stored in."""
        loaded: dict[str, Any] = orjson.loads(self.payload)
        return loaded


def utc_now() -> str:
    """Return the present moment as stored: UTC, seconds, with a Z."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def parse_moment(text: str) -> str:
    """Normalise an ISO day or an ISO time with offset to the stored form.

    A day stays a day. A time without an offset is taken as UTC only when it ends in Z;
    otherwise it is refused, since guessing a zone would move events across midnight.

    Raises:
        ValueError: with one sentence that says what to write instead.
    """
    text = text.strip()
    try:
        if len(text) == 10:
            return date.fromisoformat(text).isoformat()
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"{text!r} is not a date: write it as 2026-05-04, or 2026-05-04T09:30:00Z."
        ) from None
    if moment.tzinfo is None:
        raise ValueError(
            f"{text!r} has no time zone: add Z for UTC or an offset as in +02:00, "
            "or give the day only."
        )
    moment = moment.astimezone(UTC)
    form = "%Y-%m-%dT%H:%M:%S.%fZ" if moment.microsecond else "%Y-%m-%dT%H:%M:%SZ"
    return moment.strftime(form)
