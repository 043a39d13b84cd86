"""`record sale` and `record merge`: whose a vehicle is, and which vehicle a record is of."""

import sys
from typing import Annotated

import typer

from roadworn.checks.odd import check_owner
from roadworn.intake.selling import check_sale, settle_plate
from roadworn.model.errors import ProblemsFound, UsageError
from roadworn_cli.context import today
from roadworn_cli.output import note as say_note
from roadworn_cli.output import say
from roadworn_cli.record import Envelope, NoteOption, Vehicle, append, enveloped, writing
from roadworn_cli.record.entry import check_plate, keep_plate


@enveloped()
def sale(
    ctx: typer.Context,
    vehicle: Vehicle,
    owner: Annotated[
        str, typer.Argument(metavar="OWNER", help="Reference of the new owner; never a name.")
    ],
    plate: Annotated[
        str, typer.Option(metavar="PLATE", help="Its new number plate, 'ABC 123 XY'.")
    ] = "",
    keep_plate_: Annotated[
        bool, typer.Option("--keep-plate", help="It keeps the number plate that it had.")
    ] = False,
    *,
    envelope: Envelope,
    note: NoteOption = "",
) -> None:
    """Sold to another customer: record sale bus-7 OWNER-13 --on 2026-05-04.

    The history stays with the vehicle. Reports and lists name the new owner from that day on; the
    number plate is erased unless it stays, since in many places it goes with the former one.
    """
    check_owner(owner)
    check_plate(plate)
    if plate and keep_plate_:
        raise UsageError("It has a new plate or keeps the old one: leave one of the two out.")
    with writing(ctx) as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        goes = check_sale(ledger, vehicle_id, owner, envelope.on or today().isoformat())
        if goes and not (plate or keep_plate_ or envelope.sure):
            _ask_plate(vehicle_id, goes)
        payload = {"owner_reference": owner, "note": note}
        append(ledger, vehicle_id, "profile_change", payload, envelope)
        if plate:
            keep_plate(ledger, vehicle_id, plate)
        elif settle_plate(ledger, vehicle_id, "", keeps=keep_plate_):
            say_note(
                "its number plate is erased: `roadworn record profile "
                f"{vehicle_id} --plate …` keeps the new one."
            )
        if owner not in ledger.contacts.references():
            say(f"Next: roadworn contact {owner} --name … --phone …")


def _ask_plate(vehicle_id: str, plate: str) -> None:
    """Ask before a number plate is erased: no `undo` brings it back.

    Raises:
        ProblemsFound: there is nobody to ask, or the answer is no; nothing was written.
    """
    told = f"The number plate {plate} of {vehicle_id} would be erased, and undo does not bring it"
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise ProblemsFound(
            f"Not written: {told} back. Say --keep-plate where it stays, --plate … for a new one, "
            "or --sure to erase it.",
            (),
        )
    say(f"{told} back (--keep-plate keeps it, --plate … gives the new one).")
    if not typer.confirm("Erase it?", default=False, err=True):
        raise ProblemsFound("Nothing was written.", ())


@enveloped("by")
def merge(
    ctx: typer.Context,
    vehicle: Annotated[
        str, typer.Argument(metavar="RECORD", help="The record that is given up as a name.")
    ],
    into: Annotated[
        str, typer.Argument(metavar="VEHICLE", help="The vehicle that it is; its name stays.")
    ],
    *,
    envelope: Envelope,
    note: NoteOption = "",
) -> None:
    """Two records are one vehicle: record merge bus-9 bus-7 (then bus-9 stands for bus-7).

    Nothing is rewritten: from now on both histories are told and counted as one. Taken back with
    `roadworn retract` or `roadworn undo`, they are two again.
    """
    with writing(ctx) as ledger:
        own, target = ledger.require_vehicle(vehicle), ledger.require_vehicle(into)
        # They always were one: whoever looks back by what had happened sees one all along.
        (began,), = ledger.query(
            "SELECT min(substr(occurred_at, 1, 10)) FROM events WHERE vehicle_id = ?", (own,)
        )  # fmt: skip
        since = Envelope(on=began, by=envelope.by, sure=envelope.sure)
        append(ledger, own, "merge", {"into": target, "note": note}, since)
        plates = ledger.plates.all()
        if own in plates and target not in plates:
            ledger.plates.set(target, plates[own])
            say_note(f"the number plate {plates[own]} is {target}'s now, also if they are parted.")
        elif own in plates and plates[own] != plates[target]:
            say_note(
                f"the number plate {plates[own]} of {own} is erased: {target} has {plates[target]}."
            )
        ledger.plates.erase([own])
