"""`roadworn tables`: what tables and views there are, and what their columns mean."""

from difflib import get_close_matches
from typing import Annotated

import typer

from roadworn.errors import UnknownName
from roadworn_cli.context import state_of
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
    from roadworn.view import dictionary

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
