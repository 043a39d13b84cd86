"""What the first screen of an outlook says: what to do, in what order, for how much.

Each entry has a label, a figure where it is about one, and words; the verb lays them out in 24
lines, and the page has its own room for them.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from roadworn.analysis import Holds, Mark, Table, Tells
from roadworn.analysis.outlook import places_in
from roadworn.model.messages import Joined, in_a_list, some_of
from roadworn.trade.cautions import brief_cautions_for
from roadworn_cli.first_words import SAYS
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
from roadworn_cli.screen import dot

if TYPE_CHECKING:
    from roadworn.analysis import Column
    from roadworn.analysis.outlook import Outlook

#: Code of what is to be tried before a vehicle is handed over.
TRY_FIRST: Final = "outlook.try-first"
_NEXT: Final = 3
#: Stop items that are told with their story; more of them are named.
_STORIES: Final = 2
_DOT: Final = 12
#: A job less likely to be needed than this is told with its chance.
_SURE: Final = 0.995
#: A chance whose limits are farther apart says hardly anything.
_UNSURE: Final = 0.6
_LIKELY: Final = 0.5
#: An amount from here on is written without cents.
_WHOLE: Final = 100
#: Work that can kill is cautioned of before anything else says stop.
_DEADLY: Final = ("ev.", "restraint.", "fuel.")


@dataclass(slots=True)
class Entry:
    """One thing that the first screen says.

    Attributes:
        label: what it is about; empty goes on with the entry above.
        words: a sentence, or the parts of a list, of which the last give way to "and 3 more".
        figure: stands between label and words; None gives the words its room.
        look: of the label.
        least: lines that it keeps when the screen is full; None keeps all of them.
        most: lines that it may take.
        under: of an entry that goes on with another, more of the label above.
        brief: in few words, for one list of such entries when the screen is full.
        floor: lines that it keeps whatever else is on the screen.
        biggest: of a list of jobs that is cut, each with what of the figure it makes up, the
            biggest first: what is left out is told by its sum.
    """

    label: str
    words: str | Sequence[str]
    figure: str | None = None
    look: str = "title"
    least: int | None = 1
    most: int = 99
    under: str = ""
    brief: str = ""
    floor: int = 1
    biggest: Sequence[tuple[str, float]] = ()


def groups(found: "Outlook") -> Iterator[Iterable[Entry]]:
    """Yield all that the first screen says, uncut, in groups that stand apart."""
    yield _stop(found)
    if found.vehicle.get("retired_on"):
        return
    yield _to_do(found)
    yield (*_inspection(found), *_next(found), *_money(found))
    yield (*_chain(found), *_ways(found))
    yield _not_known(found)


def _stop(found: "Outlook") -> Iterator[Entry]:
    """Yield what forbids driving with its story, and one caution for who repairs it."""
    table = due_of(found)
    at = rows_with(table, Mark.SAFETY)
    left = found.vehicle.get("retired_on")
    told = [] if left else rows_with(table, Mark.COMPLAINT)
    untried = [said for said in found.unknown if _code(said) == TRY_FIRST]
    # That only complaints are open is said by those themselves.
    if (not at and len(told) < len(rows_with(table, Mark.OPEN) or [0])) or left:
        now = Joined([*untried, _now(found, told=bool(told))], " ")
        yield Entry(
            SAYS("now"), now, look="stop" if untried else "title", least=None if untried else 2
        )
    elif untried:
        yield Entry(SAYS("now"), untried[0], look="stop", least=None)
    for said in found.unknown:
        if _code(said) == "outlook.not-seen" and not found.vehicle.get("retired_on"):
            yield Entry("", said, least=None)
    for n in at[:_STORIES]:
        story, name = table.cells(Tells.SEEN)[n], SAYS("do-not-drive", part=name_of(table, n))
        yield Entry(SAYS("stop"), Joined([name, story], ": "), look="stop", least=None)
    if at[_STORIES:]:
        yield Entry(SAYS("stop"), [_job(table, n) for n in at[_STORIES:]], look="stop")
    days, seen = table.cells(Tells.SINCE), table.cells(Tells.SEEN)
    typed = [(str(days[n]), getattr(seen[n], "arguments", {}).get("text", seen[n])) for n in told]
    heard = [
        Joined([SAYS("today") if day == str(found.as_of) else day, text], ": ")
        for day, text in sorted(typed, reverse=True)
    ]
    for one in heard[:_STORIES]:
        yield Entry(SAYS("complaint"), one, look="stop", least=None)
    if heard[_STORIES:]:
        yield Entry("", heard[_STORIES:])
    plan = found.holding(Holds.PLAN)
    asked = [] if plan is None else [*rows_with(plan, Mark.MUST), *rows_with(plan, Mark.SHOULD)]
    jobs = [str(plan.cells(Tells.COMPONENT)[n]) for n in asked] if plan is not None else []
    deadly = [component for component in jobs if component.startswith(_DEADLY)]
    named = [str(table.cells(Tells.COMPONENT)[n]) for n in at]
    brief = brief_cautions_for([*named, *deadly])
    if brief:
        yield Entry(SAYS("caution"), list(reversed(brief)))


def _now(found: "Outlook", *, told: bool) -> str:
    """Return what is open in a sentence, without the complaints where those follow it."""
    first = getattr(found.headline, "parts", (found.headline,))[0]
    words = getattr(first, "arguments", {}).get("words")
    kept = [one for one in getattr(words, "parts", ()) if _code(one) != "outlook.complaint-of"]
    return SAYS("open", what=Joined(kept)) if told and kept else first


def due_of(found: "Outlook") -> Table:
    """Return what is due, with today's prices where the analysis could run."""
    due = found.next_repairs.result.holding(Holds.DUE) if found.next_repairs is not None else None
    return found.open_now if due is None else due


def _to_do(found: "Outlook") -> Iterator[Entry]:
    """Yield must, should and can wait, each with its sum and its jobs."""
    plan, sums = found.holding(Holds.PLAN), found.holding(Holds.SUMS)
    if plan is None or sums is None:
        yield from _due_now(found)
        return
    for stage, label in (
        (Mark.MUST, SAYS("must")),
        (Mark.SHOULD, SAYS("should")),
        (Mark.CAN_WAIT, SAYS("can-wait")),
    ):
        rows = rows_with(plan, stage)
        jobs = [_job(plan, n, found) for n in rows]
        if stage is Mark.SHOULD:
            rows, jobs = _with_reasons(plan, rows, jobs)
        biggest = _biggest(plan, rows, found)
        if any(isinstance(c := named(plan, n, "chance"), float) and c < _SURE for n in rows):
            jobs[-1] = SAYS("by-chance", job=jobs[-1])
        if jobs:
            row = next(iter(rows_with(sums, stage)), None)
            figure = "" if row is None else sum_of(sums, row)
            # What is to be done is shortened after all else that is a list.
            least = 3 if stage is Mark.SHOULD else 1
            told = jobs if len(jobs) > 1 or stage is Mark.SHOULD else [name_of(plan, rows[0])]
            told = [*told, *_tests_after(plan, rows)] if stage is Mark.MUST else told
            floor = 2 if stage is Mark.SHOULD else 1
            sized = biggest if stage is not Mark.MUST else ()
            yield Entry(label, told, figure, least=least, floor=floor, biggest=sized)
        elif stage is Mark.MUST:
            yield Entry(label, SAYS("nothing-known"), "")


def _biggest(plan: Table, rows: Sequence[int], found: "Outlook") -> list[tuple[str, float]]:
    """Return jobs with what each makes up of their sum: what has failed, then the biggest."""
    sized = []
    for n in rows:
        why, size = named(plan, n, "in_short"), float(str(named(plan, n, "in_sum") or 0.0))
        failed = getattr(why, "code", "").endswith("because-failed")
        job = _job(plan, n, found)
        sized.append((not failed, -size, Joined([_text(why), job], ": ") if failed else job))
    return [(job, -size) for _waits, size, job in sorted(sized)]


def _tests_after(plan: Table, rows: Sequence[int]) -> Iterator[str]:
    """Yield what work on these asks to be done and tried after it, in one part of a list."""
    from roadworn.say.telling import test_words  # most vehicles have nothing that must be done
    from roadworn.trade.after_work import asked_after

    parts = [str(plan.cells(Tells.COMPONENT)[n] or "") for n in rows]
    tests = dict.fromkeys(test for part in parts for test in asked_after(part))
    if tests:
        yield SAYS("after-it", tests=Joined(map(test_words, tests)))


def _with_reasons(plan: Table, rows: list[int], jobs: list[str]) -> tuple[list[int], list[str]]:
    """Return jobs that have one reason after each other, the reason before the first of them."""
    reasons: list[str] = [_text(named(plan, n, "in_short")) for n in rows]
    order = list(dict.fromkeys(reasons))
    by_reason = sorted(range(len(rows)), key=lambda at: order.index(reasons[at]))
    told: list[str] = []
    for at, before in zip(by_reason, [-1, *by_reason], strict=False):
        new = reasons[at] and (before < 0 or reasons[before] != reasons[at])
        told.append(Joined([reasons[at], jobs[at]], ": ") if new else jobs[at])
    return [rows[at] for at in by_reason], told


def _due_now(found: "Outlook") -> Iterator[Entry]:
    """Yield what is due where no plan says in what order."""
    table = due_of(found)
    jobs = [_job(table, n) for n in range(len(table.rows))]
    yield Entry(SAYS("due-now"), jobs or SAYS("nothing-due"))


def _job(table: Table, n: int, found: "Outlook | None" = None) -> str:
    """Return a job with its price in a few words, and its chance where it may not be needed.

    One part has one chance on a screen: that it fails within the time looked ahead.
    """
    value = table.cells(Tells.VALUE)[n]
    price = SAYS("price", amount=value) if isinstance(value, int | float) else ""
    name = name_of(table, n) or _text(table.cells(Tells.STATE)[n] or table.cells(Tells.SEEN)[n])
    cause, fails = named(table, n, "chance"), found and found.chance_of(places_in(table)[n])
    unsure = isinstance(cause, float) and cause < _SURE
    waits = Mark.CAN_WAIT in table.marked()[n][1] and (fails or 0.0) >= _LIKELY
    told = SAYS("cause", chance=cause) if unsure else ""
    if found and fails and (unsure or waits):
        told = SAYS("chance-in", chance=fails, months=_months(found))
    if price:
        name = Joined([name, price], ": ")
    elif found:
        name = Joined([name, SAYS("not-priced")])
    return Joined([name, told], " ")


def _inspection(found: "Outlook") -> Iterator[Entry]:
    """Yield what an official inspection would say, in a line."""
    ran = found.inspection
    if found.vehicle.get("inspected_by") == "none":
        yield Entry(SAYS("inspection"), SAYS("none-asked"))
        return
    if ran is None:
        return
    items = ran.result.holding(Holds.INSPECTED)
    if items is None:
        yield Entry(SAYS("inspection"), ran.result.headline)
        return
    names = items.cells(Tells.NAME)
    failing, later = (
        dict.fromkeys(_text(names[n]) for n in rows_with(items, mark))
        for mark in (Mark.FAILED, Mark.SENT_BACK)
    )
    back = SAYS.when(later, "sent-back", items=Joined(later))
    told: str
    if failing or back:
        told = Joined([SAYS.when(failing, "would-fail", items=Joined(failing)), back], "; ")
    elif items.rows and not rows_with(items, Mark.PASSES):
        told = SAYS("not-known")
    elif items.rows:
        worn, unseen = worn_by(found.holding(Holds.PLAN)), _unseen(items)
        told = SAYS("passes" if worn else "no-fail")
        if unseen:
            # As the fleet's sheet says it: what nobody has looked at lately may fail.
            told = SAYS("not-until", items=some_of(unseen, _NEXT))
        if worn:
            told = Joined([told, SAYS("worn-by", parts=Joined(worn))], "; ")
    else:
        told = ran.result.headline
    due = next((named(t, 0, "due") for t in ran.result.tables if named(t, 0, "due")), None)
    due_then = SAYS("due", day=due) if due else ""
    yield Entry(SAYS("inspection"), Joined([told, due_then], "; "))


def _unseen(items: Table) -> list[str]:
    """Return what nobody has looked at of what an inspection asks for, each once."""
    names = items.cells(Tells.NAME)
    return list(dict.fromkeys(_text(names[n]) for n in rows_with(items, Mark.NOT_KNOWN)))


def worn_by(plan: Table | None) -> list[str]:
    """Return what of the plan is worn out by the day of the next inspection."""
    days = plan.named("worn_by") if plan is not None else None
    return [name_of(plan, n) for n, day in enumerate(days or ()) if plan is not None and day]


def _next(found: "Outlook") -> Iterator[Entry]:
    """Yield what is likeliest to fail within the time looked ahead, as chances with their range."""
    ahead = found.next_repairs.result.holding(Holds.AHEAD) if found.next_repairs else None
    if ahead is None:
        return
    rows = found.next_parts(_NEXT)
    span = SAYS("in", months=_months(found))
    for at, (n, is_above) in enumerate(rows):
        chance = float(str(ahead.cells(Tells.VALUE)[n]))
        low, high = (ahead.cells(t)[n] for t in (Tells.LOW, Tells.HIGH))
        limits = (low, high) if isinstance(low, float) and isinstance(high, float) else None
        cost = SAYS("listed") if is_above else money_in(ahead, n, "cost")
        words = [name_of(ahead, n), cost]
        words += [span] if len(rows) == 1 else []
        critical, likely = bool(named(ahead, n, "safety")), chance >= _LIKELY
        # Offered is what was found, or what the record alone is nearly sure of: this is neither.
        asked = critical and likely and not is_above
        words += [SAYS("look-now")] if asked else []
        words += [SAYS("unsure")] if limits and limits[1] - limits[0] > _UNSURE else []
        told = Joined([dot(chance, limits, _DOT), Joined(words)], "  ")
        figure, under = cell_of(ahead, Tells.VALUE, n), span if at == 1 else ""
        brief: str = Joined([figure, words[0], SAYS("brief-look") if asked else ""], " ")
        if at == len(rows) - 1:
            brief = Joined([brief, SAYS("all-in", months=_months(found))], "; ")
        yield Entry("" if at else SAYS("next"), told, figure, under=under, brief=brief)


def _money(found: "Outlook") -> Iterator[Entry]:
    """Yield what failures are likely to come to, with the band."""
    ran = found.next_repairs
    for estimate in ran.result.estimates[:1] if ran is not None else ():
        label = _months(found)
        if estimate.value is None:
            yield Entry(label, estimate.words)
            return
        # What failed or is overdue is no projection, and is paid all the same.
        due, value = found.due_besides(), estimate.value
        limits = {"low": due + (estimate.low or 0.0), "high": due + (estimate.high or 0.0)}
        band = SAYS("band", **limits) if estimate.low is not None else ""
        figure = SAYS("figure", value=value + due, unit=estimate.unit)
        told = SAYS("year-in-all", due=due, ahead=value) if due else SAYS("what-fails")
        yield Entry(label, Joined([told, band], " "), figure)


def _ways(found: "Outlook") -> Iterator[Entry]:
    """Yield the ways on with what each costs now, and what turns the choice."""
    ways, turns = found.holding(Holds.WAYS), found.holding(Holds.TURNS)
    if ways is not None:
        for at, (n, names) in enumerate(ways_apart(ways)):
            label = "" if at else SAYS("pay")
            yield Entry(label, _way(ways, n, names), sum_of(ways, n))
    elif found.advice is not None and found.next_repairs is None:
        yield Entry(SAYS("ways"), found.advice.result.headline)
    if turns is not None:
        yield Entry(SAYS("keep"), _text(turns.rows[0][0]), least=2)


def _way(ways: Table, n: int, name: str) -> str:
    """Return a way on with what it costs a month, or with what is to be said of it."""
    later = [
        _cost(column, ways.rows[n][i])
        for i, column in enumerate(ways.columns)
        if column.kind == "money"
        and column.brief
        and column.tells is not Tells.VALUE
        and ways.rows[n][i] is not None
    ]
    short = named(ways, n, "in_short")
    said = later or [_text(named(ways, n, "note") if short is None else short)]
    unpriced = named(ways, n, "unpriced")
    told = Joined([SAYS.when(unpriced, "way-unpriced", parts=unpriced), *said], "; ")
    return Joined([name, told], ": ")


def _cost(column: "Column", value: object) -> str:
    if isinstance(value, int | float) and abs(value) >= _WHOLE:
        return SAYS("way-cost-whole", amount=value, title=column.title)
    return SAYS("way-cost", amount=cell(column, value), title=column.title)


def _chain(found: "Outlook") -> Iterator[Entry]:
    """Yield what to do first and what that spares, and what keeps failing."""
    chain, repeats = found.holding(Holds.CHAIN), found.holding(Holds.REPEATS)
    pointed = set()
    if chain is None and found.causes is not None and found.holding(Holds.CAUSES) is not None:
        # Nothing ties it to other work: what it points to, and the look that tells.
        yield Entry(SAYS("points"), found.causes.result.headline, most=3)
    if chain is not None:
        keys = list(zip(chain.cells(Tells.COMPONENT), chain.cells(Tells.PLACE), strict=True))
        own = [n for n, key in enumerate(keys) if key == keys[0]]
        spares = [named(chain, n, "spares") for n in own]
        worth = [SAYS("price", amount=s) if isinstance(s, int | float) else "" for s in spares]
        spared = [
            Joined([_text(named(chain, n, "spared")), w], ": ")
            for n, w in zip(own, worth, strict=True)
        ]
        first = [SAYS("spares", job=name_of(chain, 0), part=spared[0]), *spared[1:]]
        yield Entry(SAYS("do-first"), first, price_of(chain, 0), least=2)
        pointed = {getattr(named(chain, n, "spared"), "component", None) for n in own}
    again = repeats.cells(Tells.COMPONENT)[0] if repeats is not None else None
    if chain is not None:
        # Of several chains the one that ends at what keeps failing.
        parts = [getattr(named(chain, n, "spared"), "component", None) for n in own]
        n = own[parts.index(again)] if again in parts else 0
        told = _text(named(chain, n, "in_short") or named(chain, n, "sentence"))
        yield from (Entry(SAYS("points"), told, least=2, most=4, floor=2),) if told else ()
    if repeats is not None and found.keeps_failing is not None and again not in pointed:
        why = repeats.cells(Tells.WHY)[0] or found.keeps_failing.result.headline
        # What is said of a class or a maker's part is no count of this vehicle.
        many = named(repeats, 0, "vehicles")
        told = _text(why)
        if isinstance(many, int) and many > 1:
            told = SAYS("in-fleet", place=repeats.cells(Tells.PLACE)[0], why=why)
        yield Entry(SAYS("failing"), told, least=2)


def _not_known(found: "Outlook") -> Iterator[Entry]:
    """Yield what has to be settled, and what nobody has looked at."""
    unknown = []
    for said in found.unknown:
        if _code(said).startswith("outlook.settle"):
            yield Entry("", said, least=2)
        elif _code(said) not in {"outlook.not-seen", TRY_FIRST}:  # these stand on top
            unknown.append(_in_short(said))
    items = found.inspection.result.holding(Holds.INSPECTED) if found.inspection else None
    rows = () if items is None else items.marked()
    names: list[str] = []
    # Where nothing was looked at the line of the inspection says so.
    if items is not None and any(Mark.PASSES in marks for _row, marks in rows):
        names = _unseen(items)
    told = [*unknown, *names]
    if told:
        yield Entry(SAYS("not-looked"), told, most=2)


def _in_short(told: str) -> str:
    """Return what is not known in as few words as a screen has room for."""
    arguments = getattr(told, "arguments", {})
    if "parts" in arguments and "n" in arguments:
        return SAYS("ages", n=arguments["n"])
    # They follow each other in one list.
    return in_a_list(told)


def _code(said: str) -> str:
    return getattr(said, "code", "")


def _months(found: "Outlook") -> str:
    """Return how far what comes next is looked ahead."""
    settings = found.next_repairs.settings if found.next_repairs is not None else None
    months = float(getattr(settings, "months", 12.0))
    return SAYS("months", n=months)


def _text(value: object) -> str:
    """Return a cell as it is where it is a text, a sentence among them, else as a text."""
    return value if isinstance(value, str) else "" if value is None else str(value)
