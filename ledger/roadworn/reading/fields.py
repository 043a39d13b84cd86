"""Changing single fields of a payload by ``field=value``, for corrections and plugin kinds.

A path names a field inside: ``position=LF``, ``findings.0.condition=failed``. Text is tried
as text first, then as a number or a truth word, and the first that the payload model takes
is kept, so a part number of digits stays a text.
"""

import copy
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from typing import Any

from pydantic import ValidationError

from roadworn.checks.measured import check_measurements
from roadworn.checks.odd import check_owner
from roadworn.checks.shape import said_of
from roadworn.model.amounts import check_currency, read_money, read_warranty
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.events import Holds
from roadworn.model.kinds import fields_of, names_of
from roadworn.model.payloads import Payload
from roadworn.model.places import PositionError, normalise_position
from roadworn.model.units import canonical_unit
from roadworn.reading import condition_of, read_item

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
    for field in names_of(Holds.DAY):
        for old, new in _holding(field, before, after):
            if new[field] != old.get(field) and new[field]:
                _check_day(field, new[field])
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
            raise UsageError(f"{known.name}: {error.what}", error.remedy) from None
    if new.get("measurements", ()) != old.get("measurements", ()):
        for measured in new["measurements"]:
            measured["unit"] = canonical_unit(measured["unit"])
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


def _said_day(holder: JsonValue, field: str, text: str) -> str:
    """Return the ISO day that was said for a field, and keep its time of day where it has one."""
    from roadworn.reading.said_days import AHEAD, read_said

    said = read_said(text, datetime.now().astimezone().date(), ahead=field in AHEAD)
    if said is None:
        return text
    if field == "promised":
        # A day that is said anew without its time has none.
        holder.pop("promised_time", None)
        if said.clock:
            holder["promised_time"] = said.clock
    elif said.clock:
        raise UsageError(f"{field} takes a day alone: write {said.day}, without the time of day.")
    return said.day


#: A warranty is said in one breath and kept in three fields.
_WARRANTY = ("warranty_months", "warranty_distance", "warranty_unit")
#: What the totals of an estimate rest on.
_PRICED = ("lines", "fees", "totals")


def change_fields(
    model: type[Payload],
    payload: dict[str, Any],
    changes: Iterable[str],
    currency: str = "",
    unit: str = "",
) -> dict[str, Any]:
    """Return a copy of `payload` with the changes made; the original stays as it is.

    Args:
        model: payload model of the kind.
        payload: the payload as it stands.
        changes: ``field=value`` each; an empty value takes an optional field away.
        currency: code for an amount that neither names one nor replaces an amount.
        unit: of a warranty's distance without one, when it had none before.

    Raises:
        UsageError: no such field, a value that the model does not take, or an amount that the
            totals of an estimate were made from.
    """
    changed = copy.deepcopy(payload)
    for change in changes:
        path, equals, text = change.partition("=")
        if not equals or not path.strip():
            raise UsageError(
                f"{change!r} is no change: write it as field=value, as in position=LF."
            )
        steps = path.strip().replace("-", "_").split(".")
        if steps == ["warranty"] and set(_WARRANTY) <= set(model.model_fields):
            _change_warranty(changed, text.strip(), unit)
            continue
        steps[0] = _field(model, steps[0])
        _check_top(model, steps[0])
        _change(model, changed, steps, text.strip(), currency)
    check_changed(payload, changed)
    _check_totals(payload, changed)
    return changed


def _field(model: type[Payload], word: str) -> str:
    """Return the field that an option word of `record` stands for, or the word itself."""
    if word in model.model_fields:
        return word
    option = word.replace("_", "-")
    return next((f.name for f in fields_of(model).values() if f.option == option), word)


def _check_top(model: type[Payload], field: str) -> None:
    if field not in model.model_fields or field == "replaces":
        known = ", ".join(name for name in model.model_fields if name != "replaces")
        raise UsageError(f"There is no field {field!r} to change: the fields are {known}.")


def _change_warranty(payload: dict[str, Any], text: str, unit: str) -> None:
    """Write the whole warranty anew, ``12 months/12,000 mi``; an empty text takes it away."""
    unit = payload.get("warranty_unit") or unit
    for name in _WARRANTY:
        payload.pop(name, None)
    if text:
        payload.update(read_warranty(text, unit))


def _check_totals(before: dict[str, Any], after: dict[str, Any]) -> None:
    """Refuse a changed amount below totals that were told: they would no longer add up."""
    if before.get("totals") and any(
        _charges(before.get(name)) != _charges(after.get(name)) for name in _PRICED
    ):
        raise UsageError(
            "The totals of this estimate were made from its amounts: take it back with `roadworn "
            "retract`, and write it anew with `roadworn record estimate`."
        )


def _charges(value: JsonValue) -> JsonValue:
    """Return what a value inside an estimate says besides the words about the work."""
    words = {"component", "position", "work", "safety"}
    if isinstance(value, dict):
        return {key: _charges(item) for key, item in value.items() if key not in words}
    return [_charges(item) for item in value] if isinstance(value, list) else value


def _change(
    model: type[Payload], payload: dict[str, Any], steps: Sequence[str], text: str, currency: str
) -> None:
    holder = _walk(payload, steps)
    key: JsonValue = int(steps[-1]) if isinstance(holder, list) else steps[-1]
    if not text:
        _remove(holder, key)
        return
    if key in names_of(Holds.DAY):
        text = _said_day(holder, key, text)
    before = None if isinstance(holder, list) else holder.get(key)
    reasons: list[str] = []
    is_money = len(steps) == 1 and _holds_money(model, steps[0])
    for candidate in _candidates(steps[-1], text, before, currency, is_money=is_money):
        if isinstance(candidate, UsageError):
            reasons.append(candidate.message)
            continue
        holder[key] = candidate
        reason = _complaint(model, payload, steps)
        if reason is None:
            return
        reasons.append(f"{'.'.join(steps)} cannot be {text!r}: {reason}.")
    raise UsageError(reasons[0])


def _walk(payload: JsonValue, steps: Sequence[str]) -> JsonValue:
    """Return the dictionary or list that holds the last step."""
    holder = payload
    for depth, step in enumerate(steps):
        is_list = isinstance(holder, list)
        if is_list and not (step.isdigit() and int(step) < len(holder)):
            raise UsageError(
                f"{'.'.join(steps[:depth])} has {len(holder)} "
                f"entr{'y' if len(holder) == 1 else 'ies'}: name one as "
                f"{'.'.join(steps[:depth])}.0, counted from 0."
            )
        if not is_list and not isinstance(holder, dict):
            raise UsageError(f"{'.'.join(steps[:depth])} has no fields inside: leave off .{step}.")
        if depth == len(steps) - 1:
            break
        holder = holder[int(step)] if is_list else holder.get(step)
        if holder is None:
            raise UsageError(f"{'.'.join(steps[: depth + 1])} is empty: there is nothing inside.")
    return holder


def _remove(holder: JsonValue, key: str | int) -> None:
    if isinstance(holder, list):
        del holder[int(key)]
    else:
        holder.pop(key, None)


def _holds_money(model: type[Payload], field: str) -> bool:
    known = fields_of(model).get(field)
    return known is not None and known.type == "money"


def _candidates(
    field: str, text: str, before: JsonValue, currency: str, *, is_money: bool
) -> Iterable[JsonValue]:
    """Yield what `text` may mean, most literal first; a `UsageError` stands for a dead end."""
    if field in names_of(Holds.COMPONENT):
        try:
            item = read_item(text)
        except UsageError as error:
            yield error
            return
        if "position" in item:
            yield UsageError(
                f"{text!r} names a place too: change it by itself, with "
                f"position={item['position']}."
            )
            return
        yield item["component"]
        return
    if is_money:
        if isinstance(before, dict):
            currency = before.get("currency", currency)
        try:
            yield read_money(text, currency)
        except UsageError as error:
            yield error
        return
    yield text
    yield "_".join(text.casefold().replace("-", " ").split())
    if field == "condition" and (said := condition_of(text)):
        yield said
    for number in (int, float):
        try:
            yield number(text.replace(",", ""))
        except ValueError:
            continue
    if text.casefold() in {"yes", "true", "no", "false"}:
        yield text.casefold() in {"yes", "true"}


def _complaint(model: type[Payload], payload: dict[str, Any], steps: Sequence[str]) -> str | None:
    """Return what the model says about the field at `steps`, or None when it takes it."""
    try:
        model.model_validate_json(_as_json(payload))
    except ValidationError as error:
        for entry in error.errors():
            where = [str(step) for step in entry["loc"]]
            if where[: len(steps)] == list(steps):
                return said_of(entry)
    return None


def _as_json(payload: dict[str, Any]) -> bytes:
    # Strict models take lists for tuples from JSON only, which is how payloads are stored.
    import orjson

    return orjson.dumps(payload)
