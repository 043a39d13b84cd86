"""The fleet sheet's first page: what a manager decides by, on one sheet of paper.

Vehicles to stop, what is overdue and can hurt somebody, the year's money beside what last year's
projection came to, the causes that cost most, the vehicles that cost most for their class, the
claims that run out, and where the rest stands.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date
from typing import TYPE_CHECKING

from roadworn.analysis import Answers, Cell, Holds, Mark, Ran, Table, Tells
from roadworn.model.catalogue import catalogue
from roadworn.say import Said
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.budget import budget_section
from roadworn_cli.report.model import Block, Item, Items, Links, Paragraph, Section, Stop
from roadworn_cli.report.pictures import causes_of
from roadworn_cli.report.tables import money_text
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

#: Lines of a list on the first page; of causes and of vehicles to let go.
_MOST, _MOST_WORST = 4, 5
#: Days after which a vehicle that nobody saw is taken to be elsewhere.
_LONG_UNSEEN = 365
#: As likely as not: from here a part that can hurt somebody is named.
_LIKELY = 0.5
_MOST_STOPPED = 6


def decisions(asker: Asker, words: Words) -> list[Section]:
    """Return the sections of the first page but for the contents, from what was asked."""
    ran, view = asker.ran, asker.view
    coming = _result(ran.get(Answers.GOES_NEXT))
    budget = budget_section(ran.get(Answers.GOES_NEXT), words)
    narrow = [
        _overdue(ran, view, words),
        _failed(coming.get(Holds.DUE), words),
        _causes(_table(ran.get(Answers.KEEPS_FAILING), Holds.REPEATS), words),
        _retire(_table(ran.get(Answers.KEEP_OR_SELL), Holds.UPKEEP), words),
        _claims(_table(ran.get(Answers.WARRANTY), Holds.CLAIMS), view, words),
    ]
    return [
        _stop(view, coming.get(Holds.DUE), words),
        *([budget] if budget is not None else []),
        *(section for section in narrow if section is not None),
    ]


def contents(sections: Sequence[Section], words: Words) -> Section:
    """Return where the sections that follow stand."""
    links = Links(tuple((section.anchor, section.title) for section in sections))
    return Section("contents", words("contents"), (links,), wide=True)


def first_steps(words: Words) -> list[Section]:
    """Return what to record first, for a ledger without a vehicle."""
    steps = ("first_enrol", "first_reading", "first_look", "first_replaced")
    items = tuple(
        Item(words(f"{key}_what"), words(f"{key}_why"), words(f"{key}_how")) for key in steps
    )
    headings = (words("what"), words("why"), words("how"))
    block = Items(words("first_title"), headings, items)
    return [Section("first", words("no_vehicles"), (block,), wide=True)]


def stopped(view: "LedgerView", due: Table | None) -> list[tuple[Cell, ...]]:
    """Return the open safety items of the vehicles that are still here, the oldest first.

    Each is vehicle, component, position, what was seen and since when. Those past their limit by
    their figure, whatever word was written down for them, come from what is `due`.
    """
    rows: list[tuple[Cell, ...]] = list(
        view.sql(
            """SELECT f.vehicle_id, f.component, f.position, f.note, f.first_seen_on
               FROM open_findings AS f JOIN vehicles AS v USING (vehicle_id)
               WHERE f.safety AND f.condition = 'failed' AND v.retired_on IS NULL
               ORDER BY f.first_seen_on, f.vehicle_id, f.component, f.position"""
        ).rows
    )
    listed = {(row[0], row[1], row[2] or "") for row in rows}
    if due is not None:
        told = (Tells.VEHICLE, Tells.COMPONENT, Tells.PLACE, Tells.SEEN, Tells.SINCE)
        columns = zip(*(due.cells(tells) for tells in told), strict=True)
        rows += [
            row
            for row, (_row, marks) in zip(columns, due.marked(), strict=True)
            if Mark.SAFETY in marks and (row[0], row[1], row[2] or "") not in listed
        ]
    return rows


def _result(ran: Ran | None) -> dict[Holds, Table]:
    tables = ran.result.tables if ran is not None else ()
    return {table.holds: table for table in reversed(tables) if table.holds and table.rows}


def _table(ran: Ran | None, holds: Holds) -> Table | None:
    return _result(ran).get(holds)


def _stop(view: "LedgerView", due: Table | None, words: Words) -> Section:
    rows = stopped(view, due)
    if not rows:
        block: Block = Paragraph(words("no_safety_fleet"), "lead")
        return Section("stop-now", words("safety"), (block,), wide=True)
    by_vehicle: dict[Cell, list[Said]] = {}
    for vehicle, component, position, seen, _since in rows:
        name = words.part(component or "", position or "")
        told = words("stop_line", name=name, seen=words.word(seen)) if seen else name
        by_vehicle.setdefault(vehicle, []).append(told)
    lines = [
        words("stop_vehicle", vehicle=vehicle, parts=words.joined(parts, "; "))
        for vehicle, parts in by_vehicle.items()
    ]
    if len(lines) > _MOST_STOPPED:
        more = words("and_more", number=len(lines) - _MOST_STOPPED)
        lines = [*lines[:_MOST_STOPPED], more]
    one = len(by_vehicle) == 1
    title = words("stop_one" if one else "stop_fleet", vehicles=len(by_vehicle))
    block = Stop(title, tuple(lines), words("stop_told"))
    return Section("stop-now", words("safety"), (block,), wide=True)


def _overdue(ran: dict[Answers | str, Ran], view: "LedgerView", words: Words) -> Section | None:
    """Return expired inspections and overdue services of parts that can hurt somebody."""
    items: list[tuple[Cell, Cell, Item]] = []
    seen = dict(view.sql("SELECT vehicle_id, last_seen_on FROM vehicles").rows)
    unseen: set[Cell] = set()
    out = _table(ran.get(Answers.PASSES), Holds.RUN_OUT)
    if out is not None:
        due, kinds = out.named("due") or [], out.named("inspection") or []
        for vehicle, day, kind in zip(out.cells(Tells.VEHICLE), due, kinds, strict=False):
            if day is not None and str(day) < str(view.today):
                name = words("expired", vehicle=vehicle, inspection=words.word(kind))
                items.append((vehicle, day, Item(name, Said(), words.plain(day))))
    services = _table(ran.get(Answers.SERVICE_DUE), Holds.SERVICES)
    if services is not None:
        due = services.named("due_on") or [None] * len(services.rows)
        columns = (services.cells(one) for one in (Tells.VEHICLE, Tells.COMPONENT, Tells.STATE))
        for vehicle, component, state, day in zip(*columns, due, strict=True):
            if state == "overdue" and _safety(component):
                name = words.joined((vehicle, words.word(component)), ": ")
                items.append((vehicle, day, Item(name, Said(), words.plain(day))))
    shown = []
    for vehicle, _day, item in sorted(items, key=lambda one: str(one[1] or "")):
        # Whoever was not seen for a year has most likely gone elsewhere.
        last = seen.get(vehicle)
        if isinstance(last, date) and (view.today - last).days > _LONG_UNSEEN:
            unseen.add(vehicle)
        else:
            shown.append(item)
    told = [words.said(ran[Answers.SERVICE_DUE].result.headline)] if services is not None else []
    told.append(_likely(_table(ran.get(Answers.GOES_NEXT), Holds.AHEAD), words))
    if unseen:
        names = words.joined(sorted(map(str, unseen)), ", ")
        told.append(words("unseen_left_out", names=names))
    told = [one for one in told if one]
    if not shown and not told:
        return None
    headings = (words("vehicle_axis"), Said(), words("since"))
    return _brief("overdue", words("overdue"), headings, shown, words, told=told)


def _failed(due: Table | None, words: Words) -> Section | None:
    """Return what failed and was not put right, the longest first; what stops stands above."""
    if due is None:
        return None
    told = (Tells.VEHICLE, Tells.COMPONENT, Tells.PLACE, Tells.SINCE, Tells.VALUE)
    columns = zip(*(due.cells(tells) for tells in told), strict=True)
    codes = due.cells(Tells.CURRENCY)
    rows = [
        (str(since or ""), vehicle, component, place, value, codes[n])
        for n, ((vehicle, component, place, since, value), (_row, marks)) in enumerate(
            zip(columns, due.marked(), strict=True)
        )
        if component and Mark.FAILED in marks and Mark.SAFETY not in marks
    ]
    items = [
        Item(
            words.joined((vehicle, words.part(component or "", place or "")), ": "),
            words.plain(since),
            money_text(value, None, None, str(code or ""), words) or words("no_price"),
        )
        for since, vehicle, component, place, value, code in sorted(rows, key=lambda row: row[0])
    ]
    headings = (words("what"), words("since"), words("price"))
    return _brief("failed", words("failed_open"), headings, items, words) if items else None


def _likely(ahead: Table | None, words: Words) -> Said:
    """Return how many parts that safety hangs on are likelier to fail than not, by component."""
    at = ahead.place(Tells.VALUE) if ahead is not None else None
    if ahead is None or at is None:
        return Said()
    found = Counter(
        component
        for (row, marks), component in zip(
            ahead.marked(), ahead.cells(Tells.COMPONENT), strict=True
        )
        if Mark.CRITICAL in marks and isinstance(one := row[at], int | float) and one >= _LIKELY
    )
    if not found:
        return Said()
    parts = [
        words("lane", name=words.word(component or ""), n=number)
        for component, number in found.most_common(_MOST_WORST)
    ]
    return words("likely_hurts", number=found.total(), parts=words.joined(parts, ", "))


def _safety(component: Cell) -> bool:
    part = catalogue().find(str(component))
    return part is not None and part.safety_critical


def _brief(
    anchor: str,
    title: Said,
    headings: tuple[Said, Said, Said],
    items: Iterable[Item],
    words: Words,
    told: Iterable[Said] = (),
    most: int = _MOST,
) -> Section:
    """Return the first few lines of something under its heading, and how many more there are."""
    rows = list(items)
    most = len(rows) if len(rows) <= most + 1 else most
    blocks: list[Block] = [Paragraph(one, "quiet") for one in told]
    blocks += [Items(title, headings, tuple(rows[:most]))] if rows else []
    if len(rows) > most:
        blocks.append(Paragraph(words("and_more", number=len(rows) - most), "quiet"))
    return Section(anchor, title, tuple(blocks))


def _causes(table: Table | None, words: Words) -> Section | None:
    """Return what keeps failing by the money that it costs beyond the usual."""
    bars = causes_of(table, words) if table is not None else []
    if not bars:
        return None
    items = [Item(words.word(bar.name), Said(bar.against), Said(bar.money)) for bar in bars]
    headings = (words("what"), words("against_usual"), words("avoidable"))
    return _brief("causes", words("worst_causes"), headings, items, words, most=_MOST_WORST)


def _retire(table: Table | None, words: Words) -> Section | None:
    """Return the vehicles that cost most for their class, the first ones to let go."""
    if table is None or (times := table.named("times")) is None:
        return None
    at = table.place(Tells.VALUE)
    names = table.cells(Tells.VEHICLE)
    known = [(float(one), n) for n, one in enumerate(times) if isinstance(one, int | float)]
    order = [n for _times, n in sorted(known, key=lambda one: -one[0])][:_MOST_WORST]
    if not order or at is None:
        return None
    unit = table.columns[at].unit
    worth = table.named("value") or [None] * len(table.rows)
    items = [
        Item(
            words.word(names[n]),
            words.joined(
                (
                    words("times_class", times=Said(words.number(f"{times[n]:.1f}"))),
                    words("worth", value=money_text(worth[n], None, None, "", words))
                    if worth[n] is not None
                    else None,
                ),
                "; ",
            )
            if worth[n] is not None
            else words("times_class", times=Said(words.number(f"{times[n]:.1f}"))),
            money_text(table.rows[n][at], None, None, unit, words),
        )
        for n in order
    ]
    headings = (words("vehicle_axis"), words("for_its_class"), words("upkeep_year"))
    return _brief("retire", words("retire"), headings, items, words, most=_MOST_WORST)


def _claims(table: Table | None, view: "LedgerView", words: Words) -> Section | None:
    """Return claims whose cover still runs, the one that ends first on top."""
    if table is None or (ends := table.named("last_day")) is None:
        return None
    at = table.place(Tells.VALUE)
    open_now = sorted(
        (str(day), n)
        for n, day in enumerate(ends)
        if day is not None and str(day) >= str(view.today)
    )
    if not open_now or at is None:
        return None
    components, places = table.cells(Tells.COMPONENT), table.cells(Tells.PLACE)
    vehicles, codes = table.cells(Tells.VEHICLE), table.cells(Tells.CURRENCY)
    items = [
        Item(
            words.joined((vehicles[n], words.part(components[n] or "", places[n] or "")), ": "),
            words.plain(ends[n]),
            money_text(table.rows[n][at], None, None, str(codes[n] or ""), words),
        )
        for _day, n in open_now
    ]
    headings = (words("what"), words("cover_ends"), words("to_claim"))
    return _brief("claims", words("claims"), headings, items, words)
