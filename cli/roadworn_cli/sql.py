"""`roadworn sql`: any question in SQL, on a locked and read-only copy of the tables."""

import re
import sys
from difflib import get_close_matches
from typing import Annotated

import typer

from roadworn.errors import UnknownName, UsageError
from roadworn_cli.context import State, state_of
from roadworn_cli.output import check_format, emit, format_option

# DuckDB's suggestion is among its own catalogues, of which nobody here has heard.
_NO_TABLE = re.compile(r"Table with name (\S+) does not exist")


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
    state = state_of(ctx)
    with state.open_view() as view:
        try:
            found = view.analyst(text)
        except UsageError as error:
            missing = _NO_TABLE.search(error.message)
            if missing is None:
                raise
            raise _unknown_table(state, missing[1]) from None
    emit(found.columns, found.rows, fmt=fmt)


def _unknown_table(state: State, name: str) -> UnknownName:
    """Return the refusal of a table that is not there, with the nearest of our own."""
    from roadworn.view import dictionary

    names = [info.name for info in dictionary(state.plugins().tables())]
    near = get_close_matches(name.casefold(), names, n=3)
    hint = f"did you mean {' or '.join(near)}?" if near else "`roadworn tables` lists them."
    return UnknownName(f"There is no table {name!r}; {hint}", near)
