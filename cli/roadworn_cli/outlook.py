"""`roadworn outlook VEHICLE`: the whole answer for one vehicle, to be read in ten seconds.

The first screen answers: what to do, in what order, for how much. Everything that it rests on
stands behind `--more`, each reservation beside what it is about.
"""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final

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
from roadworn_cli.screen import (
    Line,
    encoded,
    glyphs,
    listed,
    padded,
    put,
    span,
    text,
    to_a_stop,
    width,
    wrapped,
)

if TYPE_CHECKING:
    from roadworn.analysis import Ran
    from roadworn.analysis.outlook import Outlook
    from roadworn_cli.first_screen import Entry

#: Lines of the first screen, on a terminal of the usual 24 by 80.
LINES: Final = 24
_USUAL: Final = 80
_ANY: Final = 99
#: Columns of a label with the space behind it, and between a figure and its words.
_LABEL: Final = 15
_GAP: Final = 2
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


def first_screen(found: "Outlook") -> list[Line]:
    """Return the answer in at most `LINES` lines, on a screen that is at least 80 wide."""
    cells = width()
    head = _heading(found, cells)
    more = (
        f"More: roadworn outlook {found.vehicle['vehicle_id']} --more; also history, report vehicle"
    )
    foot = text(escape(more), "quiet")
    from roadworn_cli.first_screen import groups

    parts = [list(group) for group in groups(found)]
    entries = [entry for part in parts for entry in part]
    wide = max((span(entry.figure) for entry in entries if entry.figure), default=0)

    def tall(entry: "Entry") -> int:
        return len(_lines_of(entry, cells, wide))

    room = LINES - len(head) - len(foot) if cells >= _USUAL else 10_000
    for step, less in enumerate((0, 0, 1, _ANY)):
        if step == 1 and sum(map(tall, entries)) > room:
            parts = list(map(_squeezed, parts))
            entries = [entry for part in parts for entry in part]
            for entry in entries:
                entry.most = _ANY
        # Of equals the last gives way first: what to do now stands above. Stop never does.
        while sum(map(tall, entries)) > room:
            long = [e for e in entries if e.least and tall(e) > max(e.least - less, e.floor)]
            if not long:
                break
            longest = max(reversed(long), key=tall)
            longest.most = tall(longest) - 1
    blanks = room - sum(map(tall, entries))
    lines = head
    for part in filter(None, parts):
        if blanks > 0:
            lines.append([])
            blanks -= 1
        lines += [line for entry in part for line in _lines_of(entry, cells, wide)]
    return [*lines, *foot]


def _squeezed(part: "list[Entry]") -> "list[Entry]":
    """Return entries, those that have a brief form as one list without their pictures."""
    from roadworn_cli.first_screen import Entry

    at = [i for i, entry in enumerate(part) if entry.brief]
    if len(at) < 2:
        return part
    one = Entry(part[at[0]].label, [part[i].brief for i in at], "", least=2)
    return [*part[: at[0]], one, *part[at[-1] + 1 :]]


def _heading(found: "Outlook", cells: int) -> list[Line]:
    """Return which vehicle it is, and how far it has gone, on one line where there is room."""
    profile = found.vehicle
    described = " ".join(str(profile[k]) for k in ("model_year", "make", "model") if profile[k])
    kind = str(profile.get("vehicle_class") or "")
    names = (profile.get("label") or "", described or kind)
    name = escape("  ".join(filter(None, (profile["vehicle_id"], ", ".join(filter(None, names))))))
    as_of = "" if str(found.as_of) in found.distance else f"; as of {found.as_of}"
    far = escape(f"{found.distance}{as_of}")
    if span(name) + _GAP + span(far) <= cells:
        return [[(name, "title"), (f"{' ' * _GAP}{far}", "")]]
    return [*text(name, "title"), *text(far)]


def _lines_of(entry: "Entry", cells: int, wide: int) -> "list[Line]":
    """Return the lines of an entry in so many columns, `wide` of them a figure's."""
    label = f"{padded(entry.label or entry.under, _LABEL - 1)} "
    figure = ""
    if entry.figure is not None:
        figure = f"{padded(entry.figure, wide, right=True)}{' ' * _GAP}"
    before = len(label + figure)
    room = max(cells - before, 20)
    if isinstance(entry.words, str):
        texts = wrapped(encoded(escape(entry.words)), room)
        if len(texts) > entry.most:
            kept = wrapped(encoded(escape(entry.words)), room - 2)[: entry.most]
            texts = [*kept[:-1], f"{to_a_stop(kept[-1])} {glyphs().more}"]
    else:
        texts = listed([encoded(escape(one)) for one in entry.words], room, _ANY)
        if len(texts) > entry.most:
            names = [one for one, _size in entry.biggest] or entry.words
            sizes = [size for _one, size in entry.biggest]
            shown = [encoded(escape(one)) for one in names]
            texts = listed(shown, room, entry.most, sizes)
    first: Line = [(label, entry.look), (figure, ""), (texts[0], "")]
    return [first, *([(" " * before, ""), (text, "")] for text in texts[1:])]


def _details(found: "Outlook", *, evidence: bool, wide: bool) -> None:
    """Print what the first screen rests on, each reservation beside what it is about."""
    from roadworn.analysis import Holds
    from roadworn_cli.results import show_table, sparks

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

    if lines:
        put([[], [(title, "title")], *(one for line in lines for one in text(escape(line), by=2))])
