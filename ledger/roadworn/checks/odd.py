"""What can be but hardly is: said of an event whichever door it came through, and kept.

What cannot be is refused (`roadworn.checks.slips`, `roadworn.checks.measured`). Names and
numbers of people are looked for here as well: an event cannot be erased, so whatever tells who
somebody is belongs into the contacts, which can be. An owner reference is an opaque word; a note
is free, and only looked over.
"""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

from roadworn.checks.facts import Draft, Facts
from roadworn.checks.known import DAYS, year_meant
from roadworn.model.errors import UsageError
from roadworn.model.events import utc_now
from roadworn.model.messages import Problem, Remedy, Sentence

# Days

FIRST_YEAR = 1980
#: An answer or an inspection is not due later than this; common practice, no source.
_MOST_YEARS_AHEAD = 10


def day(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a day that lies before the vehicle's time."""
    profile = facts.profile(draft.vehicle_id)
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


def far_day(draft: Draft, _facts: Facts) -> Iterator[Problem]:
    """Doubt each day in a payload that is far ahead or long ago."""
    today = utc_now()
    for field in DAYS:
        named = draft.payload.get(field)
        if not isinstance(named, str):
            continue
        ahead = int(named[:4]) > int(today[:4]) + _MOST_YEARS_AHEAD
        if ahead or int(named[:4]) < FIRST_YEAR - 60 * (field == "in_service_date"):
            meant = year_meant(named, f"{int(today[:4]) + 1}{today[4:]}")
            side = "far-ahead" if ahead else "long-ago"
            words = "{day} is far ahead." if ahead else "{day} is long ago."
            yield _unlikely(Sentence(side, words, day=named), meant, f"payload.{field}", field)


def _unlikely(told: Sentence, meant: str, column: str, field: str) -> Problem:
    hint = f"did you mean {meant}?" if meant else "compare it with the paper"
    remedy = Remedy("correct", field, meant)
    return Problem("unlikely-day", told, hint, column=column, remedy=remedy)


# The figure beside the odometer's digits


def figure(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a figure that an odometer of so many whole digits cannot show."""
    value = draft.odometer
    digits = None if value is None else facts.digits(draft.vehicle_id)
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


# What the vehicle is

_SAYS_WEIGHT = ("weight_class", "vehicle_class", "duty")


def weight(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt what a profile says of the weight: not understood, or contradicted."""
    if not any(draft.payload.get(field) for field in _SAYS_WEIGHT):
        return
    from roadworn.trade.weight import weigh

    weighed = weigh(facts.profile(draft.vehicle_id))
    if weighed.what:
        field = "weight_class"
        yield Problem(
            "weight",
            Sentence("weight", "{what}.", what=weighed.what),
            weighed.remedy,
            column=f"payload.{field}",
            remedy=Remedy("record", field),
        )


def vin(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a VIN, and the model year beside it, where one of them was said."""
    said = draft.payload
    if not (said.get("vin") or said.get("model_year")):
        return
    profile = facts.profile(draft.vehicle_id)
    for doubt in identity_doubts(profile.get("vin"), profile.get("model_year")):
        field = doubt.column if said.get(doubt.column) else "vin"
        yield doubt.at(0, column=f"payload.{field if said.get(field) else 'model_year'}")


def vin_of_another(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a VIN that another vehicle was enrolled with."""
    number = draft.payload.get("vin")
    if number:
        doubt = shared_vin(number, facts.others_with_vin(draft.vehicle_id, number))
        if doubt is not None:
            yield doubt.at(0, column="payload.vin")


def to_settle(
    profile: Mapping[str, Any], *, light: bool | None = None, latest: int | None = None
) -> list[Problem]:
    """Return what stays to be settled by a person about a vehicle's VIN and model year.

    Args:
        profile: `vin` and `model_year` as the ledger has them now, either may be None.
        light: as `roadworn.trade.vin.decode_vin` takes it.
        latest: likewise.
    """
    found = identity_doubts(profile.get("vin"), profile.get("model_year"), light, latest)
    # Where nobody knows whether the market uses a check digit, one word at the writing is enough.
    return [doubt for doubt in found if doubt.code != "vin-check-digit-unsure"]


def identity_doubts(
    vin: str | None, model_year: int | None, light: bool | None = None, latest: int | None = None
) -> Iterator[Problem]:
    """Yield what is odd about a VIN, and about the model year beside it; both are kept."""
    if not vin:
        return
    # Only a VIN needs it: an inspection or a reading should not wait for it.
    from roadworn.trade.vin import decode_vin, year_problem

    decoded = decode_vin(vin, light=light, latest=latest)
    yield from decoded.problems
    yield from decoded.doubts
    mismatch = year_problem(decoded, model_year)
    if mismatch is not None:
        yield mismatch


def shared_vin(vin: str, others: Collection[str]) -> Problem | None:
    """Return a doubt when other vehicles have the same VIN: one vehicle perhaps, enrolled twice.

    Args:
        vin: the VIN.
        others: ids of the other vehicles that have it.
    """
    if not others:
        return None
    told = Sentence(
        "vin-shared",
        "The VIN {vin} is that of {others} too.",
        vin=vin,
        others=", ".join(sorted(others)[:5]),
    )
    hint = "compare both with the plates; one vehicle enrolled twice is one history in two halves"
    return Problem("vin-shared", told, hint, column="vin")


def shared_vins(vins: Iterable[tuple[str, str | None]]) -> Iterator[tuple[str, Problem]]:
    """Yield (vehicle, doubt) for all vehicles that share a VIN.

    Args:
        vins: (vehicle id, its VIN) of all vehicles.
    """
    holders: dict[str, list[str]] = {}
    for vehicle, vin in vins:
        if vin:
            holders.setdefault(vin.upper(), []).append(vehicle)
    for vin, vehicles in holders.items():
        for vehicle in vehicles:
            doubt = shared_vin(vin, [other for other in vehicles if other != vehicle])
            if doubt is not None:
                yield vehicle, doubt


# The same service twice


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


# Who somebody is

#: Fields of payloads that a person writes freely.
TEXTS = ("note", "complaint", "cause", "correction", "label")
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
_PRIVATE_HINT = (
    "what is written in an event is permanent, and belongs to `roadworn contact`, where it can be "
    "erased"
)


def private(draft: Draft, _facts: Facts) -> Iterator[Problem]:
    """Doubt a text that seems to hold somebody's name, number or e-mail address."""
    texts = [(f"payload.{field}", draft.payload.get(field)) for field in TEXTS]
    for at, finding in enumerate(draft.payload.get("findings") or ()):
        texts.append((f"payload.findings[{at}].note", finding.get("note")))
    for column, text in texts:
        if isinstance(text, str) and looks_private(text):
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
