"""The year's money on the fleet sheet: what to expect, what came, and how the last month went."""

from roadworn.analysis import Cell, Holds, Ran, Table, Tells
from roadworn.say import Said
from roadworn_cli.report.model import Block, Item, Items, Paragraph, Section
from roadworn_cli.report.pictures import periods_in, periods_of
from roadworn_cli.report.tables import estimate_text, money_text
from roadworn_cli.words import Words


def budget_section(ran: Ran | None, words: Words) -> Section | None:
    """Return what to set aside for the year with its band and parts, and what came of last year's.

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

    def money(amount: object) -> Said:
        return money_text(amount, None, None, "", words)  # type: ignore[arg-type]

    span = Said(words.number(f"{months[year]:g}"))
    due, left = _due_now(coming.get(Holds.DUE))
    band = _year(ran) if services else ends
    other = _other(ran)
    # Each is told in whole amounts, and they are to add up.
    services, due, other = (float(round(one)) for one in (services, due, other))
    value = round(value) if isinstance(value, int | float) else value
    whole = services + due + other + (value if isinstance(value, int) else 0.0)
    # What is due now, and what came last year, is a sum as it stands: it moves both ends alike.
    low, high = (one + due + other if isinstance(one, int | float) else None for one in band)
    items = [
        Item(
            words("budget_whole", months=span),
            words("likely_band", band=money_text(whole, low, high, "", words))
            if low is not None and high is not None
            else Said(),
            money(whole),
        ),
        Item(
            words("budget_failures", months=span),
            words("likely_band", band=money_text(value, *ends, "", words)),
            money(value),
        ),
        Item(words("budget_services"), Said(), money(services)),
        Item(
            words("budget_due"),
            words("budget_unpriced", number=left) if left else Said(),
            money(due),
        ),
        *([Item(words("budget_other"), words("budget_other_is"), money(other))] if other else []),
    ]
    _last_year(coming.get(Holds.FORETOLD), by_month, items, words)
    spent = _spent(by_month)
    if spent:
        items.append(Item(words("budget_spent"), words("budget_spent_is"), money(spent)))
    past = [] if by_month is None else [p.value for p in periods_in(by_month) if p.past]
    if len(past) > 1:
        mean = sum(past) / len(past)
        beside = words("beside_month", before=money(past[-2]), mean=money(mean))
        items.append(Item(words("last_month"), beside, money(past[-1])))
    headings = (words("what"), words("beside_it"), words("in_unit", title=words("sum"), unit=unit))
    blocks: list[Block] = [Items(words("budget_caption"), headings, tuple(items))]
    if by_month is not None:
        # The sum to come is that of the year above: months are rounded by themselves.
        known = {False: float(value)} if isinstance(value, int | float) else {}
        picture = periods_of(periods_in(by_month), unit, "budget", words, known)
        blocks += [picture] if picture is not None else []
    blocks.insert(1, Paragraph(words("budget_without"), "quiet"))
    figure = estimate_text(whole, low, high, unit, words)
    return Section("budget-year", words("budget_title"), tuple(blocks), wide=True, figure=figure)


def _last_year(told: Table | None, by_month: Table | None, items: list[Item], words: Words) -> None:
    """Add what came in the months on record, and what was projected a year ago beside it."""
    past = [] if by_month is None else [p.value for p in periods_in(by_month) if p.past]
    said, came = (told.named(name) if told is not None else None for name in ("cost", "came"))
    beside = Said()
    if told is not None and said and came and said[-1] and came[-1] is not None:
        low, high = told.cells(Tells.LOW)[-1], told.cells(Tells.HIGH)[-1]
        # Only of vehicles then in use, and not what was due already: another sum than the months',
        # so it is told as a share.
        beside = words(
            "was_projected",
            value=estimate_text(said[-1], low, high, "", words),
            share=Said(words.number(f"{float(str(came[-1])) / float(str(said[-1])):.0%}")),
        )
    if past or beside:
        figure = money_text(sum(past), None, None, "", words) if past else Said()
        span = Said(str(len(past))) if past else Said("12")
        items.append(Item(words("budget_came", months=span), beside, figure))


def _due_now(due: Table | None) -> tuple[float, int]:
    """Return what the work that is due now comes to, and how many items of it have no price."""
    if due is None:
        return 0.0, 0
    prices = [
        price
        for price, state in zip(due.cells(Tells.VALUE), due.cells(Tells.STATE), strict=True)
        if not is_by_chance(state)
    ]
    known = [float(one) for one in prices if isinstance(one, int | float)]
    return sum(known), len(prices) - len(known)


def is_by_chance(state: Cell) -> bool:
    """Say whether a part in this state is counted by its chance among the failures, not as due."""
    return state == "wearing"


def _year(ran: Ran | None) -> tuple[float | None, float | None]:
    """Return the range of failures and services together; unknown where nobody summed them."""
    estimates = ran.result.estimates if ran is not None else ()
    return (estimates[1].low, estimates[1].high) if len(estimates) > 1 else (None, None)


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


def _other(ran: Ran | None) -> float:
    """Return what other work came to last year: as much again is set aside for it."""
    estimates = ran.result.estimates if ran is not None else ()
    return float(estimates[2].value or 0.0) if len(estimates) > 2 else 0.0


def _spent(by_month: Table | None) -> float:
    """Return what all work on record came to in the months that have passed."""
    values = (by_month.named("spent") or []) if by_month is not None else []
    return sum(float(one) for one in values if isinstance(one, int | float))
