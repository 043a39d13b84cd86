"""`roadworn enrol`: take a vehicle into the ledger."""

from typing import Annotated, get_args

import typer

from roadworn.bench.choices import choose
from roadworn.bench.unlikely import shared_vin
from roadworn.errors import LedgerRefused, UnknownName
from roadworn.kinds.vehicle import Originality
from roadworn.recent import vehicles_with_vin
from roadworn_cli import profile as p
from roadworn_cli.context import check_day, state_of, today
from roadworn_cli.output import note as say_note
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
