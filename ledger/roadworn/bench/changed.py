"""What a changed payload must hold besides its types: the checks that `record` makes in reading.

Only what was changed is looked at, so that an event that came in long ago by another way can
still have its other fields corrected.
"""

from collections.abc import Iterator
from datetime import date
from typing import Any

from roadworn.bench.bounds import check_measurements
from roadworn.bench.currencies import check_currency
from roadworn.bench.private import check_owner
from roadworn.catalogue import catalogue
from roadworn.catalogue.positions import PositionError, normalise_position
from roadworn.errors import UnknownName, UsageError
from roadworn.units import UnitError, canonical_unit

_DAYS = ("due_date", "valid_until", "in_service_date")
#: A value inside a payload: text, number, truth word, dictionary or list.
JsonValue = Any


def check_changed(before: dict[str, Any], after: dict[str, Any]) -> None:
    """Check what differs between two payloads, and spell places and units canonically.

    A finding whose component or condition was changed gets its `safety` mark anew, as when it
    is recorded.

    Args:
        before: the payload as it stood.
        after: the payload with its changes; is mended in place.

    Raises:
        UsageError: a place, a day, a measurement or an owner reference that cannot be.
    """
    for field in _DAYS:
        if after.get(field) != before.get(field) and after.get(field):
            _check_day(field, after[field])
    if after.get("owner_reference") != before.get("owner_reference"):
        check_owner(after.get("owner_reference") or "")
    if after.get("vin") != before.get("vin") and after.get("vin"):
        after["vin"] = after["vin"].strip().upper()
    for old, new in _holding("component", before, after):
        if new != old:
            _check_item(old, new)
    for old, new in _holding("currency", before, after):
        if new != old:
            new["currency"] = check_currency(new["currency"])


def _holding(
    field: str, old: JsonValue, new: JsonValue
) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """Yield what was before in the place of each dictionary that has a field, and that."""
    if isinstance(new, dict):
        was = old if isinstance(old, dict) else {}
        if field in new:
            yield was, new
        for name, value in new.items():
            yield from _holding(field, was.get(name), value)
    elif isinstance(new, list | tuple):
        # An entry that was taken out moves the others up: they are looked at again, no harm.
        for at, value in enumerate(new):
            known = old[at] if isinstance(old, list | tuple) and at < len(old) else None
            yield from _holding(field, known, value)


def _check_item(old: dict[str, Any], new: dict[str, Any]) -> None:
    try:
        known = catalogue().get(new["component"])
    except UnknownName:
        return  # of a shop with its own catalogue: its places are not known here
    moved = (new["component"], new.get("position")) != (old.get("component"), old.get("position"))
    if moved and new.get("position"):
        try:
            new["position"] = normalise_position(new["position"], known.positions)
        except PositionError as error:
            raise UsageError(f"{known.name}: {error}") from None
    if new.get("measurements", ()) != old.get("measurements", ()):
        for measured in new["measurements"]:
            try:
                measured["unit"] = canonical_unit(measured["unit"])
            except UnitError as error:
                raise UsageError(str(error)) from None
        check_measurements(known.id, new["measurements"])
    judged = (new["component"], new.get("condition")) != (
        old.get("component"),
        old.get("condition"),
    )
    if judged and "condition" in new:
        new.pop("safety", None)
        if known.safety_critical and new["condition"] == "failed":
            new["safety"] = True


def _check_day(field: str, text: str) -> None:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = None
    if day is None or day.isoformat() != text:
        raise UsageError(f"{field} takes a day as 2026-05-04, not {text!r}.")
