"""How the fleet figures of past days came true: what a figure of today has to be read with.

The projection of a whole fleet is judged by what came to the whole fleet, without a band of each
vehicle: cheap enough to stand beside the projection itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from roadworn.analysis import Column, Holds, Table, Tells
from roadworn.columns.view import KnownBy, LedgerView
from roadworn_plugins.ahead.past import BacktestDay, look_back
from roadworn_plugins.shared.costs_ahead import money
from roadworn_plugins.shared.grouped import DAYS_PER_MONTH, Floats
from roadworn_plugins.shared.projected import Projection, project

_LEAST_DAYS_KNOWN = 365
# A sum that came to 103 % is no contradiction, however many vehicles say so.
_SLIGHT = 0.03
_SIDE_80 = 1.2815515655446004  # standard normal quantile of 90 %


def past_days(view: LedgerView, months: float, days: int, apart: float | None = None) -> list[date]:
    """Return the past days that leave the whole time ahead on record, earliest first.

    Args:
        view: the present view.
        months: how far each looks ahead.
        days: how many are wanted; fewer where less than a year is on record before them.
        apart: months between them; the time ahead when not given.
    """
    row = view.sql("SELECT min(occurred_on), max(occurred_on) FROM effective_events").rows[0]
    if row[0] is None:
        return []
    end = min(row[1], view.today)
    back = [months + (apart or months) * k for k in range(days)]
    found = [end - timedelta(days=round(m * DAYS_PER_MONTH)) for m in back]
    return sorted(day for day in found if (day - row[0]).days >= _LEAST_DAYS_KNOWN)


@dataclass(frozen=True, slots=True)
class PastTotal:
    """What the whole fleet was projected to see from a past day on, and what came.

    Attributes:
        on, until: first and last day.
        vehicles: that were watched. One that left is projected as on the day, when nobody knew,
            and what came to it counts to its last day.
        failures, failures_came: projected, and come at any place, projected or not.
        cost, low, high: projected cost of them with its 80 % band.
        cost_came: what was paid.
    """

    on: date
    until: date
    vehicles: int
    failures: float
    failures_came: int
    cost: float
    low: float
    high: float
    cost_came: float


@dataclass(frozen=True, slots=True)
class TrackRecord:
    """How the fleet figures of past days came true.

    Attributes:
        days: earliest first.
        months: how far each looked ahead.
        currency: of the money.
        ratio, low, high: cost that came over cost projected, all days together, with 95 % limits
            by leaving out one vehicle at a time (None with fewer than two); None where nothing
            was projected.
        failures_ratio: the same of the number of failures.
        spread: standard deviation of the logarithm of that ratio between days beyond what the
            bands of those days allowed, counted from 1: a fleet that always comes to 125 % of
            its projection has one. 0 where the bands explain all.
    """

    days: tuple[PastTotal, ...]
    months: float
    currency: str
    ratio: float | None
    low: float | None
    high: float | None
    failures_ratio: float | None
    spread: float

    @property
    def contradicts(self) -> bool:
        """Whether what came is outside what chance among the vehicles explains."""
        if self.ratio is None or self.low is None or self.high is None:
            return False
        return self.low > 1.0 + _SLIGHT or self.high < 1.0 - _SLIGHT


def track_record(
    view: LedgerView, months: float = 12.0, days: int = 3, *, known_by: KnownBy = "occurred"
) -> TrackRecord | None:
    """Return how the fleet figures of past days came true, None where no day can be judged.

    Args:
        view: the present view.
        months: how far each day looks ahead.
        days: how many days, one horizon apart.
        known_by: see `look_back`.
    """
    looked = [look_back(view, d, months, known_by=known_by) for d in past_days(view, months, days)]
    found = [day for day in looked if day is not None]
    if not found:
        return None
    given = [_as_given(day, months) for day in found]
    each = tuple(_past_total(*pair) for pair in zip(found, given, strict=True))
    cost, paid = sum(one.cost for one in each), sum(one.cost_came for one in each)
    number = sum(one.failures for one in each)
    low, high = ratio_limits(
        found,
        [day.usual * one.number * one.staying for day, one in zip(found, given, strict=True)],
    )
    return TrackRecord(
        days=each,
        months=months,
        currency=found[-1].currency,
        ratio=paid / cost if cost > 0.0 else None,
        low=low,
        high=high,
        failures_ratio=sum(one.failures_came for one in each) / number if number > 0.0 else None,
        spread=spread_of(each),
    )


def _as_given(day: BacktestDay, months: float) -> Projection:
    """Return what was projected on the day, when nobody knew who would leave or be repaired.

    Only what was lost from sight is projected to its last day: nobody knows what came after.
    """
    lost = np.array([vehicle in day.lost for vehicle in day.parts.vehicle], dtype=bool)
    rows = np.flatnonzero((day.share < 1.0) & ~lost)
    if not rows.size:
        return day.found
    whole = project(day.parts.take(rows), months)

    def put(target: object, source: object, *names: str) -> dict[str, Any]:
        found = {name: np.array(getattr(target, name), dtype=np.float64) for name in names}
        for name, values in found.items():
            values[rows] = getattr(source, name)
        return found

    counts = tuple(
        replace(a, **put(a, b, "chance", "number", "pairs"))
        for a, b in zip(day.found.counts, whole.counts, strict=True)
    )
    known = [n for n in ("number", "price", "pace", "chance") if getattr(whole, n) is not None]
    return replace(day.found, counts=counts, **put(day.found, whole, *known))


def _past_total(day: BacktestDay, given: Projection) -> PastTotal:
    band = money(day.parts, given, np.arange(day.parts.size))
    return PastTotal(
        on=day.on,
        until=day.until,
        vehicles=len(day.vehicles),
        failures=float(given.number.sum()) * given.staying,
        failures_came=int(day.came.sum()) + len(day.unforeseen),
        cost=band.expected,
        low=band.low,
        high=band.high,
        cost_came=day.paid_cost,
    )


def spread_of(days: Sequence[PastTotal]) -> float:
    """Return the spread of log came over projected beyond the bands of the days."""
    beyond = [
        np.log(max(one.cost_came, 0.05 * one.cost) / one.cost) ** 2
        - (np.log(max(one.high, one.cost) / one.cost) / _SIDE_80) ** 2
        for one in days
        if one.cost > 0.0
    ]
    return float(np.sqrt(max(float(np.mean(beyond)), 0.0))) if beyond else 0.0


def ratio_limits(
    days: Sequence[BacktestDay], expected: Sequence[Floats]
) -> tuple[float | None, float | None]:
    """Return 95 % limits of cost come over projected, vehicles taken as independent.

    Args:
        days: past days.
        expected: of each day what each part was projected to cost.
    """
    code = np.unique(np.concatenate([np.array(d.vehicles) for d in days]), return_inverse=True)[1]
    projected = [
        np.bincount(day.car, cost, len(day.vehicles))
        for day, cost in zip(days, expected, strict=True)
    ]
    x = np.bincount(code, np.concatenate(projected))
    y = np.bincount(code, np.concatenate([day.paid for day in days]))
    if x.size < 2 or np.any(x.sum() - x <= 0.0):
        return None, None
    without = (y.sum() - y) / (x.sum() - x)
    error = float(np.sqrt((x.size - 1) / x.size * np.sum((without - without.mean()) ** 2)))
    ratio = float(y.sum() / x.sum())
    return max(ratio - 1.96 * error, 0.0), ratio + 1.96 * error


def past_table(record: TrackRecord) -> Table:
    """Return what sums like these said on past days, and what came."""
    return Table(
        "past",
        "Such sums of past days, and what came",
        (
            Column("on", "said on", "date"),
            Column("until", "until", "date", detail=True),
            Column("vehicles", "vehicles", "integer"),
            Column("cost", "said", "money", record.currency),
            Column("low", "low", "money", record.currency, tells=Tells.LOW),
            Column("high", "high", "money", record.currency, tells=Tells.HIGH),
            Column("came", "came", "money", record.currency),
            Column("ratio", "came / said", "number"),
        ),
        tuple(
            (
                *(one.on, one.until, one.vehicles, one.cost, one.low, one.high, one.cost_came),
                one.cost_came / one.cost if one.cost > 0.0 else None,
            )
            for one in record.days
        ),
        holds=Holds.FORETOLD,
    )
