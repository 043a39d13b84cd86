"""`roadworn retract`: take an event back. It stays in the ledger and no longer counts."""

from typing import Annotated

import typer

from roadworn.bench.brief import brief
from roadworn.bench.words import describe
from roadworn.errors import UsageError
from roadworn_cli.context import check_day, state_of, today
from roadworn_cli.output import escape
from roadworn_cli.record.common import ByOption, OnOption, new_event, refuse_amended, short


def retract(
    ctx: typer.Context,
    event: Annotated[
        str, typer.Argument(metavar="EVENT", help="Its id, or the beginning or end of it.")
    ],
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why it should not count.")],
    on: OnOption = "",
    by: ByOption = "",
) -> None:
    """Take an event back: it stays in the ledger, and no longer counts."""
    if not reason.strip():
        raise UsageError("--reason is empty: say why the event should not count.")
    day = check_day(on, "--on") or today().isoformat()
    with state_of(ctx).open_ledger(writable=True) as ledger:
        found = ledger.event(event)
        if found.kind == "retraction":
            raise UsageError(
                f"Event {short(found.event_id)} is a retraction: write the event it took back "
                "anew instead."
            )
        refuse_amended(ledger.path, found)
        payload = {"event": found.event_id, "reason": reason}
        stored = ledger.append(
            new_event(
                {
                    "vehicle_id": found.vehicle_id,
                    "kind": "retraction",
                    "occurred_at": day,
                    "payload": payload,
                    "recorded_by": by,
                }
            )
        )
    told = escape(describe(found.kind, brief(found.data())))
    typer.echo(f"{short(stored.event_id)}  {found.vehicle_id}  {day}  took back: {told}")
