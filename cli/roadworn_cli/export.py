"""`roadworn export FORM DIR`: everything out, in open forms."""

from pathlib import Path
from typing import Annotated

import typer

from roadworn.model.amounts import choose
from roadworn.model.errors import UsageError
from roadworn_cli.context import state_of
from roadworn_cli.output import counted, progress, say

_FORMS = ("parquet", "ndjson", "duckdb")


def export(
    ctx: typer.Context,
    form: Annotated[
        str,
        typer.Argument(
            metavar="FORM",
            help="parquet or duckdb: the tables. ndjson: the events, as `import` takes them.",
        ),
    ],
    folder: Annotated[str, typer.Argument(metavar="DIR", help="Where to; nothing is overwritten.")],
    by_year: Annotated[
        bool, typer.Option("--by-year", help="Parquet: a file for each year of what happened.")
    ] = False,
    update: Annotated[
        bool,
        typer.Option(
            "--update", help="Parquet: bring an earlier export there up to date, as it was made."
        ),
    ] = False,
) -> None:
    """Write everything to files, with the checkpoint of the ledger they were made from.

    Events taken into an empty ledger with `import --allow-repeat` give the same root again.
    """
    from roadworn.columns.export import export_events, export_tables

    chosen = choose(form, _FORMS, "The form")
    if chosen != "parquet" and (by_year or update):
        raise UsageError("--by-year and --update are for parquet: leave them out.")
    state = state_of(ctx)
    target = Path(folder)
    if chosen == "ndjson":
        if state.as_of:
            raise UsageError(
                "The events are written as they stand in the ledger, all of them: leave out "
                "--as-of, or export parquet."
            )
        with state.open_ledger() as ledger:
            written = export_events(ledger, target, progress("writing events"))
    else:
        from roadworn.columns.view import dictionary

        tables = dictionary(state.plugins().tables())
        from roadworn.columns.spec import Outside

        with state.open_view(outside=Outside(into=target)) as view:
            written = export_tables(
                view,
                tables,
                target,
                "parquet" if chosen == "parquet" else "duckdb",
                progress("writing tables"),
                by_year=by_year,
                update=update,
            )
    for entry in written:
        typer.echo(f"{entry.name}\t{entry.rows}")
    say(f"{counted(sum(entry.rows for entry in written), 'row')} written to {target}.")
