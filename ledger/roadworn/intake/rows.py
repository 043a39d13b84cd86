"""From an event as handed in to a row as stored: validated, canonical, hashed.

Nothing here looks into a ledger; what depends on the ledger's contents is in
`roadworn.checks.context`.
"""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from datetime import date, timedelta
from functools import cache
from typing import Any

import orjson
from pydantic import BaseModel, ValidationError
from pydantic_core import SchemaValidator

from roadworn.checks.days import day_hint, year_meant
from roadworn.checks.shape import problems_of, shown
from roadworn.model.errors import LedgerRefused, UnknownName
from roadworn.model.events import NewEvent, new_event_id, utc_now
from roadworn.model.kinds import EventKind, KindRegistry
from roadworn.model.messages import Problem
from roadworn.store.rows import Prepared, Row, canonical_payload, without_none

Schema = Any
#: Schema types that hold no other schema and mean the same in both forms.
_LEAVES = frozenset({"str", "int", "float", "bool", "literal", "none"})


class NotPlain(Exception):
    """A schema has a part that does not mean the same as a typed dictionary."""


@cache
def plain_validator(model: type[BaseModel]) -> SchemaValidator | None:
    """Return a validator from a mapping to a plain dictionary, or None when not possible.

    It accepts what the model accepts in strict JSON mode. The result holds lists in place of
    tuples, leaves out fields whose default is None, and has its keys sorted.
    """
    try:
        return SchemaValidator(plain_schema(model))
    except NotPlain:
        return None


def plain_schema(model: type[BaseModel]) -> Schema:
    """Return the typed-dictionary schema of a model.

    Raises:
        NotPlain: some part of the model cannot be turned.
    """
    schema: Schema = model.__pydantic_core_schema__
    definitions: dict[str, Schema] = {}
    if schema["type"] == "definitions":
        definitions = {entry["ref"]: entry for entry in schema["definitions"]}
        schema = schema["schema"]
    return _plain(schema, definitions, ())


def _plain(schema: Schema, definitions: Mapping[str, Schema], above: tuple[str, ...]) -> Schema:
    kind = schema["type"]
    if kind in _LEAVES:
        return {key: value for key, value in schema.items() if key != "ref"}
    if kind == "definition-ref":
        name = schema["schema_ref"]
        if name in above or name not in definitions:
            raise NotPlain(name)
        return _plain(definitions[name], definitions, (*above, name))
    if kind == "nullable":
        return {"type": "nullable", "schema": _plain(schema["schema"], definitions, above)}
    if kind == "tuple" and schema.get("variadic_item_index") == 0:
        bounds = {key: schema[key] for key in ("min_length", "max_length") if key in schema}
        items = _plain(schema["items_schema"][0], definitions, above)
        return {"type": "list", "items_schema": items, "strict": True, **bounds}
    if kind == "default" and set(schema) <= {"type", "schema", "default", "metadata"}:
        inner = _plain(schema["schema"], definitions, above)
        default = schema["default"]
        if isinstance(default, tuple) and not default:
            return {"type": "default", "schema": inner, "default_factory": list}
        if default is not None and not isinstance(default, (str, int, float, bool)):
            raise NotPlain("default")
        return {"type": "default", "schema": inner, "default": default}
    if kind == "model" and not (schema["custom_init"] or schema["root_model"]):
        return _plain_model(schema, definitions, above)
    raise NotPlain(kind)


def _plain_model(
    schema: Schema, definitions: Mapping[str, Schema], above: tuple[str, ...]
) -> Schema:
    fields = schema["schema"]
    plain = schema.get("post_init") is None and fields["type"] == "model-fields"
    if not plain or fields.get("computed_fields"):
        raise NotPlain(schema["cls"].__name__)
    return {
        "type": "typed-dict",
        "config": schema["config"],
        "extra_behavior": schema["config"].get("extra_fields_behavior", "ignore"),
        "fields": {
            name: _field(fields["fields"][name], definitions, above)
            for name in sorted(fields["fields"])
        },
    }


def _field(field: Schema, definitions: Mapping[str, Schema], above: tuple[str, ...]) -> Schema:
    if field.get("validation_alias") or field.get("serialization_alias"):
        raise NotPlain("alias")
    inner = _plain(field["schema"], definitions, above)
    required = inner["type"] != "default"
    if not required and inner.get("default", ...) is None:
        inner = inner["schema"]
    return {"type": "typed-dict-field", "schema": inner, "required": required}


def prepare(event: NewEvent, kinds: KindRegistry) -> Prepared | list[Problem]:
    """Validate an event and make its row, or say what is wrong with it."""
    try:
        kind = kinds.get(event.kind)
    except UnknownName as error:
        near = f"did you mean {' or '.join(error.near)}?" if error.near else "correct the kind"
        message = f"There is no event kind {shown(event.kind)}."
        return [Problem("unknown-kind", message, near, column="kind")]
    version = event.version or kind.version
    payload = validated_payload(kind, version, event.payload)
    recorded_at = event.recorded_at or utc_now()
    problems = envelope_problems(
        event.occurred_at, recorded_at, event.odometer, event.odometer_unit
    )
    if isinstance(payload, list):
        return payload + problems
    problems += payload_problems(payload)
    if problems:
        return problems
    row = Row(
        event.event_id or new_event_id(),
        event.vehicle_id,
        event.kind,
        version,
        event.occurred_at,
        recorded_at,
        event.recorded_by,
        event.source,
        event.odometer,
        event.odometer_unit,
        canonical_payload(payload),
        event.intake_key,
    )
    return Prepared(
        row.sealed(), payload, event.event_id is not None, event.recorded_at is not None
    )


def validated_payload(
    kind: EventKind, version: int, payload: dict[str, Any]
) -> dict[str, Any] | list[Problem]:
    """Return the payload as it is to be stored, defaults written out and nulls left out.

    A payload of an older version is stored as it is, provided that its upcast is valid.
    """
    if version > kind.version:
        return [
            Problem(
                "newer-version",
                f"{kind.name} version {version} is newer than this program knows.",
                "update Roadworn, or the plugin that brings the kind",
                column="version",
            )
        ]
    if version == kind.version and (quick := plain_validator(kind.model)) is not None:
        with suppress(ValidationError):
            valid: dict[str, Any] = quick.validate_python(payload)
            return valid if None not in valid.values() else without_none(valid)
        # The careful way has the last word: it takes tuples too, and it has the sentences.
    try:
        text = canonical_payload(payload)
    except ValueError as error:
        return [Problem("bad-value", str(error), "correct the payload", column="payload")]
    given: dict[str, Any] = orjson.loads(text)
    try:
        current = kind.upcast(version, given) if version < kind.version else given
        model = kind.model.model_validate_json(orjson.dumps(current))
    except ValidationError as error:
        what = f"A payload of kind {kind.name}"
        return list(problems_of(error, kind.model, what, inside="payload"))
    except LedgerRefused as error:
        return [Problem("no-upcast", error.message, column="version")]
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
        # An upcast is a plugin's own function, written for payloads of its version.
        message = f"The payload is no {kind.name} of version {version} ({error!r})."
        hint = "correct the payload, or the version"
        return [Problem("bad-payload", message, hint, column="payload")]
    if version < kind.version:
        stored: dict[str, Any] = orjson.loads(text)
        return stored
    return model.model_dump(mode="json", exclude_none=True)


def envelope_problems(
    occurred_at: str, recorded_at: str, odometer: float | None, unit: str | None
) -> list[Problem]:
    """Return what is wrong with the dates and the odometer of an event."""
    problems = []
    for column, moment in (("occurred_at", occurred_at), ("recorded_at", recorded_at)):
        # The pattern's digits may be those of any script; a stored time has ASCII ones.
        if not moment.isascii() or not is_day(moment[:10]) or not _is_clock(moment[11:19]):
            message = f"{moment} is not a date of the calendar."
            hint = day_hint(moment[:10]) or "correct the date"
            problems.append(Problem("no-such-date", message, hint, column=column))
    if not problems and in_future(occurred_at, recorded_at):
        meant = year_meant(occurred_at, recorded_at)
        problems.append(
            Problem(
                "in-the-future",
                f"It happened at {occurred_at}, after it was recorded at {recorded_at}.",
                f"did you mean {meant}?" if meant else "correct the date",
                column="occurred_at",
            )
        )
    if odometer is not None and unit is None:
        message = "The odometer reading has no unit."
        problems.append(Problem("unit-missing", message, "write km or mi", column="odometer_unit"))
    if odometer is None and unit is not None:
        message = "There is a distance unit without an odometer reading."
        hint = "add the reading, or drop the unit"
        problems.append(Problem("odometer-missing", message, hint, column="odometer"))
    return problems


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
    tomorrow = date.fromisoformat(recorded_at[:10]) + timedelta(days=1)
    return date.fromisoformat(occurred_at) > tomorrow


#: Fields of core payloads that hold a day.
_DAY_FIELDS = ("in_service_date", "due_date", "valid_until")


def payload_problems(payload: dict[str, Any]) -> list[Problem]:
    """Return what a model cannot see: days that do not exist, currencies that are mixed."""
    problems = [
        Problem(
            "no-such-date",
            f"{payload[name]} is not a date of the calendar.",
            day_hint(payload[name]) or "correct the date",
            column=f"payload.{name}",
        )
        for name in _DAY_FIELDS
        if isinstance(payload.get(name), str) and not is_day(payload[name])
    ]
    currencies = sorted(set(_currencies(payload)))
    if len(currencies) > 1:
        problems.append(
            Problem(
                "mixed-currencies",
                f"One event has amounts in {' and '.join(currencies)}, which cannot be added.",
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
