"""`undo`: the last entry, or the last import, taken back."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from roadworn.model.amounts import choose
from roadworn.model.errors import LedgerRefused, UsageError
from roadworn.say.telling import brief, describe
from roadworn_cli.context import leave, today
from roadworn_cli.output import counted, escape, note, say
from roadworn_cli.record import short, writing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roadworn.intake import Ledger
    from roadworn.model.events import StoredEvent

_ENTRY, _REASON = "undo", "undone: written by mistake"
#: Up to so many events are shown each before they are taken back.
_SHOWN = 5


def undo(
    ctx: typer.Context,
    what: Annotated[
        str, typer.Argument(metavar="[import]", help="The last import; else the last entry.")
    ] = "",
    file: Annotated[
        str, typer.Argument(metavar="[FILE]", help="The import of that file, not of any.")
    ] = "",
    by: Annotated[
        str, typer.Option(metavar="NAME", help="The last entry with these initials.")
    ] = "",
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why it should not count.")] = "",
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Do not ask.")] = False,
) -> None:
    """Take back the last entry, or all events of the last import; nothing is deleted.

    What is taken back is shown first. It stays in the ledger and no longer counts; run again, it
    takes back what was written before that.
    """
    with writing(ctx) as ledger:
        if what:
            choose(what, ("import",), "What to undo")
            if by:
                raise UsageError("An import is undone whole: leave --by out.")
            _undo_import(ledger, file, reason or _REASON, yes=yes)
            return
        _undo_entry(ledger, by, reason or _REASON, yes=yes)


def _undo_entry(ledger: "Ledger", by: str, reason: str, *, yes: bool) -> None:
    from roadworn.intake.undoing import import_of, last_entry, take_back, written_with

    last = last_entry(ledger, by)
    imported = import_of(ledger, last)
    if imported is not None:
        raise LedgerRefused(
            f"The last entry, {_line(last)}, came with the import of {imported.file}: "
            f"`roadworn undo import` takes all of it back, `roadworn retract {short(last.event_id)}"
            "` that one alone."
        )
    act = written_with(ledger, last)
    moved = [event for event in act if event.kind == "retraction"]
    if moved and any(event.kind != "retraction" for event in act):
        origin = ledger.event(moved[0].data()["event"])
        own = short(last.event_id)
        raise LedgerRefused(
            f"The last entry, {_line(last)}, took the place of one of {origin.vehicle_id}: move it "
            f"back with `roadworn move {own} {origin.vehicle_id}`, or take it back with "
            f"`roadworn retract {own}`."
        )
    events = [event for event in act if ledger.facts.amendment_of(event) is None][::-1]
    _show(events)
    if events[-1].kind == "enrolment":
        note(f"{events[-1].vehicle_id} will not be enrolled any more.")
    _agree("Take it back?" if len(events) == 1 else f"Take all {len(events)} back?", yes=yes)
    take_back(ledger, events, reason, _ENTRY, today().isoformat(), by)
    typer.echo(f"took back {counted(len(events), 'event')} of {events[-1].vehicle_id}")


def _undo_import(ledger: "Ledger", file: str, reason: str, *, yes: bool) -> None:
    from pathlib import Path

    from roadworn.intake.again import UNDONE
    from roadworn.intake.undoing import last_import, take_back

    found = last_import(ledger, Path(file).name if file else "")
    say(f"{found.imported.file}, imported at {found.imported.made_at}:")
    _show(found.events)
    if found.kept:
        note(
            f"the enrolment of {', '.join(found.kept)} stays: more was written of "
            f"{'it' if len(found.kept) == 1 else 'them'} since."
        )
    if not found.events:
        raise LedgerRefused("Nothing of it can be taken back but enrolments that are still needed.")
    _agree(f"Take {counted(len(found.events), 'event')} back?", yes=yes)
    number = take_back(ledger, found.events, reason, UNDONE, today().isoformat())
    typer.echo(f"took back {counted(number, 'event')} of {found.imported.file}")


def _show(events: "Sequence[StoredEvent]") -> None:
    for event in events[:_SHOWN]:
        say(_line(event))
    if len(events) > _SHOWN:
        say(f"… and {len(events) - _SHOWN:,} more")


def _line(event: "StoredEvent") -> str:
    """Return an event in a line."""
    at = "" if event.odometer is None else f" at {event.odometer:,.10g} {event.odometer_unit}"
    told = escape(describe(event.kind, brief(event.data())))
    return f"{short(event.event_id)}  {event.vehicle_id}  {event.occurred_at}{at}  {told}"


def _agree(question: str, *, yes: bool) -> None:
    """Ask on a terminal; elsewhere only --yes says yes."""
    if yes:
        return
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        say(f"{question} Nothing was changed: say yes with --yes.")
        leave(1)
    if not typer.confirm(question, default=False, err=True):
        say("Nothing was changed.")
        leave(1)
