"""From an event as handed in to a row as stored: validated, canonical, hashed.

Nothing here looks into a ledger; what depends on the ledger's contents is `roadworn.checks`.
"""

from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from typing import Any

import orjson
from pydantic import BaseModel, ValidationError
from pydantic_core import SchemaValidator

from roadworn.checks.known import envelope_problems, payload_problems
from roadworn.model.errors import LedgerRefused, UnknownName
from roadworn.model.events import NewEvent, new_event_id, utc_now
from roadworn.model.kinds import EventKind, KindRegistry
from roadworn.model.messages import Problem, shown
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
        # Most payloads fit, and should not wait for the words.
        from roadworn.checks.shape import problems_of

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
