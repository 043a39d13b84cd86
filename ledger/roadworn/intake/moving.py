"""An entry that was written for the wrong vehicle, put to the right one."""

from typing import TYPE_CHECKING

from roadworn.intake.again import taking_back
from roadworn.model.errors import LedgerRefused
from roadworn.model.events import NewEvent, StoredEvent, new_event_id

if TYPE_CHECKING:
    from roadworn.intake import Ledger

_SOURCE = "move"
_STAYS = {
    "enrolment": "two records of one vehicle are joined by `roadworn record merge`",
    "merge": "take it back with `roadworn retract` and merge anew",
    "retraction": "write the event that it took back anew instead",
}


def moved(
    ledger: "Ledger", event: StoredEvent, vehicle_id: str, day: str, by: str = ""
) -> list[NewEvent]:
    """Return what puts an event, with the answers to an estimate, to another vehicle.

    Args:
        ledger: an open ledger.
        event: an event that counts.
        vehicle_id: the vehicle that it belongs to.
        day: ISO day of putting it right.
        by: who does; who wrote the event stays with what is written anew where this is empty.

    Returns:
        The retractions, also of what the event had replaced, which would count again; then the
        same events at the other vehicle, with ids of their own.

    Raises:
        LedgerRefused: an event of its kind stays where it is, or it is there already.
    """
    if event.kind in _STAYS:
        raise LedgerRefused(f"An event of kind {event.kind} cannot be moved: {_STAYS[event.kind]}.")
    if event.vehicle_id == vehicle_id:
        raise LedgerRefused(f"It stands at {vehicle_id} already: name the other vehicle.")
    reason = f"written for the wrong vehicle: it belongs to {vehicle_id}"
    going, new_ids = [event], {event.event_id: new_event_id()}
    if event.kind == "estimate":
        for answer in ledger.facts.events(event.vehicle_id, "authorisation"):
            if answer.data()["estimate"] == event.event_id:
                going.append(answer)
                new_ids[answer.event_id] = new_event_id()
    back, anew = [], []
    for one in going:
        back += [taking_back(old, reason, _SOURCE, day, by) for old in _with_replaced(ledger, one)]
        kind = ledger.kinds.get(one.kind)
        payload = kind.upcast(one.version, one.data())
        payload.pop("replaces", None)
        if one.kind == "authorisation":
            payload["estimate"] = new_ids[payload["estimate"]]
        anew.append(
            NewEvent(
                event_id=new_ids[one.event_id],
                vehicle_id=vehicle_id,
                kind=one.kind,
                occurred_at=one.occurred_at,
                odometer=one.odometer,
                odometer_unit=one.odometer_unit,
                payload=payload,
                recorded_by=by or one.recorded_by,
            )
        )
    return back + anew


def _with_replaced(ledger: "Ledger", event: StoredEvent) -> list[StoredEvent]:
    """Return an event and those it replaced, the newest first."""
    chain = [event]
    while (earlier := chain[-1].data().get("replaces")) is not None:
        chain.append(ledger.event(earlier))
    return chain
