"""`roadworn outlook VEHICLE`: the whole answer for one vehicle on one screen."""

from typing import TYPE_CHECKING, Any

import typer

from roadworn.trade.cautions import is_caution
from roadworn_cli import words as looks
from roadworn_cli.context import state_of
from roadworn_cli.output import check_format, emit, emit_json, escape, format_option, note

if TYPE_CHECKING:
    from roadworn.analysis import Ran
    from roadworn.analysis.outlook import Outlook

#: The parts of an outlook that are results of analyses.
_ANALYSES = (
    "next_repairs",
    "inspection",
    "maintenance",
    "advice",
    "keeps_failing",
    "wear",
    "causes",
    "track_record",
)


def outlook(
    ctx: typer.Context,
    vehicle: str = typer.Argument(help="The vehicle, as `roadworn vehicles` names it."),
    months: float = typer.Option(
        12.0, "--months", metavar="MONTHS", min=0.5, max=120, help="How far to look ahead."
    ),
    fmt: str = format_option(),
    evidence: bool = typer.Option(False, "--evidence", help="Name the events behind each row."),
    wide: bool = typer.Option(False, "--wide", help="Show every column."),
    unit: looks.Unit = "",
) -> None:
    """Say what is open on a vehicle, what keeps failing, what goes next and what is not known."""
    check_format(fmt)
    from roadworn.analysis.outlook import outlook as gather

    look = looks.look_of(unit=unit)
    state = state_of(ctx)
    host = state.plugins()
    with state.open_view() as view:
        found = gather(view, host, vehicle, months, look.unit)
    if fmt == "json":
        emit_json(as_document(found))
    elif fmt == "csv":
        emit([c.name for c in found.open_now.columns], found.open_now.rows, fmt="csv")
    else:
        show(found, evidence=evidence, wide=wide)


def as_document(found: "Outlook") -> dict[str, Any]:
    """Return the whole outlook as one JSON document."""
    from roadworn_cli.results import as_json

    plain = ("vehicle", "as_of", "headline", "distance", "unit", "unknown", "cautions", "closing")
    document: dict[str, Any] = {name: getattr(found, name) for name in plain}
    document["ledger"] = {"size": found.size, "root": found.root}
    document["open_now"] = {
        "rows": found.open_now.records(),
        "evidence": found.open_now.evidence,
    }
    for name in _ANALYSES:
        ran = getattr(found, name)
        document[name] = None if ran is None else as_json(ran)
    document["problems"] = [problem.as_json() for problem in found.problems]
    return document


def show(found: "Outlook", *, evidence: bool = False, wide: bool = False) -> None:
    """Print an outlook for a person, in the order in which a person asks."""
    from roadworn.analysis import Holds
    from roadworn_cli.results import show_table

    def tables(ran: "Ran | None", *holding: Holds) -> None:
        for holds in holding:
            table = ran.result.holding(holds) if ran is not None else None
            if table is not None:
                show_table(table, evidence=evidence, wide=wide)

    _heading(found)
    # The table with today's prices where the analysis could run, else what is recorded as open.
    if found.next_repairs is None:
        show_table(found.open_now, evidence=evidence, wide=wide)
    if not found.open_now.rows:
        typer.echo(
            "\nDue now: nothing failed or wearing, no active code, no work declined or deferred."
        )
    tables(found.next_repairs, Holds.DUE)
    _told("To pass its inspection", found.inspection)
    tables(found.next_repairs, Holds.AHEAD, Holds.TOTALS)
    tables(found.wear, Holds.WEAR)
    _told("Service", found.maintenance)
    _told("Keep, fix or let go", found.advice)
    turns = found.advice.result.holding(Holds.TURNS) if found.advice is not None else None
    for turn in turns.rows if turns is not None else ():
        typer.echo(escape(f"  {turn[0]}"))
    _told("Keeps failing", found.keeps_failing)
    tables(found.keeps_failing, Holds.REPEATS)
    _told("How right it has been", found.track_record)
    _reservations(found)
    _lines("Cautions", (*found.cautions, found.closing))
    typer.echo(f"\nRests on {found.size:,} events, ledger root {found.root[:16]}…")
    for problem in found.problems:
        note(f"{problem.message} {problem.hint}.")


def _told(title: str, ran: "Ran | None") -> None:
    """Print what an analysis says in its one line."""
    if ran is not None:
        typer.echo(f"\n{title}")
        typer.echo(escape(f"  {ran.result.headline}"))


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
    for name in _ANALYSES[:-1]:
        ran = getattr(found, name)
        lines += ran.result.caveats if ran is not None else ()
    # Cautions have a place of their own, below.
    told = dict.fromkeys(line for line in lines if not is_caution(line))
    _lines("Not known, and how far to trust this", tuple(told))


def _lines(title: str, lines: tuple[str, ...]) -> None:
    if lines:
        typer.echo(f"\n{title}")
    for line in lines:
        typer.echo(escape(f"  {line}"))
