"""When a service falls due, and whether it was done in time.

By distance and by months, whichever comes first. A service is on time within a window of its
interval on either side, usually 10 % (common practice, no source): due at 65,000 with an
interval of 5,000 it is on time from 64,500 to 65,500.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from roadworn.trade.warranty import add_months

Timing = Literal["early", "on time", "late"]
#: A metre, so that converted miles do not fall off an edge they stand on.
_KM = 1e-3


@dataclass(frozen=True, slots=True)
class Interval:
    """A service interval; at least one of the two is given.

    Attributes:
        km: distance, or None.
        months: time, or None.
    """

    km: float | None = None
    months: int | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """A moment in a vehicle's life; the distance may be unknown."""

    on: date
    km: float | None


@dataclass(frozen=True, slots=True)
class Due:
    """When a service falls due, with the window around it.

    Attributes:
        on: last day by months, or None without such a term.
        km: distance, or None without such a term.
        days_window, km_window: how far on either side still is in time.
    """

    on: date | None
    km: float | None
    days_window: float
    km_window: float


def due_after(last: Point, interval: Interval, window: float) -> Due:
    """Return when the service after the one done at `last` falls due.

    Args:
        last: when it was done.
        interval: by distance, months or both.
        window: share of the interval on either side that still is in time.
    """
    on = None if interval.months is None else add_months(last.on, interval.months)
    km = None if interval.km is None or last.km is None else last.km + interval.km
    days = 0.0 if on is None else window * (on - last.on).days
    return Due(on, km, days, window * (interval.km or 0.0))


def timing(due: Due, done: Point) -> Timing:
    """Say whether a service done at `done` was in time: past either window it was late."""
    after: list[tuple[float, float]] = []
    if due.on is not None:
        after.append(((done.on - due.on).days, due.days_window))
    if due.km is not None and done.km is not None:
        after.append((done.km - due.km, due.km_window + _KM))
    if any(late > window for late, window in after):
        return "late"
    if after and all(late < -window for late, window in after):
        return "early"
    return "on time"


def is_past(due: Due, now: Point) -> bool:
    """Whether the service has fallen due by now, by whichever clock."""
    by_time = due.on is not None and now.on >= due.on
    return by_time or (due.km is not None and now.km is not None and now.km >= due.km)


def expected_on(due: Due, now: Point, km_per_day: float | None) -> date | None:
    """Return the day it is expected to fall due, or None when nothing tells.

    Args:
        due: from `due_after`.
        now: today, and the distance by today.
        km_per_day: how far the vehicle usually goes; None or 0 for unknown.
    """
    days = [] if due.on is None else [due.on]
    if due.km is not None and now.km is not None and km_per_day:
        ahead = min((due.km - now.km) / km_per_day, 36_500.0)
        days.append(now.on + timedelta(days=round(max(ahead, 0.0))))
    return min(days, default=None)
