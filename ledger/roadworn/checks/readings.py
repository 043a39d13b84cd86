"""What is odd about an odometer figure beside the reading before it: said at every door, and kept.

Typed input and imports ask the same, so that a slip is not believed because it came in a file.
"""

import re
from collections.abc import Callable
from datetime import date

from roadworn.checks.recent import MOST_KM_PER_DAY, LastReading
from roadworn.model.messages import Problem
from roadworn.model.units import convert

MOST_KM = 5_000_000.0
#: Figures in two units are the same when they are this near, since both are rounded.
_ROUNDING_KM = 1.0
#: A figure that fits in the other unit must not need more than this a day.
_USUAL_KM_PER_DAY = 300.0
# As `roadworn.columns.views_distance` has it: from the last fifth of the range to its first fifth.
_NEAR_TOP, _NEAR_BOTTOM = 0.8, 0.2
#: No odometer shows three decimals, so a mark before three digits may mark thousands.
_MARKED = {mark: re.compile(rf"\s*(\d{{1,3}}){re.escape(mark)}(\d{{3}})\b.*") for mark in ".,"}

LOWER, JUMP, TOO_FAR, ROLLED = "reading-lower", "reading-jump", "reading-too-far", "rolled-over"


def reading_doubt(
    value: float,
    unit: str,
    on: str,
    last: LastReading | None,
    digits: Callable[[], int | None] = lambda: None,
) -> Problem | None:
    """Return what is odd about a figure after the reading before it, or None.

    Args:
        value: the figure.
        unit: its unit, ``km`` or ``mi``.
        on: its ISO day or moment.
        last: the reading before it; one of a later day says nothing.
        digits: looks up how many digits the odometer has; asked only where it matters.

    Returns:
        A doubt with code LOWER, JUMP, TOO_FAR or ROLLED; its hint names the other unit where
        the figure fits in that.
    """
    told = f"{value:,.10g} {unit}"
    if convert(value, unit, "km") > MOST_KM:
        message = f"{told} is further than vehicles go."
        return Problem(TOO_FAR, message, _HINT, column="odometer")
    if last is None or on[:10] < last.occurred_at[:10]:
        return None
    days = days_between(last.occurred_at, on)
    gone = convert(value, unit, "km") - convert(last.value, last.unit, "km")
    before = f"{last.value:,.10g} {last.unit} on {last.occurred_at[:10]}"
    if gone < (0 if unit == last.unit else -_ROUNDING_KM):
        shown = digits()
        if shown and rolled_over(last, value, unit, shown):
            message = f"Taken as rolled over past {10**shown - 1:,} {unit} since {before}."
            return Problem(ROLLED, message, column="odometer")
        message = f"{told} is lower than the last reading, {before}."
        return Problem(LOWER, message, _hint(value, unit, last, days), column="odometer")
    if gone > MOST_KM_PER_DAY * max(1, days):
        message = (
            f"{told} is further from the last reading, {before}, than a vehicle goes in "
            f"{max(1, days)} day{'' if days <= 1 else 's'}."
        )
        return Problem(JUMP, message, _hint(value, unit, last, days), column="odometer")
    return None


_HINT = "look at the figure and its unit again"


def _hint(value: float, unit: str, last: LastReading, days: int) -> str:
    other = in_other_unit(value, unit, last, days)
    return f"it would fit as {other}" if other else _HINT


def in_other_unit(value: float, unit: str, last: LastReading, days: int) -> str:
    """Return the figure in the other unit when that fits the last reading, or nothing."""
    other = "km" if unit == "mi" else "mi"
    gone = convert(value, other, "km") - convert(last.value, last.unit, "km")
    return f"{value:,.10g} {other}" if 0 <= gone <= _USUAL_KM_PER_DAY * (days + 1) else ""


def rolled_over(last: LastReading, value: float, unit: str, digits: int) -> bool:
    """Return whether an odometer of so many digits may have rolled over since a reading."""
    limit = float(10**digits)
    before = convert(last.value, last.unit, unit)
    return _NEAR_TOP * limit <= before < limit and value <= _NEAR_BOTTOM * limit


def marked_thousands(typed: str, mark: str) -> tuple[str, str] | None:
    """Return the digits before and after a decimal mark that may mark thousands, or None."""
    found = _MARKED[mark].fullmatch(typed)
    return None if found is None else (found[1], found[2])


def days_between(start: str, end: str) -> int:
    """Return the days from one ISO day or moment to another."""
    return (date.fromisoformat(end[:10]) - date.fromisoformat(start[:10])).days
