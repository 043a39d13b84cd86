"""The options that describe a vehicle, shared by `enrol` and `record profile`."""

from typing import Annotated, Any

import typer

from roadworn.checks.private import check_owner
from roadworn.model.errors import UsageError
from roadworn_cli.context import check_day
from roadworn_cli.output import note

Label = Annotated[str, typer.Option(metavar="TEXT", help="What people call it.")]
Vin = Annotated[str, typer.Option(metavar="VIN", help="Its identification number.")]
Make = Annotated[str, typer.Option(metavar="NAME", help="Who made it.")]
Model = Annotated[str, typer.Option(metavar="NAME", help="Its model.")]
Year = Annotated[int | None, typer.Option(metavar="YEAR", help="Its model year.")]
VehicleClass = Annotated[
    str,
    typer.Option("--class", metavar="TEXT", help="Vehicles whose parts live alike share a class."),
]
Engine = Annotated[str, typer.Option(metavar="TEXT", help="Its engine.")]
Gearbox = Annotated[str, typer.Option(metavar="TEXT", help="Its gearbox.")]
Fuel = Annotated[str, typer.Option(metavar="TEXT", help="What it burns.")]
WeightClass = Annotated[
    str, typer.Option(metavar="TEXT", help="Its gross weight: 36,000 lb, class 8, light or heavy.")
]
Duty = Annotated[str, typer.Option(metavar="TEXT", help="What it is used for.")]
InService = Annotated[str, typer.Option(metavar="DATE", help="First day of its service.")]
Digits = Annotated[int | None, typer.Option(metavar="4-8", help="Whole digits of its odometer.")]
Owner = Annotated[
    str, typer.Option(metavar="REF", help="Reference of its owner; never a name or a number.")
]


def profile_fields(options: dict[str, Any]) -> dict[str, Any]:
    """Return the profile fields of a payload from a verb's options, without empty ones.

    Raises:
        UsageError: the day of service is no day, or the owner reference no opaque word.
    """
    check_day(options.get("in_service_date") or "", "--in-service")
    check_owner(options.get("owner_reference") or "")
    vin = options.get("vin")
    if vin is not None:
        options = {**options, "vin": vin.strip().upper()}
    return {name: value for name, value in options.items() if value not in (None, "")}


def tell_vin(vin: str, model_year: int | None = None) -> None:
    """Say what is odd about a VIN, or about the year beside it; both are kept as typed."""
    from roadworn.checks.identity import identity_doubts

    for problem in identity_doubts(vin, model_year):
        note(f"{problem.message} Kept as typed; {problem.hint}.")


def year_of(year: int | None) -> int | None:
    """Return a model year as given.

    Raises:
        UsageError: it has two digits.
    """
    if year is not None and not 1900 <= year <= 2100:
        raise UsageError(f"--year takes four digits, as in 2014, not {year}.")
    return year
