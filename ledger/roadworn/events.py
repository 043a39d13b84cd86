"""The envelope: when, to which vehicle, by whom, at what odometer reading.

`NewEvent` is what a writer hands in; `StoredEvent` is one row of the ledger. The payload of
a stored event is canonical JSON text, exactly the bytes that were hashed.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Annotated, Any, Literal

import orjson
from pydantic import BaseModel, ConfigDict, Field

from roadworn.kinds.base import DistanceUnit, EventId

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
