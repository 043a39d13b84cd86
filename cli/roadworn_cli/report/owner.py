"""The owner's report: two sheets of paper to take home, the big things first.

It says the same as the full report in fewer words: what an owner decides by stands open, one
picture shows the life of the vehicle, and every reservation stands once, at the end, beside
the part of the page that it is about.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from roadworn.analysis import Answers, Cell, Holds, Mark, Ran, Table, Tells
from roadworn.analysis.outlook import Outlook
from roadworn.model.messages import Sentence, parts_of
from roadworn.say import Said
from roadworn.trade.cautions import is_caution
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
    Paragraph,
    Section,
)
from roadworn_cli.report.sections import left_out, listed, pictures
from roadworn_cli.report.tables import blocks_of, grid_of
from roadworn_cli.words import Words

#: Rows of what may fail next that an owner reads; the full report has all of them.
_NEXT = 8
_REPEATS = 3


def owner_sections(
    asker: Asker, found: Outlook, words: Words, vehicle_id: str, cautions: Section
) -> list[Section]:
    """Return the owner's report up to what it rests on.

    Args:
        asker: the analyses have been asked already.
        found: the outlook.
        words: of the report.
        vehicle_id: an enrolled vehicle.
        cautions: for the parts that the outlook names.
    """
    ran, view = asker.ran, asker.view
    visit = last_visit(view, vehicle_id, words)
    failing = ran.get(Answers.KEEPS_FAILING)
    life = life_line(view, vehicle_id, failing, words, small=True)
    record = ran.get(Answers.CAME_TRUE)
    sections = [
        today_section(found, visit, _table(found.next_repairs, Holds.DUE), words, full=False),
        _next(found.next_repairs, words),
        _wear(ran.get(Answers.WEARS), words),
        _service(ran.get(Answers.SERVICE_DUE), words),
        _inspection(ran.get(Answers.PASSES), words),
        _advice(ran.get(Answers.KEEP_OR_SELL), words),
        _failing(failing, words),
        None
        if record is None
        else Section("past", words("past_projections"), (_lead(record, words),)),
        None if life is None else Section("life-line", words("life"), (life,), wide=True),
        _trust(found, ran, words),
        left_out(asker.left_out, words),
        cautions,
    ]
    return [section for section in sections if section is not None]


def _table(ran: Ran | None, holds: Holds) -> Table | None:
    """Return the table that holds this, None when an answer has none or it is empty."""
    table = ran.result.holding(holds) if ran is not None else None
    return table if table is not None and table.rows else None


def _some(table: Table, kept: Sequence[int], *, told: bool = True) -> Table:
    """Return a table with some of its rows, without what only a full report shows.

    Evidence is left out, and unless `told` the sentences below the rows.
    """
    at = [i for i, column in enumerate(table.columns) if told or column.kind != "sentence"]
    return replace(
        table,
        columns=tuple(table.columns[i] for i in at),
        rows=tuple(tuple(table.rows[n][i] for i in at) for n in kept),
        marks=tuple(table.marks[n] for n in kept) if table.marks else (),
        evidence=(),
    )


def _without(table: Table, marks: Iterable[Mark]) -> Table:
    """Return the rows that carry none of some marks."""
    none_of = frozenset(marks)
    return _some(table, [n for n, (_row, own) in enumerate(table.marked()) if not own & none_of])


def _lead(ran: Ran, words: Words) -> Paragraph:
    return Paragraph(words.said(ran.result.headline), "lead")


def _next(ran: Ran | None, words: Words) -> Section | None:
    """Return what is likely to fail, and what that may come to."""
    if ran is None:
        return None
    blocks: list[Block] = [_lead(ran, words)]
    table = _table(ran, Holds.AHEAD)
    if table is not None:
        number = len(table.rows)
        shown = _some(table, range(min(_NEXT, number)), told=False)
        blocks += blocks_of(shown, words, brief=True)
        if number > _NEXT:
            blocks.append(_part_of(_NEXT, number, words))
    totals = _table(ran, Holds.TOTALS)
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
    table = _table(ran, Holds.INSPECTED)
    if table is not None:
        failing = _without(table, (Mark.PASSES, Mark.NOT_KNOWN))
        blocks += blocks_of(of_one(failing), words, brief=True) if failing.rows else ()
        days = table.cells(Tells.SINCE)
        items: list[tuple[Cell, Cell, frozenset[Mark]]] = [
            (name, day, marks)
            for name, day, (_row, marks) in zip(
                table.cells(Tells.NAME), days, table.marked(), strict=True
            )
            if name
        ]
        # A headline that names them all need not be told again.
        said = set(parts_of(ran.result.headline))
        pairs = []
        names = dict.fromkeys(name for name, _day, marks in items if Mark.NOT_KNOWN in marks)
        if not names.keys() <= said:
            pairs.append((words("not_known_items"), words.joined(names, "; ")))
        # What was last seen sound is no promise: each stands under the day it was looked at.
        passing = [(day, name) for name, day, marks in items if Mark.PASSES in marks]
        for day in sorted({day for day, _name in passing if day is not None}, reverse=True):
            seen = (name for on, name in passing if on == day)
            pairs.append((words("passing_items", day=day), words.joined(seen, "; ")))
        undated = [name for day, name in passing if day is None]
        if undated:
            pairs.append((words("passing_undated"), words.joined(undated, "; ")))
        blocks += [Facts(tuple(pairs))] if pairs else []
    return Section("inspection-outlook", words("passing"), tuple(blocks))


def _advice(ran: Ran | None, words: Words) -> Section | None:
    """Return the advice with its range, and what would turn it."""
    if ran is None:
        return None
    blocks: list[Block] = [_lead(ran, words)]
    for table in (_table(ran, Holds.WAYS), _table(ran, Holds.TURNS)):
        blocks += blocks_of(table, words, brief=True) if table is not None else ()
    return Section("keep-or-sell", words("advice"), tuple(blocks))


def _failing(ran: Ran | None, words: Words) -> Section | None:
    """Return why something stands out, in the words of the analysis."""
    if ran is None:
        return None
    table = _table(ran, Holds.REPEATS)
    lines: list[Cell] = []
    if table is not None:
        columns = (table.cells(tells)[:_REPEATS] for tells in (Tells.WHY, Tells.AGAINST))
        lines = [told for pair in zip(*columns, strict=True) for told in pair if told]
    blocks: list[Block] = [listed(lines, words) if lines else _lead(ran, words)]
    if table is not None and len(table.rows) > _REPEATS:
        blocks.append(_part_of(_REPEATS, len(table.rows), words))
    return Section("repeat-failures", words("keeps_failing"), tuple(blocks))


def _service(ran: Ran | None, words: Words) -> Section | None:
    """Return the services that are due or soon will be."""
    if ran is None:
        return None
    blocks: list[Block] = [_lead(ran, words)]
    table = _table(ran, Holds.SERVICES)
    if table is not None:
        soon = _without(table, (Mark.LATER,))
        blocks += blocks_of(of_one(soon), words, brief=True) if soon.rows else ()
    return Section("maintenance-due", words("service_due"), tuple(blocks))


def _wear(ran: Ran | None, words: Words) -> Section | None:
    """Return when measured parts reach their limit, the pictures folded and not on paper."""
    if ran is None or not ran.result.charts:
        return None
    told = listed((chart.title for chart in ran.result.charts), words)
    drawn = tuple(pictures(ran, words, "wear"))
    folded = (Fold(words("wear_pictures"), drawn),) if drawn else ()
    return Section("measured-wear", words("wear"), (told, *folded))


#: Where the reservations of an analysis belong on the page. Those of past projections are about
#: all vehicles and stand on the full report.
_ABOUT = (
    (Answers.GOES_NEXT, "goes_next"),
    (Answers.PASSES, "passing"),
    (Answers.KEEP_OR_SELL, "advice"),
    (Answers.WEARS, "wear"),
    (Answers.KEEPS_FAILING, "keeps_failing"),
    (Answers.SERVICE_DUE, "service_due"),
)


def _trust(found: Outlook, ran: dict[str, Ran], words: Words) -> Section | None:
    """Return what is not known and every reservation once, beside what it is about."""
    pairs: list[tuple[Said, Said]] = []
    if found.unknown:
        pairs.append((words("not_known"), words.sentences(found.unknown)))
    told: set[object] = set()
    for answers, key in _ABOUT:
        caveats = ran[answers].result.caveats if answers in ran else ()
        # Cautions have a place of their own.
        fresh = [text for text in caveats if not is_caution(text) and _gist(text) not in told]
        told.update(map(_gist, fresh))
        if fresh:
            pairs.append((words(key), words.sentences(fresh)))
    if not pairs:
        return None
    return Section("trust", words("trust"), (Facts(tuple(pairs)),))


def _gist(caveat: str) -> object:
    """Return what a reservation says, whichever analysis says it and at whatever length."""
    if not isinstance(caveat, Sentence) or not caveat.arguments:
        return str(caveat)
    word = caveat.code.rpartition(".")[2]
    return word, tuple(sorted((name, str(value)) for name, value in caveat.arguments.items()))
