"""The fields of a payload as people meet them: one description for options, columns and help."""

from dataclasses import dataclass
from functools import cache
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic.fields import FieldInfo

from roadworn.model.kinds.base import ComponentId, Day, Distance, Money, Payload

FieldType = Literal[
    "text", "texts", "word", "day", "money", "component", "distance", "truth", "integer", "number"
]


@dataclass(frozen=True, slots=True)
class PayloadField:
    """One flat field of a payload.

    Attributes:
        name: as stored.
        type: what it holds.
        words: what it may be, where only some words are taken.
        required: whether an event means nothing without it.
        default: what is taken when it is not given.
        help: what it is, one sentence; the words are not in it.
        option: its name where people type it.
        shown: what stands for its value in help, where the type says too little.
    """

    name: str
    type: FieldType
    words: tuple[str, ...]
    required: bool
    default: str | int | float | bool | tuple[()] | None
    help: str
    option: str
    shown: str


@cache
def fields_of(model: type[Payload]) -> dict[str, PayloadField]:
    """Return the flat fields of a payload by name; fields with parts inside are left out."""
    found = {}
    for name, info in model.model_fields.items():
        kind = _type_of(info)
        if kind is None or name == "replaces":
            continue
        extra: Any = info.json_schema_extra or {}
        found[name] = PayloadField(
            name=name,
            type=kind,
            words=_words(info),
            required=info.is_required(),
            default=None if info.is_required() else info.default,
            help=info.description or "",
            option=extra.get("option") or name.replace("_", "-"),
            shown=extra.get("shown", ""),
        )
    return found


def _words(info: FieldInfo) -> tuple[str, ...]:
    """Return the words a field may hold, or nothing when it is free."""
    for part in _parts(info.annotation):
        if get_origin(part) is Literal:
            return get_args(part)
    return ()


def _parts(annotation: object) -> list[Any]:
    """Return the alternatives of an annotation with `Annotated` and None taken off."""
    if get_origin(annotation) in {Union, UnionType}:
        return [inner for part in get_args(annotation) for inner in _parts(part)]
    if get_origin(annotation) is Annotated:
        return _parts(get_args(annotation)[0])
    return [] if annotation is type(None) else [annotation]


_NAMED: tuple[tuple[object, FieldType], ...] = (
    (Day, "day"),
    (ComponentId, "component"),
    (Distance, "distance"),
)
_BY_TYPE: dict[object, FieldType] = {
    Money: "money",
    bool: "truth",
    int: "integer",
    float: "number",
    str: "text",
}


def _type_of(info: FieldInfo) -> FieldType | None:
    for alias, named in _NAMED:
        # Of a field that must be given pydantic keeps the alias's rules and not the alias.
        rules = get_args(alias)[1].metadata
        if alias in get_args(info.annotation) or (rules and rules == info.metadata):
            return named
    parts = _parts(info.annotation)
    if len(parts) != 1:
        return None
    part = parts[0]
    if get_origin(part) is Literal:
        return "word"
    if get_origin(part) is tuple:
        return "texts" if _parts(get_args(part)[0]) == [str] else None
    return _BY_TYPE.get(part)
