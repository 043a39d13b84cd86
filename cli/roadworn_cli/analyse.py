"""`analyses` and `analyse`: the questions, who brings them, asking one."""

from typing import TYPE_CHECKING

import typer

from roadworn.model.amounts import choose
from roadworn.model.errors import UsageError
from roadworn_cli import words as looks
from roadworn_cli.context import State, state_of
from roadworn_cli.output import FORMATS, RESULT, emit, format_option, progress, told

if TYPE_CHECKING:
    from roadworn.analysis import Analysis
    from roadworn.columns.view import LedgerView


def analyses(ctx: typer.Context, fmt: str = format_option()) -> None:
    """List the analyses, bundled and of plugins, with the question each answers."""
    host = state_of(ctx).plugins()
    rows = [
        (name, analysis.question, plugin) for name, (plugin, analysis) in host.analyses().items()
    ]
    emit(("analysis", "question", "plugin"), rows, fmt=fmt)


def analyse(
    ctx: typer.Context,
    name: str = typer.Argument(help="The analysis; `roadworn analyses` lists them."),
    settings: list[str] = typer.Argument(
        None, metavar="[SETTING=VALUE]...", help="Its settings, for instance months=6."
    ),
    vehicle: str = typer.Option(
        "", "--vehicle", metavar="VEHICLE", help="Only what concerns this vehicle."
    ),
    fmt: str = typer.Option(
        "table",
        "--format",
        metavar="table|json|csv|result|html",
        help="Form of the data on stdout.",
    ),
    table: str = typer.Option(
        "", "--table", metavar="NAME", help="Only the table of this name, for instance for CSV."
    ),
    evidence: bool = typer.Option(False, "--evidence", help="Name the events behind each row."),
    wide: bool = typer.Option(False, "--wide", help="Show every column."),
    explain: bool = typer.Option(False, "--explain", help="Say how it works instead of running."),
    time_limit: float = typer.Option(
        300.0, "--time-limit", metavar="SECONDS", help="After these it is given up."
    ),
    columns: list[str] = typer.Option(
        [], "--columns", metavar="DIR", help="Ask an `export parquet`, or several, not the ledger."
    ),
    engine: str = typer.Option(
        "", "--engine", metavar="duckdb|spark", help="With --columns: what runs the SQL."
    ),
    language: looks.Language = "en",
    dates: looks.Dates = "ymd",
    paper: looks.Paper = "a4",
) -> None:
    """Run an analysis: `roadworn analyse next-repairs --vehicle bus-7 months=6`.

    Settings are written SETTING=VALUE after the name; `roadworn analyse NAME --explain` lists
    them. `--format html` makes a page to print or send, with the charts. CSV is one table: the
    main one, or the one that `--table` names.
    """
    look = looks.look_of(language, "", "", dates, paper)
    fmt = "json" if fmt == RESULT else fmt  # which says already what it rests on
    if fmt not in (*FORMATS, "html"):
        raise UsageError(f"--format is table, json, csv, result or html, not {fmt!r}.")
    if table and fmt == "html":
        raise UsageError("A page shows every table: leave out --table, or ask for csv or json.")
    state = state_of(ctx)
    host = state.plugins()
    if explain:
        typer.echo(explanation(host.analysis(name)[1]))
        return
    from roadworn_cli.results import show

    chosen = given(settings or [])
    host.progress = progress(name)
    if columns or engine:
        view_of = _columns(state, columns, engine)
        if "past_days" in host.analysis(name)[1].settings.model_fields:
            # Exported columns cannot be set back to a past day.
            chosen.setdefault("past_days", "0")
    else:
        view_of = state.open_view()
    with view_of as view:
        if vehicle:
            chosen["vehicle"] = view.require_vehicle(vehicle)
        with told(name):
            ran = host.run(name, view, chosen, time_limit)
        if fmt == "html":
            from roadworn_cli.report.page import page_of

            typer.echo(page_of(ran, view, look, full=wide or evidence), nl=False)
            return
        origin = view.origin()
    speaker = looks.screen_speaker(look, fmt)
    show(ran, fmt=fmt, origin=origin, wide=wide, evidence=evidence, table=table, speaker=speaker)


def _columns(state: State, columns: list[str], engine: str) -> "LedgerView":
    """Open exported columns in the place of the ledger.

    Raises:
        UsageError: none are named, or a day is asked that is theirs already.
    """
    from roadworn.columns.many import open_columns

    if not columns:
        raise UsageError(
            "--engine is for exported columns: add --columns DIR, made by `roadworn export "
            "parquet DIR`."
        )
    if state.as_of or state.at:
        raise UsageError(
            "Exported columns speak of the day they were exported with: leave out --as-of and "
            "--at, or give them to `export parquet`."
        )
    chosen = choose(engine or "duckdb", ("duckdb", "spark"), "The engine")
    return open_columns(columns, "spark" if chosen == "spark" else "duckdb")


def given(settings: list[str]) -> dict[str, object]:
    """Return the settings typed as NAME=VALUE.

    Raises:
        UsageError: one has no equals sign.
    """
    found: dict[str, object] = {}
    for text in settings:
        key, sign, value = text.partition("=")
        if not sign or not key:
            raise UsageError(f"A setting is written NAME=VALUE, as in months=6, not {text!r}.")
        found[key.strip()] = value.strip()
    return found


def explanation(analysis: "Analysis") -> str:
    """Return what an analysis does, how, and with which settings."""
    lines = [
        f"{analysis.name}: {analysis.title}",
        "",
        (analysis.about or analysis.question).strip(),
    ]
    lines += ["", "Settings:"]
    for key, field in analysis.settings.model_fields.items():
        lines.append(f"  {key.replace('_', '-')}={field.default!r}  {field.description or ''}")
    return "\n".join(lines)
