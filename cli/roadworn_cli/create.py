"""`roadworn create`: begin a new, empty ledger."""

import typer

from roadworn_cli.context import state_of
from roadworn_cli.output import say


def create(ctx: typer.Context) -> None:
    """Begin a new, empty ledger; an existing file is never touched."""
    from roadworn.store import Ledger

    path = state_of(ctx).ledger
    with Ledger.create(path):
        typer.echo(str(path))
    say("Next: roadworn enrol VEHICLE --make … --model … --year … --odometer '128,400 mi'")
