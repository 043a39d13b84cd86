"""The first screen of an outlook: what to do, in what order, for how much, in 24 lines.

Each entry has a label, a figure where it is about one, and words. A screen that is full
shortens lists before sentences and never what says stop; `outlook --more` has all of it.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from roadworn.analysis import Cell, Holds, Mark, Table, Tells
from roadworn.model.catalogue import part_name
from roadworn.trade.cautions import brief_cautions_for
from roadworn_cli.output import counted, escape
from roadworn_cli.results import cell
from roadworn_cli.screen import Line, dot, encoded, glyphs, padded, span, text, width, wrapped

if TYPE_CHECKING:
    from roadworn.analysis.outlook import Outlook

#: Lines of the first screen, on a terminal of the usual 24 by 80.
LINES: Final = 24
_USUAL: Final = 80
#: Columns of a label with the space behind it, and between a figure and its words.
_LABEL: Final = 15
_GAP: Final = 2
_NEXT: Final = 3
#: Stop items that are told with their story; more of them are named.
_STORIES: Final = 2
_DOT: Final = 12
#: A job less likely to be needed than this is told with its chance.
_SURE: Final = 0.995


@dataclass(slots=True)
class _Entry:
    """One thing that the first screen says.

    Attributes:
        label: what it is about; empty goes on with the entry above.
        words: a sentence, or the parts of a list, of which the last give way to "and 3 more".
        figure: stands between label and words; None gives the words its room.
        look: of the label.
        least: lines that it keeps when the screen is full; None keeps all of them.
        most: lines that it may take.
    """

    label: str
    words: str | Sequence[str]
    figure: str | None = None
    look: str = "title"
    least: int | None = 1
    most: int = 99

    def lines(self, cells: int, wide: int) -> list[Line]:
        """Return its lines, no more than `most`, in so many columns, `wide` of them a figure's."""
        from roadworn_cli.screen import encoded, wrapped

        label = f"{padded(self.label, _LABEL - 1)} "
        figure = (
            "" if self.figure is None else f"{padded(self.figure, wide, right=True)}{' ' * _GAP}"
        )
        before = len(label + figure)
        room = max(cells - before, 20)
        if isinstance(self.words, str):
            texts = wrapped(encoded(escape(self.words)), room)
            if len(texts) > self.most:
                kept = wrapped(encoded(escape(self.words)), room - 2)[: self.most]
                texts = [*kept[:-1], f"{kept[-1]} {glyphs().more}"]
        else:
            texts = _listed(self.words, room, self.most)
        return [
            [(" " * before, ""), (text, "")]
            if number
            else [(label, self.look), (figure, ""), (text, "")]
            for number, text in enumerate(texts)
        ]


def _listed(parts: Sequence[str], room: int, most: int) -> list[str]:
    """Return a list in so many lines, saying how many there are that did not fit."""
    told = [encoded(escape(part)) for part in parts]
    for shown in range(len(told), 0, -1):
        rest = len(told) - shown
        lines = wrapped("; ".join(told[:shown]) + (f" and {rest} more" if rest else ""), room)
        if len(lines) <= most:
            return lines
    return wrapped(f"{told[0]} and {len(told) - 1} more", room)[:most] if told else [""]


def first_screen(found: "Outlook") -> list[Line]:
    """Return the answer in at most `LINES` lines, on a screen that is at least 80 wide."""
    cells = width()
    head = _heading(found, cells)
    foot = text(_where_more(found), "quiet")
    groups = [list(group) for group in _groups(found)]
    entries = [entry for group in groups for entry in group]
    wide = max((span(entry.figure) for entry in entries if entry.figure), default=0)

    def tall(entry: _Entry) -> int:
        return len(entry.lines(cells, wide))

    room = LINES - len(head) - len(foot) if cells >= _USUAL else 10_000
    for may_lose_all in (False, True):
        # Of equals the last gives way first: what to do now stands above. Stop never does.
        while sum(map(tall, entries)) > room:
            long = [e for e in entries if e.least and tall(e) > (1 if may_lose_all else e.least)]
            if not long:
                break
            longest = max(reversed(long), key=tall)
            longest.most = tall(longest) - 1
    blanks = room - sum(map(tall, entries))
    lines = head
    for group in filter(None, groups):
        if blanks > 0:
            lines.append([])
            blanks -= 1
        lines += [line for entry in group for line in entry.lines(cells, wide)]
    return [*lines, *foot]


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


def _groups(found: "Outlook") -> Iterator[Iterable[_Entry]]:
    yield _stop(found)
    yield _to_do(found)
    yield (*_inspection(found), *_next(found), *_money(found))
    yield (*_chain(found), *_ways(found))
    yield _not_known(found)


def _stop(found: "Outlook") -> Iterator[_Entry]:
    """Yield what forbids driving with its story, and one caution for who repairs it."""
    table = due_of(found)
    at = _with(table, Mark.SAFETY)
    if not at or found.vehicle.get("retired_on"):
        parts = getattr(found.headline, "parts", (found.headline,))
        yield _Entry("Now", str(parts[0]))
    for n in at[:_STORIES]:
        seen = table.cells(Tells.SEEN)[n]
        said = f"{name_of(table, n)}, do not drive"
        yield _Entry("STOP", f"{said}: {seen}" if seen else said, look="stop", least=None)
    if at[_STORIES:]:
        yield _Entry("STOP", [_job(table, n) for n in at[_STORIES:]], look="stop")
    brief = brief_cautions_for(str(table.cells(Tells.COMPONENT)[n]) for n in at)
    if brief:
        yield _Entry("Caution", list(reversed(brief)))


def due_of(found: "Outlook") -> Table:
    """Return what is due, with today's prices where the analysis could run."""
    due = found.next_repairs.result.holding(Holds.DUE) if found.next_repairs is not None else None
    return found.open_now if due is None else due


def _to_do(found: "Outlook") -> Iterator[_Entry]:
    """Yield must, should and can wait, each with its sum and its jobs."""
    plan, sums = found.holding(Holds.PLAN), found.holding(Holds.SUMS)
    if plan is None or sums is None:
        yield from _due_now(found)
        return
    for stage, label in (
        (Mark.MUST, "Must"),
        (Mark.SHOULD, "Should"),
        (Mark.CAN_WAIT, "Can wait"),
    ):
        rows = _with(plan, stage)
        jobs = [_job(plan, n) for n in rows]
        if jobs:
            sum_of = next(iter(_with(sums, stage)), None)
            unpriced = sum_of is not None and _named(sums, sum_of, "unpriced")
            figure = "" if sum_of is None else _price(sums, sum_of, "+" if unpriced else "")
            yield _Entry(label, jobs if len(jobs) > 1 else [name_of(plan, rows[0])], figure)
        elif stage is Mark.MUST:
            yield _Entry(label, "nothing that is known of", "")


def _due_now(found: "Outlook") -> Iterator[_Entry]:
    """Yield what is due where no plan says in what order."""
    table = due_of(found)
    jobs = [_job(table, n) for n in range(len(table.rows))]
    if jobs:
        yield _Entry("Due now", jobs)
    else:
        nothing = "nothing failed or wearing, no active code, no work declined or deferred"
        yield _Entry("Due now", nothing)


def _job(table: Table, n: int) -> str:
    """Return a job with its price in a few words."""
    value = table.cells(Tells.VALUE)[n]
    price = _cell(table, Tells.VALUE, n) if value is not None else ""
    name = name_of(table, n) or str(table.cells(Tells.STATE)[n] or table.cells(Tells.SEEN)[n] or "")
    chance = _named(table, n, "chance")
    unsure = f"({chance:.0%})" if isinstance(chance, float) and chance < _SURE else ""
    return " ".join(filter(None, (name, price, unsure)))


def _inspection(found: "Outlook") -> Iterator[_Entry]:
    """Yield what an official inspection would say, in a line."""
    ran = found.inspection
    if found.vehicle.get("inspected_by") == "none":
        yield _Entry("Inspection", "none is asked for here")
        return
    if ran is None:
        return
    items = ran.result.holding(Holds.INSPECTED)
    if items is None:
        yield _Entry("Inspection", ran.result.headline)
        return
    names = items.cells(Tells.NAME)
    passing = {*_with(items, Mark.PASSES), *_with(items, Mark.NOT_KNOWN)}
    failing = dict.fromkeys(str(name) for n, name in enumerate(names) if n not in passing)
    if failing:
        told = f"would fail on {', '.join(failing)}"
    elif items.rows and not _with(items, Mark.PASSES):
        told = "not known: nothing that it asks for was looked at"
    elif items.rows:
        told = "nothing on record that would fail"
    else:
        told = str(ran.result.headline)
    due = next((_named(t, 0, "due") for t in ran.result.tables if _named(t, 0, "due")), None)
    yield _Entry("Inspection", f"{told}; due {due}" if due else told)


def _next(found: "Outlook") -> Iterator[_Entry]:
    """Yield the next parts that are not on the list already, as chances with their range."""
    ahead = found.next_repairs.result.holding(Holds.AHEAD) if found.next_repairs else None
    if ahead is None:
        return
    due = due_of(found)
    listed = set(zip(due.cells(Tells.COMPONENT), due.cells(Tells.PLACE), strict=True))
    keys = list(zip(ahead.cells(Tells.COMPONENT), ahead.cells(Tells.PLACE), strict=True))
    rows = [n for n, key in enumerate(keys) if key not in listed]
    label = "Likely next"
    chances = ahead.cells(Tells.VALUE)
    rows = [n for n in rows if isinstance(chances[n], float)][:_NEXT]
    for n in sorted(rows, key=lambda n: -float(str(chances[n]))):
        chance = float(str(chances[n]))
        low, high = (ahead.cells(t)[n] for t in (Tells.LOW, Tells.HIGH))
        limits = (low, high) if isinstance(low, float) and isinstance(high, float) else None
        price = _cell_named(ahead, n, "cost")
        told = f"{dot(chance, limits, _DOT)}  {name_of(ahead, n)}"
        yield _Entry(label, f"{told}, {price}" if price else told, _cell(ahead, Tells.VALUE, n))
        label = ""


def _money(found: "Outlook") -> Iterator[_Entry]:
    """Yield what failures are likely to come to, with the band."""
    ran = found.next_repairs
    for estimate in ran.result.estimates[:1] if ran is not None else ():
        months = getattr(ran.settings, "months", 12.0) if ran is not None else 12.0
        label = f"{months:g} month{'' if months == 1 else 's'}"
        if estimate.value is None:
            yield _Entry(label, estimate.words)
            return
        band = f" ({estimate.low:,.0f} to {estimate.high:,.0f})" if estimate.low is not None else ""
        figure = f"{estimate.value:,.0f} {estimate.unit}"
        yield _Entry(label, f"for parts likely to fail beyond that{band}", figure)


def _ways(found: "Outlook") -> Iterator[_Entry]:
    """Yield the ways on with what each costs now, and what turns the choice."""
    ways, turns = found.holding(Holds.WAYS), found.holding(Holds.TURNS)
    if ways is not None:
        for n in range(len(ways.rows)):
            more = "+" if _named(ways, n, "unpriced") else ""
            yield _Entry("" if n else "Ways on", _way(ways, n), _price(ways, n, more))
    elif found.advice is not None:
        yield _Entry("Ways on", found.advice.result.headline)
    if turns is not None:
        yield _Entry("It turns", str(turns.rows[0][0]))


def _way(ways: Table, n: int) -> str:
    """Return a way on with what it costs from then on, or with what is to be said of it."""
    later = [
        f"{cell(column, ways.rows[n][i])} {column.title}"
        for i, column in enumerate(ways.columns)
        if column.kind == "money"
        and column.brief
        and column.tells is not Tells.VALUE
        and ways.rows[n][i] is not None
    ]
    told = f"then {', '.join(later)}" if later else str(_named(ways, n, "note") or "")
    return ", ".join(filter(None, (name_of(ways, n), told)))


def _chain(found: "Outlook") -> Iterator[_Entry]:
    """Yield what to do first and what that spares, and what keeps failing."""
    chain, repeats = found.holding(Holds.CHAIN), found.holding(Holds.REPEATS)
    pointed = set()
    if chain is None and found.causes is not None and found.holding(Holds.CAUSES) is not None:
        # Nothing ties it to other work: what it points to, and the look that tells.
        yield _Entry("Points to", found.causes.result.headline, most=3)
    if chain is not None:
        keys = list(zip(chain.cells(Tells.COMPONENT), chain.cells(Tells.PLACE), strict=True))
        own = [n for n, key in enumerate(keys) if key == keys[0]]
        spared = [" ".join((str(_named(chain, n, "spared")), _amount(chain, n))) for n in own]
        told = f"{name_of(chain, 0)}: it may spare {', '.join(spared)}"
        yield _Entry("Do first", told, _price(chain, 0), least=2)
        pointed = {getattr(_named(chain, n, "spared"), "component", None) for n in own}
    again = repeats.cells(Tells.COMPONENT)[0] if repeats is not None else None
    if chain is not None:
        # Of several chains the one that ends at what keeps failing.
        parts = [getattr(_named(chain, n, "spared"), "component", None) for n in own]
        n = own[parts.index(again)] if again in parts else 0
        at = next((i for i, column in enumerate(chain.columns) if column.kind == "sentence"), None)
        told = "" if at is None else str(chain.rows[n][at])
        yield from (_Entry("Points to", told, least=2, most=4),) if told else ()
    if repeats is not None and found.keeps_failing is not None and again not in pointed:
        why = repeats.cells(Tells.WHY)[0] or found.keeps_failing.result.headline
        yield _Entry("Keeps failing", str(why))


def _amount(chain: Table, n: int) -> str:
    """Return the money that a row spares, without its currency."""
    return _cell_named(chain, n, "spares").partition(" ")[0]


def _not_known(found: "Outlook") -> Iterator[_Entry]:
    """Yield what has to be settled, and what nobody has looked at."""
    unknown = []
    for said in found.unknown:
        if getattr(said, "code", "").startswith("outlook.settle"):
            yield _Entry("", said, least=2)
        else:
            unknown.append(_in_short(said))
    items = found.inspection.result.holding(Holds.INSPECTED) if found.inspection else None
    rows = () if items is None else items.marked()
    names: list[object] = []
    # Where nothing was looked at the line of the inspection says so.
    if items is not None and any(Mark.PASSES in marks for _row, marks in rows):
        names = [items.cells(Tells.NAME)[n] for n in _with(items, Mark.NOT_KNOWN)]
    told = [*unknown, *dict.fromkeys(str(name) for name in names)]
    if told:
        yield _Entry("Not looked at", told, most=2)


def _in_short(told: str) -> str:
    """Return what is not known in as few words as a screen has room for."""
    arguments = getattr(told, "arguments", {})
    if "parts" in arguments and "n" in arguments:
        return f"the age of {counted(arguments['n'], 'part')}"
    text = str(told).removesuffix(".")
    # They follow each other in one list.
    return text[:1].lower() + text[1:]


def _where_more(found: "Outlook") -> str:
    vehicle = found.vehicle["vehicle_id"]
    return escape(
        f"More: roadworn outlook {vehicle} --more, history {vehicle}, report vehicle {vehicle}"
    )


def _with(table: Table, mark: Mark) -> list[int]:
    """Return which rows carry a mark."""
    return [n for n, (_row, marks) in enumerate(table.marked()) if mark in marks]


def name_of(table: Table, n: int) -> str:
    """Return what a row is about: what it is named, or its part with its place."""
    named = table.cells(Tells.NAME)[n]
    if named:
        return str(named)
    component = table.cells(Tells.COMPONENT)[n]
    return part_name(str(component), str(table.cells(Tells.PLACE)[n] or "")) if component else ""


def _cell(table: Table, tells: Tells, n: int) -> str:
    """Return the cell of a row that tells this, as it is written."""
    at = table.place(tells)
    return "" if at is None else cell(table.columns[at], table.rows[n][at])


def _price(table: Table, n: int, mark: str = "") -> str:
    """Return the price of a row with a mark and its currency, or an empty text."""
    at = table.place(Tells.VALUE)
    if at is None or table.rows[n][at] is None or table.columns[at].kind != "money":
        return ""
    currency = table.columns[at].unit or str(table.cells(Tells.CURRENCY)[n] or "")
    return f"{cell(table.columns[at], table.rows[n][at])}{mark} {currency}".strip()


def _named(table: Table, n: int, name: str) -> Cell:
    """Return the cell of the column of this name, None where there is none."""
    at = next((i for i, column in enumerate(table.columns) if column.name == name), None)
    return None if at is None else table.rows[n][at]


def _cell_named(table: Table, n: int, name: str) -> str:
    """Return the amount in the column of this name with its currency, or an empty text."""
    at = next((i for i, column in enumerate(table.columns) if column.name == name), None)
    if at is None or table.rows[n][at] is None:
        return ""
    currency = table.columns[at].unit or str(table.cells(Tells.CURRENCY)[n] or "")
    return f"{cell(table.columns[at], table.rows[n][at])} {currency}".strip()


def spoken(found: "Outlook") -> Iterator[tuple[str, str, str, bool]]:
    """Yield (label, figure, words, it says stop) of all that the first screen says, uncut.

    For a door that has its own room for lines; an empty label goes on with the one above.
    """
    for group in _groups(found):
        for one in group:
            words = one.words if isinstance(one.words, str) else "; ".join(one.words)
            yield one.label, one.figure or "", words, one.look == "stop"
