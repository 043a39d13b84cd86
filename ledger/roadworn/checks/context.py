"""Checks of a row against what the ledger already holds.

Is the vehicle enrolled, does the component exist, do retractions and answers name events that
are there, is the same replacement being entered a second time. All lookups go through partial
indexes, so that a check costs the same on a small and on a large ledger.
"""

import sqlite3
from collections.abc import Iterable, Iterator
from difflib import get_close_matches
from typing import Any, NamedTuple

import orjson

from roadworn.checks.recent import LastReading
from roadworn.checks.shape import shown
from roadworn.model.errors import UnknownName
from roadworn.model.messages import Problem
from roadworn.store.rows import Prepared, Row


class RoadReading(NamedTuple):
    """A figure of a vehicle's odometer.

    Attributes:
        vehicle_id: whose.
        seq: number of its event.
        occurred_at: day or moment.
        value: what was read.
        unit: ``km`` or ``mi``.
        next_value: what the instrument showed from then on; another after an exchange.
        exchanged: whether the instrument was exchanged.
    """

    vehicle_id: str
    seq: int
    occurred_at: str
    value: float
    unit: str
    next_value: float
    exchanged: bool


class LedgerContext:
    """What intake asks the ledger, within one write transaction."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def problems(self, prepared: Prepared, *, allow_repeat: bool = False) -> list[Problem]:
        """Return what is wrong with a row in this ledger; looks at nothing but the ledger."""
        row, payload = prepared.row, prepared.payload
        problems = [*self._vehicle_problems(row, payload), *component_problems(payload)]
        problems += self._reference_problems(row, payload)
        if not problems and row.kind == "replacement" and not allow_repeat:
            problems += self._repeat_problems(row, payload)
        return problems

    def enrolled(self, vehicle_id: str) -> bool:
        """Return whether the vehicle has an enrolment that was not retracted."""
        found = self._connection.execute(
            "SELECT 1 FROM events AS made WHERE kind = 'enrolment' AND vehicle_id = ? "
            "AND NOT EXISTS (SELECT 1 FROM events WHERE kind = 'retraction' "
            "AND vehicle_id = made.vehicle_id "
            "AND json_extract(payload, '$.event') = made.event_id)",
            (vehicle_id,),
        ).fetchone()
        return found is not None

    def retracted(self, event_id: str, vehicle_id: str) -> bool:
        """Return whether a retraction of the same vehicle names the event."""
        found = self._connection.execute(
            "SELECT 1 FROM events WHERE kind = 'retraction' AND vehicle_id = ? "
            "AND json_extract(payload, '$.event') = ?",
            (vehicle_id, event_id),
        ).fetchone()
        return found is not None

    def vehicle_ids(self) -> list[str]:
        """Return the ids of enrolled vehicles, sorted."""
        rows = self._connection.execute(
            "SELECT DISTINCT vehicle_id FROM events WHERE kind = 'enrolment' "
            "AND event_id NOT IN (SELECT json_extract(payload, '$.event') FROM events "
            "WHERE kind = 'retraction') ORDER BY vehicle_id"
        )
        return [vehicle_id for (vehicle_id,) in rows]

    def enrolments(self, vehicle_id: str) -> list[dict[str, Any]]:
        """Return the payloads of a vehicle's enrolments, oldest first."""
        rows = self._connection.execute(
            "SELECT payload FROM events WHERE kind = 'enrolment' AND vehicle_id = ? ORDER BY seq",
            (vehicle_id,),
        )
        return [orjson.loads(payload) for (payload,) in rows]

    def enrolled_vins(self) -> Iterator[tuple[str, str]]:
        """Yield (vehicle, VIN) of all enrolments that have one."""
        yield from self._connection.execute(
            "SELECT vehicle_id, json_extract(payload, '$.vin') FROM events "
            "WHERE kind = 'enrolment' AND json_extract(payload, '$.vin') IS NOT NULL"
        ).fetchall()

    def profile_changes(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """Yield (vehicle, payload) of all changes of profile; reads the whole ledger."""
        for vehicle_id, payload in self._connection.execute(
            "SELECT vehicle_id, payload FROM events WHERE kind = 'profile_change' ORDER BY seq"
        ):
            yield vehicle_id, orjson.loads(payload)

    def replaced(self, vehicle_id: str) -> Iterator[tuple[str, str | None, float | None, str]]:
        """Yield what a second entry of a vehicle's replacements would look like.

        Component, position, odometer and its unit (without odometer the day).
        """
        yield from self._connection.execute(
            "SELECT json_extract(payload, '$.component'), json_extract(payload, '$.position'), "
            "odometer, coalesce(odometer_unit, substr(occurred_at, 1, 10)) "
            "FROM events WHERE kind = 'replacement' AND vehicle_id = ?",
            (vehicle_id,),
        ).fetchall()

    def readings_before(
        self, vehicles: Iterable[str], seq: int
    ) -> Iterator[tuple[str, LastReading]]:
        """Yield (vehicle, its latest figure by date) among events up to number `seq`.

        Reads the whole ledger up to there, once for all vehicles. Figures that were taken back
        count too: `readings_of` leaves them out.
        """
        rows = self._connection.execute(
            # Of a group with one max(), SQLite takes the other columns from the row that has it.
            "SELECT vehicle_id, odometer, odometer_unit, max(occurred_at) FROM events "
            "WHERE seq <= ? AND odometer IS NOT NULL "
            "AND vehicle_id IN (SELECT value FROM json_each(?)) GROUP BY vehicle_id",
            (seq, orjson.dumps(list(vehicles)).decode()),
        )
        for vehicle_id, value, unit, occurred_at in rows:
            yield vehicle_id, LastReading(value, unit, occurred_at)

    def readings_of(self, vehicles: Iterable[str]) -> Iterator[RoadReading]:
        """Yield all figures of vehicles that count, each vehicle's in the order of the road."""
        names = orjson.dumps(list(vehicles)).decode()
        if names == "[]":
            return
        rows = self._connection.execute(
            "SELECT vehicle_id, seq, event_id, occurred_at, odometer, odometer_unit, "
            "CASE WHEN kind = 'odometer_exchange' THEN payload END, "
            "json_extract(payload, '$.replaces') FROM events "
            "WHERE (odometer IS NOT NULL OR kind = 'odometer_exchange') "
            "AND vehicle_id IN (SELECT value FROM json_each(:names)) "
            "AND event_id NOT IN (SELECT json_extract(payload, '$.event') FROM events "
            "WHERE kind = 'retraction' AND vehicle_id IN (SELECT value FROM json_each(:names))) "
            "ORDER BY vehicle_id, occurred_at, seq",
            {"names": names},
        ).fetchall()
        replaced = {row[-1] for row in rows}
        for vehicle_id, seq, event_id, occurred_at, value, unit, exchange, _ in rows:
            if event_id in replaced:
                continue
            if exchange is None:
                yield RoadReading(vehicle_id, seq, occurred_at, value, unit, value, False)
                continue
            said = orjson.loads(exchange)
            old, new, own = said["old_reading"], said["new_reading"], said["unit"]
            yield RoadReading(vehicle_id, seq, occurred_at, old, own, new, True)

    def _vehicle_problems(self, row: Row, payload: dict[str, Any]) -> Iterator[Problem]:
        enrolled = self.enrolled(row.vehicle_id)
        if row.kind == "enrolment":
            if enrolled and "replaces" not in payload and not self._retired(row.vehicle_id):
                yield Problem(
                    "enrolled-twice",
                    f"{row.vehicle_id} is enrolled already.",
                    "change it with `roadworn record profile`, or give the new one another id",
                    column="vehicle_id",
                )
        elif not enrolled:
            near = nearest(row.vehicle_id, self.vehicle_ids())
            hint = f"did you mean {' or '.join(near)}?" if near else "enrol it first"
            message = f"The vehicle {row.vehicle_id} is not enrolled."
            yield Problem("not-enrolled", message, hint, column="vehicle_id")

    def _retired(self, vehicle_id: str) -> bool:
        found = self._connection.execute(
            "SELECT 1 FROM events WHERE kind = 'retirement' AND vehicle_id = ?", (vehicle_id,)
        ).fetchone()
        return found is not None

    def _reference_problems(self, row: Row, payload: dict[str, Any]) -> Iterator[Problem]:
        for column, event_id in references(row.kind, payload):
            named = self._connection.execute(
                "SELECT vehicle_id, kind FROM events WHERE event_id = ?", (event_id,)
            ).fetchone()
            if named is None:
                yield Problem(
                    "unknown-event",
                    f"There is no event {event_id} in the ledger.",
                    "`roadworn history` prints the ids of a vehicle's events",
                    column=f"payload.{column}",
                )
            elif column == "event" and named[0] != row.vehicle_id:
                yield Problem(
                    "other-vehicle",
                    f"The event {event_id} is of {named[0]}, not of {row.vehicle_id}.",
                    f"record the retraction for {named[0]}",
                    column="vehicle_id",
                )
            elif column == "estimate" and named[1] != "estimate":
                yield Problem(
                    "not-an-estimate",
                    f"The event {event_id} is of kind {named[1]}, so it has no lines to answer.",
                    "name the estimate",
                    column="payload.estimate",
                )

    def _repeat_problems(self, row: Row, payload: dict[str, Any]) -> Iterator[Problem]:
        same = self._connection.execute(
            "SELECT seq, event_id FROM events WHERE kind = 'replacement' AND vehicle_id = ? "
            "AND odometer IS ? AND odometer_unit IS ? "
            "AND (odometer IS NOT NULL OR substr(occurred_at, 1, 10) = ?) "
            "AND json_extract(payload, '$.component') = ? "
            "AND json_extract(payload, '$.position') IS ?",
            (
                row.vehicle_id,
                row.odometer,
                row.odometer_unit,
                row.occurred_at[:10],
                payload["component"],
                payload.get("position"),
            ),
        ).fetchall()
        for seq, event_id in same:
            if event_id == payload.get("replaces") or self._taken_back(event_id, row.vehicle_id):
                continue
            place = f" {payload['position']}" if "position" in payload else ""
            at = (
                f"{row.odometer:.10g} {row.odometer_unit}"
                if row.odometer is not None
                else row.occurred_at[:10]
            )
            yield Problem(
                "entered-twice",
                f"The replacement of {payload['component']}{place} on {row.vehicle_id} at {at} "
                f"is event {seq} ({event_id}) already.",
                "leave it out if it is the same work; if the part was fitted twice, "
                "take it with --allow-repeat",
            )
            return

    def _taken_back(self, event_id: str, vehicle_id: str) -> bool:
        """Return whether a replacement was retracted, or replaced by a corrected one."""
        if self.retracted(event_id, vehicle_id):
            return True
        found = self._connection.execute(
            "SELECT 1 FROM events WHERE kind = 'replacement' AND vehicle_id = ? "
            "AND json_extract(payload, '$.replaces') = ?",
            (vehicle_id, event_id),
        ).fetchone()
        return found is not None


def nearest(name: str, names: list[str]) -> list[str]:
    """Return up to three names that look like `name`, letter case aside."""
    folded = {known.casefold(): known for known in names}
    return [folded[near] for near in get_close_matches(name.casefold(), folded, n=3)]


def named_vehicle(text: str, known: list[str]) -> str:
    """Return the one of `known` that `text` names, letter case aside.

    Raises:
        UnknownName: there is none, or letter case must decide; carries the nearest names.
    """
    if text in known:
        return text
    same = [vehicle_id for vehicle_id in known if vehicle_id.casefold() == text.casefold()]
    if len(same) == 1:
        return same[0]
    near = same or nearest(text, known)
    hint = f"did you mean {' or '.join(near)}?" if near else "see `roadworn vehicles`."
    raise UnknownName(f"There is no vehicle {text!r}; {hint}", near)


def references(kind: str, payload: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield (payload field, event id) for each other event that a payload names."""
    if payload.get("replaces") is not None:
        yield "replaces", payload["replaces"]
    if kind == "retraction":
        yield "event", payload["event"]
    elif kind == "authorisation":
        yield "estimate", payload["estimate"]


def components(
    value: dict[str, Any] | list[Any], column: str = "payload"
) -> Iterator[tuple[str, str]]:
    """Yield (column, component id) for each component that a payload names, at any depth."""
    if isinstance(value, dict):
        for key, item in value.items():
            if isinstance(item, str):
                if key in ("component", "along_with"):
                    yield f"{column}.{key}", item
            elif isinstance(item, (dict, list)):
                yield from components(item, f"{column}.{key}")
    else:
        for at, item in enumerate(value):
            if isinstance(item, (dict, list)):
                yield from components(item, f"{column}[{at}]")


def component_problems(payload: dict[str, Any]) -> Iterator[Problem]:
    """Yield a Problem for each component that the catalogue does not have."""
    from roadworn.model.catalogue import catalogue

    known = catalogue()
    for column, identifier in components(payload):
        if identifier in known:
            continue
        try:
            known.get(identifier)
        except UnknownName as error:
            near = error.near[:3]
            hint = f"did you mean {' or '.join(near)}?" if near else ""
            hint = f"{hint} Or keep it as other.{identifier.partition('.')[2]}".strip()
            message = f"There is no component {shown(identifier)}."
            yield Problem("unknown-component", message, hint, column=column)
