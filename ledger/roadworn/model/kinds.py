"""Which event kinds exist, at which version, what their fields are, and how old ones are lifted.

The core registers its kinds here; plugins add their own under their own prefix through the
hook `roadworn_event_kinds`. A stored payload is never rewritten: one pure function a step
lifts it to the current version each time it is read.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from roadworn.model import estimates, fleet, in_use, payloads
from roadworn.model.errors import LedgerRefused, PluginFailure, UnknownName, UsageError
from roadworn.model.events import Holds
from roadworn.model.payloads import FREE, ComponentId, Day, Distance, Money, Payload

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
    "work_test": payloads.WorkTest,
    "estimate": estimates.Estimate,
    "authorisation": estimates.Authorisation,
    "complaint": payloads.Complaint,
    "photograph": payloads.Photograph,
    "valuation": fleet.Valuation,
    "inspection_result": payloads.InspectionResult,
    "retirement": payloads.Retirement,
    "merge": payloads.Merge,
    "wheels": fleet.Wheels,
    "visit": fleet.Visit,
    "out_of_service": fleet.OutOfService,
    "back_in_service": fleet.BackInService,
    "energy": fleet.Energy,
    "hours_reading": fleet.HoursReading,
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
        title: what it is called in words, ``a fill of the tank``.
        sentence: how a history tells it, with fields in braces: ``filled {litres:g} l``. Without
            one it is told field by field.
        short: fields that may be typed by place, without their names.
        owner: the plugin that brings it, filled in by the host; empty for the core's.
    """

    name: str
    model: type[Payload]
    version: int = 1
    upcasts: Mapping[int, Upcast] = field(default_factory=dict)
    title: str = ""
    sentence: str = ""
    short: tuple[str, ...] = ()
    owner: str = ""

    def upcast(self, version: int, payload: dict[str, Any]) -> dict[str, Any]:
        """Lift a stored payload of `version` to the current one.

        Raises:
            LedgerRefused: the payload is newer than this program, or a step is missing.
            PluginFailure: a step of a plugin's kind raised, or gave no payload.
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
            payload = self._lifted(step, payload)
        return payload

    def _lifted(self, step: int, payload: dict[str, Any]) -> dict[str, Any]:
        if not self.owner:
            return self.upcasts[step](payload)
        try:
            lifted = self.upcasts[step](payload)
            if not isinstance(lifted, dict):
                raise TypeError(f"it gave a {type(lifted).__name__}")  # noqa: TRY301
        # A step of a plugin may raise anything.
        except Exception as error:
            raise PluginFailure(
                f"The plugin {self.owner!r} cannot lift an event of kind {self.name} from version "
                f"{step} ({type(error).__name__}: {error})",
                "update or uninstall it",
            ) from error
        return lifted


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
            see, left_out = "see `roadworn record --help`.", in_use().left_out()
            raise UnknownName.of(f"event kind {name!r}", name, self._kinds, see, left_out) from None


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
def fields_of(model: type[BaseModel]) -> Mapping[str, PayloadField]:
    """Return the flat fields of a payload, or of a part, by name; not those with parts inside."""
    found = {}
    for name, info in model.model_fields.items():
        kind = _type_of(info)
        if kind is None or name == "replaces":
            continue
        extra: Any = info.json_schema_extra or {}
        found[name] = PayloadField(
            name=name,
            type=kind,
            words=get_args(value_type(info.annotation)) if kind == "word" else (),
            required=info.is_required(),
            default=None if info.is_required() else info.default,
            help=info.description or "",
            option=extra.get("option") or name.replace("_", "-"),
            shown=extra.get("shown", ""),
        )
    return found


def is_list(annotation: object) -> bool:
    """Return whether a field holds several values."""
    return get_origin(_plain(annotation)) is tuple


def value_type(annotation: Any) -> Any:  # noqa: ANN401  # annotations have no type of their own
    """Return the type of a field's value, or of each of several, without what is said about it."""
    plain = _plain(annotation)
    return value_type(get_args(plain)[0]) if get_origin(plain) is tuple else plain


def _plain(annotation: Any) -> Any:  # noqa: ANN401
    """Return an annotation with `Annotated` and None taken off; a union of others stays."""
    if get_origin(annotation) is Annotated:
        return _plain(get_args(annotation)[0])
    if get_origin(annotation) in {Union, UnionType}:
        parts = [part for part in get_args(annotation) if part is not NoneType]
        return _plain(parts[0]) if len(parts) == 1 else annotation
    return annotation


_NAMED: tuple[tuple[object, FieldType], ...] = (
    (Day, "day"),
    (ComponentId, "component"),
    (Distance, "distance"),
)
# Of a field that must be given pydantic keeps the alias's rules and not the alias.
_RULES = tuple((alias, get_args(alias)[1].metadata, named) for alias, named in _NAMED)
_BY_TYPE: dict[object, FieldType] = {
    Money: "money",
    bool: "truth",
    int: "integer",
    float: "number",
    str: "text",
}


def _type_of(info: FieldInfo) -> FieldType | None:
    inside = get_args(info.annotation)
    for alias, rules, named in _RULES:
        if alias in inside or (rules and rules == info.metadata):
            return named
    value = value_type(info.annotation)
    if is_list(info.annotation):
        return "texts" if value is str else None
    return "word" if get_origin(value) is Literal else _BY_TYPE.get(value)


def names_of(holds: Holds) -> tuple[str, ...]:
    """Return the names of the fields of the core's payloads that hold something, at any depth.

    A payload of a plugin is looked at by the same names.
    """
    return _HOLDING[holds]


#: Written out, because whoever writes one event would wait for a look through all payloads; a
#: test holds it against them.
_HOLDING: Mapping[Holds, tuple[str, ...]] = {
    Holds.FREE_TEXT: (
        *("label", "fuel", "duty", "note", "name", "sheet", "words", "done_by", "fluid", "tests"),
        *("work_order", "maker", "supplier", "complaint", "cause", "correction", "test", "work"),
        *("source", "station", "items", "fitted", "stored", "storage", "reason"),
    ),
    Holds.DAY: (
        *("purchase_date", "in_service_date", "records_since", "valid_until", "due_date"),
        *("promised", "until"),
    ),
    Holds.COMPONENT: ("component", "along_with"),
}


def holding() -> Mapping[Holds, tuple[str, ...]]:
    """Return what `names_of` answers from, looked for in the payloads."""
    found: dict[Holds, dict[str, None]] = {holds: {} for holds in Holds}
    for model in CORE_KINDS.values():
        for path, info in _within(model):
            if _is_free(info):
                found[Holds.FREE_TEXT][path[-1]] = None
            named = _type_of(info)
            if named in {"day", "component"}:
                found[Holds(named)][path[-1]] = None
    return {holds: tuple(names) for holds, names in found.items()}


def paths_to(model: type[BaseModel], field: str | Holds) -> Iterator[tuple[str, ...]]:
    """Yield the paths to the fields of a payload that have a name, or that of what holds a thing.

    An entry of a list is no step.
    """
    names = names_of(field) if isinstance(field, Holds) else (field,)
    for path, info in _within(model):
        # What may only be one of some words is not written freely, whatever its name.
        if path[-1] in names and not (isinstance(field, Holds) and _type_of(info) == "word"):
            yield path


def _within(model: type[BaseModel]) -> Iterator[tuple[tuple[str, ...], FieldInfo]]:
    """Yield (path, field) for the fields of a payload and of the parts inside it."""
    for name, info in model.model_fields.items():
        yield (name,), info
        value = value_type(info.annotation)
        if isinstance(value, type) and issubclass(value, BaseModel):
            for path, inner in _within(value):
                yield (name, *path), inner


def _is_free(info: FieldInfo) -> bool:
    return FREE in info.metadata or _says_free(info.annotation)


def _says_free(annotation: object) -> bool:
    return any(mark is FREE or _says_free(mark) for mark in get_args(annotation))
