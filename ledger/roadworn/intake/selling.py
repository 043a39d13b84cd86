"""A vehicle sold to another customer: what every door asks before it is written."""

from typing import TYPE_CHECKING

from roadworn.checks.odd import check_owner
from roadworn.model.errors import LedgerRefused
from roadworn.model.messages import Says

if TYPE_CHECKING:
    from roadworn.intake import Ledger

_say = Says(
    "sale",
    {
        "already": "{vehicle} is {owner}'s already: name the new owner, or mend a slip with "
        "`roadworn correct`.",
        "later": "On {day}, after {sold}, {owner} was written down as its owner, and would stay "
        "so: give the sale a day from then on, or correct event {event} with on=…",
    },
)


def check_sale(ledger: "Ledger", vehicle_id: str, owner: str, day: str) -> str:
    """Return the number plate that a sale would erase, or an empty text.

    Args:
        ledger: an open ledger.
        vehicle_id: an enrolled vehicle.
        owner: reference of the new owner.
        day: ISO day of the sale.

    Raises:
        UsageError: it is no reference.
        LedgerRefused: it is that owner's already, or a later day names another.
    """
    check_owner(owner)
    if ledger.facts.profile(vehicle_id).get("owner_reference") == owner:
        raise LedgerRefused(_say("already", vehicle=vehicle_id, owner=owner))
    for event in ledger.facts.events(vehicle_id, "enrolment", "profile_change"):
        said = event.data().get("owner_reference")
        if said and event.occurred_at[:10] > day:
            told = {"day": event.occurred_at[:10], "sold": day, "owner": said}
            raise LedgerRefused(_say("later", event=event.event_id[-8:], **told))
    plates = ledger.plates.all()
    records = ledger.facts.records_of(vehicle_id)
    return next((plates[one] for one in records if one in plates), "")


def settle_plate(ledger: "Ledger", vehicle_id: str, plate: str, *, keeps: bool) -> bool:
    """Keep, change or erase the number plate of a vehicle that was sold; whether it was erased."""
    if plate:
        ledger.plates.set(vehicle_id, plate)
        return False
    return not keeps and bool(ledger.plates.erase(ledger.facts.records_of(vehicle_id)))
