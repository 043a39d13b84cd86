"""Lines of NDJSON to rows, a chunk at a time: the hot path of an import.

A well-formed line is parsed, validated by the plain validators of `roadworn.intake`,
written canonically and hashed, without building a model object. Whatever is not plainly right
goes the careful way (`roadworn.intake.prepare`), which has the last word and the
sentences. A chunk consists of tuples, lists and texts only, but for what was found, so that a
helper process can hand it over with `marshal`.
"""

from collections.abc import Iterable, Sequence
from hashlib import sha256
from typing import Any, NamedTuple

import orjson
from pydantic import ValidationError

from roadworn.checks import payload_findings
from roadworn.checks.known import unknown_components
from roadworn.checks.shape import problems_of
from roadworn.intake import prepare
from roadworn.intake.beside import beside
from roadworn.intake.fast import (
    ID_GIVEN,
    KEY_MADE,
    MAX_ODOMETER,
    TIME_GIVEN,
    UNITS,
    USUAL,
    Irregular,
    KnownEnvelopes,
    brought,
    key_of,
    kind_payloads,
    made_key,
    plain_reading,
)
from roadworn.model.events import NewEvent, new_event_ids, utc_now
from roadworn.model.kinds import KindRegistry
from roadworn.model.messages import Problem, Severity, shown
from roadworn.store.merkle import LEAF_PREFIX
from roadworn.store.writer import Prepared

RowTuple = tuple[Any, ...]


class Chunk(NamedTuple):
    """Some rows in their order.

    Attributes:
        rows: tuples in the order of `roadworn.store.writer.Row`.
        numbers: line or row number in the file of each row.
        given: for each row the bits ID_GIVEN, TIME_GIVEN and KEY_MADE.
        entangled: indexes of rows that must be checked against other events.
        replaced: (index, component, position) of each replacement.
        lines: number of lines read for this chunk, empty ones included.
        problems: of rows that cannot be taken, each with its row number.
        doubts: (index, what is odd) of rows that can.
    """

    rows: list[RowTuple]
    numbers: list[int]
    given: bytes
    entangled: list[int]
    replaced: list[tuple[int, str, str | None]]
    lines: int
    problems: list[Problem]
    doubts: list[tuple[int, Problem]]


#: What a line that is not plainly right raises on the fast way.
_NOT_PLAIN = (Irregular, ValidationError, AttributeError, KeyError, TypeError, ValueError)


class ChunkMaker:
    """Makes chunks of NDJSON lines, or of events, for the kinds of a registry."""

    def __init__(self, kinds: KindRegistry, source: str = "file", *, doubt: bool = True) -> None:
        """Make chunks.

        Args:
            kinds: what may be written.
            source: of events that name none.
            doubt: look for what is odd as well; costs as much as all the rest.
        """
        self._kinds = kinds
        self._source = source
        self._payloads = kind_payloads(kinds, doubt=doubt)
        self._known = KnownEnvelopes(source)

    def chunk(self, lines: Sequence[bytes], first: int = 1) -> Chunk:
        """Turn lines into a chunk; `first` is the number of the first of them."""
        build, now = _Build(), utc_now()
        # One loop over local names: a call a row costs as much as hashing it.
        loads, dumps, sort_keys, digest = orjson.loads, orjson.dumps, orjson.OPT_SORT_KEYS, sha256
        known = self._known
        vehicles, hands, times = known.vehicles, known.hands, known.times
        kinds, own_source, rows, given_bits = self._payloads, self._source, build.rows, build.given
        for number, (line, new_id) in enumerate(
            zip(lines, new_event_ids(len(lines)), strict=True), first
        ):
            try:
                given = loads(line)
                get = given.get
                kind, vehicle_id = given["kind"], given["vehicle_id"]
                occurred, recorded = given["occurred_at"], get("recorded_at")
                by, source = get("recorded_by", ""), get("source", own_source)
                if not (
                    vehicle_id in vehicles
                    and (by, source) in hands
                    and (occurred, recorded) in times
                ):
                    known.learn(given, now)
                odometer, unit = get("odometer"), get("odometer_unit")
                if not (
                    type(odometer) is float and unit in UNITS and 0 <= odometer <= MAX_ODOMETER
                ):
                    odometer = plain_reading(odometer, unit)
                payloads, payload = kinds[kind], given["payload"]
                version, bits, stated, key = payloads.version, 0, None, None
                event_id = new_id
                if not given.keys() <= USUAL:
                    bits, stated, key, event_id = brought(given, version, new_id)
                said = dumps(payload, option=sort_keys)
                text, replaced, entangled, doubts = payloads.seen.get(said) or payloads.check(
                    payload, said
                )
                if not (bits or key):
                    envelope = (
                        vehicle_id,
                        kind,
                        stated,
                        occurred,
                        recorded,
                        by,
                        source,
                        odometer,
                        unit,
                    )
                    key, bits = made_key(envelope, said), KEY_MADE
                if recorded is None:
                    recorded = now
                else:
                    bits |= TIME_GIVEN
                # In the order of `Row.canonical_bytes`.
                leaf = digest(
                    LEAF_PREFIX
                    + dumps(
                        (
                            event_id,
                            vehicle_id,
                            kind,
                            version,
                            occurred,
                            recorded,
                            by,
                            source,
                            odometer,
                            unit,
                            key,
                            text,
                        )
                    )
                ).digest()
            except _NOT_PLAIN:
                self._careful_row(line, number, build)
                continue
            if replaced is not None:
                build.replaced.append((len(rows), *replaced))
            if entangled:
                build.entangled.append(len(rows))
            if doubts:
                build.doubts.extend((len(rows), doubt) for doubt in doubts)
            rows.append(
                (
                    event_id,
                    vehicle_id,
                    kind,
                    version,
                    occurred,
                    recorded,
                    by,
                    source,
                    odometer,
                    unit,
                    text,
                    key,
                    leaf,
                )
            )
            build.numbers.append(number)
            given_bits.append(bits)
        return build.chunk(len(lines))

    def chunk_of_events(self, events: Iterable[tuple[int, NewEvent]]) -> Chunk:
        """Turn numbered events into a chunk."""
        build, count = _Build(), 0
        for number, event in events:
            count += 1
            build.add_event(number, event, self._kinds, key_made=False)
        return build.chunk(count)

    def _careful_row(self, line: bytes, number: int, build: "_Build") -> None:
        """Add the row, or say in words what is wrong with the line; an empty one is no row."""
        if not line or line.isspace():
            return
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
            found = list(problems_of(error, NewEvent, "An event"))
            for problem in (*found, *beside(given, found, self._kinds)):
                build.problem(number, problem)
            return
        key_made = event.event_id is None and event.intake_key is None
        if key_made:
            event = event.model_copy(update={"intake_key": key_of(event)})
        build.add_event(number, event, self._kinds, key_made=key_made)


class _Build:
    """A chunk being filled."""

    def __init__(self) -> None:
        self.rows: list[RowTuple] = []
        self.numbers: list[int] = []
        self.given = bytearray()
        self.entangled: list[int] = []
        self.replaced: list[tuple[int, str, str | None]] = []
        self.problems: list[Problem] = []
        self.doubts: list[tuple[int, Problem]] = []

    def add_event(
        self, number: int, event: NewEvent, kinds: KindRegistry, *, key_made: bool
    ) -> None:
        prepared = prepare(event, kinds)
        if not isinstance(prepared, Prepared):
            for problem in (*prepared, *beside(event.model_dump(), prepared, kinds)):
                self.problem(number, problem)
            return
        wrong = payload_findings(event.kind, prepared.payload, Severity.REFUSED)
        if wrong:
            for problem in (*wrong, *unknown_components(prepared.payload)):
                self.problem(number, problem)
            return
        odd = payload_findings(event.kind, prepared.payload, Severity.ODD, event.recorded_by)
        self.doubts.extend((len(self.rows), doubt) for doubt in odd)
        flags = (
            ID_GIVEN * prepared.id_given + TIME_GIVEN * prepared.time_given + KEY_MADE * key_made
        )
        # Components and references are the store's to check for such a row.
        self.entangled.append(len(self.rows))
        if event.kind == "replacement":
            payload = prepared.payload
            self.replaced.append((len(self.rows), payload["component"], payload.get("position")))
        self.rows.append(tuple(prepared.row))
        self.numbers.append(number)
        self.given.append(flags)

    def problem(self, number: int, problem: Problem) -> None:
        self.problems.append(problem.at(number))

    def chunk(self, lines: int) -> Chunk:
        return Chunk(
            self.rows,
            self.numbers,
            bytes(self.given),
            self.entangled,
            self.replaced,
            lines,
            self.problems,
            self.doubts,
        )


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
