"""An estimate that is on record: found by its id or as the last, and its sheet printed again."""

from typing import TYPE_CHECKING

import typer

from roadworn.errors import UsageError
from roadworn.recent import amendment_of, last_event
from roadworn_cli.context import State
from roadworn_cli.output import escape, note

if TYPE_CHECKING:
    from roadworn.events import StoredEvent


def find_estimate(state: State, vehicle: str, named: str) -> "StoredEvent":
    """Return an estimate of a vehicle.

    Args:
        state: which ledger.
        vehicle: as typed.
        named: its event id, a part of it, or last.

    Raises:
        UsageError: the vehicle has none, or the event is none of it.
    """
    with state.open_ledger() as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        if named.casefold() == "last":
            found = last_event(ledger.path, vehicle_id, "estimate")
            if found is None:
                raise UsageError(
                    f"{vehicle_id} has no estimate yet: write one with "
                    f"`roadworn record estimate {vehicle_id} …` first."
                )
        else:
            found = ledger.event(named)
    if found.kind != "estimate" or found.vehicle_id != vehicle_id:
        raise UsageError(
            f"Event {named} is a {found.kind.replace('_', ' ')} of {found.vehicle_id}: name an "
            f"estimate of {vehicle_id}, or write last."
        )
    return found


def print_sheet(stored: "StoredEvent") -> None:
    """Print the sheet of an estimate, as it is laid before the customer."""
    from roadworn.bench.estimate_sheet import estimate_sheet

    for line in estimate_sheet(stored.data()):
        typer.echo(escape(line))


def reprint(state: State, vehicle: str, named: str) -> None:
    """Print the sheet of a stored estimate again; one that does not count any more says so."""
    found = find_estimate(state, vehicle, named)
    print_sheet(found)
    amended = amendment_of(state.ledger, found)
    if amended is not None:
        done = "taken back" if amended.kind == "retraction" else "replaced"
        note(f"this estimate was {done} by event {amended.event_id[-8:]} and does not count.")
