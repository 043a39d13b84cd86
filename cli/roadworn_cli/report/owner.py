"""The owner's report: two sheets of paper to take home, read as a bill is read.

First what stops the vehicle, then what is to be done with its sums, then what it rests on; what
comes next and what to do with the vehicle stand on the second sheet. What is about other
vehicles, about settings or about method is on the full report.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from roadworn.analysis import Answers, Cell, Column, Holds, Mark, Marks, Ran, Table, Tells
from roadworn.analysis.outlook import Outlook
from roadworn.say import Said
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.life_line import life_line
from roadworn_cli.report.looked_at import last_visit
from roadworn_cli.report.marks import Axis, Interval, intervals
from roadworn_cli.report.model import (
    Block,
    Facts,
    Grid,
    Heading,
    Item,
    Items,
    Line,
    Listing,
    Paragraph,
    Section,
    Stop,
)
from roadworn_cli.report.sections import left_out, listed
from roadworn_cli.report.tables import value_text
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

#: Rows that an owner reads; the full report has all of them. What must be done is never cut.
_NEXT, _SOON, _WAITS = 6, 8, 6
#: Stages of the work in their order, with the key of their heading.
_STAGES = ((Mark.MUST, "stage_now"), (Mark.SHOULD, "stage_soon"), (Mark.CAN_WAIT, "stage_watch"))
_MONEY = Column("money", "money", "money")


@dataclass(frozen=True, slots=True)
class Job:
    """A piece of work as the page tells it: what, what was seen, and its price with limits."""

    name: Said
    seen: Said
    price: tuple[Cell, Cell, Cell]
    marks: Marks


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
    jobs, told = _work(found, words)
    life = life_line(view, vehicle_id, ran.get(Answers.KEEPS_FAILING), words, small=True)
    sections = [
        _to_do(found, jobs, words, view, vehicle_id),
        _what_is_said(found, told, words),
        _money(found, words),
        _inspection(ran.get(Answers.PASSES), ran.get(Answers.SERVICE_DUE), words),
        _next(found, words),
        _ways(found, words),
        None if life is None else Section("life-line", words("life"), (life,), wide=True),
        left_out(asker.left_out, words),
        cautions,
        _not_known(found, words),
    ]
    return [section for section in sections if section is not None]


def money_text(value: Cell, low: Cell, high: Cell, unit: str, words: Words) -> Said:
    """Return an amount with its limits where they say more than it does, and its currency."""
    if value is None or value != value:
        return Said()
    figures = [value_text(_MONEY, one, words, 0) for one in (value, low, high)]
    text = figures[0]
    if low is not None and high is not None and figures[1] != figures[2]:
        text = words("from_to", low=figures[1], high=figures[2])
    return words.joined((text, unit), " ") if unit else text


def _work(found: Outlook, words: Words) -> tuple[list[Job], list[Said]]:
    """Return the work by the plan, or by what is due, and what was told or read besides."""
    chain = found.holding(Holds.CHAIN)
    pointed = {event for row in (chain.evidence if chain is not None else ()) for event in row}
    told: list[Said] = []
    jobs: list[Job] = []
    # The table with prices where the analysis could run, else what is recorded as open.
    due = found.holding(Holds.DUE) or found.open_now
    evidence = due.evidence or ((),) * len(due.rows)
    for (job, component, seen), events in zip(_jobs(due, words), evidence, strict=True):
        if component:
            jobs.append(job)
        elif seen and (Mark.COMPLAINT in job.marks or not pointed.intersection(events)):
            # What the chain says of a code is not said twice.
            told.append(words.said(seen))
    plan = found.holding(Holds.PLAN)
    if plan is not None:
        jobs = [job for job, _component, _seen in _jobs(plan, words)]
    return jobs, told


def _jobs(table: Table, words: Words) -> Iterable[tuple[Job, Cell, Cell]]:
    """Yield the rows of work with their component and what was seen."""
    at = table.place(Tells.VALUE)
    limits: list[int | None] = [None, None]
    if at is not None:
        beside = [column.tells for column in table.columns[at + 1 : at + 3]]
        limits = [at + 1, at + 2] if beside == [Tells.LOW, Tells.HIGH] else limits
    columns = (
        table.cells(tells) for tells in (Tells.COMPONENT, Tells.PLACE, Tells.NAME, Tells.SEEN)
    )
    for (row, marks), component, place, name, seen in zip(table.marked(), *columns, strict=True):
        called = words.part(component, place or "") if component else words.word(name or "")
        value = None if at is None else row[at]
        low, high = (None if n is None else row[n] for n in limits)
        yield Job(called, words.word(seen or ""), (value, low, high), marks), component, seen


def _stage(job: Job) -> Mark:
    """Return when a job is to be done: by its mark, else by what it is."""
    for mark, _key in _STAGES:
        if mark in job.marks:
            return mark
    if Mark.SAFETY in job.marks:
        return Mark.MUST
    return Mark.SHOULD if job.marks & {Mark.FAILED, Mark.OPEN} else Mark.CAN_WAIT


def _to_do(
    found: Outlook, jobs: list[Job], words: Words, view: "LedgerView", vehicle_id: str
) -> Section:
    """Return the stop box, then the work by stages with their sums."""
    visit = last_visit(view, vehicle_id, words)
    stopping = [job for job in jobs if Mark.SAFETY in job.marks and _stage(job) is Mark.MUST]
    blocks: list[Block] = []
    if stopping:
        # What was seen of each stands right below, with its price.
        lines = tuple(job.name for job in stopping)
        blocks.append(Stop(words("stop"), lines, words("stop_told")))
    elif visit.day is None:
        # Nobody looked: that nothing is recorded as failed must not be read as good news.
        blocks.append(Paragraph(words("never_looked_at"), "lead"))
    else:
        blocks.append(Paragraph(words("no_safety_open"), "lead"))
    unit = _currency(found)
    sums = found.holding(Holds.SUMS)
    for mark, key in _STAGES:
        mine = [job for job in jobs if _stage(job) is mark]
        if mine:
            most = {Mark.SHOULD: _SOON, Mark.CAN_WAIT: _WAITS}.get(mark, len(mine))
            total = _sum_of(sums, mark, unit, words) or _added(mine, unit, words)
            blocks.append(_items(words(key), mine, most, total, words))
            if len(mine) > most + 1:
                blocks.append(Paragraph(words("shown_of", shown=most, every=len(mine)), "quiet"))
    if not jobs and visit.day is not None:
        blocks.append(Paragraph(words("nothing_open")))
    if visit.day is not None:
        blocks.append(Paragraph(words("looked_on", day=visit.day), "quiet"))
    return Section("today", words("to_do"), tuple(blocks), wide=True)


def _items(caption: Said, jobs: list[Job], most: int, total: Said, words: Words) -> Items:
    shown = jobs if len(jobs) <= most + 1 else jobs[:most]
    items = tuple(
        Item(job.name, job.seen, money_text(*job.price, "", words) or words("no_price"))
        for job in shown
    )
    return Items(caption, (words("what"), words("seen"), words("price")), items, total)


def _currency(found: Outlook) -> str:
    """Return the one currency of what is due or projected, empty where there are several."""
    codes = {code for code in found.open_now.cells(Tells.CURRENCY) if code}
    ways = found.holding(Holds.WAYS)
    for table in (ways, found.holding(Holds.TOTALS), found.holding(Holds.PLAN)):
        at = table.place(Tells.VALUE) if table is not None else None
        if table is None:
            continue
        codes |= {code for code in table.cells(Tells.CURRENCY) if code}
        if at is not None and table.columns[at].unit:
            codes.add(table.columns[at].unit)
    return str(codes.pop()) if len(codes) == 1 else ""


def _sum_of(sums: Table | None, mark: Mark, unit: str, words: Words) -> Said:
    """Return what a stage comes to by the plan's own sums."""
    at = sums.place(Tells.VALUE) if sums is not None else None
    if sums is None or at is None:
        return Said()
    for number, (row, marks) in enumerate(sums.marked()):
        if mark in marks and row[at] is not None:
            low, high = (sums.cells(tells)[number] for tells in (Tells.LOW, Tells.HIGH))
            return money_text(row[at], low, high, unit, words)
    return Said()


def _added(jobs: list[Job], unit: str, words: Words) -> Said:
    """Return the sum of the prices, and that it is not all where one has none."""
    priced = [float(job.price[0]) for job in jobs if job.price[0] is not None]  # type: ignore[arg-type]
    if not priced:
        return Said()
    text = money_text(sum(priced), None, None, unit, words)
    return text if len(priced) == len(jobs) else words("at_least", value=text)


def _what_is_said(found: Outlook, told: list[Said], words: Words) -> Section | None:
    """Return what the owner and the vehicle told, and where it points."""
    chain = found.holding(Holds.CHAIN)
    lines = list(told)
    if chain is not None:
        at = next((i for i, one in enumerate(chain.columns) if one.kind == "sentence"), None)
        lines += [words.said(row[at]) for row in chain.rows if at is not None and row[at]]
    if not lines:
        return None
    return Section("told", words("told"), (Listing(tuple(lines)),), wide=True)


def _next(found: Outlook, words: Words) -> Section | None:
    """Return what is likely to fail as dots with ranges, the likeliest first."""
    table = found.holding(Holds.AHEAD)
    at = table.place(Tells.VALUE) if table is not None else None
    if table is None or at is None:
        return None
    prices = table.named("cost") or [None] * len(table.rows)
    rows = sorted(
        (
            (float(value), number)
            for number, row in enumerate(table.rows)
            if isinstance(value := row[at], int | float)
        ),
        reverse=True,
    )[:_NEXT]
    low, high = table.cells(Tells.LOW), table.cells(Tells.HIGH)
    components, places = table.cells(Tells.COMPONENT), table.cells(Tells.PLACE)
    unit = _currency(found)
    given = []
    for value, number in rows:
        name = words.part(components[number] or "", places[number] or "")
        price = money_text(prices[number], None, None, unit, words)
        given.append(
            Interval(
                words("part_price", name=name, price=price) if price else name,
                value,
                _number(low[number], value),
                _number(high[number], value),
                Mark.CRITICAL in table.marked()[number][1],
            )
        )
    if not given:
        return None
    title = words("next_title", months=Said(words.number("12")))
    axis = Axis(words("chance_axis"), share=True, strong=words("safety_part"))
    first = given[0]
    alternative = words(
        "compared_in_words",
        name=first.name,
        value=Said(words.number(f"{first.value:.0%}")),
        low=Said(words.number(f"{first.low:.0%}")),
        high=Said(words.number(f"{first.high:.0%}")),
        number=len(given),
    )
    picture = intervals(given, axis, "next", words, title=title, alternative=alternative)
    blocks: tuple[Block, ...] = (picture,) if picture else (Paragraph(alternative),)
    return Section("goes-next", words("goes_next"), blocks, wide=True)


def _number(value: Cell, other: float) -> float:
    return float(value) if isinstance(value, int | float) else other


def _money(found: Outlook, words: Words) -> Section | None:
    """Return what the coming months are expected to cost, in one small picture."""
    table = found.holding(Holds.TOTALS)
    at = table.place(Tells.VALUE) if table is not None else None
    if table is None or at is None:
        return None
    unit = table.columns[at].unit
    low, high = table.cells(Tells.LOW), table.cells(Tells.HIGH)
    given, figure = [], Said()
    for number, months in enumerate(table.cells(Tells.TIME)):
        value = table.rows[number][at]
        if not isinstance(months, int | float) or months > 12 or not isinstance(value, int | float):
            continue
        name = words("within_months", months=Said(words.number(f"{months:g}")))
        ends = (_number(low[number], value), _number(high[number], value))
        given.append(Interval(name, float(value), *ends))
        figure = money_text(value, *ends, unit, words)
    if not given or not any(one.value for one in given):
        return None
    picture = intervals(
        given,
        Axis(words("money_axis", unit=unit)),
        "money",
        words,
        title=words("money_said"),
        alternative=words("money_said"),
    )
    blocks: tuple[Block, ...] = (picture,) if picture else (Paragraph(words("money_said")),)
    return Section("money", words("year_money"), blocks, figure=figure)


def _ways(found: Outlook, words: Words) -> Section | None:
    """Return the ways of going on with the vehicle, and what would turn the advice."""
    ways, turns = found.holding(Holds.WAYS), found.holding(Holds.TURNS)
    blocks: list[Block] = []
    if ways is not None:
        blocks.append(_ways_grid(ways, words))
    if turns is not None:
        lines = [row[0] for row in turns.rows if row[0]]
        blocks.append(listed(lines, words))
    if not blocks:
        return None
    return Section("keep-or-sell", words("advice"), tuple(blocks), wide=True)


def _ways_grid(ways: Table, words: Words) -> Grid:
    """Return each way with what it costs, and what it leaves open below it."""
    places = [
        at
        for at, column in enumerate(ways.columns)
        if column.tells is Tells.NAME or column.kind in {"money", "chance"}
        if column.tells not in {Tells.LOW, Tells.HIGH} and column.name not in {"low", "high"}
    ]
    headings = tuple(
        Heading(_with_unit(ways.columns[at], words), right=ways.columns[at].tells is not Tells.NAME)
        for at in places
    )
    texts = [at for at, column in enumerate(ways.columns) if column.kind == "sentence"]
    lines = []
    for row in ways.rows:
        cells = tuple(
            words.word(row[at])
            if ways.columns[at].tells is Tells.NAME
            else value_text(ways.columns[at], row[at], words, 0)
            for at in places
        )
        below = tuple(
            (words.said(ways.columns[at].title), words.said(row[at])) for at in texts if row[at]
        )
        lines.append(Line(cells, below))
    return Grid(words.said(ways.title), headings, tuple(lines))


def _with_unit(column: Column, words: Words) -> Said:
    title = words.said(column.title)
    return words("in_unit", title=title, unit=column.unit) if column.unit else title


def _inspection(passes: Ran | None, service: Ran | None, words: Words) -> Section | None:
    """Return what the inspection and the schedule say, a sentence each."""
    pairs = []
    if passes is not None:
        pairs.append((words("passing"), words.said(passes.result.headline)))
    table = service.result.holding(Holds.SERVICES) if service is not None else None
    if table is not None:
        days = table.named("due_on") or [None] * len(table.rows)
        soon = [
            words("service_by", name=words.word(component), day=day)
            if day is not None
            else words.word(component)
            for (_row, marks), component, day in zip(
                table.marked(), table.cells(Tells.COMPONENT), days, strict=True
            )
            if Mark.LATER not in marks and component
        ]
        told = words.joined(soon, "; ") if soon else words("no_service_due")
        pairs.append((words("service_due"), told))
    return Section("due", words("due_title"), (Facts(tuple(pairs)),)) if pairs else None


def _not_known(found: Outlook, words: Words) -> Section | None:
    """Return what nobody has looked at: that is not the same as sound."""
    if not found.unknown:
        return None
    text = words.sentences(found.unknown)
    return Section("not-known", words("not_known"), (Paragraph(text, "quiet"),))
