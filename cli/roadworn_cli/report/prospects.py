"""The owner's second sheet: what may fail, what the year may cost, and what to do with the vehicle.

What stands in the work of the first sheet already is not told again.
"""

from roadworn.analysis import Cell, Holds, Mark, Table, Tells
from roadworn.analysis.outlook import Outlook
from roadworn.say import Said
from roadworn_cli.report.marks import Axis, Interval, intervals
from roadworn_cli.report.model import Block, Grid, Heading, Line, Paragraph, Section
from roadworn_cli.report.sections import listed
from roadworn_cli.report.tables import estimate_text, money_text, value_text
from roadworn_cli.words import Words

#: Rows of the picture of what may fail next; the full report has all of them.
_MOST = 5
#: As likely as not.
_LIKELY = 0.5
#: Column of a way on -> what an owner reads over it, and before what stands below its row.
_WAYS_HEADINGS = {"at_once": "way_now", "monthly": "way_monthly", "risk": "way_risk"}
_WAYS_BELOW = {
    "unsafe": "way_unsafe",
    "why_not": "way_why_not",
    "done": "way_done",
    "left": "way_left",
    "rest": "way_left",
    "note": "way_note",
    "unpriced": "way_unpriced",
}


def currency_of(found: Outlook) -> str:
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


def next_section(found: Outlook, words: Words) -> Section | None:
    """Return what may fail besides the work above, the likeliest first."""
    table = found.next_repairs.result.holding(Holds.AHEAD) if found.next_repairs else None
    at = table.place(Tells.VALUE) if table is not None else None
    if table is None or at is None:
        return None
    prices = table.named("cost") or [None] * len(table.rows)
    likely = found.next_parts(len(table.rows))
    rows = [n for n, is_above in likely if not is_above][:_MOST]
    low, high = table.cells(Tells.LOW), table.cells(Tells.HIGH)
    components, places = table.cells(Tells.COMPONENT), table.cells(Tells.PLACE)
    unit = currency_of(found)
    given = []
    for number in rows:
        value = _number(table.rows[number][at], 0.0)
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
    blocks: list[Block] = []
    if given:
        blocks.append(_chances(given, words))
    done = [
        words(
            "job_price",
            name=words.part(components[n] or "", places[n] or ""),
            price=_share(_number(table.rows[n][at], 0.0), words),
        )
        for n, is_above in likely
        if is_above
    ]
    if done:
        blocks.append(Paragraph(words("in_the_work", parts=words.joined(done, "; ")), "quiet"))
    if not blocks:
        return None
    return Section("goes-next", words("goes_next_besides"), tuple(blocks), wide=True)


def likely_to_hurt(found: Outlook, words: Words) -> list[Said]:
    """Return the parts likelier to fail than not that people's safety hangs on."""
    table = found.next_repairs.result.holding(Holds.AHEAD) if found.next_repairs else None
    at = table.place(Tells.VALUE) if table is not None else None
    if table is None or at is None:
        return []
    names = zip(table.cells(Tells.COMPONENT), table.cells(Tells.PLACE), strict=True)
    likely = [
        (float(value), words.part(component or "", place or ""))
        for (row, marks), (component, place) in zip(table.marked(), names, strict=True)
        if Mark.CRITICAL in marks and isinstance(value := row[at], int | float) and value >= _LIKELY
    ]
    return [
        words("job_price", name=name, price=_share(value, words))
        for value, name in sorted(likely, key=lambda one: -one[0])[:_MOST]
    ]


def _share(value: float, words: Words) -> Said:
    return Said(words.number(f"{value:.0%}"))


def _chances(given: list[Interval], words: Words) -> Block:
    """Return chances with their ranges as a picture, a single one in words."""
    title = words("next_title", months=Said(words.number("12")))
    axis = Axis(words("chance_axis"), share=True, strong=words("safety_part"))
    first = given[0]
    alternative = words(
        "compared_in_words" if len(given) > 1 else "chance_in_words",
        name=first.name,
        value=_share(first.value, words),
        low=_share(first.low, words),
        high=_share(first.high, words),
        number=len(given),
    )
    picture = intervals(given, axis, "next", words, title=title, alternative=alternative)
    return picture or Paragraph(alternative)


def _number(value: Cell, other: float) -> float:
    return float(value) if isinstance(value, int | float) else other


def money_section(found: Outlook, words: Words) -> Section | None:
    """Return what the coming months are expected to cost, in one small picture."""
    beside = found.due_besides()
    table = found.holding(Holds.TOTALS)
    at = table.place(Tells.VALUE) if table is not None else None
    if table is None or at is None:
        return None
    unit = table.columns[at].unit
    low, high = table.cells(Tells.LOW), table.cells(Tells.HIGH)
    given, figure, ahead = [], Said(), Said()
    for number, months in enumerate(table.cells(Tells.TIME)):
        value = table.rows[number][at]
        if not isinstance(months, int | float) or months > 12 or not isinstance(value, int | float):
            continue
        name = words("within_months", months=Said(words.number(f"{months:g}")))
        ends = (_number(low[number], value), _number(high[number], value))
        ahead = estimate_text(value, *ends, "", words)
        value, ends = value + beside, (ends[0] + beside, ends[1] + beside)
        given.append(Interval(name, float(value), *ends))
        figure = estimate_text(value, *ends, unit, words)
    if not given or not any(one.value for one in given):
        return None
    now = money_text(beside, None, None, "", words)
    said = words("money_said_now", ahead=ahead, now=now) if beside else words("money_said")
    axis = Axis(words("money_axis", unit=unit))
    picture = intervals(given, axis, "money", words, title=said, alternative=said)
    blocks: tuple[Block, ...] = (picture,) if picture else (Paragraph(said),)
    return Section("money", words("year_money"), blocks, figure=figure)


def ways_section(found: Outlook, words: Words) -> Section | None:
    """Return the advice, the ways of going on with the vehicle, and what would turn the advice."""
    ways, turns = found.holding(Holds.WAYS), found.holding(Holds.TURNS)
    blocks: list[Block] = []
    if found.advice is not None:
        blocks.append(Paragraph(words.said(found.advice.result.headline), "lead"))
    if ways is not None:
        blocks.append(_ways_grid(ways, getattr(found.advice.settings, "months", 24), words))  # type: ignore[union-attr]
    if turns is not None:
        lines = [row[0] for row in turns.rows if row[0]]
        blocks.append(listed(lines, words))
    if not blocks:
        return None
    return Section("keep-or-sell", words("advice"), tuple(blocks), wide=True)


def _ways_grid(ways: Table, months: int, words: Words) -> Grid:
    """Return each way with what it costs, and what it leaves open below it."""
    places = [
        at
        for at, column in enumerate(ways.columns)
        if column.tells is Tells.NAME or column.kind in {"money", "chance"}
        if column.tells not in {Tells.LOW, Tells.HIGH} and column.name not in {"low", "high"}
    ]
    headings = []
    for at in places:
        column = ways.columns[at]
        key = _WAYS_HEADINGS.get(column.name)
        title = words(key, months=months) if key else words.said(column.title)
        if column.unit:
            title = words("in_unit", title=title, unit=column.unit)
        headings.append(Heading(title, right=column.tells is not Tells.NAME))
    value = ways.place(Tells.VALUE)
    unpriced = ways.named("unpriced") or [None] * len(ways.rows)
    # What nobody looked at and what a value rests on stands elsewhere on the page.
    shorter = ways.named("in_short")
    lines = []
    for number, row in enumerate(ways.rows):
        open_end, gone = bool(unpriced[number]), value is not None and row[value] is None
        cells = tuple(_way_cell(ways, number, at, words, open_end=open_end) for at in places)
        below = tuple(
            (
                words(key) if (key := _WAYS_BELOW.get(column.name)) else words.said(column.title),
                words.said(shorter[number] if shorter and column.name == "note" else row[at]),
            )
            for at, column in enumerate(ways.columns)
            # Who lets it go does none of the work.
            if column.kind == "sentence" and row[at]
            if not (gone and column.name in {"left", "unsafe", "rest"})
            # What safety hangs on stands by itself where the ways tell it apart.
            if not (column.name == "left" and ways.named("rest") is not None)
        )
        lines.append(Line(cells, below))
    return Grid(words("ways_title_owner", months=months), tuple(headings), tuple(lines))


def _way_cell(ways: Table, number: int, at: int, words: Words, *, open_end: bool) -> Said:
    """Return a cell; what is paid now says so where something has no price yet."""
    column, value = ways.columns[at], ways.rows[number][at]
    if column.tells is Tells.NAME:
        return words.word(value)
    told = value_text(column, value, words, 0)
    return (
        words("at_least", value=told) if open_end and column.tells is Tells.VALUE and told else told
    )
