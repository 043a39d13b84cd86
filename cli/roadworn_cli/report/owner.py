"""The owner's report: two sheets of paper to take home, read as a bill is read.

First what stops the vehicle, then what is to be done with its sums, then what it rests on; what
comes next and what to do with the vehicle stand on the second sheet. What is about other
vehicles, about settings or about method is on the full report.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from roadworn.analysis import Answers, Cell, Holds, Mark, Marks, Ran, Table, Tells
from roadworn.analysis.outlook import Outlook
from roadworn.say import Said
from roadworn.trade.cautions import cautions_for
from roadworn_cli.first_screen import TRY_FIRST
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.life_line import life_line
from roadworn_cli.report.looked_at import last_visit
from roadworn_cli.report.model import Block, Facts, Item, Items, Paragraph, Section, Stop
from roadworn_cli.report.prospects import (
    currency_of,
    likely_to_hurt,
    money_section,
    next_section,
    ways_section,
)
from roadworn_cli.report.sections import cautions_section, folded, left_out
from roadworn_cli.report.tables import MONEY, estimate_text, money_text, value_text
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

#: Jobs with a line each; the others share one. What must be done has a line for each.
_SOON, _WAITS = 8, 6
#: Sentences of the inspection about its price: the sheet has the one sum of the way that passes.
_PRICED_APART = frozenset(
    f"inspection-outlook.{word}" for word in ("cost-to-pass", "cost-to-pass-one", "no-price")
)
#: A job less likely to be needed than this counts in its sum by its chance.
_SURE = 0.995
#: Stages of the work in their order, with the key of their heading.
_STAGES = ((Mark.MUST, "stage_now"), (Mark.SHOULD, "stage_soon"), (Mark.CAN_WAIT, "stage_watch"))


@dataclass(frozen=True, slots=True)
class Job:
    """A piece of work as the page tells it: what, what was seen, and its price with limits.

    Of its price `counted` is in the sums, all of it but for what may not be needed.
    """

    name: Said
    seen: Said
    price: tuple[Cell, Cell, Cell]
    marks: Marks
    component: str = ""
    chance: Cell = None
    counted: Cell = None


@dataclass(frozen=True, slots=True)
class Told:
    """What somebody said of the vehicle, or what it told itself by a code."""

    text: Said
    heard: bool


def owner_sections(asker: Asker, found: Outlook, words: Words, vehicle_id: str) -> list[Section]:
    """Return the owner's report up to what it rests on.

    Args:
        asker: the analyses have been asked already.
        found: the outlook.
        words: of the report.
        vehicle_id: an enrolled vehicle.
    """
    ran, view = asker.ran, asker.view
    jobs, told = _work(found, words)
    life = life_line(view, vehicle_id, ran.get(Answers.KEEPS_FAILING), words, small=True)
    coming = next_section(found, words)
    second = [
        coming,
        ways_section(found, words),
        None
        if life is None
        else Section("life-line", words("life"), folded(life.title, (life,)), wide=True),
    ]
    later = [section for section in second if section is not None]
    if later:
        # The second sheet of paper.
        later[0] = replace(later[0], fresh=True)
    # Of the work alone: what may fail some day is worked on by nobody yet.
    named = [job.component for job in jobs if job.component]
    sections = [
        _to_do(found, jobs, words, view, vehicle_id),
        _what_is_said(found, told, words),
        money_section(found, words),
        _inspection(found, ran.get(Answers.PASSES), ran.get(Answers.SERVICE_DUE), words),
        _not_known(found, words),
        *later,
        left_out(asker.left_out, words),
        cautions_section(cautions_for(named), found.closing, words, fold=True),
    ]
    return [section for section in sections if section is not None]


def _work(found: Outlook, words: Words) -> tuple[list[Job], list[Told]]:
    """Return the work by the plan, or by what is due, and what was told or read besides."""
    chain = found.holding(Holds.CHAIN)
    pointed = {event for row in (chain.evidence if chain is not None else ()) for event in row}
    told: list[Told] = []
    jobs: list[Job] = []
    # The table with prices where the analysis could run, else what is recorded as open.
    due = found.holding(Holds.DUE) or found.open_now
    evidence = due.evidence or ((),) * len(due.rows)
    for (job, component, seen), events, since in zip(
        _jobs(due, words), evidence, due.cells(Tells.SINCE), strict=True
    ):
        if seen and Mark.COMPLAINT in job.marks:
            typed = words.said(getattr(seen, "arguments", {}).get("text") or seen)
            # What somebody typed stands in their words, with its day.
            told.append(Told(words("said_on", day=since, text=typed) if since else typed, True))
        elif component:
            jobs.append(job)
        elif seen and not pointed.intersection(events):
            # What the chain says of a code is not said twice.
            told.append(Told(words.said(seen), False))
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
        table.cells(tells)
        for tells in (Tells.COMPONENT, Tells.PLACE, Tells.NAME, Tells.SEEN, Tells.WHY)
    )
    chances = table.named("chance") or [None] * len(table.rows)
    counted = table.named("in_sum") or table.cells(Tells.VALUE)
    for (row, marks), chance, in_sum, component, place, name, seen, why in zip(
        table.marked(), chances, counted, *columns, strict=True
    ):
        called = words.part(component, place or "") if component else words.word(name or "")
        told = words.word(seen or why or "")
        value = None if at is None else row[at]
        low, high = (None if n is None else row[n] for n in limits)
        yield (
            Job(
                called,
                told,
                (value, low, high),
                marks,
                str(component or ""),
                chance,
                in_sum,
            ),
            component,
            seen,
        )


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
        # What was seen of each stands right below.
        lines = tuple(
            words("priced_line", told=one.name, price=_whole(one, found, words)) for one in stopping
        )
        blocks.append(Stop(words("stop"), lines, words("stop_told")))
    elif visit.day is None:
        # Nobody looked: that nothing is recorded as failed must not be read as good news.
        blocks.append(Paragraph(words("never_looked_at"), "lead"))
    else:
        blocks.append(Paragraph(words("no_safety_open"), "lead"))
    untried = [said for said in found.unknown if getattr(said, "code", "") == TRY_FIRST]
    blocks[:0] = [Paragraph(words.said(said), "alert") for said in untried]
    likely = likely_to_hurt(found, words)
    if likely:
        told = words("safety_likely", parts=words.joined(likely, "; "))
        blocks.append(Paragraph(told, "lead"))
    unit = currency_of(found)
    sums = found.holding(Holds.SUMS)
    for mark, key in _STAGES:
        mine = [job for job in jobs if _stage(job) is mark]
        if mine:
            most = {Mark.SHOULD: _SOON, Mark.CAN_WAIT: _WAITS}.get(mark, len(mine))
            total = _sum_of(sums, mark, unit, words) or _added(mine, unit, words)
            blocks += _items(words(key), mine, most, total, words)
    if not jobs and visit.day is not None:
        blocks.append(Paragraph(words("nothing_open")))
    return Section("today", words("to_do"), tuple(blocks), wide=True)


def _items(caption: Said, jobs: list[Job], most: int, total: Said, words: Words) -> list[Block]:
    """Return a line for each job, and one line for all beyond the most."""
    shown = jobs if len(jobs) <= most + 1 else jobs[:most]
    items = tuple(
        Item(
            job.name,
            job.seen,
            _in_sum(job, words),
        )
        for job in shown
    )
    headings = (words("what"), words("seen"), words("price"))
    blocks: list[Block] = [Items(caption, headings, items, total)]
    if len(shown) < len(jobs):
        rest = [
            words("job_price", name=job.name, price=_in_sum(job, words, brief=True))
            for job in jobs[len(shown) :]
        ]
        blocks.append(Paragraph(words("besides", jobs=words.joined(rest, "; "))))
    if any(map(_unsure, jobs)):
        blocks.append(Paragraph(words("by_chance_range"), "quiet"))
    return blocks


def _whole(job: Job, found: Outlook, words: Words) -> Said:
    return money_text(job.price[0], None, None, currency_of(found), words) or words("no_price")


def _in_sum(job: Job, words: Words, *, brief: bool = False) -> Said:
    """Return what of a price is in the sum, so that a column adds up to what stands over it.

    Of what may not be needed the whole price stands beside it, with how likely it is.
    """
    if _unsure(job):
        share = Said(words.number(f"{job.chance:.0%}"))
        counted, whole = (
            money_text(value, None, None, "", words) for value in (job.counted, job.price[0])
        )
        return words("by_chance", counted=counted, chance=share, whole=whole)
    limits = (None, None) if brief else job.price[1:]
    return estimate_text(job.price[0], *limits, "", words) or words("no_price")


def _unsure(job: Job) -> bool:
    chance = job.chance
    return job.price[0] is not None and isinstance(chance, float) and chance < _SURE


def _sum_of(sums: Table | None, mark: Mark, unit: str, words: Words) -> Said:
    """Return what a stage comes to by the plan's own sums."""
    at = sums.place(Tells.VALUE) if sums is not None else None
    if sums is None or at is None:
        return Said()
    for number, (row, marks) in enumerate(sums.marked()):
        if mark in marks and row[at] is not None:
            low, high = (sums.cells(tells)[number] for tells in (Tells.LOW, Tells.HIGH))
            told = estimate_text(row[at], low, high, unit, words)
            unpriced = (sums.named("unpriced") or [None] * len(sums.rows))[number]
            if not unpriced:
                return told
            if not row[at]:
                return words("no_price")
            return words("and_unpriced", value=told, names=words.said(unpriced))
    return Said()


def _added(jobs: list[Job], unit: str, words: Words) -> Said:
    """Return the sum of the prices, and that it is not all where one has none."""
    priced = [float(value) for job in jobs if isinstance(value := job.counted, int | float)]
    if not priced:
        return Said()
    text = money_text(sum(priced), None, None, unit, words)
    return text if len(priced) == len(jobs) else words("at_least", value=text)


def _what_is_said(found: Outlook, told: list[Told], words: Words) -> Section | None:
    """Return what the owner and the vehicle told, where it points, and what to do first."""
    pairs = []
    for heard, key in ((True, "you_said"), (False, "it_says")):
        texts = [one.text for one in told if one.heard is heard]
        if texts:
            pairs.append((words(key), words.joined(texts, " ")))
    chain = found.holding(Holds.CHAIN)
    if chain is not None:
        # What was offered for it before stands with its job.
        points = chain.named("in_short") or chain.named("sentence")
        first = _told_chain(chain, found.holding(Holds.REPEATS))
        if points and points[first]:
            pairs.append((words("it_points"), words.said(points[first])))
        pairs.append((words("do_first"), _first(chain, currency_of(found), words)))
    return Section("told", words("told"), (Facts(tuple(pairs)),), wide=True) if pairs else None


def _told_chain(chain: Table, repeats: Table | None) -> int:
    """Return which of the chains from one job is told: the one that ends at what keeps failing."""
    again = repeats.cells(Tells.COMPONENT)[0] if repeats is not None else None
    names = chain.named("spared") or []
    keys = list(zip(chain.cells(Tells.COMPONENT), chain.cells(Tells.PLACE), strict=True))
    return next(
        (
            n
            for n, name in enumerate(names)
            if keys[n] == keys[0] and again and getattr(name, "component", None) == again
        ),
        0,
    )


def _first(chain: Table, unit: str, words: Words) -> Said:
    """Return the job that others hang on, with its price and what it may spare."""
    keys = list(zip(chain.cells(Tells.COMPONENT), chain.cells(Tells.PLACE), strict=True))
    own = [n for n, key in enumerate(keys) if key == keys[0]]
    names, prices = chain.named("spared"), chain.named("spares")
    spared = [
        words("job_price", name=words.said(names[n]), price=value_text(MONEY, price, words, 0))
        if prices and (price := prices[n]) is not None
        else words.said(names[n])
        for n in own
        if names and names[n]
    ]
    at = chain.place(Tells.VALUE)
    price = Said() if at is None else money_text(chain.rows[0][at], None, None, unit, words)
    name = words.part(keys[0][0] or "", keys[0][1] or "")
    name = words("job_price", name=name, price=price) if price else name
    return words("may_spare", name=name, parts=words.joined(spared, "; ")) if spared else name


def _inspection(
    found: Outlook, passes: Ran | None, service: Ran | None, words: Words
) -> Section | None:
    """Return what the inspection and the schedule say, a sentence each."""
    pairs = []
    if passes is not None:
        pairs.append((words("passing"), _to_pass(found, passes, words)))
    table = service.result.holding(Holds.SERVICES) if service is not None else None
    if table is not None:
        days = table.named("due_on") or [None] * len(table.rows)
        rows = [
            (words.word(component), state, day)
            for (_row, marks), component, state, day in zip(
                table.marked(),
                table.cells(Tells.COMPONENT),
                table.cells(Tells.STATE),
                days,
                strict=True,
            )
            if Mark.LATER not in marks and component
        ]
        soon = [_service(*row, words) for row in rows if row[1] != "no record"]
        # What nobody wrote down may have been done elsewhere: that is not due, nor is it in time.
        unknown = [name for name, state, _day in rows if state == "no record"]
        if soon or not unknown:
            told = words.joined(soon, "; ") if soon else words("no_service_due")
            pairs.append((words("service_due"), told))
        if unknown:
            pairs.append((words("service_unknown"), words.joined(unknown, "; ")))
    return Section("due", words("due_title"), (Facts(tuple(pairs)),)) if pairs else None


def _to_pass(found: Outlook, passes: Ran, words: Words) -> Said:
    """Return what the inspection says, and the one sum that the ways on have for passing it."""
    said = words.said(passes.result.headline)
    items, ways = passes.result.holding(Holds.INSPECTED), found.holding(Holds.WAYS)
    fails = items is not None and any(Mark.FAILED in marks for _row, marks in items.marked())
    if ways is None or not fails:
        return said
    at = next((n for n, (_row, marks) in enumerate(ways.marked()) if Mark.PASSES in marks), None)
    value = None if at is None else ways.cells(Tells.VALUE)[at]
    if at is None or not value:
        return said
    price = money_text(value, None, None, currency_of(found), words)
    # One price: what is known to be needed and what has none yet are both in the way's sum.
    parts = getattr(passes.result.headline, "parts", (passes.result.headline,))
    kept = [one for one in parts if getattr(one, "code", "") not in _PRICED_APART]
    said = words.joined([words.said(one) for one in kept], " ")
    return words("to_pass", said=said, value=price, way=words.word(ways.cells(Tells.NAME)[at]))


def _service(name: Said, state: Cell, day: Cell, words: Words) -> Said:
    """Return a service with its state; its day only where it is still to come by that day."""
    if state in {"overdue", "due"}:
        return words.joined((name, words.word(state)), ": ")
    return name if day is None else words("service_by", name=name, day=day)


def _not_known(found: Outlook, words: Words) -> Section | None:
    """Return what nobody has looked at: that is not the same as sound."""
    # What is to be tried stands on top.
    unknown = [said for said in found.unknown if getattr(said, "code", "") != TRY_FIRST]
    if not unknown:
        return None
    text = words.sentences(unknown)
    summary = words("unknown_fold", number=len(unknown))
    return Section("not-known", words("not_known"), folded(summary, (Paragraph(text, "quiet"),)))
