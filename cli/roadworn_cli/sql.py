"""`roadworn sql`: any question in SQL, on a locked and read-only copy of the tables."""

import sys
from typing import Annotated

import typer

from roadworn.errors import UsageError
from roadworn_cli.context import state_of
from roadworn_cli.output import check_format, emit, format_option


def sql(
    ctx: typer.Context,
    query: Annotated[
        str, typer.Argument(metavar="QUERY", help="One SELECT; - reads it from standard input.")
    ],
    fmt: str = format_option(),
) -> None:
    """Query the tables that `roadworn tables` explains; nothing can be changed or read beside."""
    check_format(fmt)
    text = sys.stdin.read() if query == "-" else query
    if not text.strip():
        raise UsageError("The query is empty: write one as 'SELECT * FROM vehicles'.")
    with state_of(ctx).open_view() as view:
        found = view.analyst(text)
    emit(found.columns, found.rows, fmt=fmt)
