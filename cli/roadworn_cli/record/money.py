"""`record estimate`, `record authorisation` and `record valuation`: money with the customer."""

from typing import Annotated

import typer

from roadworn.bench.amounts import read_money
from roadworn.bench.phrases import read_decisions
from roadworn.bench.worked_line import read_worked_line
from roadworn.errors import UsageError
from roadworn.recent import last_event
from roadworn_cli.context import check_day, default_currency, state_of
from roadworn_cli.record.common import (
    ByOption,
    CurrencyOption,
    Envelope,
    NoteOption,
    OdometerOption,
    OnOption,
    UnitOption,
    Vehicle,
    write,
)


def estimate(
    ctx: typer.Context,
    vehicle: Vehicle,
    lines: Annotated[
        list[str],
        typer.Argument(
            metavar="LINE...",
            help="Each 'brake pads front, machine discs 180.00', or with its working 'brake pads "
            "front 1.8 h x 140 + parts 96.00'.",
        ),
    ],
    valid_until: Annotated[str, typer.Option(metavar="DATE", help="Last day it holds.")] = "",
    currency: CurrencyOption = "",
    odometer: OdometerOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """What proposed work would cost, line by line; an answer names the lines by number."""
    code = currency or default_currency()
    payload = {
        "lines": [read_worked_line(text, at, code) for at, text in enumerate(lines, start=1)],
        "valid_until": check_day(valid_until, "--valid-until"),
        "note": note,
    }
    write(ctx, vehicle, "estimate", payload, Envelope(odometer, unit, on, by))


def authorisation(
    ctx: typer.Context,
    vehicle: Vehicle,
    estimate: Annotated[
        str, typer.Argument(metavar="EVENT", help="Id of the estimate, its beginning, or 'last'.")
    ],
    answers: Annotated[
        list[str], typer.Argument(metavar="LINE=ANSWER...", help="As 1=approved 2=declined.")
    ],
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """The customer's answers to an estimate: approved, declined or deferred, line by line."""
    decisions = read_decisions(answers)
    with state_of(ctx).open_ledger() as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        if estimate.casefold() == "last":
            asked = last_event(ledger.path, vehicle_id, "estimate")
            if asked is None:
                raise UsageError(
                    f"{vehicle_id} has no estimate to answer: write one with "
                    f"`roadworn record estimate {vehicle_id} …` first."
                )
        else:
            asked = ledger.event(estimate)
    if asked.kind != "estimate" or asked.vehicle_id != vehicle_id:
        raise UsageError(
            f"Event {estimate} is a {asked.kind.replace('_', ' ')} of {asked.vehicle_id}: name an "
            f"estimate of {vehicle_id}, or write last."
        )
    known = {line["line"] for line in asked.data()["lines"]}
    unknown = [str(d["line"]) for d in decisions if d["line"] not in known]
    if unknown:
        raise UsageError(
            f"The estimate has no line {', '.join(unknown)}: its lines are "
            f"{', '.join(map(str, sorted(known)))}."
        )
    payload = {"estimate": asked.event_id, "decisions": decisions, "note": note}
    write(ctx, vehicle, "authorisation", payload, Envelope(on=on, by=by))


def valuation(
    ctx: typer.Context,
    vehicle: Vehicle,
    amount: Annotated[str, typer.Argument(metavar="AMOUNT", help="As it stands, '4,200 USD'.")],
    source: Annotated[str, typer.Option(metavar="TEXT", help="Where the figure is from.")],
    currency: CurrencyOption = "",
    odometer: OdometerOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """What the vehicle is worth as it stands, and where that figure is from."""
    payload = {
        "value": read_money(amount, currency or default_currency()),
        "source": source,
        "note": note,
    }
    write(ctx, vehicle, "valuation", payload, Envelope(odometer, unit, on, by))
