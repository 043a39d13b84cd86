"""`roadworn outlook VEHICLE`: the whole answer for one vehicle on one screen."""

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import typer

from roadworn_cli.context import state_of
from roadworn_cli.output import check_format, emit, emit_json, escape, format_option, note

if TYPE_CHECKING:
    from roadworn.outlook import Outlook


def outlook(
    ctx: typer.Context,
    vehicle: str = typer.Argument(help="The vehicle, as `roadworn vehicles` names it."),
    months: float = typer.Option(12.0, "--months", min=0.5, max=120, help="How far to look ahead."),
    fmt: str = format_option(),
    evidence: bool = typer.Option(False, "--evidence", help="Name the events behind each row."),
    wide: bool = typer.Option(False, "--wide", help="Show every column."),
) -> None:
    """Say what is open on a vehicle, what keeps failing, what goes next and what is not known."""
    check_format(fmt)
    from roadworn.outlook import outlook as gather

    state = state_of(ctx)
    host = state.plugins()
    with state.open_view() as view:
        found = gather(view, host, vehicle, months)
    if fmt == "json":
        emit_json(as_document(found))
    elif fmt == "csv":
        emit([c.name for c in found.open_now.columns], found.open_now.rows, fmt="csv")
    else:
        show(found, evidence=evidence, wide=wide)


def as_document(found: "Outlook") -> dict[str, Any]:
    """Return the whole outlook as one JSON document."""
    from roadworn_cli.results import as_json

    plain = ("vehicle", "as_of", "headline", "distance", "unknown", "cautions", "closing")
    document: dict[str, Any] = {name: getattr(found, name) for name in plain}
    document["ledger"] = {"size": found.size, "root": found.root}
    document["open_now"] = {
        "rows": found.open_now.records(),
        "evidence": found.open_now.evidence,
    }
    for name, ran in (
        ("keeps_failing", found.keeps_failing),
        ("next_repairs", found.next_repairs),
    ):
        document[name] = None if ran is None else as_json(ran)
    document["problems"] = [asdict(problem) for problem in found.problems]
    return document


def show(found: "Outlook", *, evidence: bool = False, wide: bool = False) -> None:
    """Print an outlook for a person, in the order in which a person asks."""
    from roadworn_cli.results import show_table

    _heading(found)
    show_table(found.open_now, evidence=evidence, wide=wide)
    if not found.open_now.rows:
        typer.echo("\nOpen now: nothing failed or wearing, no active code, no declined work.")
    for title, ran in (("Keeps failing", found.keeps_failing), ("Goes next", found.next_repairs)):
        if ran is None:
            continue
        if not any(table.rows for table in ran.result.tables):
            typer.echo(f"\n{title}: {escape(ran.result.headline)}")
        for table in ran.result.tables:
            show_table(table, evidence=evidence, wide=wide)
    _reservations(found)
    _lines("Cautions", (*found.cautions, found.closing))
    typer.echo(f"\nRests on {found.size:,} events, ledger root {found.root[:16]}…")
    for problem in found.problems:
        note(f"{problem.message} {problem.hint}.")


def _heading(found: "Outlook") -> None:
    profile = found.vehicle
    described = [str(profile[key]) for key in ("model_year", "make", "model") if profile.get(key)]
    name = profile.get("label") or ""
    parts = [profile["vehicle_id"], name, " ".join(described), f"({profile['vehicle_class']})"]
    typer.echo(escape("  ".join(part for part in parts if part)))
    typer.echo(escape(f"{found.distance}; as of {found.as_of}"))
    typer.echo("")
    typer.echo(escape(found.headline))


def _reservations(found: "Outlook") -> None:
    """Print what is not known, and the reservations of the analyses, each once."""
    lines = list(found.unknown)
    for ran in (found.keeps_failing, found.next_repairs):
        if ran is not None:
            lines += ran.result.caveats
    _lines("Not known, and how far to trust this", tuple(dict.fromkeys(lines)))


def _lines(title: str, lines: tuple[str, ...]) -> None:
    if lines:
        typer.echo(f"\n{title}")
    for line in lines:
        typer.echo(escape(f"  {line}"))
