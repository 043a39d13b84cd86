"""`roadworn verify`: check that no event was altered, removed or slipped in."""

from typing import Annotated

import typer

from roadworn.errors import LedgerDamaged
from roadworn_cli.context import leave, state_of
from roadworn_cli.output import check_format, counted, emit, emit_json, format_option, note, say
from roadworn_cli.progress import progress


def verify(
    ctx: typer.Context,
    upgrade: Annotated[
        bool, typer.Option("--upgrade", help="Bring a ledger of an older shape up to date first.")
    ] = False,
    fmt: str = format_option(),
) -> None:
    """Check every event against the ledger's checkpoints; exit 1 when something is wrong."""
    check_format(fmt)
    from roadworn.verify import verify as check

    state = state_of(ctx)
    if upgrade:
        with state.open_ledger(writable=True):
            pass
    path = state.ledger
    state.check_file()
    try:
        report = check(path, progress=progress("checking events"))
    except LedgerDamaged:
        raise LedgerDamaged(
            f"{path} is so damaged that it cannot be read at all: keep the file as it is, and go "
            "on from a backup that verifies."
        ) from None
    if fmt == "json":
        emit_json(
            {
                "size": report.size,
                "root": report.root,
                "problems": [problem.as_json() for problem in report.problems],
            }
        )
    else:
        rows = [(problem.code, problem.row or None, problem.message, problem.hint)
                for problem in report.problems]  # fmt: skip
        if rows or fmt == "csv":
            emit(("problem", "event", "what", "remedy"), rows, fmt=fmt)
        else:
            typer.echo(f"{counted(report.size, 'event')}, root {report.root}")
    for text in report.notes:
        note(text)
    if report.problems:
        say(
            f"{path} does not verify: {counted(len(report.problems), 'problem')} in "
            f"{counted(report.size, 'event')}. "
            "Keep the file as it is, and go on from a backup that verifies."
        )
        leave(1)
    say(f"{path} verifies: nothing was altered, removed or slipped in since the checkpoint.")
