"""Lines of NDJSON to rows, a chunk at a time: the hot path of an import.

A well-formed line is parsed, validated by the plain validators of `roadworn.intake.shapes`,
written canonically and hashed, without building a model object. Whatever is not plainly right
goes the careful way (`roadworn.intake.rows.prepare`), which has the last word and the
sentences. A chunk consists of tuples, lists and texts only, so that a helper process can hand
it over with `marshal`.
"""

import re
from collections.abc import Callable, Iterable
from hashlib import sha256
from typing import Any, NamedTuple

import orjson
from pydantic import ValidationError

from roadworn.canonical import canonical_payload
from roadworn.events import NewEvent, utc_now
from roadworn.ids import new_event_ids
from roadworn.intake.context import components
from roadworn.intake.plain_words import problems_of, shown
from roadworn.intake.rows import Prepared, envelope_problems, payload_problems, prepare
from roadworn.intake.shapes import plain_validator
from roadworn.merkle import LEAF_PREFIX
from roadworn.problems import Problem
from roadworn.registry import KindRegistry

#: What the writer of a row gave, rather than the store; bits of `Chunk.given`.
ID_GIVEN, TIME_GIVEN, KEY_MADE = 1, 2, 4

_FIELDS = frozenset(NewEvent.model_fields)
_EVENT_ID = re.compile(r"[0-9a-f-]{36}")
_UNITS = frozenset({"km", "mi"})
_MAX_ODOMETER = 10_000_000
_REMEMBERED = 50_000
#: 112 bits of SHA-256: two rows of one day never get the same key by chance.
_KEY_DIGITS = 28
#: Kinds whose rows depend on other events: the store checks them one by one.
_ENTANGLED = frozenset({"enrolment", "retraction", "authorisation"})
_COSTED = frozenset({"replacement", "repair", "maintenance"})
#: Kinds without money and days, so without anything for `payload_problems` to find.
_BARE = frozenset({"odometer_exchange", "complaint"})

RowTuple = tuple[Any, ...]
ProblemTuple = tuple[str, str, str, int, str]


class Chunk(NamedTuple):
    """Some rows in their order.

    Attributes:
        rows: tuples in the order of `roadworn.intake.rows.Row`.
        numbers: line or row number in the file of each row.
        given: for each row the bits ID_GIVEN, TIME_GIVEN and KEY_MADE.
        entangled: indexes of rows that must be checked against other events.
        replaced: (index, component, position) of each replacement.
        problems: (code, message, hint, row number, column) of rows that cannot be taken.
        lines: number of lines read for this chunk, empty ones included.
    """

    rows: list[RowTuple]
    numbers: list[int]
    given: bytes
    entangled: list[int]
    replaced: list[tuple[int, str, str | None]]
    problems: list[ProblemTuple]
    lines: int


class _Irregular(Exception):
    """A line is not plainly right: take the careful way."""


class ChunkMaker:
    """Makes chunks of NDJSON lines, or of events, for the kinds of a registry."""

    def __init__(self, kinds: KindRegistry, source: str = "file") -> None:
        from roadworn.catalogue import catalogue

        self._kinds = kinds
        self._source = source
        self._validators: dict[str, tuple[Callable[[Any], dict[str, Any]], int]] = {}
        for kind in kinds:
            validator = plain_validator(kind.model)
            if validator is not None:
                self._validators[kind.name] = (validator.validate_python, kind.version)
        # Values that were found right once; they repeat from row to row.
        self._components: set[str | None] = {None, *(part.id for part in catalogue())}
        self._vehicles: set[str] = set()
        self._envelopes: set[tuple[str, str | None, str, str]] = set()

    def chunk(self, lines: Iterable[tuple[int, bytes]]) -> Chunk:
        """Turn numbered lines into a chunk."""
        build = _Build()
        numbered = list(lines)
        now = utc_now()
        for (number, line), event_id in zip(numbered, new_event_ids(len(numbered)), strict=True):
            if not line or line.isspace():
                continue
            try:
                given = orjson.loads(line)
                self._plain_row(given, number, event_id, now, build)
            except (_Irregular, KeyError, TypeError, AttributeError, ValidationError, ValueError):
                self._careful_row(line, number, build)
        return build.chunk(len(numbered))

    def chunk_of_events(self, events: Iterable[tuple[int, NewEvent]]) -> Chunk:
        """Turn numbered events into a chunk."""
        build, count = _Build(), 0
        for number, event in events:
            count += 1
            build.add_event(number, event, self._kinds, key_made=False)
        return build.chunk(count)

    def _plain_row(
        self, given: dict[str, Any], number: int, event_id: str, now: str, build: "_Build"
    ) -> None:
        """Add a row that is right in every respect.

        Raises:
            _Irregular, KeyError, TypeError, ValueError: it is not, or not plainly.
        """
        kind, vehicle_id, occurred_at = given["kind"], given["vehicle_id"], given["occurred_at"]
        validate, version = self._validators[kind]
        get = given.get
        recorded_at = get("recorded_at")
        by, source = get("recorded_by", ""), get("source", self._source)
        unit, key, stated = get("odometer_unit"), get("intake_key"), get("version")
        when = (occurred_at, recorded_at, by, source)
        if vehicle_id not in self._vehicles or when not in self._envelopes:
            self._learn(given, now)
        if not given.keys() <= _FIELDS:
            raise _Irregular
        if stated is not None and (stated != version or type(stated) is not int):
            raise _Irregular
        odometer = get("odometer")
        if odometer is not None or unit is not None:
            odometer = _reading(odometer, unit)
        flags = 0 if recorded_at is None else TIME_GIVEN
        if get("event_id") is not None:
            event_id = given["event_id"]
            if not _EVENT_ID.fullmatch(event_id):
                raise _Irregular
            flags |= ID_GIVEN
        elif key is None:
            key = made_key(occurred_at, given)
            flags |= KEY_MADE
        if key is not None and not (type(key) is str and 0 < len(key) <= 200):
            raise _Irregular
        payload = validate(given["payload"])
        self._check_payload(kind, payload)
        # A plain validator gives sorted keys, so there is nothing left to do but nulls.
        text = orjson.dumps(payload).decode()
        if "null" in text:
            text = canonical_payload(payload)
        recorded_at = recorded_at or now
        parts = (event_id, vehicle_id, kind, version, occurred_at, recorded_at, by, source)
        leaf = sha256(LEAF_PREFIX + orjson.dumps((*parts, odometer, unit, key, text))).digest()
        row = (*parts, odometer, unit, text, key, leaf)
        build.add(row, payload, number, flags)

    def _check_payload(self, kind: str, payload: dict[str, Any]) -> None:
        """Raise _Irregular when the payload needs a closer look."""
        known = self._components
        if kind in _COSTED:
            cost, rate = payload.get("parts_cost"), payload.get("labour_rate")
            if cost and rate and cost["currency"] != rate["currency"]:
                raise _Irregular
            if payload["component"] not in known or payload.get("along_with") not in known:
                raise _Irregular
            return
        if kind in ("odometer_reading", "scan"):
            return
        if kind == "inspection":
            for name in ("findings", "sound", "not_checked"):
                for item in payload[name]:
                    if item["component"] not in known:
                        raise _Irregular
            return
        for _, component in components(payload):
            if component not in known:
                raise _Irregular
        if kind not in _BARE and payload_problems(payload):
            raise _Irregular

    def _learn(self, given: dict[str, Any], now: str) -> None:
        """Validate an envelope by its model and remember what repeats.

        Raises:
            _Irregular, ValidationError: it is not right.
        """
        event = NewEvent.model_validate(given)
        recorded_at = event.recorded_at or now
        if envelope_problems(event.occurred_at, recorded_at, event.odometer, event.odometer_unit):
            raise _Irregular
        if len(self._vehicles) > _REMEMBERED:
            self._vehicles.clear()
        if len(self._envelopes) > _REMEMBERED:
            self._envelopes.clear()
        self._vehicles.add(event.vehicle_id)
        source = given.get("source", self._source)
        when = (event.occurred_at, given.get("recorded_at"), event.recorded_by, source)
        self._envelopes.add(when)

    def _careful_row(self, line: bytes, number: int, build: "_Build") -> None:
        """Add the row, or say in words what is wrong with the line."""
        try:
            given = orjson.loads(line)
        except orjson.JSONDecodeError as error:
            build.problem(number, _not_json(line, error))
            return
        if not isinstance(given, dict):
            message = f"{shown(given)} is not an event."
            hint = "one event a line, as an object in braces"
            build.problem(number, Problem("not-an-event", message, hint))
            return
        try:
            event = NewEvent.model_validate({"source": self._source, **given})
        except ValidationError as error:
            for problem in problems_of(error, NewEvent, "An event"):
                build.problem(number, problem)
            return
        key_made = event.event_id is None and event.intake_key is None
        if key_made:
            key = made_key(event.occurred_at, given)
            event = event.model_copy(update={"intake_key": key})
        build.add_event(number, event, self._kinds, key_made=key_made)


class _Build:
    """A chunk being filled."""

    def __init__(self) -> None:
        self._rows: list[RowTuple] = []
        self._numbers: list[int] = []
        self._given = bytearray()
        self._entangled: list[int] = []
        self._replaced: list[tuple[int, str, str | None]] = []
        self._problems: list[ProblemTuple] = []

    def add(self, row: RowTuple, payload: dict[str, Any], number: int, flags: int) -> None:
        rows = self._rows
        if row[2] == "replacement":
            self._replaced.append((len(rows), payload["component"], payload.get("position")))
        if row[2] in _ENTANGLED or payload.get("replaces") is not None:
            self._entangled.append(len(rows))
        rows.append(row)
        self._numbers.append(number)
        self._given.append(flags)

    def add_event(
        self, number: int, event: NewEvent, kinds: KindRegistry, *, key_made: bool
    ) -> None:
        prepared = prepare(event, kinds)
        if not isinstance(prepared, Prepared):
            for problem in prepared:
                self.problem(number, problem)
            return
        flags = (
            ID_GIVEN * prepared.id_given + TIME_GIVEN * prepared.time_given + KEY_MADE * key_made
        )
        self.add(tuple(prepared.row), prepared.payload, number, flags)
        # Components and references are the store's to check for such a row.
        if self._entangled[-1:] != [len(self._rows) - 1]:
            self._entangled.append(len(self._rows) - 1)

    def problem(self, number: int, problem: Problem) -> None:
        self._problems.append((problem.code, problem.message, problem.hint, number, problem.column))

    def chunk(self, lines: int) -> Chunk:
        return Chunk(
            self._rows,
            self._numbers,
            bytes(self._given),
            self._entangled,
            self._replaced,
            self._problems,
            lines,
        )


def made_key(occurred_at: str, given: dict[str, Any]) -> str:
    """Return the intake key of a row that brought none: its day and a digest of what it says.

    It is made from the row as given, not as stored, so that it stays the same when a later
    version of a kind stores more. The day in front keeps the index growing at one end.
    """
    digest = sha256(orjson.dumps(given, option=orjson.OPT_SORT_KEYS)).hexdigest()
    return f"{occurred_at[:10]}:{digest[:_KEY_DIGITS]}"


def _reading(value: object, unit: object) -> float:
    """Return an odometer reading as a float; _Irregular unless it and its unit are right."""
    if (type(value) is not float and type(value) is not int) or unit not in _UNITS:
        raise _Irregular
    if not 0 <= value <= _MAX_ODOMETER:
        raise _Irregular
    return float(value)


def _not_json(line: bytes, error: orjson.JSONDecodeError) -> Problem:
    if b"\x00" in line:
        message = "The line holds zero bytes, as text in UTF-16 does."
        return Problem("not-utf8", message, "save the file as UTF-8")
    try:
        line.decode()
    except UnicodeDecodeError as undecodable:
        message = f"Byte {undecodable.start + 1} of the line is not UTF-8."
        return Problem("not-utf8", message, "save the file as UTF-8")
    message = f"The line is not JSON: {error.msg} at character {error.colno}."
    return Problem("not-json", message, "one event a line, as an object in braces")
