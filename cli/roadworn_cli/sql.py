"""`sql` and `tables`: the read model for who asks by hand."""

import re
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from roadworn.model.errors import UnknownName, UsageError
from roadworn_cli.context import State, leave, state_of
from roadworn_cli.output import check_format, emit, format_option, say

if TYPE_CHECKING:
    from roadworn.columns.view import TableInfo


def tables(
    ctx: typer.Context,
    name: Annotated[
        str, typer.Argument(metavar="[TABLE]", help="One of them, with all its columns.")
    ] = "",
    fmt: str = format_option(),
) -> None:
    """List the tables and views of the read model, or the columns of one of them."""
    check_format(fmt)
    known = _tables(state_of(ctx))
    if not name and fmt == "table":
        rows = [(info.name, info.kind, len(info.columns), info.comment) for info in known.values()]
        emit(("name", "kind", "columns", "one row is"), rows, fmt=fmt)
        return
    if name and name.casefold() not in known:
        raise UnknownName.of(f"table {name!r}", name, known, "see `roadworn tables`.")
    emit(
        ("table", "kind", "column", "type", "meaning"),
        [
            (info.name, info.kind, *column)
            for info in ([known[name.casefold()]] if name else known.values())
            for column in info.columns
        ],
        fmt=fmt,
    )


def _tables(state: State) -> "dict[str, TableInfo]":
    from roadworn.columns.view import dictionary

    return {info.name: info for info in dictionary(state.plugins().tables())}


# DuckDB's suggestion is among its own catalogues, of which nobody here has heard.
_NO_TABLE = re.compile(r"Table with name (\S+) does not exist")


def sql(
    ctx: typer.Context,
    query: Annotated[
        str, typer.Argument(metavar="QUERY", help="One SELECT; - reads it from standard input.")
    ],
    seconds: Annotated[
        float,
        typer.Option(
            envvar="ROADWORN_SQL_SECONDS",
            min=0,
            metavar="SECONDS",
            help="Stop it after so long; 0 for no bound.",
        ),
    ] = 300,
    memory: Annotated[
        float,
        typer.Option(
            envvar="ROADWORN_SQL_MEMORY",
            min=0,
            metavar="MB",
            help="Stop it when it takes more; 0 for no bound.",
        ),
    ] = 2_048,
    fmt: str = format_option(),
) -> None:
    """Query the tables that `roadworn tables` explains; nothing can be changed or read beside."""
    check_format(fmt)
    text = sys.stdin.read() if query == "-" else query
    if not text.strip():
        raise UsageError("The query is empty", "write one as 'SELECT * FROM vehicles'")
    state = state_of(ctx)
    with state.open_view() as view:
        try:
            found = view.analyst(text, seconds, memory)
        except KeyboardInterrupt:
            say("The query was stopped; nothing was changed.")
            leave(130)
        except UsageError as error:
            missing = _NO_TABLE.search(str(error.__cause__))
            if missing is None:
                raise
            name, known = missing[1], _tables(state)
            raise UnknownName.of(
                f"table {name!r}", name, known, "`roadworn tables` lists them."
            ) from None
    emit(found.columns, found.rows, fmt=fmt)
