"""Events before they have an id: what the generator writes down while it goes along.

A draft may name another draft (an authorisation its estimate, a retraction the event it
takes back); ids exist only once all drafts are in the order in which they were recorded.
"""

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from roadworn.model.events import NewEvent, format_uuid7
from roadworn_demo.fleet import Unit


@dataclass(slots=True, eq=False)
class Draft:
    """One event to be.

    Attributes:
        payload: as for `NewEvent`, except that a value may be another draft.
        late: days between the event and its being written down.
        turn: position among the drafts of its vehicle, so that equal times keep their order.
    """

    vehicle_id: str
    kind: str
    day: date
    payload: dict[str, Any]
    odometer: float | None
    unit: Unit | None
    by: str
    source: str
    late: int = 0
    turn: int = 0
    event_id: str = field(default="", init=False)

    @property
    def recorded_on(self) -> date:
        """The day it was written down."""
        return self.day + timedelta(days=self.late)


def as_events(drafts: Iterable[Draft]) -> Iterator[NewEvent]:
    """Yield the drafts as events in the order in which they were recorded, with ids."""
    ordered = sorted(drafts, key=lambda d: (d.recorded_on, d.vehicle_id, d.turn))
    moments: list[datetime] = []
    earlier: date | None = None
    for draft in ordered:
        # The day's paper is typed in one after the other, from half past seven in the morning.
        moment = (
            moments[-1] + timedelta(seconds=90)
            if draft.recorded_on == earlier
            else datetime(
                draft.recorded_on.year,
                draft.recorded_on.month,
                draft.recorded_on.day,
                7,
                30,
                tzinfo=UTC,
            )
        )
        earlier = draft.recorded_on
        moments.append(moment)
    for number, (draft, moment) in enumerate(zip(ordered, moments, strict=True)):
        draft.event_id = event_id(moment, f"{draft.vehicle_id}/{draft.kind}/{number}")
    for draft, moment in zip(ordered, moments, strict=True):
        yield _event(draft, moment)


def event_id(moment: datetime, name: str) -> str:
    """Return an identifier of the shape of a UUID version 7 (RFC 9562, section 5.7).

    The 62 bits that are random in a living ledger are taken from a digest of `name`, so that
    the demo is the same everywhere.
    """
    noise = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big") >> 2
    return format_uuid7(int(moment.timestamp()) * 1000, 0, noise)


def _event(draft: Draft, moment: datetime) -> NewEvent:
    payload = {
        key: value.event_id if isinstance(value, Draft) else value
        for key, value in draft.payload.items()
    }
    return NewEvent(
        vehicle_id=draft.vehicle_id,
        kind=draft.kind,
        occurred_at=draft.day.isoformat(),
        payload=payload,
        odometer=draft.odometer,
        odometer_unit=draft.unit,
        recorded_by=draft.by,
        source=draft.source,
        event_id=draft.event_id,
        recorded_at=moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
    )
