"""What is stored is shown: each field of a payload in a column of some table, and when told.

A field is exchanged or taken out of the golden payload of its kind, and what is shown must
change with it; the few fields that are not shown stand here, each with its reason.
"""

import copy
import json
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel, ValidationError

from roadworn.columns.tables import CORE_TABLES
from roadworn.columns.view import dictionary, open_view
from roadworn.intake import Ledger, prepare
from roadworn.model.kinds import CORE_KINDS
from roadworn.say.estimate import estimate_text
from roadworn.say.telling import describe
from roadworn.store.writer import Prepared
from roadworn.testing import event

GOLDEN = Path(__file__).parent / "golden"
#: What a text is exchanged for where it cannot be taken out: one of these has its form.
TEXTS = ("other", "4.00", "EUR", "front", "LF", "engine.oil", "brake.pad", "P0420", "2027-01-01",
         "inspected", "0190a1b2-c3d4-7000-8000-000000000002", "FF", "00000000",
         "d1" * 32)  # fmt: skip
#: What is folded from payloads alone; the profiles are folded into the vehicles.
TABLES = [
    name
    for name in (*(table.name for table in CORE_TABLES), "vehicles")
    if name in {info.name for info in dictionary()} - {"events"}  # which keeps payloads whole
]
#: Columns that tell two events apart, and nothing of what they say.
IDS = ("vehicle_id", "event_id", "_event", "seq", "recorded_at")
WORKING = "the working of a price, which the estimate is laid out with"
ELSEWHERE = "stands with the line of the estimate that it answers, and there is none here"
LAID_OUT = "the pieces say it, which the estimate is laid out with"
NOT_TOLD = {
    "authorisation: estimate": "the lines that it answers are told",
    "estimate: fees.kind": LAID_OUT,
    "estimate: lines.as_in": "the line is told, and its answer by the answer",
    "estimate: lines.as_line": "the line is told, and its answer by the answer",
    "estimate: lines.labour_hours": LAID_OUT,
    "estimate: lines.labour_rate.amount": LAID_OUT,
    "estimate: lines.parts_cost.amount": LAID_OUT,
    "estimate: lines.pieces.cost.amount": "what the shop pays is not the customer's",
    "estimate: lines.safety": "the component says it",
    "estimate: totals.consent_percent": "is said when work comes to more",
    "estimate: totals.supplies_cap.amount": "is told where the supplies reached it",
    "inspection: findings.measurements.name": "the component says what is measured, but of a size",
    "inspection: sheet": "says how was looked, and nothing of the vehicle",
    "wheels: action": "the places and the sets say what was done",
    "scan: modules.codes.words": "the words of a reader, not ours",
    "scan: raw": "what was read is told, and not the bytes",
}
#: What joins two records has no row of its own: the vehicle of every row is what it changes.
JOINS = "merge"
NO_COLUMN = {
    "authorisation: decisions.decision": ELSEWHERE,
    "authorisation: decisions.line": ELSEWHERE,
    "authorisation: estimate": ELSEWHERE,
    "authorisation: note": ELSEWHERE,
    "enrolment: note": "of the event, and nothing that vehicles are compared by",
    "estimate: fees.name": WORKING,
    "estimate: lines.pieces.amount.amount": WORKING,
    "estimate: lines.pieces.cost.amount": WORKING,
    "estimate: lines.pieces.hours": WORKING,
    "estimate: lines.pieces.name": WORKING,
    "estimate: lines.pieces.overlap": WORKING,
    "estimate: lines.pieces.quantity": WORKING,
    "estimate: lines.pieces.rate.amount": WORKING,
    "estimate: terms": "the shop's own text, laid out with the estimate",
    "estimate: totals.core_deposit": WORKING,
    "estimate: totals.supplies_cap.amount": WORKING,
    "estimate: totals.supplies_percent": WORKING,
    "estimate: totals.taxed_kinds": WORKING,
    "odometer_reading: how": "readings are compared by their figures alone",
    "odometer_reading: note": "readings are compared by their figures alone",
    "odometer_reading: status": "readings are compared by their figures alone",
    "profile_change: note": "of the event, and nothing that vehicles are compared by",
    "scan: raw": "what was read is in columns, and not the bytes",
}


def variants(payload: dict[str, Any], model: type[BaseModel]) -> Iterator[tuple[str, Any]]:
    """Yield (path, payload without that value, or with another) for each value in a payload."""
    stated = model.model_validate_json(json.dumps(payload))
    for path in paths(payload):
        for made in changed(payload, path, model):
            try:
                said = model.model_validate_json(json.dumps(made))
            except ValidationError:
                continue
            if said == stated:
                continue  # what was taken out is what holds when nothing is said
            yield ".".join(step for step in path if isinstance(step, str)), made
            break
        else:
            pytest.fail(f"no other value for {path}")


def paths(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if isinstance(value, dict | list):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value):
            yield from paths(item, (*path, key))
    else:
        yield path


def words(model: type[BaseModel]) -> set[str]:
    """Return the words that some field of a payload is chosen from."""
    found: set[str] = set()

    def look(annotation: Any) -> None:
        if isinstance(annotation, str):
            found.add(annotation)
        elif isinstance(annotation, type) and issubclass(annotation, BaseModel):
            for info in annotation.model_fields.values():
                look(info.annotation)
        for part in get_args(annotation):
            look(part)

    look(model)
    return found


def changed(payload: Any, path: tuple[Any, ...], model: type[BaseModel]) -> Iterator[Any]:
    if path[-1] == "currency":  # one event has one currency
        yield json.loads(json.dumps(payload).replace('"USD"', '"EUR"'))
        return
    taken = copy.deepcopy(payload)
    holder = taken
    for step in path[:-1]:
        holder = holder[step]
    was = holder.pop(path[-1])
    others: tuple[Any, ...] = (*sorted(words(model)), *TEXTS)
    if not isinstance(was, str):
        others = (not was,) if isinstance(was, bool) else (was + 1, was - 1)
    for other in others:
        if other != was:
            out = copy.deepcopy(payload)
            holder = out
            for step in path[:-1]:
                holder = holder[step]
            holder[path[-1]] = other
            yield out
    yield taken


CASES = [
    (kind, path, golden, made)
    for kind, model in CORE_KINDS.items()
    for golden in [json.loads((GOLDEN / f"{kind}.v1.json").read_text())]
    for path, made in variants(golden, model)
    if path != "replaces"
]


def told(kind: str, payload: dict[str, Any]) -> list[str]:
    """Return what is told of an event; an estimate is laid out besides."""
    whole: list[str] = []
    if kind == "estimate":
        # A piece of labour without its hours is none, and is asked for them.
        with suppress(KeyError):
            whole = estimate_text(payload)
    return [describe(kind, payload), *whole]


def test_each_field_is_told() -> None:
    untold = {f"{k}: {p}" for k, p, golden, made in CASES if told(k, golden) == told(k, made)}
    assert untold == set(NOT_TOLD)


def test_each_field_is_in_a_column(tmp_path: Path) -> None:
    with Ledger.create(tmp_path / "shop.db") as ledger, ledger.locked(lambda _row: []) as writer:
        for number, (kind, _path, golden, made) in enumerate(CASES):
            if kind == JOINS:
                continue
            for vehicle, payload in ((f"as-is-{number}", golden), (f"other-{number}", made)):
                given = {key: value for key, value in payload.items() if key != "replaces"}
                own = event(vehicle, kind, "2026-01-02", odometer=1_000.0, **given)
                enrolled = event(vehicle, "enrolment", "2020-01-01")
                for one in [own] if kind == "enrolment" else [enrolled, own]:
                    prepared = prepare(one, ledger.kinds)
                    assert isinstance(prepared, Prepared)
                    writer.add(prepared)
        writer.finish()
    shown: dict[str, set[tuple[str, ...]]] = {}
    with open_view(tmp_path / "shop.db") as view:
        for name in TABLES:
            rows = view.sql(f"SELECT * FROM {name}")  # a table of ours
            kept = [at for at, name in enumerate(rows.columns) if not name.endswith(IDS)]
            vehicle = rows.columns.index("vehicle_id")
            for row in rows.rows:
                said = (name, *(repr(row[at]) for at in kept))
                shown.setdefault(str(row[vehicle]), set()).add(said)
    # What is shown differs by what was said alone: the same payload shows the same.
    cases = [(n, case) for n, case in enumerate(CASES) if case[0] != JOINS]
    same = {kind: shown[f"as-is-{number}"] for number, (kind, *_rest) in cases}
    diff = {n: shown[f"as-is-{n}"] ^ same[k] for n, (k, *_r) in cases}
    assert not any(diff.values()), next(d for d in diff.values() if d)
    unseen = {
        f"{kind}: {path}"
        for number, (kind, path, _golden, _made) in cases
        if shown[f"as-is-{number}"] == shown[f"other-{number}"]
    }
    assert unseen == set(NO_COLUMN)
