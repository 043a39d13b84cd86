"""The year's money on the fleet sheet: what to expect, what came, and how the last month went."""

from roadworn.analysis import Holds, Ran, Table, Tells
from roadworn.say import Said
from roadworn_cli.report.model import Block, Item, Items, Section
from roadworn_cli.report.pictures import periods_in, periods_of
from roadworn_cli.report.tables import estimate_text, money_text
from roadworn_cli.words import Words


def budget_section(ran: Ran | None, words: Words) -> Section | None:
    """Return the budget of the year with its band, and what came of last year's.

    Args:
        ran: what fails next on the fleet, by month.
        words: of the report.
    """
    coming = _result(ran)
    totals, by_month = coming.get(Holds.TOTALS), coming.get(Holds.QUARTERS)
    at = totals.place(Tells.VALUE) if totals is not None else None
    if totals is None or at is None:
        return None
    unit = totals.columns[at].unit
    months = totals.cells(Tells.TIME)
    year = next((n for n, one in enumerate(months) if one == 12), len(months) - 1)
    ends = (totals.cells(Tells.LOW)[year], totals.cells(Tells.HIGH)[year])
    value = totals.rows[year][at]
    services = _services(ran)
    whole = services + value if isinstance(value, int | float) else None

    def money(amount: object) -> Said:
        return money_text(amount, None, None, "", words)  # type: ignore[arg-type]

    span = Said(words.number(f"{months[year]:g}"))
    items = (
        []
        if not services
        else [
            Item(
                words("budget_whole", months=span),
                words("budget_services", value=money(services)),
                money(whole),
            )
        ]
    )
    items += [
        Item(
            words("budget_failures", months=span),
            words("likely_band", band=money_text(value, *ends, "", words)),
            money(value),
        )
    ]
    came = _last_year(coming.get(Holds.FORETOLD), items, words)
    spent = _spent(by_month)
    if spent:
        items.append(Item(words("budget_spent"), Said(), money(spent)))
    past = [] if by_month is None else [p.value for p in periods_in(by_month) if p.past]
    if len(past) > 1:
        mean = sum(past) / len(past)
        beside = words("beside_month", before=money(past[-2]), mean=money(mean))
        items.append(Item(words("last_month"), beside, money(past[-1])))
    headings = (words("what"), words("beside_it"), words("in_unit", title=words("sum"), unit=unit))
    blocks: list[Block] = [Items(words("budget_caption"), headings, tuple(items))]
    if by_month is not None:
        # The sums over it are those of the year above: months are rounded by themselves.
        known = {
            past: float(one)
            for past, one in ((False, value), (True, came))
            if isinstance(one, int | float)
        }
        picture = periods_of(periods_in(by_month), unit, "budget", words, known)
        blocks += [picture] if picture is not None else []
    figure = estimate_text(value, *ends, unit, words)
    if services:
        figure = words("about", value=money_text(whole, None, None, unit, words))
    return Section("budget-year", words("budget_title"), tuple(blocks), wide=True, figure=figure)


def _last_year(told: Table | None, items: list[Item], words: Words) -> object:
    """Add what was projected a year ago beside what came; return what came."""
    said, came = (told.named(name) if told is not None else None for name in ("cost", "came"))
    if told is None or not said or not came or said[-1] is None or came[-1] is None:
        return None
    low, high = told.cells(Tells.LOW)[-1], told.cells(Tells.HIGH)[-1]
    beside = words("was_projected", value=estimate_text(said[-1], low, high, "", words))
    figure = money_text(came[-1], None, None, "", words)
    items.append(Item(words("budget_came"), beside, figure))
    return came[-1]


def _result(ran: Ran | None) -> dict[Holds, Table]:
    tables = ran.result.tables if ran is not None else ()
    return {table.holds: table for table in reversed(tables) if table.holds and table.rows}


def _services(ran: Ran | None) -> float:
    """Return what the services by plan come to in the months to come."""
    table = next((t for t in ran.result.tables if t.name == "money_ahead"), None) if ran else None
    if table is None:
        return 0.0
    what, cost = table.named("what") or [], table.named("expected") or []
    return sum(
        float(value)
        for name, value in zip(what, cost, strict=False)
        if getattr(name, "code", "").endswith("services") and isinstance(value, int | float)
    )


def _spent(by_month: Table | None) -> float:
    """Return what all work on record came to in the months that have passed."""
    values = (by_month.named("spent") or []) if by_month is not None else []
    return sum(float(one) for one in values if isinstance(one, int | float))
