"""`record reading` and `record exchange`: what the odometer says, and when it was exchanged."""

from typing import Annotated, get_args

import typer

from roadworn.bench.amounts import read_odometer
from roadworn.bench.choices import choose
from roadworn.errors import UsageError
from roadworn.kinds import OdometerReading
from roadworn_cli.context import default_unit
from roadworn_cli.record.common import (
    ByOption,
    Envelope,
    NoteOption,
    OnOption,
    UnitOption,
    Vehicle,
    write,
)

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
