"""`record estimate`, `record authorisation` and `record valuation`: money with the customer."""

from typing import Annotated

import typer

from roadworn.bench.amounts import read_money
from roadworn.bench.phrases import read_decisions
from roadworn.bench.whole_estimate import read_estimate, total_of_lines
from roadworn.errors import UsageError
from roadworn_cli.context import check_day, default_currency, state_of
from roadworn_cli.estimates import find_estimate, print_sheet
from roadworn_cli.output import say
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
from roadworn_cli.record.terms import ExampleOption, TermsOption, find_terms


def estimate(
    ctx: typer.Context,
    vehicle: Vehicle,
    lines: Annotated[
        list[str],
        typer.Argument(
            metavar="LINE...",
            help="A job each: component, work, and its price or what it is made of, as in 'brake "
            "pads front, machine discs 180.00', 'brake pads front 1.8 h x 140 + parts 96.00', or "
            "by the shop's terms 'brake pads front, replace 1.8 h + part cost 40.00 + core 20.00'.",
        ),
    ],
    terms: TermsOption = "",
    valid_until: Annotated[str, typer.Option(metavar="DATE", help="Last day it holds.")] = "",
    currency: CurrencyOption = "",
    odometer: OdometerOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
    terms_example: ExampleOption = False,
) -> None:
    """What proposed work would cost, line by line; an answer names the lines by number.

    The pieces of a job are joined by +: 1.8 h (at the default rate), 1 h diag (at a named one),
    1.8 h x 140, 2 h overlap 0.5 clock 2.6, labour 50.00, part list 48.00 x 2, part cost 40.00,
    core 20.00, sublet 80.00, fee disposal. A LINE that is only fee disposal is a fee on the whole.

    With a shop's terms the whole estimate is added up, with supplies and tax, and printed as a
    sheet. They are the file of --terms, else of ROADWORN_TERMS, else the one beside the ledger:
    roadworn.terms.toml beside roadworn.db.
    """
    del terms_example
    found = find_terms(terms, state_of(ctx).ledger)
    # A currency that was typed must fit the terms; that of the environment only stands in.
    code = currency or (found.currency if found else "") or default_currency()
    payload = {
        **read_estimate(lines, code, found),
        "valid_until": check_day(valid_until, "--valid-until"),
        "note": note,
    }
    stored = write(ctx, vehicle, "estimate", payload, Envelope(odometer, unit, on, by))
    if found is not None:
        print_sheet(stored)


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
    asked = find_estimate(state_of(ctx), vehicle, estimate)
    known = {line["line"] for line in asked.data()["lines"]}
    unknown = [str(d["line"]) for d in decisions if d["line"] not in known]
    if unknown:
        raise UsageError(
            f"The estimate has no line {', '.join(unknown)}: its lines are "
            f"{', '.join(map(str, sorted(known)))}."
        )
    payload = {"estimate": asked.event_id, "decisions": decisions, "note": note}
    write(ctx, vehicle, "authorisation", payload, Envelope(on=on, by=by))
    approved = [d["line"] for d in decisions if d["decision"] == "approved"]
    total = total_of_lines(asked.data(), approved) if approved else None
    if total is not None:
        code = asked.data()["totals"]["total"]["currency"]
        back = total.after_core_return
        cores = f", {back:,.2f} when the old parts come back" if back != total.total else ""
        say(f"What is approved here comes to {total.total:,.2f} {code} in all{cores}.")


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
