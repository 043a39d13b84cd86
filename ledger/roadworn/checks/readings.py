"""What is odd about an odometer figure beside the reading before it: said at every door, and kept.

Typed input and imports ask the same, so that a slip is not believed because it came in a file.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from datetime import date

from roadworn.checks.facts import Draft, Facts, LastReading, latest
from roadworn.model.messages import Problem, Remedy, Sentence
from roadworn.model.units import convert

MOST_KM = 5_000_000.0
#: Further than this in a day no vehicle goes; the read model's own bound (`roadworn.columns.view`).
MOST_KM_PER_DAY = 2_500.0
#: Figures in two units are the same when they are this near, since both are rounded.
_ROUNDING_KM = 1.0
#: A figure that fits in the other unit must not need more than this a day.
_USUAL_KM_PER_DAY = 300.0
# As `roadworn.columns.views_distance` has it: from the last fifth of the range to its first fifth.
_NEAR_TOP, _NEAR_BOTTOM = 0.8, 0.2
#: No odometer shows three decimals, so a mark before three digits may mark thousands.
_MARKED = {mark: re.compile(rf"\s*(\d{{1,3}}){re.escape(mark)}(\d{{3}})\b.*") for mark in ".,"}

#: No odometer shows three decimals; typed, the figure stands alone or with its unit.
_DOT = re.compile(r"\s*(\d{1,3})\.(\d{3})\s*([a-z]*)\s*", re.IGNORECASE | re.ASCII)

LOWER, JUMP, TOO_FAR, ROLLED = "reading-lower", "reading-jump", "reading-too-far", "rolled-over"
OLD_LOWER, OTHER_UNIT, DOT, MAY_ROLL = (
    "old-lower",
    "other-unit",
    "three-decimals",
    "may-have-rolled",
)


def reading(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt the figure of one event beside those of its vehicle before it.

    The remedy's value is the figure as it was probably meant, where one fits. An import goes
    through a whole file's figures in the order of the road instead, by `reading_doubt`.
    """
    exchange = draft.payload if draft.kind == "odometer_exchange" else {}
    value = exchange.get("old_reading", draft.odometer)
    unit = exchange.get("unit", draft.odometer_unit)
    if value is None or unit is None:
        return
    field = "old_reading" if exchange else "odometer"
    # A vehicle that is enrolled again has no reading before its enrolment.
    before = [] if draft.kind == "enrolment" else facts.readings(draft.vehicle_id, draft.event_id)
    if draft.typed:
        yield from _as_typed(draft.typed.strip(), value, unit, field, before)
    last = latest(before)
    doubt = reading_doubt(
        value,
        unit,
        draft.occurred_at,
        last,
        # An exchanged instrument does not roll over at its exchange: its old figure was read.
        lambda: None if exchange else facts.digits(draft.vehicle_id),
    )
    if doubt is None:
        return
    other = "" if doubt.remedy is None else doubt.remedy.value
    remedy = Remedy("correct", field, other)
    if exchange and doubt.code == LOWER and last is not None:
        told = Sentence(
            OLD_LOWER,
            "The old figure, {value:,.10g} {unit}, is lower than the last reading, {before}.",
            value=value,
            unit=unit,
            before=_told(last),
        )
        yield Problem(OLD_LOWER, told, column=field, remedy=Remedy("correct", field))
        return
    yield Problem(doubt.code, doubt.message, doubt.hint, column=field, remedy=remedy)
    top = next((n for n in (5, 6) if last and rolled_over(last, value, unit, n)), None)
    if doubt.code == LOWER and top and not facts.digits(draft.vehicle_id):
        told = Sentence(MAY_ROLL, "If it rolled over at {limit:,}", limit=10**top)
        yield Problem(MAY_ROLL, told, remedy=Remedy("record", "odometer_digits", str(top)))


def _as_typed(
    typed: str, value: float, unit: str, field: str, before: Sequence[LastReading]
) -> Iterator[Problem]:
    """Doubt how a figure was written: a dot of thousands, or no unit where another is usual."""
    dotted = _DOT.fullmatch(typed)
    if dotted is not None:
        told = Sentence(
            DOT,
            "{typed!r} was read as {value:,.10g} {unit}. Did the dot mark thousands?",
            typed=typed,
            value=value,
            unit=unit,
        )
        meant = f"{dotted[1]},{dotted[2]} {unit}"
        yield Problem(DOT, told, column=field, remedy=Remedy("correct", field, meant))
    usual = _usual_unit(before)
    if usual and unit != usual and not re.search(r"[a-z]", typed, re.IGNORECASE):
        told = Sentence(
            OTHER_UNIT,
            "{typed} was taken as {unit}, while this vehicle is mostly read in {usual}.",
            typed=typed,
            unit=unit,
            usual=usual,
        )
        remedy = Remedy("correct", field, f"{typed} {usual}")
        yield Problem(OTHER_UNIT, told, column=field, remedy=remedy)


def _usual_unit(readings: Sequence[LastReading]) -> str:
    """Return the unit that most readings are in, or an empty text when none leads."""
    miles = sum(one.unit == "mi" for one in readings)
    if 2 * miles == len(readings):
        return ""
    return "mi" if 2 * miles > len(readings) else "km"


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
        A doubt with code LOWER, JUMP, TOO_FAR or ROLLED; its remedy names the other unit where
        the figure fits in that.
    """
    if convert(value, unit, "km") > MOST_KM:
        told = "{value:,.10g} {unit} is further than vehicles go."
        return _doubt(TOO_FAR, Sentence(TOO_FAR, told, value=value, unit=unit), "")
    if last is None or on[:10] < last.occurred_at[:10]:
        return None
    days = days_between(last.occurred_at, on)
    gone = convert(value, unit, "km") - convert(last.value, last.unit, "km")
    before, other = _told(last), in_other_unit(value, unit, last, days)
    if gone < (0 if unit == last.unit else -_ROUNDING_KM):
        shown = digits()
        if shown and rolled_over(last, value, unit, shown):
            told = "Taken as rolled over past {limit:,} {unit} since {before}."
            rolled = Sentence(ROLLED, told, limit=10**shown - 1, unit=unit, before=before)
            return Problem(ROLLED, rolled, column="odometer")
        told = "{value:,.10g} {unit} is lower than the last reading, {before}."
        return _doubt(LOWER, Sentence(LOWER, told, value=value, unit=unit, before=before), other)
    if gone > MOST_KM_PER_DAY * max(1, days):
        told = (
            "{value:,.10g} {unit} is further from the last reading, {before}, than a vehicle goes "
            "in {days} day" + ("." if days <= 1 else "s.")
        )
        jump = Sentence(JUMP, told, value=value, unit=unit, before=before, days=max(1, days))
        return _doubt(JUMP, jump, other)
    return None


def _doubt(code: str, told: Sentence, other: str) -> Problem:
    hint = f"it would fit as {other}" if other else "look at the figure and its unit again"
    return Problem(code, told, hint, column="odometer", remedy=Remedy("correct", "odometer", other))


def _told(last: LastReading) -> Sentence:
    return Sentence(
        "reading-on",
        "{value:,.10g} {unit} on {day}",
        value=last.value,
        unit=last.unit,
        day=last.occurred_at[:10],
    )


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
