"""The fleet sheet's first page: what a manager decides by, on one sheet of paper.

Vehicles to stop, what was refused or is overdue and can hurt somebody, the year's money to set
aside, the causes that cost most, the vehicles that cost most for their class, the
claims that run out, and where the rest stands.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from roadworn.analysis import Answers, Cell, Holds, Mark, Ran, Table, Tells
from roadworn.columns.view import UNSEEN_DAYS
from roadworn.model.catalogue import catalogue
from roadworn.say import Said
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.budget import budget_section, is_by_chance
from roadworn_cli.report.model import Block, Item, Items, Links, Paragraph, Section, Stop
from roadworn_cli.report.pictures import causes_of
from roadworn_cli.report.tables import money_text
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

#: Lines of a list on the first page; of causes and of vehicles to let go.
_MOST, _MOST_WORST, _MOST_REFUSED = 3, 4, 5
#: Answers of a customer that leave a part as it is.
_REFUSED = frozenset({"declined", "deferred"})
#: An official inspection that runs out within so many days is named.
_SOON_DAYS = 60
#: As likely as not: from here a part that can hurt somebody is named.
_LIKELY = 0.5
_MOST_STOPPED = 6


def decisions(asker: Asker, words: Words) -> list[Section]:
    """Return the sections of the first page but for the contents, from what was asked."""
    ran, view = asker.ran, asker.view
    coming = _result(ran.get(Answers.GOES_NEXT))
    budget = budget_section(ran.get(Answers.GOES_NEXT), words)
    narrow = [
        _refused(coming.get(Holds.DUE), view, words),
        _inspections(_table(ran.get(Answers.PASSES), Holds.RUN_OUT), view, words),
        _overdue(ran, view, words),
        _failed(coming.get(Holds.DUE), words),
        _causes(_table(ran.get(Answers.KEEPS_FAILING), Holds.REPEATS), words),
        _retire(ran.get(Answers.KEEP_OR_SELL), words),
        _claims(_table(ran.get(Answers.WARRANTY), Holds.CLAIMS), view, words),
    ]
    told = [
        *([budget] if budget is not None else []),
        *(section for section in narrow if section is not None),
    ]
    # A page to decide by that has nothing to decide says what it needs.
    return [
        _stop(view, coming.get(Holds.DUE), words),
        *(told or first_steps(words("too_little"), words, enrolled=True)),
    ]


def contents(sections: Sequence[Section], words: Words) -> Section:
    """Return where the sections that follow stand."""
    links = Links(tuple((section.anchor, section.title) for section in sections))
    return Section("contents", words("contents"), (links,), wide=True)


def first_steps(title: Said, words: Words, *, enrolled: bool = False) -> list[Section]:
    """Return what to record first, for a ledger without a vehicle or with little on record."""
    steps = ("first_enrol", "first_reading", "first_look", "first_replaced")[enrolled:]
    items = tuple(
        Item(words(f"{key}_what"), words(f"{key}_why"), words(f"{key}_how")) for key in steps
    )
    headings = (words("what"), words("why"), words("how"))
    block = Items(words("first_title"), headings, items)
    return [Section("first", title, (block,), wide=True)]


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
    prices = _prices(due)
    by_vehicle: dict[Cell, list[Said]] = {}
    for vehicle, component, position, seen, _since in rows:
        name = words.part(component or "", position or "")
        told = words("stop_line", name=name, seen=words.word(seen)) if seen else name
        value, code = prices.get((vehicle, component, position or ""), (None, ""))
        price = money_text(value, None, None, str(code or ""), words) or words("no_price")
        told = words("priced_line", told=told, price=price)
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


def _prices(due: Table | None) -> dict[tuple[Cell, Cell, Cell], tuple[Cell, Cell]]:
    """Return vehicle, component and place of what is due -> its price and currency."""
    if due is None:
        return {}
    told = (Tells.VEHICLE, Tells.COMPONENT, Tells.PLACE, Tells.VALUE, Tells.CURRENCY)
    return {
        (vehicle, component, place or ""): (value, code)
        for vehicle, component, place, value, code in zip(*map(due.cells, told), strict=True)
    }


def _refused(due: Table | None, view: "LedgerView", words: Words) -> Section | None:
    """Return work on what safety hangs on that was refused or put off, the oftenest on top.

    By the record of what was offered: what was found wearing meanwhile is refused all the same.
    What stops its vehicle stands above; a vehicle that has left, or was not seen for long, is
    nobody's to decide on.
    """
    if due is None:
        return None
    offered = {
        (vehicle, component, place or ""): (times, first)
        for vehicle, component, place, times, first, answer, seen in view.sql(
            """SELECT o.vehicle_id, o.component, o.position, o.times, o.first_on, o.last_answer,
                      v.last_seen_on
               FROM offers AS o JOIN vehicles AS v USING (vehicle_id) WHERE v.retired_on IS NULL"""
        ).rows
        if answer in _REFUSED and _safety(component) and not _unseen(seen, view)
    }
    told = (Tells.VEHICLE, Tells.COMPONENT, Tells.PLACE, Tells.VALUE, Tells.CURRENCY, Tells.STATE)
    columns = zip(*(due.cells(tells) for tells in told), strict=True)
    found, worn = [], []
    for (vehicle, component, place, value, code, state), (_row, marks) in zip(
        columns, due.marked(), strict=True
    ):
        known = offered.get((vehicle, component, place or ""))
        if known is not None and Mark.SAFETY not in marks:
            times, first = known
            found.append((-times, str(first or ""), vehicle, component, place, value, code))
            worn += [(value, code)] if is_by_chance(state) else []
    if not found:
        return None
    items = [
        Item(
            words.joined((vehicle, words.part(component or "", place or "")), ": "),
            words("offered_since", times=-less, day=words.plain(first)) if first else Said(),
            money_text(value, None, None, str(code or ""), words) or words("no_price"),
        )
        for less, first, vehicle, component, place, value, code in sorted(
            found, key=lambda one: one[:3]
        )
    ]
    headings = (words("what"), words("offered_head"), words("price"))
    section = _brief(
        "refused", words("refused"), headings, items, words, most=_MOST_REFUSED, more="more_refused"
    )
    sums = _summed(((value, code) for *_row, value, code in found), words)
    told_sum = words("parts_sum", number=len(found), sum=words.joined(sums, ", "))
    section = replace(section, figure=told_sum if sums else Said())
    by_chance = _summed(worn, words)
    if not by_chance:
        return section
    # Two sums of one page that share some of their parts: which, is said where the second stands.
    held = words("refused_held", number=len(worn), sum=words.joined(by_chance, ", "))
    return replace(section, blocks=(*section.blocks, Paragraph(held, "quiet")))


def _summed(amounts: Iterable[tuple[Cell, Cell]], words: Words) -> list[Said]:
    """Return what amounts come to, for each currency by itself."""
    sums: dict[str, float] = {}
    for value, code in amounts:
        if value is not None and value == value:
            key = str(code or "")
            sums[key] = sums.get(key, 0.0) + float(value)  # type: ignore[arg-type]
    return [money_text(one, None, None, code, words) for code, one in sorted(sums.items())]


def _inspections(out: Table | None, view: "LedgerView", words: Words) -> Section | None:
    """Return the official inspections that have expired, and those that soon do, with the days."""
    days = out.named("days_left") if out is not None else None
    if out is None or not days:
        return None
    kinds = out.named("inspection") or [""] * len(days)
    several = len(set(kinds)) > 1
    seen = dict(view.sql("SELECT vehicle_id, last_seen_on FROM vehicles").rows)
    lines: dict[str, list[Said]] = {"expired": [], "runs_out": []}
    for left, vehicle, kind in sorted(
        (int(str(left)), str(vehicle), str(kind))
        for left, vehicle, kind in zip(days, out.cells(Tells.VEHICLE), kinds, strict=True)
        if left is not None and int(str(left)) <= _SOON_DAYS
    ):
        name = (
            words("expired", vehicle=vehicle, inspection=words.word(kind)) if several else vehicle
        )
        told = words("days_over" if left < 0 else "days_left", name=name, days=abs(left))
        if left < 0 and _unseen(seen.get(vehicle), view):
            told = words("not_seen_since", text=told, day=seen[vehicle])
        lines["expired" if left < 0 else "runs_out"].append(told)
    blocks = tuple(
        Paragraph(words(f"inspections_{key}", days=_SOON_DAYS, vehicles=words.joined(ones, ", ")))
        for key, ones in lines.items()
        if ones
    )
    return Section("inspections", words("inspections_title"), blocks) if blocks else None


def _unseen(last: Cell, view: "LedgerView") -> bool:
    """Say whether nobody saw a vehicle for so long that it has most likely gone elsewhere."""
    return isinstance(last, date) and (view.today - last).days > UNSEEN_DAYS


def _overdue(ran: dict[Answers | str, Ran], view: "LedgerView", words: Words) -> Section | None:
    """Return overdue services of parts that can hurt somebody."""
    items: list[tuple[str, Item]] = []
    seen = dict(view.sql("SELECT vehicle_id, last_seen_on FROM vehicles").rows)
    unseen: set[Cell] = set()
    services = _table(ran.get(Answers.SERVICE_DUE), Holds.SERVICES)
    told = []
    if services is not None:
        due = services.named("due_on") or [None] * len(services.rows)
        columns = (services.cells(one) for one in (Tells.VEHICLE, Tells.COMPONENT, Tells.STATE))
        for vehicle, component, state, day in zip(*columns, due, strict=True):
            if state != "overdue" or not _safety(component):
                continue
            if _unseen(seen.get(vehicle), view):
                unseen.add(vehicle)
                continue
            name = words.joined((vehicle, words.word(component)), ": ")
            items.append((str(day or ""), Item(name, Said(), words.plain(day))))
        told.append(words.said(ran[Answers.SERVICE_DUE].result.headline))
    told.append(_likely(_table(ran.get(Answers.GOES_NEXT), Holds.AHEAD), words))
    if unseen:
        names = words.joined(sorted(map(str, unseen)), ", ")
        told.append(words("unseen_left_out", names=names))
    told = [one for one in told if one]
    if not items and not told:
        return None
    headings = (words("vehicle_axis"), Said(), words("since"))
    shown = [item for _day, item in sorted(items, key=lambda one: one[0])]
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
    others = found.total() - sum(number for _name, number in found.most_common(_MOST_WORST))
    if others:
        parts.append(words("lane", name=words("others"), n=others))
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
    more: str = "and_more",
) -> Section:
    """Return the first few lines of something under its heading, and how many more there are."""
    rows = list(items)
    most = len(rows) if len(rows) <= most + 1 else most
    blocks: list[Block] = [Paragraph(one, "quiet") for one in told]
    blocks += [Items(title, headings, tuple(rows[:most]))] if rows else []
    if len(rows) > most:
        blocks.append(Paragraph(words(more, number=len(rows) - most), "quiet"))
    return Section(anchor, title, tuple(blocks))


def _causes(table: Table | None, words: Words) -> Section | None:
    """Return what keeps failing by the money that it costs beyond the usual."""
    bars = causes_of(table, words) if table is not None else []
    if not bars:
        return None
    items = [Item(words.word(bar.name), Said(bar.against), Said(bar.money)) for bar in bars]
    headings = (words("what"), words("against_usual"), words("avoidable"))
    return _brief("causes", words("worst_causes"), headings, items, words, most=_MOST_WORST)


def _retire(ran: Ran | None, words: Words) -> Section | None:
    """Return the vehicles to let go first, and apart those to ask about, as `keep-or-sell` has it.

    Its own order stands, and its own words.
    """
    table = _table(ran, Holds.UPKEEP)
    if ran is None or table is None or (times := table.named("times")) is None:
        return None
    at, names = table.place(Tells.VALUE), table.cells(Tells.VEHICLE)
    said = [getattr(one, "code", "").partition(".")[2] for one in table.cells(Tells.STATE)]
    first = [n for n, one in enumerate(said) if one == "say-go"]
    asked = [n for n, one in enumerate(said) if one == "say-look"]
    if at is None or not (first or asked):
        return None
    unit = table.columns[at].unit
    worth = table.named("value") or [None] * len(table.rows)
    items, above = [], 0.0
    for n in first:
        upkeep, ratio = (float(str(one)) for one in (table.rows[n][at], times[n]))
        above += upkeep * (1.0 - 1.0 / ratio)
        told = [
            words("times_class", times=Said(words.number(f"{ratio:.1f}"))),
            *(
                [words("worth", value=money_text(worth[n], None, None, "", words))]
                if worth[n] is not None
                else []
            ),
        ]
        figure = money_text(upkeep, None, None, unit, words)
        items.append(Item(words.word(names[n]), words.joined(told, "; "), figure))
    headings = (words("vehicle_axis"), words("for_its_class"), words("upkeep_year"))
    section = _brief("retire", words("retire"), headings, items, words, most=_MOST_WORST)
    more: list[Block] = []
    if first:
        sum_ = money_text(above, None, None, unit, words)
        more.append(Paragraph(words("above_class", number=len(first), sum=sum_), "quiet"))
    else:
        more.append(Paragraph(words.said(ran.result.headline), "quiet"))
    if asked:
        cars = words.joined((words.word(names[n]) for n in asked), ", ")
        more.append(Paragraph(words("ask_first", vehicles=cars)))
    return replace(section, blocks=(*section.blocks, *more))


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
            words("ends_today") if str(ends[n]) == str(view.today) else words.plain(ends[n]),
            money_text(table.rows[n][at], None, None, str(codes[n] or ""), words),
        )
        for _day, n in open_now
    ]
    headings = (words("what"), words("cover_ends"), words("to_claim"))
    sums = _summed(((table.rows[n][at], codes[n]) for _day, n in open_now), words)
    told = words("claims_sum", number=len(open_now), sum=words.joined(sums, ", "))
    section = _brief("claims", words("claims"), headings, items, words)
    return replace(section, figure=told)
