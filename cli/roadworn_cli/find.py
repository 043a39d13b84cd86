"""`find TEXT`: which vehicle is it?"""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.model.errors import UnknownName
from roadworn_cli.context import leave, state_of
from roadworn_cli.output import check_format, counted, emit, emit_json, format_option, note, say

if TYPE_CHECKING:
    from roadworn.intake import Ledger
    from roadworn.intake.finding import Found

_HEADINGS = (
    "vehicle", "found by", "described as", "plate", "VIN", "owner", "telephone", "odometer",
    "last reading", "left",
)  # fmt: skip
#: What may tell two vehicles apart, in the order of the headings.
_APART = ("described as", "plate", "VIN", "owner", "telephone", "odometer")


def find(
    ctx: typer.Context,
    text: Annotated[
        list[str],
        typer.Argument(
            metavar="TEXT",
            help="A plate with or without its place, a VIN or its end, a telephone number, an "
            "owner's name or reference, a vehicle's name, or make and model.",
        ),
    ],
    fmt: str = format_option(),
) -> None:
    """Find a vehicle by whatever is known of it; what fits exactly comes first."""
    check_format(fmt)
    from roadworn.intake.finding import find as find_vehicles

    with state_of(ctx).open_ledger() as ledger:
        try:
            found = find_vehicles(ledger, " ".join(text))
        except UnknownName as error:
            say(error.message)
            if fmt == "json":
                emit_json([])
            leave(1)
        rows = [_row(one, ledger) for one in found]
        if fmt == "json":
            emit_json([one.as_json() | _read(one, ledger) for one in found])
            return
    shown = [name for name in _HEADINGS if fmt == "csv" or any(row[name] for row in rows)]
    emit(shown, [[row[name] for name in shown] for row in rows], fmt=fmt)
    if len(rows) > 1:
        apart = [name for name in _APART if len({row[name] for row in rows}) > 1]
        exact = sum(one.as_json()["exact"] for one in found)
        told = f"{counted(len(rows), 'vehicle')} {'answer' if len(rows) > 1 else 'answers'}"
        if 0 < exact < len(rows):
            told += f", {exact} of them exactly"
        note(f"{told}; they differ in {_listed(apart) or 'nothing but their names'}.")


def _row(one: "Found", ledger: "Ledger") -> dict[str, Any]:
    last = ledger.facts.last_reading(one.vehicle_id)
    built = " ".join(
        str(one.profile[name])
        for name in ("model_year", "make", "model")
        if one.profile.get(name) is not None
    )
    described = ", ".join(filter(None, (one.profile.get("label"), built)))
    reference = one.profile.get("owner_reference") or ""
    name = one.owner.name if one.owner else ""
    return {
        "vehicle": one.vehicle_id,
        "found by": one.by,
        "described as": described,
        "plate": one.plate,
        "VIN": one.profile.get("vin") or "",
        "owner": f"{name} ({reference})" if name else reference,
        "telephone": (one.owner.phone if one.owner else "") or "",
        "odometer": f"{last.value:,.10g} {last.unit}" if last else "",
        "last reading": last.occurred_at[:10] if last else "",
        "left": "yes" if one.left else "",
    }


def _read(one: "Found", ledger: "Ledger") -> dict[str, Any]:
    last = ledger.facts.last_reading(one.vehicle_id)
    return {
        "odometer": last.value if last else None,
        "odometer_unit": last.unit if last else None,
        "last_reading_on": last.occurred_at[:10] if last else None,
    }


def _listed(words: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else ""
