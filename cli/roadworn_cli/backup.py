"""`roadworn backup FILE`: a copy of the ledger that is whole and was checked."""

from pathlib import Path
from typing import Annotated

import typer

from roadworn_cli.context import state_of
from roadworn_cli.output import counted, say


def backup(
    ctx: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="The copy; it must not exist.")],
) -> None:
    """Copy the ledger while others may write, and check the copy event by event."""
    from roadworn.backup import back_up

    made = back_up(state_of(ctx).ledger, Path(file))
    typer.echo(str(made.path))
    say(f"{counted(made.size, 'event')} copied and checked, root {made.root}.")
