"""`record estimate`, `record authorisation` and `record valuation`: money with the customer."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.model.errors import LedgerRefused, UsageError
from roadworn.reading.estimates import read_decisions, read_estimate, total_of_lines
from roadworn_cli.context import State, check_day, default_currency, shop_words, state_of
from roadworn_cli.output import escape, note, say
from roadworn_cli.record import (
    CurrencyOption,
    Envelope,
    NoteOption,
    Vehicle,
    append,
    enveloped,
    write,
    writing,
)

if TYPE_CHECKING:
    from roadworn.intake import Ledger
    from roadworn.model.events import StoredEvent
    from roadworn.reading.terms import Terms


def _print_example(wanted: bool) -> None:
    """Print the example and leave, before anything else is asked for."""
    if wanted:
        from roadworn.reading.terms import example_terms

        typer.echo(example_terms(), nl=False)
        raise typer.Exit


TermsOption = Annotated[
    str,
    typer.Option(
        "--terms", metavar="FILE", envvar="ROADWORN_TERMS", help="The shop's terms, a TOML file."
    ),
]
ExampleOption = Annotated[
    bool,
    typer.Option(
        "--terms-example",
        callback=_print_example,
        is_eager=True,
        help="Print a terms file to fill in, and leave.",
    ),
]


def terms_beside(ledger: Path) -> Path:
    """Return where the terms of a ledger stand: ``shop.terms.toml`` beside ``shop.db``."""
    return ledger.with_suffix(".terms.toml")


def find_terms(named: str, ledger: Path) -> "Terms | None":
    """Return the terms to price by, or None when there are none.

    Args:
        named: file that was named, or an empty text.
        ledger: the ledger, whose neighbour is taken when no file was named.

    Raises:
        EnvironmentFailure: the file that was named cannot be read.
        UsageError: the file does not fit.
    """
    from roadworn.reading.terms import read_terms

    if named:
        return read_terms(Path(named))
    beside = terms_beside(ledger)
    return read_terms(beside) if beside.is_file() else None


def find_estimate(ledger: "Ledger", vehicle: str, named: str) -> "StoredEvent":
    """Return an estimate of a vehicle.

    Args:
        ledger: where to look.
        vehicle: as typed.
        named: its event id, a part of it, or last.

    Raises:
        UsageError: the vehicle has none, or the event is none of it.
    """
    vehicle_id = ledger.require_vehicle(vehicle)
    last = named.casefold() == "last"
    found = ledger.facts.last_event(vehicle_id, "estimate") if last else ledger.event(named)
    if found is None:
        raise UsageError(
            f"{vehicle_id} has no estimate yet: write one with "
            f"`roadworn record estimate {vehicle_id} …` first."
        )
    if found.kind != "estimate" or found.vehicle_id != vehicle_id:
        raise UsageError(
            f"Event {named} is a {found.kind.replace('_', ' ')} of {found.vehicle_id}: name an "
            f"estimate of {vehicle_id}, or write last."
        )
    return found


def print_estimate(stored: "StoredEvent") -> None:
    """Print an estimate as it is laid before the customer."""
    from roadworn.say.estimate import estimate_text

    for line in estimate_text(stored.data()):
        typer.echo(escape(line))


def reprint(state: State, vehicle: str, named: str) -> None:
    """Print a stored estimate again; one that does not count any more says so."""
    with state.open_ledger() as ledger:
        found = find_estimate(ledger, vehicle, named)
        amended = ledger.facts.amendment_of(found)
    print_estimate(found)
    if amended is not None:
        done = "taken back" if amended.kind == "retraction" else "replaced"
        note(f"this estimate was {done} by event {amended.event_id[-8:]} and does not count.")


@enveloped()
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
    revises: Annotated[
        str,
        typer.Option(metavar="EVENT", help="The estimate whose place it takes, its id or last."),
    ] = "",
    *,
    envelope: Envelope,
    note: NoteOption = "",
    terms_example: ExampleOption = False,
) -> None:
    """What proposed work would cost, line by line; an answer names the lines by number.

    The pieces of a job are joined by +: 1.8 h (at the default rate), 1 h diag (at a named one),
    1.8 h x 140, 2 h overlap 0.5 clock 2.6, labour 50.00, part list 48.00 x 2, part cost 40.00,
    core 20.00, sublet 80.00, fee disposal. A LINE that is only fee disposal is a fee on the whole.

    With a shop's terms the whole estimate is added up, with supplies and tax, and
    printed. They are the file of --terms, else of ROADWORN_TERMS, else the one beside the ledger:
    roadworn.terms.toml beside roadworn.db.
    """
    del terms_example
    found = find_terms(terms, state_of(ctx).ledger)
    # A currency that was typed must fit the terms; that of the environment only stands in.
    code = currency or (found.currency if found else "") or default_currency()
    payload = {
        **read_estimate(lines, code, found, shop_words(state_of(ctx).ledger)),
        "valid_until": check_day(valid_until, "--valid-until", ahead=True),
        "note": note,
    }
    if revises:
        stored = _write_revision(ctx, vehicle, revises, payload, envelope)
    else:
        stored = write(ctx, vehicle, "estimate", payload, envelope)
    if found is not None:
        print_estimate(stored)


def _write_revision(
    ctx: typer.Context, vehicle: str, named: str, payload: dict[str, Any], envelope: Envelope
) -> "StoredEvent":
    """Write an estimate that takes the place of another, and say what changed.

    Raises:
        LedgerRefused: another one took its place already.
    """
    from roadworn.reading.doing import Doing, revise

    with writing(ctx) as ledger:
        former = find_estimate(ledger, vehicle, named)
        doing = Doing(former, ledger.facts)
        if doing.revised_by:
            later = doing.revised_by[-8:]
            raise LedgerRefused(
                f"The estimate {former.event_id[-8:]} was revised by {later} already: revise that "
                f"one, --revises {later}."
            )
        told = revise(doing, payload)
        stored = append(ledger, former.vehicle_id, "estimate", payload, envelope)
    say(f"In the place of {former.event_id[-8:]}: {'; '.join(told) or 'nothing changed'}.")
    return stored


@enveloped("on", "by")
def authorisation(
    ctx: typer.Context,
    vehicle: Vehicle,
    estimate: Annotated[
        str, typer.Argument(metavar="EVENT", help="Id of the estimate, its beginning, or 'last'.")
    ],
    answers: Annotated[
        list[str],
        typer.Argument(metavar="LINE=ANSWER...", help="As 1=approved 2=declined, or all=ok."),
    ],
    *,
    envelope: Envelope,
    note: NoteOption = "",
) -> None:
    """The customer's answers to an estimate: approved, declined or deferred, line by line."""
    with writing(ctx) as ledger:
        asked = find_estimate(ledger, vehicle, estimate)
        known = {line["line"] for line in asked.data()["lines"]}
        decisions = read_decisions(answers, known)
        unknown = [str(d["line"]) for d in decisions if d["line"] not in known]
        if unknown:
            raise UsageError(
                f"The estimate has no line {', '.join(unknown)}: its lines are "
                f"{', '.join(map(str, sorted(known)))}."
            )
        payload = {"estimate": asked.event_id, "decisions": decisions, "note": note}
        append(ledger, asked.vehicle_id, "authorisation", payload, envelope)
    approved = [d["line"] for d in decisions if d["decision"] == "approved"]
    total = total_of_lines(asked.data(), approved) if approved else None
    if total is not None:
        code = asked.data()["totals"]["total"]["currency"]
        back = total.after_core_return
        cores = f", {back:,.2f} when the old parts come back" if back != total.total else ""
        say(f"What is approved here comes to {total.total:,.2f} {code} in all{cores}.")
