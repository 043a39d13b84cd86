"""The fleet sheet's first page: what a manager decides by, on one sheet of paper.

Vehicles to stop, what is overdue and can hurt somebody, the year's money beside what last year's
projection came to, the causes that cost most, the vehicles that cost most for their class, the
claims that run out, and where the rest stands.
"""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from roadworn.analysis import Answers, Cell, Holds, Mark, Ran, Table, Tells
from roadworn.model.catalogue import catalogue
from roadworn.say import Said
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.model import Block, Item, Items, Links, Paragraph, Section, Stop
from roadworn_cli.report.owner import money_text
from roadworn_cli.report.pictures import causes_of, periods_in, periods_of
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

_MOST = 5
_MOST_STOPPED = 8


def decisions(asker: Asker, words: Words) -> list[Section]:
    """Return the sections of the first page but for the contents, from what was asked."""
    ran, view = asker.ran, asker.view
    coming = _result(ran.get(Answers.GOES_NEXT))
    narrow = [
        _overdue(ran, view, words),
        _causes(_table(ran.get(Answers.KEEPS_FAILING), Holds.REPEATS), words),
        _retire(_table(ran.get(Answers.KEEP_OR_SELL), Holds.UPKEEP), words),
        _claims(_table(ran.get(Answers.WARRANTY), Holds.CLAIMS), view, words),
    ]
    return [
        _stop(view, coming.get(Holds.DUE), words),
        *([_money(coming, words)] if coming.get(Holds.TOTALS) is not None else []),
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
    title = words("stop_fleet", vehicles=len(by_vehicle), items=len(rows))
    block = Stop(title, tuple(lines), words("stop_told"))
    return Section("stop-now", words("safety"), (block,), wide=True)


def _money(coming: dict[Holds, Table], words: Words) -> Section:
    """Return the budget of the year with its band, and what came of last year's."""
    totals, told = coming[Holds.TOTALS], coming.get(Holds.FORETOLD)
    at = totals.place(Tells.VALUE) or 0
    unit = totals.columns[at].unit
    months = totals.cells(Tells.TIME)
    year = next((n for n, one in enumerate(months) if one == 12), len(months) - 1)
    ends = (totals.cells(Tells.LOW)[year], totals.cells(Tells.HIGH)[year])
    value = totals.rows[year][at]
    blocks: list[Block] = []
    sentences = [
        words(
            "budget",
            months=Said(words.number(f"{months[year]:g}")),
            value=money_text(value, None, None, unit, words),
            band=money_text(value, *ends, unit, words),
        )
    ]
    said, came = (told.named(name) if told is not None else None for name in ("cost", "came"))
    if told is not None and said and came and said[-1] is not None and came[-1] is not None:
        low, high = told.cells(Tells.LOW)[-1], told.cells(Tells.HIGH)[-1]
        sentences.append(
            words(
                "last_year",
                said=money_text(said[-1], None, None, unit, words),
                band=money_text(said[-1], low, high, unit, words),
                came=money_text(came[-1], None, None, unit, words),
            )
        )
    by_month = coming.get(Holds.QUARTERS)
    if by_month is not None:
        past = [p.value for p in periods_in(by_month) if p.past]
        if len(past) > 1:
            figures = (past[-1], past[-2], sum(past) / len(past))
            last, before, mean = (money_text(one, None, None, unit, words) for one in figures)
            sentences.append(words("last_month", last=last, before=before, mean=mean))
    blocks.append(Paragraph(words.joined(sentences, " "), "lead"))
    if by_month is not None:
        # The sum over it is that of the year above: months are rounded by themselves.
        coming_sum = float(value) if isinstance(value, int | float) else None
        picture = periods_of(periods_in(by_month), unit, "budget", words, coming_sum)
        blocks += [picture] if picture is not None else []
    figure = money_text(value, *ends, unit, words)
    return Section("budget-year", words("budget_title"), tuple(blocks), wide=True, figure=figure)


def _overdue(ran: dict[Answers | str, Ran], view: "LedgerView", words: Words) -> Section | None:
    """Return expired inspections and overdue services of parts that can hurt somebody."""
    items: list[tuple[Cell, Item]] = []
    out = _table(ran.get(Answers.PASSES), Holds.RUN_OUT)
    if out is not None:
        due, kinds = out.named("due") or [], out.named("inspection") or []
        for vehicle, day, kind in zip(out.cells(Tells.VEHICLE), due, kinds, strict=False):
            if day is not None and str(day) < str(view.today):
                name = words("expired", vehicle=vehicle, inspection=words.word(kind))
                items.append((str(day), Item(name, Said(), words.plain(day))))
    services = _table(ran.get(Answers.SERVICE_DUE), Holds.SERVICES)
    if services is not None:
        due = services.named("due_on") or [None] * len(services.rows)
        columns = (services.cells(one) for one in (Tells.VEHICLE, Tells.COMPONENT, Tells.STATE))
        for vehicle, component, state, day in zip(*columns, due, strict=True):
            if state == "overdue" and _safety(component):
                name = words.joined((vehicle, words.word(component)), ": ")
                items.append((str(day or ""), Item(name, Said(), words.plain(day))))
    items.sort(key=lambda one: str(one[0]))
    if not items:
        return None
    shown = [item for _day, item in items]
    headings = (words("vehicle_axis"), Said(), words("since"))
    return _brief("overdue", words("overdue"), headings, shown, words)


def _safety(component: Cell) -> bool:
    part = catalogue().find(str(component))
    return part is not None and part.safety_critical


def _brief(
    anchor: str,
    title: Said,
    headings: tuple[Said, Said, Said],
    items: Iterable[Item],
    words: Words,
    figure: Said | None = None,
) -> Section:
    """Return the first few lines of something under its heading, and how many more there are."""
    rows = list(items)
    blocks: list[Block] = [Items(title, headings, tuple(rows[:_MOST]))]
    if len(rows) > _MOST:
        blocks.append(Paragraph(words("and_more", number=len(rows) - _MOST), "quiet"))
    return Section(anchor, title, tuple(blocks), figure=figure or Said())


def _causes(table: Table | None, words: Words) -> Section | None:
    """Return what keeps failing by the money that it costs beyond the usual."""
    bars = causes_of(table, words) if table is not None else []
    if not bars:
        return None
    items = [Item(words.word(bar.name), Said(bar.against), Said(bar.money)) for bar in bars]
    headings = (words("what"), words("against_usual"), words("avoidable"))
    return _brief("causes", words("worst_causes"), headings, items, words)


def _retire(table: Table | None, words: Words) -> Section | None:
    """Return the vehicles that cost most for their class, the first ones to let go."""
    if table is None or (times := table.named("times")) is None:
        return None
    at = table.place(Tells.VALUE)
    names = table.cells(Tells.VEHICLE)
    known = [(float(one), n) for n, one in enumerate(times) if isinstance(one, int | float)]
    order = [n for _times, n in sorted(known, key=lambda one: -one[0])][:_MOST]
    if not order or at is None:
        return None
    unit = table.columns[at].unit
    items = [
        Item(
            words.word(names[n]),
            words("times_class", times=Said(words.number(f"{times[n]:.1f}"))),
            money_text(table.rows[n][at], None, None, unit, words),
        )
        for n in order
    ]
    headings = (words("vehicle_axis"), words("for_its_class"), words("upkeep_year"))
    return _brief("retire", words("retire"), headings, items, words)


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
            words("until_day", day=ends[n]),
            money_text(table.rows[n][at], None, None, str(codes[n] or ""), words),
        )
        for _day, n in open_now
    ]
    headings = (words("what"), words("cover_ends"), words("to_claim"))
    return _brief("claims", words("claims"), headings, items, words)
