"""A part or complaint that is back: said when it is written down, while a claim is still easy."""

from collections.abc import Iterable
from datetime import date, timedelta
from typing import Any, Literal

from roadworn.bench.words import item_words
from roadworn.events import StoredEvent
from roadworn.trade.comeback import WINDOW_DAYS, comeback, same_place
from roadworn.trade.warranty import Warranty
from roadworn.units import convert

#: Reasons that say the part fitted before did not last.
_DID_NOT_LAST = frozenset({"failed", "worn_out", "damaged"})


def comeback_words(stored: StoredEvent, earlier: Iterable[StoredEvent]) -> str:
    """Return a sentence when a job or a complaint is a comeback, else an empty text.

    Args:
        stored: the replacement, repair or complaint just written down.
        earlier: replacements, repairs and complaints of the same vehicle, in any order.
    """
    payload = stored.data()
    if stored.kind == "replacement" and payload["reason"] not in _DID_NOT_LAST:
        return ""
    # A part that was repaired before is back as well; a new part is held against new parts.
    jobs = {"replacement"} if stored.kind == "replacement" else {"replacement", "repair"}
    before = [
        event
        for event in earlier
        if event.event_id != stored.event_id and event.occurred_at[:10] <= stored.occurred_at[:10]
    ]
    last = max(
        (event for event in before if event.kind in jobs and _is_back(stored, event)),
        key=lambda event: (event.occurred_at[:10], event.seq),
        default=None,
    )
    if last is None:
        return _same_complaint(stored, before)
    fitted = last.data()
    terms = _terms(last, fitted)
    found = comeback(
        terms, date.fromisoformat(stored.occurred_at[:10]), stored.odometer, _unit(stored)
    )
    if found is None:
        return _same_complaint(stored, before)
    done = "replaced" if last.kind == "replacement" else "repaired"
    since = f"{item_words(fitted)} was {done} {found.days} days ago, on {terms.start}"
    # Where one of the two has no place, only who is at the vehicle can tell.
    sure = payload.get("position") == fitted.get("position") or None not in (
        payload.get("position"),
        fitted.get("position"),
    )
    if_same = "" if sure else " if it is the same one"
    if found.why == "warranty":
        until = f", which runs through {found.until}" if found.until else ""
        supplier = f" Claim it from {fitted['supplier']}." if fitted.get("supplier") else ""
        return f"{since}: back within its warranty{if_same}{until}.{supplier}"
    return f"{since}: a comeback{if_same} (within 30 days, common practice)."


def _is_back(stored: StoredEvent, before: StoredEvent) -> bool:
    """Whether a job before was of the same component and place, and not of the same visit."""
    one, other = stored.data(), before.data()
    if one.get("component") is None or one["component"] != other.get("component"):
        return False
    places = one.get("position"), other.get("position")
    if stored.occurred_at[:10] == before.occurred_at[:10] and (
        # The complaint that led to the work, a repair with it, or the next coil of the same job.
        stored.kind != "replacement" or (None in places and places[0] != places[1])
    ):
        return False
    return same_place(one["component"], *places)


def _same_complaint(stored: StoredEvent, before: Iterable[StoredEvent]) -> str:
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
    return (
        f"the same complaint was written down {since} days ago, on {day - timedelta(since)}: "
        f"a comeback (within {WINDOW_DAYS} days, common practice)."
    )


def _complained(event: StoredEvent) -> str:
    return " ".join(str(event.data().get("complaint") or "").casefold().split())


def _terms(event: StoredEvent, payload: dict[str, Any]) -> Warranty:
    """Return the warranty that began with an earlier replacement, in its own unit."""
    unit: Literal["mi", "km"] = "km" if payload.get("warranty_unit") == "km" else "mi"
    start = None
    if event.odometer is not None and event.odometer_unit is not None:
        start = convert(event.odometer, event.odometer_unit, unit)
    return Warranty(
        date.fromisoformat(event.occurred_at[:10]),
        payload.get("warranty_months"),
        payload.get("warranty_distance"),
        start,
        unit,
    )


def _unit(event: StoredEvent) -> Literal["mi", "km"] | None:
    if event.odometer_unit is None:
        return None
    return "km" if event.odometer_unit == "km" else "mi"
