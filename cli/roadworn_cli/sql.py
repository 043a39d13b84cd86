"""`sql` and `tables`: the read model for who asks by hand."""

import re
import sys
from difflib import get_close_matches
from typing import Annotated

import typer

from roadworn.model.errors import UnknownName, UsageError
from roadworn_cli.context import State, state_of
from roadworn_cli.output import check_format, emit, format_option


def tables(
    ctx: typer.Context,
    name: Annotated[
        str, typer.Argument(metavar="[TABLE]", help="One of them, with all its columns.")
    ] = "",
    fmt: str = format_option(),
) -> None:
    """List the tables and views of the read model, or the columns of one of them."""
    check_format(fmt)
    from roadworn.columns.view import dictionary

    known = dictionary(state_of(ctx).plugins().tables())
    if not name and fmt == "table":
        rows = [(info.name, info.kind, len(info.columns), info.comment) for info in known]
        emit(("name", "kind", "columns", "one row is"), rows, fmt=fmt)
        return
    names = [info.name for info in known]
    if name and name.casefold() not in names:
        near = get_close_matches(name.casefold(), names, n=3)
        hint = f"did you mean {' or '.join(near)}?" if near else "see `roadworn tables`."
        raise UnknownName(f"There is no table {name!r}; {hint}", near)
    emit(
        ("table", "kind", "column", "type", "meaning"),
        [
            (info.name, info.kind, column, type_name, meaning)
            for info in known
            if not name or info.name == name.casefold()
            for column, type_name, meaning in info.columns
        ],
        fmt=fmt,
    )


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
    from roadworn.columns.view import dictionary

    names = [info.name for info in dictionary(state.plugins().tables())]
    near = get_close_matches(name.casefold(), names, n=3)
    hint = f"did you mean {' or '.join(near)}?" if near else "`roadworn tables` lists them."
    return UnknownName(f"There is no table {name!r}; {hint}", near)
