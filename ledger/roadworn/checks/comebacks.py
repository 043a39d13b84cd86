"""What is back: a part, a complaint, or a code; and what an estimate would charge once more."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, Literal

from roadworn.checks.facts import Draft, Facts
from roadworn.model.catalogue import meet
from roadworn.model.events import StoredEvent
from roadworn.model.messages import Joined, Problem, Says, Sentence
from roadworn.model.places import wheel_of
from roadworn.model.units import convert
from roadworn.say.telling import item_words
from roadworn.trade.warranty import (
    WINDOW_DAYS,
    WINDOW_KM,
    Warranty,
    WarrantyStatus,
    comeback,
    same_place,
)

_KINDS = ("replacement", "repair", "complaint")
#: Reasons that say the part fitted before did not last.
_DID_NOT_LAST = frozenset({"failed", "worn_out", "damaged"})
_say = Says(
    "comeback",
    {
        "replaced": "{part} was replaced {days} days ago, on {on}",
        "repaired": "{part} was repaired {days} days ago, on {on}",
        "if-same": " if it is the same one",
        "until": ", which runs through {day}",
        "warranty": "{since}: back within its warranty{if_same}{until}.",
        "unknown": "{since}: its warranty{until} has {distance:,.10g} {unit} too, and the odometer "
        "of both days is needed to say whether it is back within it{if_same}.",
        "covered": "line {line}: {since}, and is within its warranty{if_same}{until}: look at the "
        "warranty before the customer is charged.",
        "perhaps-covered": "line {line}: {since}, with a warranty{until} of {distance:,.10g} "
        "{unit} too: the odometer of both days is needed to say whether it holds{if_same}; look "
        "before the customer is charged.",
        "claim": "Claim it from {supplier}.",
        "level-of-finding": "this answers {finding} of {on}, which names no level: {work} was "
        "done, and the {other} one was not looked at again.",
        "level-of-work": "this answers {finding} of {on}, though {work} names no level: correct "
        "it if it was the {other} one.",
        "window": "{since}: a comeback{if_same} (within {window} days and {far:,.10g} km, "
        "common practice).",
        "complaint": "the same complaint was written down {days} days ago, on {on}: a comeback "
        "(within {window} days, common practice).",
        "codes": "{module}, against {day}: {changes}.",
        "gone": "gone {codes}",
        "still-there": "still there {codes}",
        "back-again": "back again {codes}",
        "new": "new {codes}",
        "after-driving": "Gone is proved by a later scan, after it was driven.",
        "after-monitors": "Gone is proved by a scan after the monitors have run.",
        "not-proved": "Gone is not proved yet: {monitors} not ready.",
    },
)


def back(stored: Draft, facts: Facts) -> Iterator[Problem]:
    """Tell of a job or a complaint that is a comeback."""
    told = _comeback(stored, facts)
    if told:
        yield Problem("comeback", told)


def covered(stored: Draft, facts: Facts) -> Iterator[Problem]:
    """Tell of each line of an estimate whose part is within its warranty, before it is charged."""
    fitted = facts.events(stored.vehicle_id, "replacement")
    for line in stored.payload["lines"]:
        # A rebate is no work; what only looks at the part takes nothing out.
        if Decimal(line["amount"]["amount"]) <= 0:
            continue
        last = _newest(
            event
            for event in fitted
            if event.occurred_at[:10] < stored.day  # that day's is the very work of the estimate
            and event.data()["component"] == line["component"]
            and same_place(line["component"], line.get("position"), event.data().get("position"))
        )
        if last is None:
            continue
        terms = _terms(last, facts)
        status = _status(terms, stored, facts)
        if status.in_force is False:
            continue
        told = _say(
            "covered" if status.in_force else "perhaps-covered",
            line=line["line"],
            since=_since(last, (date.fromisoformat(stored.day) - terms.start).days),
            until=_say.when(status.last_day, "until", day=status.last_day),
            if_same=_if_same(line, last),
            distance=terms.distance or 0,
            unit=terms.unit,
        )
        supplier = last.data().get("supplier")
        claim = _say.when(supplier, "claim", supplier=supplier)
        yield Problem("line-in-warranty", Joined([told, claim], " "))


def _comeback(stored: Draft, facts: Facts) -> Sentence | Joined | str:
    payload = stored.payload
    if stored.kind == "replacement" and payload["reason"] not in _DID_NOT_LAST:
        return ""
    # A part that was repaired before is back as well; a new part is held against new parts.
    jobs = {"replacement"} if stored.kind == "replacement" else {"replacement", "repair"}
    before = [
        event
        for event in facts.events(stored.vehicle_id, *_KINDS)
        if event.event_id != stored.event_id and event.occurred_at[:10] <= stored.day
    ]
    last = _newest(event for event in before if event.kind in jobs and _is_back(stored, event))
    if last is None:
        return _same_complaint(stored, before)
    terms = _terms(last, facts)
    day = date.fromisoformat(stored.day)
    found = comeback(terms, day, *_reading(stored, facts))
    status = _status(terms, stored, facts)
    since = _since(last, (day - terms.start).days)
    until = _say.when(status.last_day, "until", day=status.last_day)
    if_same = _if_same(payload, last)
    unknown = _say.when(
        status.in_force is None,
        "unknown",
        since=since,
        until=until,
        if_same=if_same,
        distance=terms.distance or 0,
        unit=terms.unit,
    )
    if found is None:
        return unknown or _same_complaint(stored, before)
    if found.why != "warranty":
        told = _say("window", since=since, if_same=if_same, window=WINDOW_DAYS, far=WINDOW_KM)
        return Joined([told, unknown], " ") if unknown else told
    supplier = last.data().get("supplier")
    return Joined(
        [
            _say("warranty", since=since, if_same=if_same, until=until),
            _say.when(supplier, "claim", supplier=supplier),
        ],
        " ",
    )


def _newest(events: Iterable[StoredEvent]) -> StoredEvent | None:
    return max(events, key=lambda event: (event.occurred_at[:10], event.seq), default=None)


def _since(last: StoredEvent, days: int) -> Sentence:
    said = "replaced" if last.kind == "replacement" else "repaired"
    return _say(said, part=item_words(last.data()), days=days, on=last.occurred_at[:10])


def _if_same(one: Mapping[str, Any], before: StoredEvent) -> Sentence | str:
    """Return the doubt where one of two jobs has no place: only who is at the vehicle can tell."""
    places = one.get("position"), before.data().get("position")
    return _say.when(places[0] != places[1] and None in places, "if-same")


def _is_back(stored: Draft, before: StoredEvent) -> bool:
    """Whether a job before was of the same component and place, and not of the same visit."""
    one, other = stored.data(), before.data()
    if one.get("component") is None or one["component"] != other.get("component"):
        return False
    places = one.get("position"), other.get("position")
    if stored.occurred_at[:10] == before.occurred_at[:10] and (
        # The complaint that led to the work, a repair with it, or the next coil of the same job.
        stored.kind != "replacement" or (places[0] != places[1] and _leaves_open(places))
    ):
        return False
    return same_place(one["component"], *places)


def _leaves_open(places: tuple[str | None, str | None]) -> bool:
    """Whether one of two places says less than the other: none at all, or a wheel without level."""
    return None in places or any("-" in (place or "") for place in places)


def level_unsaid(stored: Draft, facts: Facts) -> Iterator[Problem]:
    """Tell which finding work answers whose level, upper or lower, only one of the two names."""
    place, component = stored.payload.get("position"), stored.payload.get("component")
    if not place or not component or stored.payload.get("action") == "inspected":
        return
    seen: set[str] = set()
    for event in facts.events(stored.vehicle_id, "inspection"):
        if event.occurred_at[:10] > stored.occurred_at[:10]:
            continue
        for finding in event.data().get("findings", ()):
            at = finding.get("position") or ""
            if finding["component"] != component or at in seen:
                continue
            seen.add(at)
            if (
                finding["condition"] in {"failed", "wearing"}
                and at not in {"", place}
                and wheel_of(at) == wheel_of(place)
                and meet(component, at, place)
            ):
                yield Problem(
                    "level-unsaid",
                    _say(
                        "level-of-finding" if at == wheel_of(at) else "level-of-work",
                        finding=item_words(finding),
                        work=item_words(stored.payload),
                        on=event.occurred_at[:10],
                        other=_other_level(place if at == wheel_of(at) else at),
                    ),
                )


def _other_level(place: str) -> str:
    level = place.partition("-")[2]
    return {"lower": "upper", "upper": "lower", "inner": "outer", "outer": "inner"}.get(
        level, "other"
    )


def _same_complaint(stored: Draft, before: Iterable[StoredEvent]) -> str:
    """Return a sentence when the same was complained of within the window, in the same words."""
    words = _complained(stored)
    day = date.fromisoformat(stored.occurred_at[:10])
    days = [
        (day - date.fromisoformat(event.occurred_at[:10])).days
        for event in before
        if words and _complained(event) == words
    ]
    since = min((count for count in days if 0 < count <= WINDOW_DAYS), default=None)
    if since is None:
        return ""
    return _say("complaint", days=since, on=day - timedelta(since), window=WINDOW_DAYS)


def _complained(event: Draft | StoredEvent) -> str:
    return " ".join(str(event.data().get("complaint") or "").casefold().split())


def _terms(event: StoredEvent, facts: Facts) -> Warranty:
    """Return the warranty that began with an earlier job, in its own unit."""
    payload = event.data()
    unit: Literal["mi", "km"] = "km" if payload.get("warranty_unit") == "km" else "mi"
    start, shown = _reading(event, facts)
    return Warranty(
        date.fromisoformat(event.occurred_at[:10]),
        payload.get("warranty_months"),
        payload.get("warranty_distance"),
        None if start is None or shown is None else convert(start, shown, unit),
        unit,
    )


def _status(terms: Warranty, stored: Draft, facts: Facts) -> WarrantyStatus:
    return terms.status(date.fromisoformat(stored.day), *_reading(stored, facts))


def _reading(
    event: Draft | StoredEvent, facts: Facts
) -> tuple[float | None, Literal["mi", "km"] | None]:
    """Return what the odometer showed at a job: its own figure, else that of another of its day.

    The figure is taken down at the counter as the vehicle arrives, and rarely again with the work.
    """
    value, unit = event.odometer, event.odometer_unit
    if value is None or unit is None:
        shown = facts.reading_on(event.vehicle_id, event.occurred_at[:10])
        if shown is None:
            return None, None
        value, unit = shown.value, shown.unit
    return value, "km" if unit == "km" else "mi"


def codes(stored: Draft, facts: Facts) -> Iterator[Problem]:
    """Tell of each module that was read before which codes are gone, still there, back or new."""
    payload = stored.payload
    before = sorted(
        (
            event
            for event in facts.events(stored.vehicle_id, "scan")
            if event.event_id != stored.event_id
            and event.occurred_at[:10] <= stored.occurred_at[:10]
        ),
        key=lambda event: (event.occurred_at, event.seq),
        reverse=True,
    )
    for name, now in _read(payload).items():
        history = [(e, _read(e.data())[name]) for e in before if name in _read(e.data())]
        if not history:
            continue
        last, were = history[0]
        ever = {code for _event, codes in history for code in codes}
        told = {
            "gone": were - now,
            "still-there": now & were,
            "back-again": (now - were) & ever,
            "new": now - ever,
        }
        changes = [_say(word, codes=Joined(sorted(codes))) for word, codes in told.items() if codes]
        if changes:
            since = _say(
                "codes",
                module=name,
                day=last.occurred_at[:10],
                changes=Joined(changes, "; "),
            )
            doubt = _doubt(payload, told["gone"]) if told["gone"] else ""
            yield Problem("codes-since", Joined([since, doubt], " "))


def _read(payload: Mapping[str, Any]) -> dict[str, set[str]]:
    """Return module -> codes of the modules that were read; a failed read says nothing."""
    found: dict[str, set[str]] = {}
    for module in payload["modules"]:
        told_now = "lists" not in module or "stored" in module["lists"]
        if module.get("outcome", "read") == "read" and told_now:
            codes = {
                code["code"] for code in module.get("codes", ()) if code.get("status") != "previous"
            }
            found.setdefault(module.get("name", "engine"), set()).update(codes)
    return found


def _doubt(payload: Mapping[str, Any], gone: set[str]) -> str:
    """Return why gone is no proof yet, or an empty text."""
    if not any(code.startswith("P") for code in gone):
        # Monitors watch what P codes tell of; the others have none that a reader could show.
        return _say("after-driving")
    if "readiness" not in payload:
        return _say("after-monitors")
    from roadworn.trade.scan_bytes import decode_readiness

    monitors = decode_readiness(payload["readiness"]).not_ready
    names = Joined(name.replace("_", " ") for name in monitors)
    return _say.when(monitors, "not-proved", monitors=names)
