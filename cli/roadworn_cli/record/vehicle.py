"""`record` for the vehicle itself: reading, exchange, profile, official inspection, leaving."""

from typing import Annotated, get_args

import typer

from roadworn.model.errors import UsageError
from roadworn.model.payloads import InspectionResult, OdometerReading, Retirement
from roadworn.reading.amounts import choose, read_odometer
from roadworn_cli.context import check_day, default_unit, state_of
from roadworn_cli.record import profile as p
from roadworn_cli.record.common import (
    ByOption,
    CurrencyOption,
    Envelope,
    NoteOption,
    OdometerOption,
    OnOption,
    UnitOption,
    Vehicle,
    money,
    write,
)
from roadworn_cli.record.remarks import profile_of

_HOW = get_args(OdometerReading.model_fields["how"].annotation)
_STATUS = get_args(OdometerReading.model_fields["status"].annotation)


def reading(
    ctx: typer.Context,
    vehicle: Vehicle,
    figure: Annotated[str, typer.Argument(metavar="FIGURE", help="As read, '61,250 mi'.")],
    how: Annotated[
        str, typer.Option(metavar="dash|module|typed|estimated", help="Where it was read.")
    ] = "dash",
    status: Annotated[
        str,
        typer.Option(
            metavar="WORD",
            help="actual, exceeds-mechanical-limits, not-actual or unknown (49 CFR 580.5).",
        ),
    ] = "unknown",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """An odometer reading: roadworn record reading bus-7 "61,250 mi"."""
    payload = {
        "how": choose(how, _HOW, "--how"),
        "status": choose(status, _STATUS, "--status"),
        "note": note,
    }
    write(ctx, vehicle, "odometer_reading", payload, Envelope(figure, unit, on, by))


def exchange(
    ctx: typer.Context,
    vehicle: Vehicle,
    old: Annotated[str, typer.Option(metavar="FIGURE", help="Last figure of the old one.")],
    new: Annotated[str, typer.Option(metavar="FIGURE", help="First figure of the new one.")],
    unit: Annotated[
        str, typer.Option(metavar="km|mi", help="Unit of figures without one; ROADWORN_UNIT.")
    ] = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """The odometer was exchanged: record exchange bus-7 --old "98,400 mi" --new "12 mi"."""
    unit = unit or default_unit()
    old_value, old_unit = read_odometer(old, unit)
    new_value, new_unit = read_odometer(new, unit or old_unit)
    if old_unit != new_unit:
        raise UsageError(
            f"The old figure is in {old_unit} and the new one in {new_unit}: give both in one unit."
        )
    payload = {
        "old_reading": old_value,
        "new_reading": new_value,
        "unit": old_unit,
        "note": note,
    }
    write(ctx, vehicle, "odometer_exchange", payload, Envelope(on=on, by=by), typed=old)


_INSPECTIONS = get_args(InspectionResult.model_fields["inspection"].annotation)
_RESULTS = get_args(InspectionResult.model_fields["result"].annotation)
_REASONS = get_args(Retirement.model_fields["reason"].annotation)


def profile(
    ctx: typer.Context,
    vehicle: Vehicle,
    make: p.Make = "",
    model: p.Model = "",
    year: p.Year = None,
    vehicle_class: p.VehicleClass = "",
    vin: p.Vin = "",
    label: p.Label = "",
    engine: p.Engine = "",
    gearbox: p.Gearbox = "",
    fuel: p.Fuel = "",
    weight_class: p.WeightClass = "",
    duty: p.Duty = "",
    in_service: p.InService = "",
    odometer_digits: p.Digits = None,
    owner: p.Owner = "",
    odometer: OdometerOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Some of its description changed; what is left out stays as it was."""
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
    if not payload:
        raise UsageError("Nothing has changed: say what did, as in --duty 'school run'.")
    envelope = Envelope(odometer, unit, on, by)
    stored = write(ctx, vehicle, "profile_change", {**payload, "note": note}, envelope)
    if vin or year:
        known = profile_of(state_of(ctx).ledger, stored.vehicle_id)
        p.tell_vin(known.get("vin", ""), known.get("model_year"))


def inspection_result(
    ctx: typer.Context,
    vehicle: Vehicle,
    inspection: Annotated[
        str, typer.Argument(metavar="INSPECTION", help="safety, emission or combined.")
    ],
    result: Annotated[
        str, typer.Argument(metavar="RESULT", help="pass, fail, reject or not-tested.")
    ],
    item: Annotated[
        list[str] | None, typer.Option(metavar="TEXT", help="An item it failed on; repeat it.")
    ] = None,
    due: Annotated[str, typer.Option(metavar="DATE", help="When the next one is due.")] = "",
    station: Annotated[str, typer.Option(metavar="REF", help="Who inspected it.")] = "",
    fee: Annotated[str, typer.Option(metavar="AMOUNT", help="What it cost.")] = "",
    currency: CurrencyOption = "",
    odometer: OdometerOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Outcome of an official inspection: roadworn record inspection-result bus-7 safety pass."""
    payload = {
        "inspection": choose(inspection, _INSPECTIONS, "The inspection"),
        "result": choose(result, _RESULTS, "The result"),
        "due_date": check_day(due, "--due"),
        "station": station,
        "fee": money(fee, currency),
        "items": list(item or ()),
        "note": note,
    }
    write(ctx, vehicle, "inspection_result", payload, Envelope(odometer, unit, on, by))


def retirement(
    ctx: typer.Context,
    vehicle: Vehicle,
    reason: Annotated[
        str, typer.Argument(metavar="REASON", help="sold, scrapped, written-off or returned.")
    ],
    price: Annotated[str, typer.Option(metavar="AMOUNT", help="What it brought.")] = "",
    currency: CurrencyOption = "",
    odometer: OdometerOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """The vehicle left; its parts stop being observed at its last reading."""
    payload = {
        "reason": choose(reason, _REASONS, "The reason"),
        "price": money(price, currency),
        "note": note,
    }
    write(ctx, vehicle, "retirement", payload, Envelope(odometer, unit, on, by))
