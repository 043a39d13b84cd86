"""`roadworn outlook VEHICLE`: the whole answer for one vehicle, to be read in ten seconds.

The first screen answers: what to do, in what order, for how much. Everything that it rests on
stands behind `--more`, each reservation beside what it is about.
"""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import typer

from roadworn.trade.cautions import cautions_for, is_caution
from roadworn_cli import words as looks
from roadworn_cli.context import campaigns_folder, state_of
from roadworn_cli.output import (
    check_format,
    counted,
    emit,
    emit_json,
    escape,
    format_option,
    note,
    told,
)

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
    more: bool = typer.Option(
        False, "--more", help="Show all of it: every row, what it rests on, every caution."
    ),
    evidence: bool = typer.Option(
        False, "--evidence", help="The same, naming the events behind each row."
    ),
    wide: bool = typer.Option(False, "--wide", help="The same, with every column."),
    unit: looks.Unit = "",
) -> None:
    """Say what is open on a vehicle, what it costs, what goes next and what is not known."""
    check_format(fmt)
    from roadworn.analysis.outlook import outlook as gather

    look = looks.look_of(unit=unit)
    state = state_of(ctx)
    host = state.plugins()
    with state.open_view() as view, told(f"outlook of {vehicle}"):
        found = gather(view, host, vehicle, months, look.unit)
        campaigns: tuple[str, ...] = ()
        folder = campaigns_folder(state.ledger)
        if folder.is_dir():  # else nothing of them is imported
            from roadworn_cli.campaign import told_in_outlook

            campaigns = tuple(told_in_outlook(view, folder, str(found.vehicle["vehicle_id"])))
        origin = view.origin() if fmt == "json" else {}
    if fmt == "json":
        from roadworn_cli.results import pinned

        emit_json({**pinned(origin), **as_document(found), "campaigns": campaigns})
    elif fmt == "csv":
        emit([c.name for c in found.open_now.columns], found.open_now.rows, fmt="csv")
    else:
        show(found, more=more, evidence=evidence, wide=wide, campaigns=campaigns)


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


def show(
    found: "Outlook",
    *,
    more: bool = False,
    evidence: bool = False,
    wide: bool = False,
    campaigns: Sequence[str] = (),
) -> None:
    """Print an outlook for a person: the first screen, and what is behind it if asked for.

    A campaign is told below where the screen has room, else as a note.
    """
    from roadworn_cli.first_screen import LINES, first_screen
    from roadworn_cli.screen import put, text

    lines = first_screen(found)
    put(lines)
    room = LINES - len(lines)
    for one in campaigns:
        line = text(escape(f"Campaign       {one}"))
        room -= len(line)
        if room >= 0:
            put(line)
        else:
            note(f"campaign: {one}")
    if more or evidence or wide:
        _details(found, evidence=evidence, wide=wide)
    for problem in found.problems:
        note(f"{problem.message} {problem.hint}.")


def _details(found: "Outlook", *, evidence: bool, wide: bool) -> None:
    """Print what the first screen rests on, each reservation beside what it is about."""
    from roadworn.analysis import Holds
    from roadworn_cli.results import show_table, sparks
    from roadworn_cli.screen import put, text

    vehicle = str(found.vehicle["vehicle_id"])

    def tables(ran: "Ran | None", *holding: Holds) -> None:
        for holds in holding:
            table = ran.result.holding(holds) if ran is not None else None
            if table is not None:
                show_table(table, evidence=evidence, wide=wide, vehicle=vehicle)

    def part(
        title: str, ran: "Ran | None", *holding: Holds, lead: bool = True, fleet: bool = False
    ) -> None:
        if ran is None:
            return
        if lead:
            put([[], [(title, "title")], *text(escape(ran.result.headline), by=2)])
        tables(ran, *holding)
        # What is to be said of the whole fleet stands on no vehicle's screen.
        for caveat in () if fleet else ran.result.caveats:
            if not is_caution(caveat):
                put(text(escape(caveat), "quiet", by=2))

    if found.next_repairs is None:
        show_table(found.open_now, evidence=evidence, wide=wide, vehicle=vehicle)
    tables(found.next_repairs, Holds.DUE)
    part("What it points to", found.causes, Holds.CHAIN, Holds.CAUSES)
    part("To pass its inspection", found.inspection)
    part("", found.next_repairs, Holds.AHEAD, Holds.TOTALS, lead=False)
    part("", found.wear, Holds.WEAR, lead=False)
    put(sparks(found.wear.result) if found.wear is not None else ())
    part("Service", found.maintenance)
    part("Keep, fix or let go", found.advice, Holds.PLAN, Holds.SUMS, Holds.WAYS, Holds.TURNS)
    advised = found.advice.settings if found.advice is not None else None
    if advised is not None and getattr(advised, "replacement_price", 0.0) is None:
        asked = f"roadworn analyse keep-or-sell --vehicle {vehicle} replacement-price=9000"
        told = f"To compare it with another vehicle, say what that one costs: {asked}"
        put(text(escape(told), "quiet", by=2))
    part("Keeps failing", found.keeps_failing, Holds.REPEATS)
    part("How right it has been", found.track_record, fleet=True)
    _lines("Not looked at", found.unknown)
    _lines("Cautions", (*_cautions(found), found.closing))
    put(text(f"Rests on {counted(found.size, 'event')}, digest {found.root[:16]}", "quiet"))


def _counted(number: int, what: str) -> str:
    from roadworn_cli.output import counted

    return counted(number, what)


def _cautions(found: "Outlook") -> Iterator[str]:
    """Yield each caution with the jobs that it belongs to."""
    from roadworn.analysis import Holds, Tells
    from roadworn_cli.first_screen import due_of
    from roadworn_cli.results import name_of

    ahead = found.next_repairs.result.holding(Holds.AHEAD) if found.next_repairs else None
    named: dict[str, dict[str, None]] = {}
    for table in filter(None, (due_of(found), ahead)):
        for n, component in enumerate(table.cells(Tells.COMPONENT)):
            for caution in cautions_for([str(component)]):
                named.setdefault(caution, {})[name_of(table, n)] = None
    for caution in found.cautions:
        jobs = list(named.get(caution, ()))
        yield f"{caution} For: {', '.join(jobs)}." if jobs else caution


def _lines(title: str, lines: Sequence[str]) -> None:
    from roadworn_cli.screen import put, text

    if lines:
        put([[], [(title, "title")], *(one for line in lines for one in text(escape(line), by=2))])
