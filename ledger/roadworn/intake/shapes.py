"""Fast validators for bulk import, built from the payload models themselves.

Building a model object for every imported row is most of an import's cost, and the object is
only needed to be written out again. The same core schema with each model turned into a typed
dictionary validates by the same rules and gives the plain dictionary at once. The models
stay the one source of truth: nothing is declared here, and what cannot be turned (a model
with validators of its own, as a plugin may have) is validated through the model.
"""

from collections.abc import Mapping
from functools import cache
from typing import Any

from pydantic import BaseModel
from pydantic_core import SchemaValidator

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
