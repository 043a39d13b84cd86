"""Which event kinds exist, at which version, what their fields are, and how old ones are lifted.

The core registers its kinds here; plugins add their own under their own prefix through the
hook `roadworn_event_kinds`. A stored payload is never rewritten: one pure function a step
lifts it to the current version each time it is read.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cache
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic.fields import FieldInfo

from roadworn.model import payloads
from roadworn.model.errors import LedgerRefused, UnknownName, UsageError
from roadworn.model.payloads import ComponentId, Day, Distance, Money, Payload

#: kind -> payload model of its current version. All core kinds are at version 1.
CORE_KINDS: dict[str, type[Payload]] = {
    "enrolment": payloads.Enrolment,
    "profile_change": payloads.ProfileChange,
    "odometer_reading": payloads.OdometerReading,
    "odometer_exchange": payloads.OdometerExchange,
    "inspection": payloads.Inspection,
    "scan": payloads.Scan,
    "replacement": payloads.Replacement,
    "repair": payloads.Repair,
    "maintenance": payloads.Maintenance,
    "estimate": payloads.Estimate,
    "authorisation": payloads.Authorisation,
    "complaint": payloads.Complaint,
    "valuation": payloads.Valuation,
    "inspection_result": payloads.InspectionResult,
    "retirement": payloads.Retirement,
    "retraction": payloads.Retraction,
}

Upcast = Callable[[dict[str, Any]], dict[str, Any]]


@dataclass(frozen=True, slots=True)
class EventKind:
    """A kind of event.

    Attributes:
        name: ``word`` for the core, ``prefix.word`` for a plugin.
        model: payload model of the current version.
        version: current version, from 1.
        upcasts: version -> function from that version's payload to the next one's.
    """

    name: str
    model: type[Payload]
    version: int = 1
    upcasts: Mapping[int, Upcast] = field(default_factory=dict)

    def upcast(self, version: int, payload: dict[str, Any]) -> dict[str, Any]:
        """Lift a stored payload of `version` to the current one.

        Raises:
            LedgerRefused: the payload is newer than this program, or a step is missing.
        """
        if version > self.version:
            raise LedgerRefused(
                f"An event of kind {self.name} has version {version} but this program knows "
                f"version {self.version}: update Roadworn, or the plugin that brings the kind."
            )
        for step in range(version, self.version):
            if step not in self.upcasts:
                raise LedgerRefused(
                    f"Kind {self.name} has no upcast from version {step}: "
                    "reinstall the plugin that brings the kind."
                )
            payload = self.upcasts[step](payload)
        return payload


class KindRegistry:
    """The kinds known in this process, by name."""

    def __init__(self, kinds: Iterable[EventKind] = ()) -> None:
        self._kinds: dict[str, EventKind] = {
            name: EventKind(name, model) for name, model in CORE_KINDS.items()
        }
        for kind in kinds:
            self.add(kind)

    def add(self, kind: EventKind) -> None:
        """Add a plugin's kind.

        Raises:
            UsageError: the name has no prefix, or is taken.
        """
        prefix, _, word = kind.name.partition(".")
        if not (prefix and word):
            raise UsageError(
                f"The event kind {kind.name!r} needs a prefix of its plugin, "
                f"as in 'myshop.{kind.name}'."
            )
        if kind.name in self._kinds:
            raise UsageError(
                f"The event kind {kind.name!r} is registered twice: rename one of them."
            )
        self._kinds[kind.name] = kind

    def __contains__(self, name: object) -> bool:
        return name in self._kinds

    def __iter__(self) -> Iterator[EventKind]:
        return iter(self._kinds.values())

    def get(self, name: str) -> EventKind:
        """Return the kind called `name`.

        Raises:
            UnknownName: there is none; carries the nearest names.
        """
        try:
            return self._kinds[name]
        except KeyError:
            near = get_close_matches(name, self._kinds, n=3)
            hint = f"did you mean {' or '.join(near)}?" if near else "see `roadworn record --help`."
            raise UnknownName(f"There is no event kind {name!r}; {hint}", near) from None


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
