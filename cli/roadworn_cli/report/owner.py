"""The owner's page: two sheets of paper to take home, the big things first.

It says the same as the full sheet in fewer words: what an owner decides by stands open, one
picture shows the life of the vehicle, and every reservation stands once, at the end, beside
the part of the page that it is about.
"""

from collections.abc import Sequence

from roadworn.analysis.outlook import Outlook
from roadworn.analysis.result import Cell, Ran, Table
from roadworn.say.language import Said
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.life_line import life_line
from roadworn_cli.report.looked_at import last_visit, of_one, today_section
from roadworn_cli.report.model import (
    Block,
    Facts,
    Fold,
    Grid,
    Heading,
    Line,
    Listing,
    Paragraph,
    Section,
)
from roadworn_cli.report.sections import left_out, pictures
from roadworn_cli.report.tables import blocks_of, grid_of
from roadworn_cli.report.words import Words

#: Rows of what may fail next that an owner reads; the full sheet has all of them.
_NEXT = 8
_REPEATS = 3
_PASSES = "pass"
_NOT_KNOWN = frozenset({"not known", "not_known"})
_CAUTION = "Caution:"


def owner_sections(
    asker: Asker, found: Outlook, words: Words, vehicle_id: str, cautions: Section
) -> list[Section]:
    """Return the owner's page up to what it rests on.

    Args:
        asker: the analyses have been asked already.
        found: the outlook.
        words: of the sheet.
        vehicle_id: an enrolled vehicle.
        cautions: for the parts that the outlook names.
    """
    ran, view = asker.ran, asker.view
    visit = last_visit(view, vehicle_id, words)
    due = table_of(found.next_repairs, "due_now")
    life = life_line(view, vehicle_id, ran.get("repeat-failures"), words, small=True)
    sections = [
        today_section(found, visit, due, words, full=False),
        _next(found.next_repairs, words),
        _wear(ran.get("measured-wear"), words),
        _service(ran.get("maintenance-due"), words),
        _inspection(ran.get("inspection-outlook"), words),
        _advice(ran.get("keep-or-sell"), words),
        _failing(ran.get("repeat-failures"), words),
        _record(ran.get("projection-backtest"), words),
        None if life is None else Section("life-line", words("life"), (life,), wide=True),
        _trust(found, ran, words),
        left_out(asker.left_out, words),
        cautions,
    ]
    return [section for section in sections if section is not None]


def table_of(ran: Ran | None, name: str) -> Table | None:
    """Return the table of that name, None when an answer has none or it is empty."""
    tables = ran.result.tables if ran is not None else ()
    return next((table for table in tables if table.name == name and table.rows), None)


def _some(table: Table, rows: Sequence[tuple[Cell, ...]], *, told: bool = True) -> Table:
    """Return a table with some of its rows, without what only a full sheet shows.

    Evidence is left out, and unless `told` the sentences below the rows.
    """
    kept = [i for i, column in enumerate(table.columns) if told or column.kind != "sentence"]
    return Table(
        table.name,
        table.title,
        tuple(table.columns[i] for i in kept),
        tuple(tuple(row[i] for i in kept) for row in rows),
    )


def _lead(ran: Ran, words: Words) -> Paragraph:
    return Paragraph(words.said(ran.result.headline), "lead")


def _next(ran: Ran | None, words: Words) -> Section | None:
    """Return what is likely to fail, and what that may come to."""
    if ran is None:
        return None
    blocks: list[Block] = [_lead(ran, words)]
    table = table_of(ran, "next_repairs")
    if table is not None:
        only = ("what", "chance", "cost", "safety")
        shown = _some(table, table.rows[:_NEXT], told=False)
        blocks += blocks_of(shown, words, only=only)
        if len(table.rows) > _NEXT:
            blocks.append(_part_of(_NEXT, len(table.rows), words))
    totals = table_of(ran, "totals")
    if totals is not None:
        blocks.append(_along(grid_of(totals, words)[0], words))
    return Section("goes-next", words("goes_next"), tuple(blocks), wide=True)


def _along(grid: Grid, words: Words) -> Grid:
    """Lay a grid of few rows on its side: it takes two lines instead of one for each row."""
    first, *others = grid.headings
    named = (words.joined((line.cells[0], first.text), " ") for line in grid.lines)
    headings = (first, *(Heading(name, right=True) for name in named))
    lines = tuple(
        Line((heading.text, *(line.cells[place] for line in grid.lines)))
        for place, heading in enumerate(others, start=1)
    )
    return Grid(grid.caption, headings, lines)


def _part_of(shown: int, every: int, words: Words) -> Paragraph:
    return Paragraph(words("shown_of", shown=shown, every=every), "quiet")


def _inspection(ran: Ran | None, words: Words) -> Section | None:
    """Return what would not pass as a table, and what passes or is not known by name."""
    if ran is None:
        return None
    blocks: list[Block] = [_lead(ran, words)]
    table = table_of(ran, "items")
    if table is not None:
        told = list(zip(table.records(), table.rows, strict=True))
        failing = [row for record, row in told if record.get("outcome") not in _calm()]
        if failing:
            only = ("item", "outcome", "cost", "citation")
            blocks += blocks_of(of_one(_some(table, failing)), words, only=only)
        pairs = []
        for key, outcomes in (("not_known_items", _NOT_KNOWN), ("passing_items", {_PASSES})):
            names = [
                str(record["item"])
                for record, _row in told
                if record.get("outcome") in outcomes and record.get("item")
            ]
            # A headline that names them all need not be told again.
            if names and not all(name in ran.result.headline for name in names):
                pairs.append((words(key), words.joined(dict.fromkeys(names), "; ")))
        blocks += [Facts(tuple(pairs))] if pairs else []
    return Section("inspection-outlook", words("passing"), tuple(blocks))


def _calm() -> frozenset[str]:
    return _NOT_KNOWN | {_PASSES}


def _advice(ran: Ran | None, words: Words) -> Section | None:
    """Return the advice with its range, and what would turn it."""
    if ran is None:
        return None
    blocks: list[Block] = [_lead(ran, words)]
    for name in ("options", "turns"):
        table = table_of(ran, name)
        if table is not None:
            only = ("option", "monthly", "at_once", "offered")
            blocks += blocks_of(table, words, only=only)
    return Section("keep-or-sell", words("advice"), tuple(blocks))


def _failing(ran: Ran | None, words: Words) -> Section | None:
    """Return why something stands out, in the words of the analysis."""
    if ran is None:
        return None
    table = table_of(ran, "repeat_failures")
    if table is None:
        block: Block = _lead(ran, words)
        return Section("repeat-failures", words("keeps_failing"), (block,))
    lines: list[Said] = []
    for record in table.records()[:_REPEATS]:
        lines += [words.said(record[key]) for key in ("why", "against") if record.get(key)]
    blocks: list[Block] = [Listing(tuple(lines))] if lines else [_lead(ran, words)]
    if len(table.rows) > _REPEATS:
        blocks.append(_part_of(_REPEATS, len(table.rows), words))
    return Section("repeat-failures", words("keeps_failing"), tuple(blocks))


def _service(ran: Ran | None, words: Words) -> Section | None:
    """Return the services that are due or soon will be."""
    if ran is None:
        return None
    blocks: list[Block] = [_lead(ran, words)]
    table = table_of(ran, "maintenance_due")
    if table is not None:
        records = zip(table.records(), table.rows, strict=True)
        soon = [row for record, row in records if record.get("state") != "later"]
        if soon:
            only = ("component", "state", "due_on", "due_at", "cost")
            blocks += blocks_of(of_one(_some(table, soon)), words, only=only)
    return Section("maintenance-due", words("service_due"), tuple(blocks))


def _wear(ran: Ran | None, words: Words) -> Section | None:
    """Return when measured parts reach their limit, the pictures folded and not on paper."""
    if ran is None or not ran.result.charts:
        return None
    told = Listing(tuple(words.said(chart.title) for chart in ran.result.charts))
    drawn = tuple(pictures(ran, words, "wear"))
    folded = (Fold(words("wear_pictures"), drawn),) if drawn else ()
    return Section("measured-wear", words("wear"), (told, *folded))


def _record(ran: Ran | None, words: Words) -> Section | None:
    if ran is None:
        return None
    return Section("past", words("past_projections"), (_lead(ran, words),))


#: Where the reservations of an analysis belong on the page. Those of past projections are about
#: all vehicles and stand on the full sheet.
_ABOUT = (
    ("next-repairs", "goes_next"),
    ("inspection-outlook", "passing"),
    ("keep-or-sell", "advice"),
    ("measured-wear", "wear"),
    ("repeat-failures", "keeps_failing"),
    ("maintenance-due", "service_due"),
)


def _trust(found: Outlook, ran: dict[str, Ran], words: Words) -> Section | None:
    """Return what is not known and every reservation once, beside what it is about."""
    pairs: list[tuple[Said, Said]] = []
    if found.unknown:
        pairs.append((words("not_known"), words.sentences(found.unknown)))
    told: set[str] = set()
    for name, key in _ABOUT:
        caveats = ran[name].result.caveats if name in ran else ()
        fresh = [text for text in caveats if not _is_told(text, told)]
        told.update(fresh)
        if fresh:
            pairs.append((words(key), words.sentences(fresh)))
    if not pairs:
        return None
    return Section("trust", words("trust"), (Facts(tuple(pairs)),))


def _is_told(text: str, told: set[str]) -> bool:
    """Say whether a reservation stands on the page already, perhaps in a longer sentence."""
    if text.startswith(_CAUTION):
        return True  # cautions have a place of their own
    return any(other.startswith(text.rstrip(".")) for other in told)
