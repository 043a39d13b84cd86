"""Terms by time, distance and hours: warranties, the window of a comeback, intervals of services.

A comeback is the same component and place back within its warranty or a window.
A window of 90 days and 5,000 km is common practice, no source. A comeback is counted against
the job before it at the same place; the two sides of an axle are two, and its name means both.
"""

import calendar
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Literal

from roadworn.model.catalogue import meet
from roadworn.model.units import Number, exact


def add_months(day: date, months: int) -> date:
    """Return the same day `months` later, or that month's last day."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


@dataclass(frozen=True, slots=True)
class WarrantyStatus:
    """Whether a warranty was in force.

    Attributes:
        in_force: None when that cannot be known, for instance without an odometer reading.
        last_day: last day it covers, or None without a term in months.
        last_reading: last odometer reading it covers, in the warranty's unit, or None.
        ended_by: what ended it, or None.
    """

    in_force: bool | None
    last_day: date | None
    last_reading: Decimal | None
    ended_by: Literal["time", "distance"] | None


@dataclass(frozen=True, slots=True)
class Warranty:
    """Terms of a warranty that starts at one day and reading.

    Attributes:
        start: first day.
        months: term, or None for no limit in time.
        distance: term in `unit`, or None for no limit in distance.
        start_reading: odometer at the start in `unit`; needed for a distance term.
        unit: ``mi`` or ``km``.
    """

    start: date
    months: int | None = None
    distance: Number | None = None
    start_reading: Number | None = None
    unit: Literal["mi", "km"] = "mi"

    def status(
        self, on: date, reading: Number | None = None, unit: Literal["mi", "km"] | None = None
    ) -> WarrantyStatus:
        """Say whether the warranty is in force on a day at a reading.

        Args:
            on: the day asked about.
            reading: odometer that day, or None when unknown.
            unit: unit of `reading`; None for the warranty's own.
        """
        last_day = None if self.months is None else add_months(self.start, self.months)
        last_reading = None
        if self.distance is not None and self.start_reading is not None:
            last_reading = Decimal(str(self.start_reading)) + Decimal(str(self.distance))
        if on < self.start or (self.months is None and self.distance is None):
            return WarrantyStatus(False, last_day, last_reading, None)
        if last_day is not None and on > last_day:
            return WarrantyStatus(False, last_day, last_reading, "time")
        if self.distance is None:
            return WarrantyStatus(True, last_day, None, None)
        if last_reading is None or reading is None:
            return WarrantyStatus(None, last_day, last_reading, None)
        # Compared exactly: the last mile is covered, one more is not.
        driven = exact(reading, unit or self.unit, self.unit)
        over = driven > exact(last_reading, self.unit, self.unit)
        return WarrantyStatus(not over, last_day, last_reading, "distance" if over else None)


#: Days and distance within which a job that is back is a comeback whatever was warranted; both
#: must hold where the distance is known. Common practice, no source.
WINDOW_DAYS = 90
WINDOW_KM = 5_000.0


@dataclass(frozen=True, slots=True)
class Comeback:
    """Why a job counts as a comeback.

    Attributes:
        why: within the warranty, or within the window.
        days: since the first job.
        until: last day of the warranty, or None.
    """

    why: Literal["warranty", "window"]
    days: int
    until: date | None = None


def comeback(
    first: Warranty,
    again_on: date,
    again_reading: Number | None = None,
    unit: Literal["mi", "km"] | None = None,
    *,
    window_days: int = WINDOW_DAYS,
    window_km: float = WINDOW_KM,
) -> Comeback | None:
    """Return why a second job is a comeback of the first, or None when it is not.

    Args:
        first: start and terms of the first job; without terms only the window counts.
        again_on: day of the second job.
        again_reading: odometer then, None when unknown.
        unit: of that reading; None for the warranty's own.
        window_days: days that count whatever was warranted, the last one included,
        window_km: within this distance, where it is known.
    """
    days = (again_on - first.start).days
    if days < 0:
        return None
    status = first.status(again_on, again_reading, unit)
    if status.in_force:
        return Comeback("warranty", days, status.last_day)
    if days > window_days:
        return None
    if first.start_reading is not None and again_reading is not None:
        start = exact(first.start_reading, first.unit, "km")
        far = exact(again_reading, unit or first.unit, "km") - start
        if far > window_km:
            return None
    return Comeback("window", days)


def same_place(component: str, one: str | None, other: str | None) -> bool:
    """Whether two places of a component are the same job; a missing place may be any."""
    return one is None or other is None or meet(component, one, other)


Timing = Literal["early", "on time", "late"]
#: A metre, so that converted miles do not fall off an edge they stand on.
_KM = 1e-3


@dataclass(frozen=True, slots=True)
class Interval:
    """A service interval; at least one of the three is given.

    Attributes:
        km: distance, or None.
        months: time, or None.
        hours: of the engine, or None.
    """

    km: float | None = None
    months: int | None = None
    hours: float | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """A moment in a vehicle's life; distance and hours may be unknown.

    Attributes:
        on, km: the day, and the true distance by then.
        event: what says so, empty for today.
        hours: of the engine by then.
    """

    on: date
    km: float | None
    event: str = ""
    hours: float | None = None


@dataclass(frozen=True, slots=True)
class Due:
    """When a service falls due, with the window around it.

    Attributes:
        on: last day by months, or None without such a term.
        km: distance, or None without such a term.
        days_window, km_window, hours_window: how far on either side still is in time.
        hours: of the engine, or None without such a term.
    """

    on: date | None
    km: float | None
    days_window: float
    km_window: float
    hours: float | None = None
    hours_window: float = 0.0


def due_after(last: Point, interval: Interval, window: float) -> Due:
    """Return when the service after the one done at `last` falls due.

    Args:
        last: when it was done.
        interval: by distance, months, hours or several of them.
        window: share of the interval on either side that still is in time.
    """
    on = None if interval.months is None else add_months(last.on, interval.months)
    km = None if interval.km is None or last.km is None else last.km + interval.km
    days = 0.0 if on is None else window * (on - last.on).days
    hours = None if interval.hours is None or last.hours is None else last.hours + interval.hours
    windows = days, window * (interval.km or 0.0)
    return Due(on, km, *windows, hours, window * (interval.hours or 0.0))


def timing(due: Due, done: Point) -> Timing:
    """Say whether a service done at `done` was in time: past either window it was late."""
    after: list[tuple[float, float]] = []
    if due.on is not None:
        after.append(((done.on - due.on).days, due.days_window))
    if due.km is not None and done.km is not None:
        after.append((done.km - due.km, due.km_window + _KM))
    if due.hours is not None and done.hours is not None:
        after.append((done.hours - due.hours, due.hours_window))
    if any(late > window for late, window in after):
        return "late"
    if after and all(late < -window for late, window in after):
        return "early"
    return "on time"


def is_past(due: Due, now: Point) -> bool:
    """Whether the service has fallen due by now, by whichever clock."""
    by_time = due.on is not None and now.on >= due.on
    by_hours = due.hours is not None and now.hours is not None and now.hours >= due.hours
    return by_time or by_hours or (due.km is not None and now.km is not None and now.km >= due.km)


def expected_on(
    due: Due, now: Point, km_per_day: float | None, hours_per_day: float | None = None
) -> date | None:
    """Return the day it is expected to fall due, or None when nothing tells.

    Args:
        due: from `due_after`.
        now: today, and the distance and hours by today.
        km_per_day: how far the vehicle usually goes; None or 0 for unknown.
        hours_per_day: how long its engine usually runs; likewise.
    """
    days = [] if due.on is None else [due.on]
    left = (
        (due.km, now.km, km_per_day),
        (due.hours, now.hours, hours_per_day),
    )
    for at, stands, a_day in left:
        if at is not None and stands is not None and a_day:
            ahead = min((at - stands) / a_day, 36_500.0)
            days.append(now.on + timedelta(days=round(max(ahead, 0.0))))
    return min(days, default=None)
