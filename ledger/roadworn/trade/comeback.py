"""Is this job a comeback: the same component and place back within its warranty or a window.

A window of 30 days is common practice, no source; the warranty's own terms come from
`roadworn.trade.warranty`. A comeback is counted against the job before it, and an axle set is
one place: pads at LF and RF are not two.
"""

from dataclasses import dataclass
from datetime import date
from typing import Literal

from roadworn.catalogue import catalogue
from roadworn.catalogue.positions import axle_of
from roadworn.trade.warranty import Warranty
from roadworn.units import Number

#: Days within which a job that is back is a comeback whatever was warranted.
WINDOW_DAYS = 30


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
) -> Comeback | None:
    """Return why a second job is a comeback of the first, or None when it is not.

    Args:
        first: start and terms of the first job; without terms only the window counts.
        again_on: day of the second job.
        again_reading: odometer then, None when unknown.
        unit: of that reading; None for the warranty's own.
        window_days: days that count in any case, the last one included.
    """
    days = (again_on - first.start).days
    if days < 0:
        return None
    status = first.status(again_on, again_reading, unit)
    if status.in_force:
        return Comeback("warranty", days, status.last_day)
    if days <= window_days:
        return Comeback("window", days)
    return None


def same_place(component: str, one: str | None, other: str | None) -> bool:
    """Whether two places of a component are the same job; a missing place may be any."""
    if one is None or other is None or one == other:
        return True
    known = catalogue().find(component)
    return known is not None and known.positions == "axle" and axle_of(one) == axle_of(other)


def comeback_rate(comebacks: int, jobs: int) -> float | None:
    """Return comebacks over jobs, or None without a job: not zero."""
    return comebacks / jobs if jobs else None
