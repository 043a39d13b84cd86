"""What an event must agree with to be taken: the calendar, the catalogue and the ledger.

Are its days of the calendar and not ahead, its amounts in one currency, is the vehicle enrolled,
does the component exist, do retractions and answers name events that are there, is the same
work being entered a second time.
"""

import re
from calendar import month_name, monthrange
from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from roadworn.checks.facts import WORK, Draft, Facts, nearest
from roadworn.model.errors import UnknownName
from roadworn.model.events import Holds, utc_now
from roadworn.model.kinds import names_of
from roadworn.model.messages import Joined, Problem, Remedy, Sentence, shown

#: What to do about a vehicle of which no name is near.
ENROL_FIRST = "enrol it first"


def vehicle(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Refuse an event of a vehicle that is not enrolled, and a second enrolment of one that is."""
    name = draft.vehicle_id
    enrolled = facts.enrolled(name)
    if draft.kind == "enrolment":
        if enrolled and "replaces" not in draft.payload and not facts.retired(name):
            yield Problem(
                "enrolled-twice",
                Sentence("enrolled-twice", "{vehicle} is enrolled already.", vehicle=name),
                "change it with `roadworn record profile`, or give the new one another id",
                column="vehicle_id",
            )
    # What was said of a vehicle can be taken back after its enrolment was.
    elif not enrolled and draft.kind != "retraction":
        near = nearest(name, facts.vehicle_ids())
        hint = f"did you mean {' or '.join(near)}?" if near else ENROL_FIRST
        told = Sentence("not-enrolled", "The vehicle {vehicle} is not enrolled.", vehicle=name)
        yield Problem("not-enrolled", told, hint, column="vehicle_id")


def texts_of(payload: dict[str, Any], holds: Holds) -> Iterator[tuple[str, str]]:
    """Yield (column, text) for each text that a payload holds of a sort, at any depth."""
    return _texts(payload, names_of(holds), "payload")


def _texts(
    value: dict[str, Any] | list[Any], names: Collection[str], column: str
) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, item in value.items():
            if isinstance(item, str):
                if key in names:
                    yield f"{column}.{key}", item
            elif key in names and isinstance(item, (list, tuple)):
                yield from ((f"{column}.{key}", one) for one in item if isinstance(one, str))
            elif isinstance(item, (dict, list)):
                yield from _texts(item, names, f"{column}.{key}")
    else:
        for at, item in enumerate(value):
            if isinstance(item, (dict, list)):
                yield from _texts(item, names, f"{column}[{at}]")


def component(draft: Draft, _facts: Facts) -> Iterator[Problem]:
    """Refuse a component that the catalogue does not have."""
    return unknown_components(draft.payload)


def unknown_components(payload: dict[str, Any]) -> Iterator[Problem]:
    """Yield a Problem for each component that the catalogue does not have."""
    for column, identifier in texts_of(payload, Holds.COMPONENT):
        from roadworn.model.catalogue import catalogue

        known = catalogue()
        if identifier in known:
            continue
        try:
            known.get(identifier)
        except UnknownName as error:
            near = error.near[:3]
            hint = f"did you mean {' or '.join(near)}?" if near else ""
            hint = f"{hint} Or keep it as other.{identifier.partition('.')[2]}".strip()
            told = Sentence(
                "unknown-component", "There is no component {given}.", given=shown(identifier)
            )
            yield Problem("unknown-component", told, hint, column=column)


def _references(draft: Draft) -> Iterator[tuple[str, str]]:
    """Yield (payload field, event id) for each other event that a payload names."""
    payload = draft.payload
    if payload.get("replaces") is not None:
        yield "replaces", payload["replaces"]
    if draft.kind == "retraction":
        yield "event", payload["event"]
    elif draft.kind == "authorisation" or (draft.kind in WORK and payload.get("estimate")):
        yield "estimate", payload["estimate"]
    elif draft.kind == "estimate" and payload.get("revises"):
        yield "revises", payload["revises"]
    if payload.get("comeback_of") is not None and draft.kind in WORK:
        yield "comeback_of", payload["comeback_of"]


def reference(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Refuse an event that names another one which is not there, or is of no use to it."""
    for column, event_id in _references(draft):
        named = facts.named(event_id)
        if named is None:
            yield Problem(
                "unknown-event",
                Sentence("unknown-event", "There is no event {id} in the ledger.", id=event_id),
                "`roadworn history` prints the ids of a vehicle's events",
                column=f"payload.{column}",
            )
        elif column in ("event", "comeback_of") and (
            facts.kept_as(named[0]) != facts.kept_as(draft.vehicle_id)
        ):
            retracts = column == "event"
            yield Problem(
                "other-vehicle",
                Sentence(
                    "other-vehicle",
                    "The event {id} is of {other}, not of {vehicle}.",
                    id=event_id,
                    other=named[0],
                    vehicle=draft.vehicle_id,
                ),
                f"record the retraction for {named[0]}"
                if retracts
                else f"name a job of {draft.vehicle_id}: `roadworn history` prints their ids",
                column="vehicle_id" if retracts else "payload.comeback_of",
            )
        elif column == "comeback_of" and named[1] not in WORK:
            yield Problem(
                "not-a-job",
                Sentence(
                    "not-a-job",
                    "The event {id} is of kind {kind}, so nothing can come back on it.",
                    id=event_id,
                    kind=named[1],
                ),
                "name a replacement, a repair or a service",
                column="payload.comeback_of",
            )
        elif column in ("estimate", "revises") and named[1] != "estimate":
            yield Problem(
                "not-an-estimate",
                Sentence(
                    "not-an-estimate",
                    "The event {id} is of kind {kind}, so it has no lines to answer.",
                    id=event_id,
                    kind=named[1],
                ),
                "name the estimate",
                column=f"payload.{column}",
            )


def brought(draft: Draft, _facts: Facts) -> Iterator[Problem]:
    """Refuse a price or a warranty of ours for a part that the customer brought."""
    payload = draft.payload
    free = Decimal((payload.get("parts_cost") or {}).get("amount", 0)) == 0
    if payload.get("part_source") != "customer" or (free and not payload.get("warranty_months")):
        return
    told = Sentence(
        "brought-with-price",
        "The customer brought the part, so it has no price and no warranty of ours.",
    )
    field = "warranty_months" if free else "parts_cost"
    yield Problem("brought-with-price", told, "leave them out", column=f"payload.{field}")


def repeat(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Refuse a replacement that was entered already: its life would be counted twice."""
    same = facts.same_replacement(draft)
    if same is None:
        return
    payload = draft.payload
    from roadworn.say.telling import item_words

    at = draft.day if draft.odometer is None else f"{draft.odometer:.10g} {draft.odometer_unit}"
    told = Sentence(
        "entered-twice",
        "The replacement of {part} on {vehicle} at {at} is {event} already.",
        part=item_words(payload),
        vehicle=draft.vehicle_id,
        at=at,
        event=Sentence("event-and-id", "event {seq} ({id})", seq=same[0], id=same[1]),
    )
    yield Problem(
        "entered-twice",
        told,
        "leave it out if it is the same work; if the part was fitted twice, "
        "take it with --allow-repeat",
    )


def service_twice(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt the same maintenance on one day."""
    from roadworn.say.telling import item_words

    place = _service(draft.day, draft.payload)
    for other in facts.events(draft.vehicle_id, "maintenance"):
        same = _service(other.occurred_at[:10], other.data()) == place
        if same and other.event_id != draft.event_id:
            told = Sentence(
                "service-twice",
                "{item} {action} stands on {day} already, as event {event}.",
                item=item_words(draft.payload),
                action=place[-1],
                day=draft.day,
                event=other.event_id[-8:],
            )
            yield Problem("service-twice", told, remedy=Remedy("retract", value="twice"))
            return


def _service(on: str, payload: Mapping[str, Any]) -> tuple[str, str, str, str]:
    place = payload.get("position") or ""
    return on, payload["component"], place, payload.get("action", "replaced")


def envelope_problems(
    occurred_at: str, recorded_at: str, odometer: float | None, unit: str | None
) -> list[Problem]:
    """Return what is wrong with the dates and the odometer of an event."""
    problems = []
    for column, moment in (("occurred_at", occurred_at), ("recorded_at", recorded_at)):
        # The pattern's digits may be those of any script; a stored time has ASCII ones.
        if not moment.isascii() or not is_day(moment[:10]) or not _is_clock(moment[11:19]):
            problems.append(_no_such_date(moment, column))
    if not problems and in_future(occurred_at, recorded_at):
        meant = year_meant(occurred_at, recorded_at)
        problems.append(
            Problem(
                "in-the-future",
                Sentence(
                    "in-the-future",
                    "It happened at {occurred}, after it was recorded at {recorded}.",
                    occurred=occurred_at,
                    recorded=recorded_at,
                ),
                f"did you mean {meant}?" if meant else "correct the date",
                column="occurred_at",
            )
        )
    now = utc_now()
    if not problems and recorded_at[:10] > _day_after(now[:10]):
        problems.append(
            Problem(
                "recorded-ahead",
                Sentence(
                    "recorded-ahead",
                    "It was recorded at {recorded}, which is still to come: it is {now}.",
                    recorded=recorded_at,
                    now=now[:10],
                ),
                "leave recorded_at out, or set the clock of this machine right",
                column="recorded_at",
            )
        )
    if odometer is not None and unit is None:
        message = Sentence("unit-missing", "The odometer reading has no unit.")
        problems.append(Problem("unit-missing", message, "write km or mi", column="odometer_unit"))
    if odometer is None and unit is not None:
        message = Sentence(
            "odometer-missing", "There is a distance unit without an odometer reading."
        )
        hint = "add the reading, or drop the unit"
        problems.append(Problem("odometer-missing", message, hint, column="odometer"))
    return problems


def _no_such_date(given: str, column: str) -> Problem:
    told = Sentence("no-such-date", "{given} is not a date of the calendar.", given=given)
    return Problem("no-such-date", told, day_hint(given[:10]) or "correct the date", column=column)


def is_day(text: str) -> bool:
    """Return whether `text` is a day of the calendar."""
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _is_clock(text: str) -> bool:
    return not text or (text[:2] < "24" and text[3:5] < "60" and text[6:8] < "60")


def in_future(occurred_at: str, recorded_at: str) -> bool:
    """Return whether an event is dated after it was recorded.

    A day is the writer's local day, which may be one ahead of the day in UTC.
    """
    if occurred_at[:10] <= recorded_at[:10]:
        return (
            len(occurred_at) > 10
            and len(recorded_at) > 10
            and (occurred_at[:19] > recorded_at[:19])
        )
    if len(occurred_at) > 10:
        return True
    return occurred_at > _day_after(recorded_at[:10])


def _day_after(day: str) -> str:
    """Return the ISO day after an ISO day, the last of the calendar for itself."""
    try:
        return (date.fromisoformat(day) + timedelta(days=1)).isoformat()
    except OverflowError:
        return day


def payload_problems(payload: dict[str, Any]) -> list[Problem]:
    """Return what a model cannot see: days that do not exist, currencies that are mixed."""
    problems = [
        _no_such_date(named, column)
        for column, named in texts_of(payload, Holds.DAY)
        if not is_day(named)
    ]
    currencies = sorted(set(_currencies(payload)))
    if len(currencies) > 1:
        problems.append(
            Problem(
                "mixed-currencies",
                Sentence(
                    "mixed-currencies",
                    "One event has amounts in {currencies}, which cannot be added.",
                    currencies=Joined(currencies, " and "),
                ),
                "write one event for each currency, or convert the amounts yourself",
                column="payload",
            )
        )
    return problems


def _currencies(value: dict[str, Any] | list[Any]) -> Iterator[str]:
    """Yield every currency code in a payload, at any depth."""
    # Only what holds more is looked into: most values of a payload are words and numbers.
    if isinstance(value, dict):
        own = value.get("currency")
        if isinstance(own, str):
            yield own
        items: Iterable[Any] = value.values()
    else:
        items = value
    for item in items:
        if isinstance(item, (dict, list)):
            yield from _currencies(item)


_ISO = re.compile(r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})", re.ASCII)
_YEAR_LAST = re.compile(r"(\d{1,2})[-./](\d{1,2})[-./](\d{4})", re.ASCII)
_NO_YEAR = re.compile(r"(\d{1,2})[-./](\d{1,2})(?:[-./](\d{2}))?\.?", re.ASCII)
#: A year that is meant lies no further back than this.
_BACK = 40


def days_meant(text: str) -> list[str]:
    """Return the ISO days that a text which is no day of the calendar may mean."""
    read = _read_day(text.strip()[:40])
    if read is None:
        return []
    year, first, second, year_first = read
    one, other = (year, first, second), (year, second, first)
    return _valid(one, other) if year_first else _valid(other, one)


def _read_day(text: str) -> tuple[int, int, int, bool] | None:
    """Return year, the two other numbers as they stand, and whether the year stands first."""
    if (iso := _ISO.fullmatch(text)) is not None:
        return int(iso[1]), int(iso[2]), int(iso[3]), True
    if (last := _YEAR_LAST.fullmatch(text)) is not None:
        return int(last[3]), int(last[1]), int(last[2]), False
    return None


def day_hint(text: str) -> str:
    """Return what a text that is no ISO day of the calendar may mean, or an empty text.

    Args:
        text: as typed, for instance ``13/25/2024``, ``2026-02-31`` or ``31.02``.
    """
    text = text.strip()[:40]
    if readings := days_meant(text):
        return f"did you mean {' or '.join(readings)}?"
    if (read := _read_day(text)) is not None:
        return _no_such_day(*read[:3])
    short = _NO_YEAR.fullmatch(text)
    if short is None:
        return ""
    missing = "has no year" if short[3] is None else "has a year of two digits"
    return f"it {missing}: write it in full, as in 2026-05-04{_too_long(2024, *short.groups())}"


def year_meant(day: str, latest: str) -> str:
    """Return the day with the year that was meant, or an empty text.

    Two neighbouring digits of the year exchanged (2204 for 2024), or another century (1926).

    Args:
        day: an ISO day whose year cannot be.
        latest: the ISO day it cannot lie after.
    """
    year, rest = day[:4], day[4:10]
    exchanged = [year[:at] + year[at + 1] + year[at] + year[at + 2 :] for at in range(3)]
    for meant in (*exchanged, f"{latest[:2]}{year[2:]}"):
        near = int(latest[:4]) - _BACK <= int(meant) <= int(latest[:4])
        if near and meant + rest <= latest[:10] and _valid((int(meant), *_month_and_day(rest))):
            return meant + rest
    return ""


def _month_and_day(rest: str) -> tuple[int, int]:
    return int(rest[1:3]), int(rest[4:6])


def _valid(*readings: tuple[int, int, int]) -> list[str]:
    """Return those of (year, month, day) that are days of the calendar, each once, as ISO days."""
    found = []
    for year, month, day in readings:
        if year and 1 <= month <= 12 and 1 <= day <= monthrange(year, month)[1]:
            found.append(date(year, month, day).isoformat())
    return list(dict.fromkeys(found))


def _no_such_day(year: int, one: int, other: int) -> str:
    """Say how many days the month has, when one of the two numbers can only be the day."""
    month, day = (one, other) if one <= 12 else (other, one)
    if not (year and 1 <= month <= 12 and 12 < day <= 31):
        return "no month has such a number"
    return f"{month_name[month]} {year} has {monthrange(year, month)[1]} days"


def _too_long(year: int, one: str, other: str, _year: str | None) -> str:
    """Return the most days of a month, where a day without its year is beyond them."""
    month, day = sorted((int(one), int(other)))
    if 1 <= month <= 12 and monthrange(year, month)[1] < day <= 31:
        return f"; {month_name[month]} has at most {monthrange(year, month)[1]} days"
    return ""
