"""`roadworn verify`: check that no event was altered, removed or slipped in."""

import typer

from roadworn_cli.context import leave, state_of
from roadworn_cli.output import check_format, emit, emit_json, format_option, say


def verify(ctx: typer.Context, fmt: str = format_option()) -> None:
    """Check every event against the ledger's checkpoints; exit 1 when something is wrong."""
    check_format(fmt)
    from roadworn.verify import verify as check

    path = state_of(ctx).ledger
    report = check(path)
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
            typer.echo(f"{report.size} events, root {report.root}")
    if report.problems:
        say(
            f"{path} does not verify: {len(report.problems)} problems in {report.size} events. "
            "Keep the file as it is, and go on from a backup that verifies."
        )
        leave(1)
    say(f"{path} verifies: nothing was altered, removed or slipped in since the checkpoint.")
