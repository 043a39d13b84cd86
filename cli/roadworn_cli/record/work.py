"""`record replacement`, `record repair` and `record maintenance`: work and what it cost."""

from typing import Annotated, Any, get_args

import typer

from roadworn.model.errors import UsageError
from roadworn.model.payloads import Maintenance, ReplacementReason
from roadworn.reading.amounts import choose, read_warranty
from roadworn.reading.phrases import read_item
from roadworn_cli.context import default_unit
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
from roadworn_cli.record.remarks import tell_comeback, tell_consent

Component = Annotated[
    str, typer.Argument(metavar="COMPONENT", help="Component and place, 'wheel bearing LF'.")
]
PriceOption = Annotated[
    str, typer.Option(metavar="AMOUNT", help="Cost of the parts, all of them together.")
]
HoursOption = Annotated[float | None, typer.Option(metavar="HOURS", help="Labour hours.")]
RateOption = Annotated[str, typer.Option(metavar="AMOUNT", help="Labour rate for an hour.")]
OrderOption = Annotated[str, typer.Option("--order", metavar="TEXT", help="Work order number.")]
_REASONS = get_args(ReplacementReason)
_ACTIONS = get_args(Maintenance.model_fields["action"].annotation)


def replacement(
    ctx: typer.Context,
    vehicle: Vehicle,
    component: Component,
    reason: Annotated[
        str,
        typer.Option(
            metavar="WORD",
            help="Why: failed, worn-out, preventive, damaged, recall, upgrade or unknown.",
        ),
    ],
    odometer: OdometerOption = "",
    price: PriceOption = "",
    hours: HoursOption = None,
    rate: RateOption = "",
    currency: CurrencyOption = "",
    part_number: Annotated[str, typer.Option(metavar="TEXT", help="Of the new part.")] = "",
    maker: Annotated[str, typer.Option(metavar="NAME", help="Who made the new part.")] = "",
    supplier: Annotated[str, typer.Option(metavar="NAME", help="Who sold it.")] = "",
    new: Annotated[bool, typer.Option("--new", help="The part is new.")] = False,
    used: Annotated[bool, typer.Option("--used", help="The part is used: its age is unknown.")] = (
        False
    ),
    remanufactured: Annotated[
        bool, typer.Option("--remanufactured", help="The part is remanufactured.")
    ] = False,
    quantity: Annotated[int, typer.Option(metavar="NUMBER", help="How many of them.")] = 1,
    warranty: Annotated[
        str, typer.Option(metavar="TEXT", help="Of the new part, '24 months 24000 mi'.")
    ] = "",
    along_with: Annotated[
        str,
        typer.Option(
            metavar="COMPONENT", help="The job it was taken along with: it had not failed."
        ),
    ] = "",
    order: OrderOption = "",
    allow_repeat: Annotated[
        bool,
        typer.Option("--allow-repeat", help="Take it though the same was entered already."),
    ] = False,
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """A part was replaced; --reason says why, since that is what its life is counted by."""
    payload = {
        **read_item(component),
        "reason": choose(reason, _REASONS, "--reason"),
        "part_number": part_number,
        "maker": maker,
        "supplier": supplier,
        "part_kind": _part_kind(new=new, used=used, remanufactured=remanufactured),
        "quantity": quantity,
        "along_with": read_item(along_with)["component"] if along_with else None,
        **(read_warranty(warranty, unit or default_unit()) if warranty else {}),
        **_costs(price, hours, rate, currency),
        "work_order": order,
        "note": note,
    }
    envelope = Envelope(odometer, unit, on, by)
    stored = write(ctx, vehicle, "replacement", payload, envelope, allow_repeat=allow_repeat)
    tell_comeback(ctx, stored)
    tell_consent(ctx, stored)


def repair(
    ctx: typer.Context,
    vehicle: Vehicle,
    component: Component,
    complaint: Annotated[str, typer.Option(metavar="TEXT", help="What was complained of.")] = "",
    cause: Annotated[str, typer.Option(metavar="TEXT", help="What caused it.")] = "",
    correction: Annotated[str, typer.Option(metavar="TEXT", help="What was done.")] = "",
    odometer: OdometerOption = "",
    price: PriceOption = "",
    hours: HoursOption = None,
    rate: RateOption = "",
    currency: CurrencyOption = "",
    order: OrderOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Work without a new part, in the trade's three texts: complaint, cause, correction."""
    payload = {
        **read_item(component),
        "complaint": complaint,
        "cause": cause,
        "correction": correction,
        **_costs(price, hours, rate, currency),
        "work_order": order,
        "note": note,
    }
    stored = write(ctx, vehicle, "repair", payload, Envelope(odometer, unit, on, by))
    tell_comeback(ctx, stored)
    tell_consent(ctx, stored)


def maintenance(
    ctx: typer.Context,
    vehicle: Vehicle,
    component: Component,
    action: Annotated[
        str, typer.Option(metavar="WORD", help="inspected, adjusted, cleaned, replaced or filled.")
    ] = "replaced",
    odometer: OdometerOption = "",
    price: PriceOption = "",
    hours: HoursOption = None,
    rate: RateOption = "",
    currency: CurrencyOption = "",
    order: OrderOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Service work that is due by plan: roadworn record maintenance bus-7 "engine oil"."""
    payload = {
        **read_item(component),
        "action": choose(action, _ACTIONS, "--action"),
        **_costs(price, hours, rate, currency),
        "work_order": order,
        "note": note,
    }
    stored = write(ctx, vehicle, "maintenance", payload, Envelope(odometer, unit, on, by))
    tell_consent(ctx, stored)


def _costs(price: str, hours: float | None, rate: str, currency: str) -> dict[str, Any]:
    return {
        "parts_cost": money(price, currency),
        "labour_hours": hours,
        "labour_rate": money(rate, currency),
    }


def _part_kind(**flags: bool) -> str:
    said = [kind for kind, is_set in flags.items() if is_set]
    if len(said) > 1:
        both = " and ".join(f"--{kind}" for kind in said)
        raise UsageError(f"A part cannot be {both} at once: keep one of them.")
    return said[0] if said else "unknown"
