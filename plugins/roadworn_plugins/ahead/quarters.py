"""What failures and services cost by quarter or month: on record up to today, then projected.

Quarters are counted from the day of the view, so that none of them is half past and half to
come. The past ones hold what was written down as paid for the same kind of work that is
projected, parts replaced as failed or worn out; a failure without a price adds to the number
and not to the money. The band of a quarter to come is made by the same law as that of a whole
horizon, from the moments of the failures between its two ends. Services to come stand beside
them, and the sum of both; months are treated the same way.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np

from roadworn.analysis import Cell, Column, Estimate, Holds, Mark, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name, place_of
from roadworn.model.messages import Joined, Says, some_of
from roadworn_plugins.projection.renewal import increments
from roadworn_plugins.shared.costs_ahead import Band, money
from roadworn_plugins.shared.grouped import Floats, Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.projected import LEVEL, Counted, Projection

if TYPE_CHECKING:
    from roadworn_plugins.ahead.services import ServicesAhead

By = Literal["quarter", "month"]
#: Ends of the spans to come, in months from today.
ENDS: Mapping[By, tuple[float, ...]] = {
    "quarter": (3.0, 6.0, 9.0, 12.0),
    "month": tuple(float(month) for month in range(1, 13)),
}
_YEAR = 12
_PAST: Mapping[By, int] = {"quarter": 8, "month": 12}
_say = Says(
    "next-repairs",
    {
        "by-month": "Money for failures by month, as recorded and as projected",
        "money-title": "What is to come: failures, services by plan, and both",
        "money-failures": "failures",
        "money-services": "services",
        "money-both": "both",
        "budget": "failures and services of the next 12 months",
        "budget-method": "the failures projected and the services by plan, taken as independent",
        "budget-words": "With services by plan {value:,.0f} ({low:,.0f} to {high:,.0f}).",
        "budget-past": "All work of the last 12 months came to {spent:,.0f}, accidents and what "
        "was changed beforehand with it.",
        "other": "other work of the last 12 months",
        "other-method": "work on record that was neither a failure nor a service by plan",
        "money-unpriced-failures": "The sums of failures come without {n} fitted {n:part|parts} "
        "that {n:has|have} no price.",
        "money-unpriced-services": "The sums of services come without {n} {n:service|services} "
        "that {n:has|have} no price: {parts}.",
    },
)
ACTUAL = "actual"
EXPECTED = "expected"

_COLUMNS = (
    Column("from", "from", "date", tells=Tells.TIME),
    Column("until", "until", "date"),
    Column("state", "state", tells=Tells.STATE),
    Column("failures", "failures", "number"),
    Column("cost", "cost", "money", tells=Tells.VALUE),
    Column("low", "low", "money", tells=Tells.LOW),
    Column("high", "high", "money", tells=Tells.HIGH),
    Column("unpriced", "without a price", "integer"),
    Column("spent", "all work on record", "money"),
)


_MONEY_COLUMNS = (
    Column("from", "from", "date"),
    Column("until", "until", "date"),
    Column("what", "what"),
    Column("number", "number", "number"),
    Column("expected", "expected", "money"),
    Column("low", "low", "money", tells=Tells.LOW),
    Column("high", "high", "money", tells=Tells.HIGH),
    Column("unpriced", "without a price", "integer"),
)


@dataclass(frozen=True, slots=True)
class Failure:
    """A failure that came: the place, the day, what was paid (None when not on record)."""

    vehicle: str
    component: str
    position: str
    on: date
    cost: float | None
    event: str


def failures(view: LedgerView, after: date, until: date, currency: str) -> list[Failure]:
    """Return the failures of a span of days, each place and day once.

    The place is the axle where both of its sides failed, or were written down as one.
    """
    rows = view.sql(
        """SELECT vehicle_id, component, coalesce(position, ''), occurred_on,
                  CASE WHEN currency = ? AND total_cost > 0 THEN CAST(total_cost AS DOUBLE) END,
                  event_id
           FROM replacements
           WHERE reason IN ('failed', 'worn_out') AND along_with IS NULL
             AND occurred_on > CAST(? AS DATE) AND occurred_on <= CAST(? AS DATE)
           UNION ALL
           SELECT vehicle_id, component, coalesce(position, ''), ended_on, NULL, ended_by
           FROM part_lives
           WHERE failed AND running AND ended_on > CAST(? AS DATE) AND ended_on <= CAST(? AS DATE)
           ORDER BY 1, 2, 4, 3, 6""",
        (currency, *(after.isoformat(), until.isoformat()) * 2),
    ).rows
    found: dict[tuple[str, str, str, date], Failure] = {}
    for vehicle, component, position, on, cost, event in rows:
        place = place_of(component, position)
        seen = found.get((vehicle, component, place, on))
        if seen is not None:
            # The other wheel of an axle set: one failure, the costs of both.
            both = [c for c in (seen.cost, cost) if c is not None]
            whole = seen.position if seen.position == position else place
            found[vehicle, component, place, on] = replace(
                seen, cost=sum(both) if both else None, position=whole
            )
        else:
            found[vehicle, component, place, on] = Failure(
                vehicle, component, position, on, cost, event
            )
    return list(found.values())


def between(
    parts: PartsAhead,
    found: Mapping[float, Projection],
    start: float,
    end: float,
) -> Counted:
    """Return what falls between two horizons of one projection.

    Args:
        parts: what is fitted.
        found: months ahead -> projection, made together.
        start: months ahead, 0 for today.
        end: months ahead.
    """
    later = found[end]
    if start <= 0.0:
        return later
    earlier = found[start]
    near, _weight = parts.ahead(start, None, "km")
    far, _weight = parts.ahead(end, None, "km")
    counts = tuple(
        increments(a, b, parts.belief, far[u] - near[u])
        for u, (a, b) in enumerate(zip(earlier.counts, later.counts, strict=True))
    )
    # Who has left by then, early failures that cost less, and how distance moves it all are of
    # the farther horizon; `_coming` sets the sum to what the two horizons differ by.
    return replace(later, number=np.maximum(later.number - earlier.number, 0.0), counts=counts)


def quarters_table(
    view: LedgerView,
    parts: PartsAhead,
    found: Mapping[float, Projection],
    ahead: Ints,
    by: By = "quarter",
) -> Table:
    """Return the money for failures by quarter or month, of a whole fleet.

    Args:
        view: the ledger as of a day.
        parts: what is fitted.
        found: months ahead -> projection, for all of `ENDS`.
        ahead: the parts that have not failed yet.
        by: quarter or month.
    """
    currency = parts.prices.currency
    past, coming = _past(view, currency, by), _coming(view.today, parts, found, ahead, by)
    quarters = by == "quarter"
    return Table(
        name=f"by_{by}",
        title="Money for failures by quarter, as recorded and as projected"
        if quarters
        else _say("by-month"),
        columns=(Column(by, by, "integer", detail=True), *_in(currency, _COLUMNS)),
        rows=(*past, *coming),
        holds=Holds.QUARTERS,
        marks=(frozenset({Mark.PAST}),) * len(past) + (frozenset(),) * len(coming),
    )


def _in(currency: str, columns: tuple[Column, ...]) -> tuple[Column, ...]:
    return tuple(replace(c, unit=currency) if c.kind == "money" else c for c in columns)


def money_table(
    view: LedgerView,
    parts: PartsAhead,
    found: Mapping[float, Projection],
    ahead: Ints,
    services: "ServicesAhead",
    by: By = "quarter",
) -> Table:
    """Return failures, services and the sum of both for each quarter or month to come.

    Args:
        view: the ledger as of a day.
        parts: what is fitted.
        found: months ahead -> projection, for all of `ENDS`.
        ahead: the parts that have not failed yet.
        services: those to come.
        by: quarter or month.
    """
    rows: list[tuple[Cell, ...]] = []
    for span in _coming(view.today, parts, found, ahead, by):
        _number, start, end, _state, failures, *band = span[:8]
        cost, low, high = (float(str(one)) for one in band)
        first = None if not rows else date.fromisoformat(str(start))
        sum_ = services.between(first, date.fromisoformat(str(end)))
        rows.append((start, end, _say("money-failures"), failures, cost, low, high, None))
        rows.append((start, end, _say("money-services"), *sum_.cells))
        # The two are taken to be independent: their deviations add as squares.
        both = cost + sum_.expected
        less, more = np.hypot(cost - low, sum_.spread), np.hypot(high - cost, sum_.spread)
        ends = max(both - float(less), 0.0), both + float(more)
        many = float(str(failures)) + sum_.number
        rows.append((start, end, _say("money-both"), many, both, *ends, sum_.unpriced))
    return Table(
        name="money_ahead",
        title=_say("money-title"),
        columns=_in(parts.prices.currency, _MONEY_COLUMNS),
        rows=tuple(rows),
    )


def budget(view: LedgerView, failures: Band, services: "ServicesAhead", currency: str) -> Estimate:
    """Return failures and services of the next twelve months, told beside what all work cost.

    Args:
        view: the ledger as of a day.
        failures: of the next twelve months.
        services: those to come.
        currency: of all sums.
    """
    sum_ = services.between(None, months_from(view.today, _YEAR))
    value = failures.expected + sum_.expected
    low = value - float(np.hypot(failures.expected - failures.low, sum_.spread))
    high = value + float(np.hypot(failures.high - failures.expected, sum_.spread))
    past = [months_from(view.today, -_YEAR), view.today]
    spent = float(_spent(view, past, currency)[0])
    told = {"value": value, "low": max(low, 0.0), "high": high}
    words = Joined(
        (
            _say("budget-words", **told) if sum_.number else "",
            _say("budget-past", spent=spent) if spent else "",
        ),
        " ",
    )
    return Estimate(
        name=_say("budget"),
        value=value,
        unit=currency,
        low=told["low"],
        high=high,
        level=LEVEL,
        method=_say("budget-method"),
        left_out=sum_.unpriced,
        words=words,
    )


def other_work(view: LedgerView, currency: str) -> Estimate:
    """Return what repairs, accidents and changes beforehand cost in the last twelve months.

    Nobody can foretell it by part; as much again is what a budget has to hold for it. What
    counts as a failure or as a service by plan is projected by itself, and is left out.

    Args:
        view: the ledger as of a day.
        currency: of the sum.
    """
    from roadworn_plugins.maintenance.schedule import load_schedule

    by_plan = load_schedule("").services
    span = months_from(view.today, -_YEAR).isoformat(), view.today.isoformat()
    rows = view.sql(
        """SELECT component, action, CAST(total_cost AS DOUBLE), event_id FROM (
             SELECT component, 'replaced' AS action, total_cost, event_id, currency, occurred_on
             FROM replacements
             WHERE NOT (coalesce(reason, '') IN ('failed', 'worn_out') AND along_with IS NULL)
             UNION ALL SELECT component, '', total_cost, event_id, currency, occurred_on
             FROM repairs
             UNION ALL SELECT component, action, total_cost, event_id, currency, occurred_on
             FROM maintenance_done)
           WHERE currency = ? AND total_cost > 0 AND occurred_on > CAST(? AS DATE)
             AND occurred_on <= CAST(? AS DATE)
           ORDER BY event_id, component, action""",
        (currency, *span),
    ).rows
    kept = [
        (cost, event)
        for component, action, cost, event in rows
        if not any(s.component == component and s.done_by(action) for s in by_plan)
    ]
    return Estimate(
        name=_say("other"),
        value=sum(cost for cost, _event in kept),
        unit=currency,
        method=_say("other-method"),
        evidence=tuple(dict.fromkeys(event for _cost, event in kept)),
    )


def unpriced_words(parts: PartsAhead, ahead: Ints, services: "ServicesAhead") -> tuple[str, ...]:
    """Say which sums come without something that has no price."""
    without = services.unpriced
    names = sorted({part_name(one.service.component) for one in without})
    return (
        _say.some(sum(1 for i in ahead if parts.price[i] is None), "money-unpriced-failures"),
        _say.some(len(without), "money-unpriced-services", parts=some_of(names, 4)),
    )


def _past(view: LedgerView, currency: str, by: By) -> list[tuple[Cell, ...]]:
    """Return the whole quarters or months on record up to today, oldest first."""
    first = view.sql("SELECT min(occurred_on) FROM events").rows[0][0]
    step = int(ENDS[by][0])
    ends = [months_from(view.today, -step * number) for number in range(_PAST[by] + 1)]
    if first is not None:
        ends = [end for end in ends if end >= first]
    if first is None or len(ends) < 2:
        return []
    ends.reverse()
    came = np.zeros(len(ends) - 1)
    paid = np.zeros(len(ends) - 1)
    unpriced = np.zeros(len(ends) - 1)
    for failure in failures(view, ends[0], ends[-1], currency):
        at = _quarter(failure.on, ends)
        came[at] += 1
        paid[at] += failure.cost or 0.0
        unpriced[at] += failure.cost is None
    spent = _spent(view, ends, currency)
    return [
        (
            at - came.size,
            ends[at] + timedelta(days=1),
            ends[at + 1],
            ACTUAL,
            int(came[at]),
            round(float(paid[at]), 2),
            None,
            None,
            int(unpriced[at]),
            round(float(spent[at]), 2),
        )
        for at in range(came.size)
    ]


def _quarter(day: date, ends: list[date]) -> int:
    """Return the quarter a day lies in: after one end, up to the next."""
    return next(at for at, end in enumerate(ends[1:]) if day <= end)


def _spent(view: LedgerView, ends: list[date], currency: str) -> Floats:
    """Return all work that was paid for in this currency, whatever the reason, by quarter."""
    work = " UNION ALL ".join(
        f"SELECT occurred_on, total_cost FROM {table} WHERE currency = ?"
        for table in ("replacements", "repairs", "maintenance_done")
    )
    rows = view.sql(
        f"""SELECT occurred_on, CAST(sum(total_cost) AS DOUBLE) FROM ({work}) AS work
            WHERE total_cost IS NOT NULL AND occurred_on > CAST(? AS DATE)
              AND occurred_on <= CAST(? AS DATE)
            GROUP BY occurred_on""",
        (currency,) * 3 + (ends[0].isoformat(), ends[-1].isoformat()),
    ).rows
    spent = np.zeros(len(ends) - 1)
    for day, cost in rows:
        spent[_quarter(day, ends)] += cost
    return spent


def _coming(
    today: date, parts: PartsAhead, found: Mapping[float, Projection], ahead: Ints, by: By
) -> list[tuple[Cell, ...]]:
    rows: list[tuple[Cell, ...]] = []
    sooner = 0.0
    for number, end in enumerate(ENDS[by], start=1):
        start = ENDS[by][number - 2] if number > 1 else 0.0
        falls = between(parts, found, start, end)
        band, by_then = money(parts, falls, ahead), money(parts, found[end], ahead).expected
        cost, sooner = max(by_then - sooner, 0.0), by_then
        level = cost / band.expected if band.expected > 0.0 else 1.0
        rows.append(
            (
                number,
                months_from(today, int(start)) + timedelta(days=1),
                months_from(today, int(end)),
                EXPECTED,
                float(np.sum(falls.number[ahead])),
                cost,
                band.low * level,
                band.high * level,
                None,
                None,
            )
        )
    return rows


def months_from(day: date, months: int) -> date:
    """Return the same day so many months on or back, the last of a month that has no such day."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    following = date(year + (month == 11), (month + 1) % 12 + 1, 1)
    last = (following - timedelta(days=1)).day
    return date(year, month + 1, min(day.day, last))
