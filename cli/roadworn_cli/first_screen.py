"""The first screen of an outlook: what to do, in what order, for how much, in 24 lines.

Each entry has a label, a figure where it is about one, and words. A screen that is full
shortens lists before sentences and never what says stop; `outlook --more` has all of it.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import TYPE_CHECKING, Final

from roadworn.analysis import Holds, Mark, Table, Tells
from roadworn.analysis.outlook import places_in
from roadworn.trade.cautions import brief_cautions_for
from roadworn_cli.output import counted, escape
from roadworn_cli.results import (
    cell,
    cell_of,
    money_in,
    name_of,
    named,
    price_of,
    rows_with,
    sum_of,
    ways_apart,
)
from roadworn_cli.screen import (
    Line,
    dot,
    encoded,
    glyphs,
    listed,
    padded,
    span,
    text,
    to_a_stop,
    width,
    wrapped,
)

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
#: A chance whose limits are farther apart says hardly anything.
_UNSURE: Final = 0.6
_LIKELY: Final = 0.5
#: Work that can kill is cautioned of before anything else says stop.
_DEADLY: Final = ("ev.", "restraint.", "fuel.")


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
        under: of an entry that goes on with another, more of the label above.
    """

    label: str
    words: str | Sequence[str]
    figure: str | None = None
    look: str = "title"
    least: int | None = 1
    most: int = 99
    under: str = ""

    def lines(self, cells: int, wide: int) -> list[Line]:
        """Return its lines, no more than `most`, in so many columns, `wide` of them a figure's."""
        label = f"{padded(self.label or self.under, _LABEL - 1)} "
        figure = (
            "" if self.figure is None else f"{padded(self.figure, wide, right=True)}{' ' * _GAP}"
        )
        before = len(label + figure)
        room = max(cells - before, 20)
        if isinstance(self.words, str):
            texts = wrapped(encoded(escape(self.words)), room)
            if len(texts) > self.most:
                kept = wrapped(encoded(escape(self.words)), room - 2)[: self.most]
                texts = [*kept[:-1], f"{to_a_stop(kept[-1])} {glyphs().more}"]
        else:
            texts = listed([encoded(escape(one)) for one in self.words], room, self.most)
        return [
            [(" " * before, ""), (text, "")]
            if number
            else [(label, self.look), (figure, ""), (text, "")]
            for number, text in enumerate(texts)
        ]


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
    if found.vehicle.get("retired_on"):
        return
    yield _to_do(found)
    yield (*_inspection(found), *_next(found), *_money(found))
    yield (*_chain(found), *_ways(found))
    yield _not_known(found)


def _stop(found: "Outlook") -> Iterator[_Entry]:
    """Yield what forbids driving with its story, and one caution for who repairs it."""
    table = due_of(found)
    at = rows_with(table, Mark.SAFETY)
    left = found.vehicle.get("retired_on")
    told = [] if left else rows_with(table, Mark.COMPLAINT)
    # That only complaints are open is said by those themselves.
    if (not at and len(told) < len(rows_with(table, Mark.OPEN) or [0])) or left:
        parts = getattr(found.headline, "parts", (found.headline,))
        yield _Entry("Now", str(parts[0]), least=2)
    for said in found.unknown:
        if _code(said) == "outlook.not-seen" and not found.vehicle.get("retired_on"):
            yield _Entry("", said, least=None)
    for n in at[:_STORIES]:
        story, name = table.cells(Tells.SEEN)[n], f"{name_of(table, n)}, do not drive"
        yield _Entry("STOP", f"{name}: {story}" if story else name, look="stop", least=None)
    if at[_STORIES:]:
        yield _Entry("STOP", [_job(table, n) for n in at[_STORIES:]], look="stop")
    days, seen = table.cells(Tells.SINCE), table.cells(Tells.SEEN)
    typed = (f"{days[n]}: {getattr(seen[n], 'arguments', {}).get('text', seen[n])}" for n in told)
    heard = sorted(typed, reverse=True)
    for one in heard[:_STORIES]:
        yield _Entry("Complaint", one, look="stop", least=None)
    if heard[_STORIES:]:
        yield _Entry("", heard[_STORIES:])
    plan = found.holding(Holds.PLAN)
    asked = [] if plan is None else [*rows_with(plan, Mark.MUST), *rows_with(plan, Mark.SHOULD)]
    jobs = [str(plan.cells(Tells.COMPONENT)[n]) for n in asked] if plan is not None else []
    deadly = [component for component in jobs if component.startswith(_DEADLY)]
    named = [str(table.cells(Tells.COMPONENT)[n]) for n in at]
    brief = brief_cautions_for([*named, *deadly])
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
        rows = rows_with(plan, stage)
        jobs = [_job(plan, n, found) for n in rows]
        if any(isinstance(c := named(plan, n, "chance"), float) and c < _SURE for n in rows):
            jobs[-1] += ", each cause counted by its chance"
        if jobs:
            row = next(iter(rows_with(sums, stage)), None)
            figure = "" if row is None else sum_of(sums, row)
            # What is to be done is shortened after all else that is a list.
            least = 2 if stage is Mark.SHOULD else 1
            told = jobs if len(jobs) > 1 else [name_of(plan, rows[0])]
            yield _Entry(label, told, figure, least=least)
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


def _job(table: Table, n: int, found: "Outlook | None" = None) -> str:
    """Return a job with its price in a few words, and its chance where it may not be needed.

    One part has one chance on a screen: that it fails within the time looked ahead.
    """
    value = table.cells(Tells.VALUE)[n]
    price = f"{value:,.0f}" if isinstance(value, int | float) else ""
    name = name_of(table, n) or str(table.cells(Tells.STATE)[n] or table.cells(Tells.SEEN)[n] or "")
    cause, fails = named(table, n, "chance"), found and found.chance_of(places_in(table)[n])
    unsure = isinstance(cause, float) and cause < _SURE
    waits = Mark.CAN_WAIT in table.marked()[n][1] and (fails or 0.0) >= _LIKELY
    told = f"({cause:.0%} the cause)" if unsure else ""
    if found and fails and (unsure or waits):
        told = f"({fails:.0%} in {_months(found)})"
    return " ".join(
        filter(None, (name if price or not found else f"{name}, not priced", price, told))
    )


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
    failing, later = (
        dict.fromkeys(str(names[n]) for n in rows_with(items, mark))
        for mark in (Mark.FAILED, Mark.SENT_BACK)
    )
    back = f"would be sent back, not ready: {', '.join(later)}" if later else ""
    if failing or back:
        fails = f"would fail on {', '.join(failing)}" if failing else ""
        told = "; ".join(filter(None, (fails, back)))
    elif items.rows and not rows_with(items, Mark.PASSES):
        told = "not known: nothing that it asks for was looked at"
    elif items.rows:
        told = "nothing on record that would fail"
    else:
        told = str(ran.result.headline)
    due = next((named(t, 0, "due") for t in ran.result.tables if named(t, 0, "due")), None)
    yield _Entry("Inspection", f"{told}; due {due}" if due else told)


def _next(found: "Outlook") -> Iterator[_Entry]:
    """Yield what is likeliest to fail within the time looked ahead, as chances with their range."""
    ahead = found.next_repairs.result.holding(Holds.AHEAD) if found.next_repairs else None
    if ahead is None:
        return
    rows = found.next_parts(_NEXT)
    span = f"in {_months(found)}"
    for at, (n, is_above) in enumerate(rows):
        chance = float(str(ahead.cells(Tells.VALUE)[n]))
        low, high = (ahead.cells(t)[n] for t in (Tells.LOW, Tells.HIGH))
        limits = (low, high) if isinstance(low, float) and isinstance(high, float) else None
        words = [name_of(ahead, n), "listed above" if is_above else money_in(ahead, n, "cost")]
        words += [span] if len(rows) == 1 else []
        words += ["very unsure"] if limits and limits[1] - limits[0] > _UNSURE else []
        told = f"{dot(chance, limits, _DOT)}  {', '.join(filter(None, words))}"
        figure, under = cell_of(ahead, Tells.VALUE, n), span if at == 1 else ""
        yield _Entry("" if at else "Next to fail", told, figure, under=under)


def _money(found: "Outlook") -> Iterator[_Entry]:
    """Yield what failures are likely to come to, with the band."""
    ran = found.next_repairs
    for estimate in ran.result.estimates[:1] if ran is not None else ():
        label = _months(found)
        if estimate.value is None:
            yield _Entry(label, estimate.words)
            return
        band = f" ({estimate.low:,.0f} to {estimate.high:,.0f})" if estimate.low is not None else ""
        figure = f"{estimate.value:,.0f} {estimate.unit}"
        yield _Entry(label, f"for what fails, worn parts above too{band}", figure)


def _ways(found: "Outlook") -> Iterator[_Entry]:
    """Yield the ways on with what each costs now, and what turns the choice."""
    ways, turns = found.holding(Holds.WAYS), found.holding(Holds.TURNS)
    if ways is not None:
        months = getattr(found.advice.settings, "months", None) if found.advice else None
        if all(named(ways, n, "monthly") is None for n in range(len(ways.rows))):
            months = None
        labels = ["Ways on", f"{months} months," if months else "", "all in" if months else ""]
        apart = list(ways_apart(ways))
        labels += [""] * len(apart)
        for at, (n, names) in enumerate(apart):
            told = _way(ways, n, names)
            yield _Entry("" if at else labels[0], told, sum_of(ways, n), under=labels[at])
    elif found.advice is not None and found.next_repairs is None:
        yield _Entry("Ways on", found.advice.result.headline)
    if turns is not None:
        yield _Entry("It turns", str(turns.rows[0][0]), least=2)


def _way(ways: Table, n: int, name: str) -> str:
    """Return a way on with what it costs a month, or with what is to be said of it."""
    later = [
        f"{cell(column, ways.rows[n][i])} {column.title}"
        for i, column in enumerate(ways.columns)
        if column.kind == "money"
        and column.brief
        and column.tells is not Tells.VALUE
        and ways.rows[n][i] is not None
    ]
    said = later or [str(named(ways, n, "note") or "")]
    unpriced = named(ways, n, "unpriced")
    told = "; ".join(filter(None, (f"and {unpriced}, not priced" if unpriced else "", *said)))
    return f"{name}: {told}" if told else name


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
        spared = [f"{named(chain, n, 'spared')} {_amount(chain, n)}".strip() for n in own]
        told = f"{name_of(chain, 0)}: it may spare {', '.join(spared)}"
        yield _Entry("Do first", told, price_of(chain, 0), least=2)
        pointed = {getattr(named(chain, n, "spared"), "component", None) for n in own}
    again = repeats.cells(Tells.COMPONENT)[0] if repeats is not None else None
    if chain is not None:
        # Of several chains the one that ends at what keeps failing.
        parts = [getattr(named(chain, n, "spared"), "component", None) for n in own]
        n = own[parts.index(again)] if again in parts else 0
        at = next((i for i, column in enumerate(chain.columns) if column.kind == "sentence"), None)
        told = "" if at is None else str(chain.rows[n][at])
        yield from (_Entry("Points to", told, least=2, most=4),) if told else ()
    if repeats is not None and found.keeps_failing is not None and again not in pointed:
        why = repeats.cells(Tells.WHY)[0] or found.keeps_failing.result.headline
        # What is said of a class or a maker's part is no count of this vehicle.
        many = named(repeats, 0, "vehicles")
        fleet = f"in the fleet, {repeats.cells(Tells.PLACE)[0]}: "
        told = f"{fleet if isinstance(many, int) and many > 1 else ''}{why}"
        yield _Entry("Keeps failing", told, least=2)


def _amount(chain: Table, n: int) -> str:
    """Return the money that a row spares, without its currency."""
    return money_in(chain, n, "spares").partition(" ")[0]


def _not_known(found: "Outlook") -> Iterator[_Entry]:
    """Yield what has to be settled, and what nobody has looked at."""
    unknown = []
    for said in found.unknown:
        if _code(said).startswith("outlook.settle"):
            yield _Entry("", said, least=2)
        elif _code(said) != "outlook.not-seen":  # it stands on top
            unknown.append(_in_short(said))
    items = found.inspection.result.holding(Holds.INSPECTED) if found.inspection else None
    rows = () if items is None else items.marked()
    names: list[object] = []
    # Where nothing was looked at the line of the inspection says so.
    if items is not None and any(Mark.PASSES in marks for _row, marks in rows):
        names = [items.cells(Tells.NAME)[n] for n in rows_with(items, Mark.NOT_KNOWN)]
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
    return escape(f"More: roadworn outlook {vehicle} --more; also history, report vehicle")


def _code(said: str) -> str:
    return getattr(said, "code", "")


def _months(found: "Outlook") -> str:
    """Return how far what comes next is looked ahead."""
    settings = found.next_repairs.settings if found.next_repairs is not None else None
    months = float(getattr(settings, "months", 12.0))
    return f"{months:g} month{'' if months == 1 else 's'}"


def spoken(found: "Outlook") -> Iterator[tuple[str, str, str, bool]]:
    """Yield (label, figure, words, it says stop) of all that the first screen says, uncut.

    For a door that has its own room for lines; an empty label goes on with the one above.
    """
    for group in _groups(found):
        entries = list(group)
        for at, one in enumerate(entries):
            words = one.words if isinstance(one.words, str) else "; ".join(one.words)
            more = takewhile(lambda e: not e.label, entries[at + 1 :])
            label = " ".join(filter(None, (one.label, *(e.under for e in more if one.label))))
            yield label, one.figure or "", words, one.look == "stop"
