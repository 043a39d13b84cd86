"""`create`, `enrol` and `contact`: a ledger, its vehicles, and the names beside them."""

from dataclasses import asdict
from typing import Annotated, get_args

import typer

from roadworn.checks.identity import shared_vin
from roadworn.checks.recent import vehicles_with_vin
from roadworn.model.errors import LedgerRefused, UnknownName, UsageError
from roadworn.model.payloads import Originality
from roadworn.reading.amounts import choose
from roadworn_cli.context import check_day, state_of, today
from roadworn_cli.output import check_format, emit, emit_json, format_option, say
from roadworn_cli.output import note as say_note
from roadworn_cli.record import profile as p
from roadworn_cli.record.common import (
    ByOption,
    Envelope,
    NoteOption,
    OdometerOption,
    OnOption,
    acknowledge,
    build,
    given,
    remark,
)


def create(ctx: typer.Context) -> None:
    """Begin a new, empty ledger; an existing file is never touched."""
    from roadworn.intake.ledger import Ledger

    path = state_of(ctx).ledger
    with Ledger.create(path):
        typer.echo(str(path))
    say("Next: roadworn enrol VEHICLE --make … --model … --year … --odometer '128,400 mi'")


_FIELDS = ("reference", "name", "phone", "address", "note")


def contact(
    ctx: typer.Context,
    reference: Annotated[
        str, typer.Argument(metavar="[REF]", help="The reference that enrolments carry.")
    ] = "",
    name: Annotated[str | None, typer.Option(metavar="TEXT", help="Name to keep.")] = None,
    phone: Annotated[str | None, typer.Option(metavar="TEXT", help="Number to keep.")] = None,
    address: Annotated[str | None, typer.Option(metavar="TEXT", help="Address to keep.")] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="Anything else.")] = None,
    erase: Annotated[
        bool, typer.Option("--erase", help="Delete it for good; the history stays whole.")
    ] = False,
    fmt: str = format_option(),
) -> None:
    """Show, keep or erase who an owner reference stands for; without REF, list them all.

    Names and numbers never enter an event, so that they can be erased without touching the
    history. Copies and backups are yours to erase.
    """
    check_format(fmt)
    changes = {"name": name, "phone": phone, "address": address, "note": note}
    changed = any(value is not None for value in changes.values())
    if (changed or erase) and not reference:
        raise UsageError("Name the reference first: roadworn contact OWNER-12 --name …")
    if changed and erase:
        raise UsageError("--erase deletes everything: leave out what should be kept.")
    with state_of(ctx).open_ledger(writable=changed or erase) as ledger:
        if erase:
            known = ledger.contacts.erase(reference)
            say(f"{reference} is erased." if known else f"{reference} was not there.")
            return
        if changed:
            ledger.contacts.set(reference, **changes)
        wanted = [reference] if reference else ledger.contacts.references()
        found = [asdict(ledger.contacts.get(one)) for one in wanted]
    if fmt == "json":
        emit_json(found)
    else:
        emit(_FIELDS, [[row[field] for field in _FIELDS] for row in found], fmt=fmt)


def enrol(
    ctx: typer.Context,
    vehicle: Annotated[
        str, typer.Argument(metavar="VEHICLE", help="A short name of your own, without spaces.")
    ],
    make: p.Make = "",
    model: p.Model = "",
    year: p.Year = None,
    vehicle_class: p.VehicleClass = "",
    vin: p.Vin = "",
    odometer: OdometerOption = "",
    parts: Annotated[
        str,
        typer.Option(
            metavar="original|mixed|unknown",
            help="Are the fitted parts known to be those it left the factory with?",
        ),
    ] = "unknown",
    label: p.Label = "",
    engine: p.Engine = "",
    gearbox: p.Gearbox = "",
    fuel: p.Fuel = "",
    weight_class: p.WeightClass = "",
    duty: p.Duty = "",
    in_service: p.InService = "",
    odometer_digits: p.Digits = None,
    owner: p.Owner = "",
    unit: Annotated[
        str, typer.Option(metavar="km|mi", help="Unit of a figure without one; ROADWORN_UNIT.")
    ] = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Take a vehicle into the ledger; later a change of its description is `record profile`."""
    payload = p.profile_fields(
        {
            "label": label,
            "vin": vin,
            "make": make,
            "model": model,
            "model_year": p.year_of(year),
            "vehicle_class": vehicle_class,
            "engine": engine,
            "gearbox": gearbox,
            "fuel": fuel,
            "weight_class": weight_class,
            "duty": duty,
            "in_service_date": in_service,
            "odometer_digits": odometer_digits,
            "owner_reference": owner,
        }
    )
    payload |= given({"parts": choose(parts, get_args(Originality), "--parts"), "note": note})
    day = check_day(on, "--on") or today().isoformat()
    with state_of(ctx).open_ledger(writable=True) as ledger:
        try:
            known = ledger.require_vehicle(vehicle)
        except UnknownName:
            known = ""
        if known and known != vehicle:
            raise LedgerRefused(
                f"{known} is enrolled already, and {vehicle} differs in letter case only: "
                "choose another name."
            )
        envelope = Envelope(odometer, unit, on, by)
        stored = ledger.append(build(vehicle, "enrolment", payload, envelope, day, None))
    acknowledge(stored)
    remark(stored, state_of(ctx).ledger, (), envelope)
    if vin:
        p.tell_vin(payload["vin"], payload.get("model_year"))
        others = [v for v in vehicles_with_vin(state_of(ctx).ledger, vin) if v != vehicle]
        shared = shared_vin(payload["vin"], others)
        if shared is not None:
            say_note(f"{shared.message} It is kept; {shared.hint}.")
    if not odometer:
        say_note("without --odometer its parts have no known distance until a reading is recorded.")
