"""A part that is back: said at the moment it is written down, while a claim is still easy."""

from collections.abc import Iterable
from datetime import date
from typing import Any, Literal

from roadworn.bench.words import item_words
from roadworn.events import StoredEvent
from roadworn.trade.comeback import comeback, same_place
from roadworn.trade.warranty import Warranty
from roadworn.units import convert

#: Reasons that say the part fitted before did not last.
_DID_NOT_LAST = frozenset({"failed", "worn_out", "damaged"})


def comeback_words(stored: StoredEvent, earlier: Iterable[StoredEvent]) -> str:
    """Return a sentence when a replacement is a comeback, else an empty text.

    Args:
        stored: the replacement just written down.
        earlier: replacements of the same component on the same vehicle, in any order.
    """
    payload = stored.data()
    if stored.kind != "replacement" or payload["reason"] not in _DID_NOT_LAST:
        return ""
    before = [
        event
        for event in earlier
        if event.event_id != stored.event_id
        and event.occurred_at[:10] <= stored.occurred_at[:10]
        and same_place(payload["component"], payload.get("position"), event.data().get("position"))
    ]
    last = max(before, key=lambda event: event.occurred_at, default=None)
    if last is None:
        return ""
    fitted = last.data()
    terms = _terms(last, fitted)
    found = comeback(
        terms, date.fromisoformat(stored.occurred_at[:10]), stored.odometer, _unit(stored)
    )
    if found is None:
        return ""
    since = f"{item_words(payload)} was replaced {found.days} days ago, on {terms.start}"
    if found.why == "warranty":
        until = f", which runs through {found.until}" if found.until else ""
        supplier = f" Claim it from {fitted['supplier']}." if fitted.get("supplier") else ""
        return f"{since}: back within its warranty{until}.{supplier}"
    return f"{since}: a comeback (within 30 days, common practice)."


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
