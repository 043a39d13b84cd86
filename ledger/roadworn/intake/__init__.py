"""Intake: the only way to the writer, and every event on it validated, checked and sealed.

`Ledger` is the ledger as everyone opens it. It builds on the file (`roadworn.store`), which knows
rows and digests and nothing of what they say. An event is made a row here: validated, written
canonically, hashed; what depends on the ledger's contents is asked of `roadworn.checks`. Files
come in through `roadworn.intake.files`.
"""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Self

import orjson
from pydantic import BaseModel, ValidationError
from pydantic_core import SchemaValidator

from roadworn.checks import asked_first, refusals
from roadworn.checks.facts import Draft, Facts, named_vehicle
from roadworn.checks.known import envelope_problems, payload_problems
from roadworn.model.errors import LedgerRefused, ProblemsFound, UnknownName
from roadworn.model.events import NewEvent, StoredEvent, new_event_id, utc_now
from roadworn.model.kinds import EventKind, KindRegistry
from roadworn.model.messages import Problem, shown
from roadworn.store import LedgerFile
from roadworn.store.merkle import Checkpoint
from roadworn.store.schema import plain_failures
from roadworn.store.writer import Prepared, Row, Writer, canonical_payload, without_none

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

#: Kinds whose events are judged by what another vehicle has on record.
_OF_TWO_VEHICLES = frozenset({"merge"})


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of a batch of events."""

    added: int
    already_there: int
    checkpoint: Checkpoint


class Ledger(LedgerFile):
    """An open ledger; a context manager. Made by `create` or `open`.

    Attributes:
        path: the SQLite file.
        kinds: the event kinds that may be written.
        contacts: names and addresses, outside the chain.
        facts: what the ledger knows, for checks.
    """

    def __init__(self, path: Path, connection: "Engine", *, writable: bool) -> None:
        super().__init__(path, connection, writable=writable)
        self.kinds = KindRegistry()
        self.facts = Facts(self.query)

    @classmethod
    def create(cls, path: str | Path, kinds: KindRegistry | None = None) -> Self:
        """Make a new, empty ledger and open it; see `LedgerFile.create`.

        Args:
            path: the file to make.
            kinds: the event kinds that may be written, those of the core when not given.
        """
        made = super().create(path)
        made.kinds = kinds or made.kinds
        return made

    @classmethod
    def open(
        cls, path: str | Path, kinds: KindRegistry | None = None, *, writable: bool = True
    ) -> Self:
        """Open a ledger; see `LedgerFile.open`.

        Args:
            path: the ledger's file.
            kinds: the event kinds that may be written, those of the core when not given.
            writable: for appending; an older shape is brought up to date then.
        """
        opened = super().open(path, writable=writable)
        opened.kinds = kinds or opened.kinds
        return opened

    def append(self, event: NewEvent, *, allow_repeat: bool = False) -> StoredEvent:
        """Add one event; it is on the disk when this returns.

        An event that is there already (same id or intake key, same content) is returned as
        stored.

        Args:
            event: the event, its payload not yet validated.
            allow_repeat: take a replacement that looks like one already entered.

        Raises:
            ProblemsFound: the event cannot be taken; nothing was changed.
            LedgerBusy: another process is writing.
        """
        prepared = prepare(event, self.kinds)
        if not isinstance(prepared, Prepared):
            raise _problems(prepared)
        alone = "" if event.kind in _OF_TWO_VEHICLES else event.vehicle_id
        with self._writing(allow_repeat=allow_repeat, vehicle=alone) as writer:
            stored = writer.add(prepared)
            if not isinstance(stored, StoredEvent):
                raise _problems(stored)
            writer.seal()
        return stored

    def append_many(self, events: Iterable[NewEvent], *, allow_repeat: bool = False) -> Receipt:
        """Add events in one transaction, all of them or none.

        Raises:
            ProblemsFound: some cannot be taken; `row` of each problem counts the events from 1.
            LedgerBusy: another process is writing.
        """
        problems: list[Problem] = []
        with self.writing(allow_repeat=allow_repeat) as writer:
            for row, event in enumerate(events, start=1):
                prepared = prepare(event, self.kinds)
                stored = writer.add(prepared) if isinstance(prepared, Prepared) else prepared
                if isinstance(stored, list):
                    problems += [problem.at(row) for problem in stored]
            if problems:
                raise _problems(problems)
            checkpoint = writer.finish()
        return Receipt(writer.added, writer.already_there, checkpoint)

    @contextmanager
    def writing(self, *, allow_repeat: bool = False) -> Iterator[Writer]:
        """Hold the write lock; commit at the end, roll back when an exception leaves.

        Raises:
            LedgerRefused: the ledger was opened for reading.
            LedgerBusy: another process is writing.
        """
        with self._writing(allow_repeat=allow_repeat) as writer:
            yield writer

    @contextmanager
    def _writing(self, *, allow_repeat: bool = False, vehicle: str = "") -> Iterator[Writer]:
        """Do as `writing`; where one event of `vehicle` alone is written, others may go on."""

        def check(prepared: Prepared) -> list[Problem]:
            if vehicle:
                self.facts.forget()  # it may be judged twice
            draft = draft_of(prepared.row, prepared.payload)
            return refusals(draft, self.facts, allow_repeat=allow_repeat)

        try:
            with self.locked(check, vehicle=vehicle) as writer:
                yield writer
        finally:
            self.facts.forget()

    @contextmanager
    def copied(self) -> Iterator["Ledger"]:
        """Open a copy of the ledger as it stands, for what is tried and thrown away.

        Whoever writes the ledger does not wait for it, and nothing of the copy stays.
        """
        with TemporaryDirectory(prefix="roadworn-") as folder:
            path = Path(folder) / self.path.name
            from roadworn.store.schema import copy_to_file

            with plain_failures(self.path):
                copy_to_file(self._connection, path)
            with type(self).open(path, self.kinds) as opened:
                # Nothing of it is to outlast a loss of power.
                opened.query("PRAGMA synchronous = OFF")
                yield opened

    def undecodable(self) -> Iterator[Problem]:
        """Yield a Problem for each stored payload that its kind does not take any more.

        Each is lifted from the version it was written in. `code` is ``unknown-kind`` where no
        plugin here brings the kind, and ``row`` the event's number.
        """
        for event in self.events():
            try:
                kind, payload = self.kinds.get(event.kind), orjson.loads(event.payload)
            except UnknownName:
                message = f"The kind {event.kind} of event {event.seq} is not known here."
                yield Problem("unknown-kind", message, "install its plugin", row=event.seq)
                continue
            except ValueError:
                payload = None
            taken = isinstance(payload, dict) and validated_payload(kind, event.version, payload)
            if not isinstance(taken, dict):
                why = taken[0].message if taken else "It is no JSON object."
                message = f"The payload of event {event.seq} cannot be read as {event.kind}: {why}"
                yield Problem("undecodable", message, "correct the event", row=event.seq)

    def vehicle_ids(self) -> list[str]:
        """Return the ids of enrolled vehicles, sorted."""
        return self.facts.vehicle_ids()

    def enrolled(self, vehicle_id: str) -> bool:
        """Return whether a vehicle of exactly this id is enrolled."""
        return self.facts.enrolled(vehicle_id)

    def require_vehicle(self, text: str) -> str:
        """Return the id of the vehicle that `text` names, letter case aside.

        Raises:
            UnknownName: there is none, or letter case must decide; carries the nearest names.
        """
        if self.enrolled(text):
            return self.facts.kept_as(text)
        records = [*self.vehicle_ids(), *self.facts.merged_records()]
        return self.facts.kept_as(named_vehicle(text, records))


def asked_about(
    ledger: Ledger, event: NewEvent, typed: str = "", *, but: str = "", allow_repeat: bool = False
) -> list[Problem]:
    """Return what is to be asked about an event before it is written; every typing door asks it.

    Args:
        ledger: where to.
        event: what would be written.
        typed: its odometer figure as typed.
        but: id of an event that it takes the place of.
        allow_repeat: as `Ledger.append` takes it.

    Returns:
        What is odd, in the order of the rules; nothing where the ledger refuses it anyhow.
    """
    prepared = prepare(event, ledger.kinds)
    if not isinstance(prepared, Prepared):
        return []
    draft = replace(draft_of(prepared.row, prepared.payload), event_id=but, typed=typed)
    if refusals(draft, ledger.facts, allow_repeat=allow_repeat):
        return []
    return asked_first(draft, ledger.facts)


def draft_of(row: Row, payload: dict[str, Any]) -> Draft:
    """Return what is judged of a row."""
    return Draft(
        row.vehicle_id,
        row.kind,
        row.occurred_at,
        row.odometer,
        row.odometer_unit,
        payload,
        recorded_by=row.recorded_by,
    )


def _problems(problems: list[Problem]) -> ProblemsFound:
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    return ProblemsFound(f"Not taken: {problems[0]}{more}", problems)


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
