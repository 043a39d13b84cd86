"""What can be but hardly is: asked about or said of an event whichever door it came through.

What cannot be is refused (`roadworn.checks.slips`, `roadworn.checks.measured`). Names and numbers
of people are looked for here as well: an event cannot be erased, the contacts can be.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime
from typing import Any

from roadworn.checks.facts import Draft, Facts, LastReading, latest
from roadworn.checks.known import texts_of, year_meant
from roadworn.model.errors import UsageError
from roadworn.model.events import Holds, utc_now
from roadworn.model.kinds import names_of
from roadworn.model.messages import Problem, Remedy, Sentence
from roadworn.model.units import MOST_KM_PER_DAY, convert

# Days

FIRST_YEAR = 1980
#: An answer or an inspection is not due later than this; common practice, no source.
_MOST_YEARS_AHEAD = 10


def latest_day() -> str:
    """Return today as an ISO day, by UTC or by the clock on the wall, whichever is ahead."""
    return max(utc_now()[:10], datetime.now().astimezone().date().isoformat())


def day(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a day that lies before the vehicle's time, or that is still to come."""
    latest = latest_day()
    if draft.day > latest:
        told = Sentence("not-yet", "{day} is still to come: it is {today}.", day=draft.day,
                        today=latest)  # fmt: skip
        yield _unlikely(told, year_meant(draft.day, latest), "occurred_at", "on")
        return
    profile = _profile(draft, facts)
    year, began = profile.get("model_year"), profile.get("in_service_date")
    on = draft.day
    code, why = "", ""
    if began and on < began:
        code, why = "before-service", "{day} is before the vehicle came into service on {began}."
    # A model year is sold from the year before it on.
    elif year and int(on[:4]) < year - 1:
        code, why = "before-model-year", "{day} is before its model year {year}."
    elif int(on[:4]) < FIRST_YEAR:
        code, why = "before-first-year", "{day} is before {first}."
    if not why:
        return
    told = Sentence(code, why, day=on, began=began, year=year, first=FIRST_YEAR)
    meant = year_meant(on, utc_now()[:10]) if int(on[:4]) < FIRST_YEAR else ""
    yield _unlikely(told, meant, "occurred_at", "on")


def _profile(draft: Draft, facts: Facts) -> dict[str, Any]:
    """Return the profile of a vehicle, with what the draft says of it before it is written."""
    known = facts.profile(draft.vehicle_id)
    if draft.kind in {"enrolment", "profile_change"}:
        return known | {name: said for name, said in draft.payload.items() if said is not None}
    return known


def before_watched(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt work before its vehicle came under observation: what it ended is no life."""
    began = facts.watched_since(draft.vehicle_id)
    if not began or draft.day >= began:
        return
    told = Sentence(
        "before-watched",
        "{day} is before {vehicle} came under observation on {began}: what was replaced before "
        "that day counts in no life.",
        day=draft.day,
        vehicle=draft.vehicle_id,
        began=began,
    )
    hint = "if all work on it is on record from an earlier day on, set that back with --set-back"
    yield Problem("before-watched", told, hint, remedy=Remedy("correct", value=draft.day))


def far_day(draft: Draft, _facts: Facts) -> Iterator[Problem]:
    """Doubt each day in a payload that is far ahead or long ago."""
    today = utc_now()
    for column, named in texts_of(draft.payload, Holds.DAY):
        field = column.rpartition(".")[2]
        ahead = int(named[:4]) > int(today[:4]) + _MOST_YEARS_AHEAD
        if ahead or int(named[:4]) < FIRST_YEAR - 60 * (field == "in_service_date"):
            meant = year_meant(named, f"{int(today[:4]) + 1}{today[4:]}")
            side = "far-ahead" if ahead else "long-ago"
            words = "{day} is far ahead." if ahead else "{day} is long ago."
            yield _unlikely(Sentence(side, words, day=named), meant, column, field)


def _unlikely(told: Sentence, meant: str, column: str, field: str) -> Problem:
    hint = Sentence("compare-paper", "compare it with the paper")
    if meant:
        hint = Sentence("day-meant", "did you mean {day}?", day=meant)
    remedy = Remedy("correct", field, meant)
    return Problem("unlikely-day", told, hint, column=column, remedy=remedy)


# Parts that such a vehicle does not have

_PARTS_BY = ("fuel", "engine", "gearbox", "drive", "front_brakes", "rear_brakes", "weight_class")


def no_such_part(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt work on a part, or a look at one, that a vehicle with such a profile does not have."""
    profile = facts.profile(draft.vehicle_id)
    if not any(map(profile.get, _PARTS_BY)):
        return
    from roadworn.model.catalogue import part_name
    from roadworn.trade.features import lacks

    payload = draft.payload
    named = [payload, *payload.get("findings", ()), *payload.get("sound", ())]
    told = set()
    for one in named:
        component, position = one.get("component"), one.get("position")
        if component is None or one.get("condition") == "not_checked" or component in told:
            continue
        without = lacks(profile, component, position)
        if without is None:
            continue
        told.add(component)
        field = Sentence(f"field-{without.field}", without.field.replace("_", " "))
        end = without.axle and position
        words = "By its {field}, {value}, it has no {part}."
        part = part_name(component, end or None)
        yield Problem(
            "no-such-part",
            Sentence("no-such-part", words, field=field, value=without.value, part=part),
            Sentence("field-right", "is the {field} right?", field=field),
            column="payload.component",
            remedy=Remedy("record", without.field),
        )


# The figure beside the odometer's digits


def figure(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a figure that an odometer of so many whole digits cannot show."""
    value = draft.odometer
    digits = None if value is None else _profile(draft, facts).get("odometer_digits")
    if value is None or not digits or value < 10**digits:
        return
    yield Problem(
        "beyond-digits",
        Sentence(
            "beyond-digits",
            "{value:,.10g} {unit} has more digits than its odometer shows, which is {digits}.",
            value=value,
            unit=draft.odometer_unit,
            digits=digits,
        ),
        f"write what it shows, perhaps {value % 10**digits:,.10g}: how often it rolled over is "
        "worked out",
        column="odometer",
        remedy=Remedy("correct", "odometer"),
    )


# Figures beside the readings before them

MOST_KM = 5_000_000.0
#: Figures in two units are the same when they are this near, since both are rounded.
_ROUNDING_KM = 1.0
#: A figure that fits in the other unit must not need more than this a day.
_USUAL_KM_PER_DAY = 300.0
# As `roadworn.columns.settling` has it: from the last fifth of the range to its first fifth.
_NEAR_TOP, _NEAR_BOTTOM = 0.8, 0.2
#: No odometer shows three decimals, so a mark before three digits may mark thousands.
_MARKED = {mark: re.compile(rf"\s*(\d{{1,3}}){re.escape(mark)}(\d{{3}})\b.*") for mark in ".,"}

#: No odometer shows three decimals; typed, the figure stands alone or with its unit.
_DOT = re.compile(r"\s*(\d{1,3})\.(\d{3})\s*([a-z]*)\s*", re.IGNORECASE | re.ASCII)

LOWER, JUMP, TOO_FAR, ROLLED = "reading-lower", "reading-jump", "reading-too-far", "rolled-over"
HIGHER = "reading-higher"
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
    last = latest([one for one in before if one.occurred_at[:10] <= draft.day])
    doubt = reading_doubt(
        value,
        unit,
        draft.occurred_at,
        last,
        # An exchanged instrument does not roll over at its exchange: its old figure was read.
        lambda: None if exchange else facts.digits(draft.vehicle_id),
    )
    if doubt is None and not exchange and draft.kind != "enrolment":
        doubt = _beside_later(value, unit, draft, facts)
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


def _beside_later(value: float, unit: str, draft: Draft, facts: Facts) -> Problem | None:
    """Return what is odd about a figure of an earlier day beside the reading after that day."""
    shown = facts.shown(draft.vehicle_id, draft.event_id)
    later = [one for one in shown if one.occurred_at[:10] > draft.day]
    if not later:
        return None
    after = min(later, key=lambda one: one.occurred_at)
    own = LastReading(value, unit, draft.occurred_at)
    doubt = reading_doubt(after.value, after.unit, after.occurred_at, own)
    if doubt is None or doubt.code not in {LOWER, JUMP}:
        return None
    digits = facts.digits(draft.vehicle_id)
    if digits and rolled_over(own, after.value, after.unit, digits):
        return None
    words = (
        "{value:,.10g} {unit} on {day} is higher than the reading after it, {after}."
        if doubt.code == LOWER
        else "From {value:,.10g} {unit} on {day} to the reading after it, {after}, is further than "
        "a vehicle goes."
    )
    told = Sentence(HIGHER, words, value=value, unit=unit, day=draft.day, after=_told(after))
    return _doubt(HIGHER, told, "")


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
    hint = Sentence("look-at-figure", "look at the figure and its unit again")
    if other:
        hint = Sentence("would-fit", "it would fit as {other}", other=other)
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


# Who somebody is

_REFERENCE = re.compile(r"[A-Za-z0-9._-]{1,40}")
_MAIL = re.compile(r"[^\s@<>]{1,64}@[^\s@<>]{1,190}\.[^\W\d_]{2,}")
# Seven digits or more with the marks of a telephone number; work orders, part numbers and days
# are written in one run or in another pattern.
_PHONE = re.compile(r"(?<![\w.,/-])(?:\+\d[\d\s().-]{6,18}\d|(?:\(\d{2,5}\)|\d{2,5})[\s.-]+\d{3,4}"
                    r"(?:[\s.-]+\d{2,5})?)(?![\w,/-])")  # fmt: skip
_LONG_NUMBER = re.compile(r"\d[\d\s().-]{5,}\d")
# A name as such cannot be told from a trade word; a form of address tells it.
_NAME = re.compile(r"\b(?:Mr|Mrs|Ms|Miss|Dr|Mister)\b\.? ?[A-Z][\w'-]+")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}|\d{1,2}\.\d{1,2}\.\d{4}")
_FIGURE = re.compile(r"\d{1,3}(?:[ ,]\d{3})+\s*(?:km|mi|miles|[A-Z]{3})\b")
_LOOKED_AT = 20_000
#: What is said of a text that looks private, without its full stop.
PRIVATE = "that looks like somebody's name, telephone number or e-mail address"
_PRIVATE_HINT = Sentence("private-hint",
    "what is written in an event is permanent, and belongs to `roadworn contact`, where it can "
    "be erased")  # fmt: skip


def private(draft: Draft, _facts: Facts) -> Iterator[Problem]:
    """Doubt a text that seems to hold somebody's name, number or e-mail address."""
    # What is said of the whole comes first.
    places = {f"payload.{name}": at for at, name in enumerate(names_of(Holds.FREE_TEXT))}
    texts = texts_of(draft.payload, Holds.FREE_TEXT)
    told_of = sorted(texts, key=lambda told: places.get(told[0], len(places)))
    for column, text in (*told_of, ("recorded_by", draft.recorded_by)):
        if looks_private(text):
            told = Sentence("private", "{what}.", what=Sentence("looks-private", PRIVATE))
            yield Problem("private", told, _PRIVATE_HINT, column=column)


def check_owner(text: str) -> str:
    """Return an owner reference as given; an empty text says none.

    Raises:
        UsageError: it is no opaque word, and might be a name or a number of somebody.
    """
    if text and (not _REFERENCE.fullmatch(text) or _looks_like_number(text)):
        raise UsageError(
            "An owner reference is a word of your own of at most 40 letters, digits, - _ or ., "
            "as in OWNER-12, since events are permanent",
            "names and numbers go into `roadworn contact OWNER-12 --name … --phone …`",
            "owner-reference",
        )
    return text


def looks_private(text: str) -> bool:
    """Whether a text seems to hold an e-mail address, a telephone number or somebody's name."""
    text = text[:_LOOKED_AT]
    # Most notes hold neither sign nor so many digits: to look for those first is cheap.
    if ("@" in text and _MAIL.search(text)) or _NAME.search(text):
        return True
    if not _LONG_NUMBER.search(text):
        return False
    plain = _FIGURE.sub(" ", _DAY.sub(" ", text))
    return any(sum(c.isdigit() for c in found[0]) >= 7 for found in _PHONE.finditer(plain))


def _looks_like_number(text: str) -> bool:
    digits = sum(character.isdigit() for character in text)
    return digits >= 7 and not any(character.isalpha() for character in text)
