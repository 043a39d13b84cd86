"""How the fleet figures of past days came true: what a figure of today has to be read with.

The projection of a whole fleet is judged by what came to the whole fleet, without a band of each
vehicle: cheap enough to stand beside the projection itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from roadworn.columns.view import KnownBy, LedgerView
from roadworn_plugins.ahead.past import BacktestDay, look_back, past_days
from roadworn_plugins.shared.projected import money

_SIDE_80 = 1.2815515655446004  # standard normal quantile of 90 %


@dataclass(frozen=True, slots=True)
class PastTotal:
    """What the whole fleet was projected to see from a past day on, and what came.

    Attributes:
        on, until: first and last day.
        vehicles: that were watched; each counts to its last day.
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
    each = tuple(_past_total(day) for day in found)
    cost, paid = sum(one.cost for one in each), sum(one.cost_came for one in each)
    number = sum(one.failures for one in each)
    low, high = ratio_limits(found)
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


def _past_total(day: BacktestDay) -> PastTotal:
    band = money(day.parts, day.found, np.arange(day.parts.size))
    # Successors of planned replacements are in the figure, not in the moments of the band.
    scale = day.projected_cost / band.expected if band.expected > 0.0 else 1.0
    return PastTotal(
        on=day.on,
        until=day.until,
        vehicles=len(day.vehicles),
        failures=float(day.number.sum()),
        failures_came=int(day.came.sum()) + len(day.unforeseen),
        cost=day.projected_cost,
        low=band.low * scale,
        high=band.high * scale,
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


def ratio_limits(days: Sequence[BacktestDay]) -> tuple[float | None, float | None]:
    """Return 95 % limits of cost come over projected, vehicles taken as independent."""
    names = np.concatenate([np.array(day.vehicles) for day in days])
    code = np.unique(names, return_inverse=True)[1]
    projected = np.concatenate(
        [np.bincount(day.car, day.expected_cost, len(day.vehicles)) for day in days]
    )
    x = np.bincount(code, projected)
    y = np.bincount(code, np.concatenate([day.paid for day in days]))
    if x.size < 2 or np.any(x.sum() - x <= 0.0):
        return None, None
    without = (y.sum() - y) / (x.sum() - x)
    error = float(np.sqrt((x.size - 1) / x.size * np.sum((without - without.mean()) ** 2)))
    ratio = float(y.sum() / x.sum())
    return max(ratio - 1.96 * error, 0.0), ratio + 1.96 * error
