"""Stored payloads of every kind and version stay readable; old versions are lifted on read."""

import json
from pathlib import Path

import pytest

from roadworn.intake import Ledger
from roadworn.model.errors import LedgerRefused, ProblemsFound
from roadworn.model.events import NewEvent
from roadworn.model.kinds import (
    CORE_KINDS,
    EventKind,
    Holds,
    KindRegistry,
    holding,
    names_of,
)
from roadworn.model.payloads import Payload
from roadworn.store.verify import verify
from roadworn.store.writer import canonical_payload
from roadworn.testing import event

GOLDEN = Path(__file__).parent / "golden"
FILES = sorted(GOLDEN.glob("*.json"))


def test_every_kind_and_version_has_a_golden_file():
    wanted = {
        f"{kind.name}.v{version}.json"
        for kind in KindRegistry()
        for version in range(1, kind.version + 1)
    }
    assert {file.name for file in FILES} == wanted
    assert {file.name.partition(".")[0] for file in FILES} == set(CORE_KINDS)


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_golden_payloads_validate_and_read(file):
    name, version = file.stem.split(".v")
    kind = KindRegistry().get(name)
    stored = json.loads(file.read_text())
    lifted = kind.upcast(int(version), stored)
    model = kind.model.model_validate_json(json.dumps(lifted))
    assert model.model_dump(mode="json", exclude_none=True) == lifted
    # Every field is exercised, so that a renamed or narrowed field cannot slip through.
    assert set(lifted) | {"replaces"} >= set(kind.model.model_fields)


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_golden_payloads_go_into_a_ledger_and_come_back(file, tmp_path):
    name, version = file.stem.split(".v")
    payload = json.loads(file.read_text())
    named = "0190a1b2-c3d4-7000-8000-000000000001"
    with Ledger.create(tmp_path / "shop.db") as ledger:
        # What authorisation, retraction and replaces name is an estimate of this vehicle.
        ledger.append(event("bus-7", "enrolment", "2026-01-01"))
        ledger.append(event("bus-9", "enrolment", "2026-01-01"))
        estimate = json.loads((GOLDEN / "estimate.v1.json").read_text())
        del estimate["revises"]  # what it would take the place of is itself
        ledger.append(
            event("bus-7", "estimate", "2026-01-02", **estimate).model_copy(
                update={"event_id": named}
            )
        )
        # What a comeback names is a job.
        job = event("bus-7", "repair", "2026-01-03", component="engine.oil")
        ledger.append(job.model_copy(update={"event_id": f"{named[:-1]}2"}))
        vehicle = "bus-8" if name == "enrolment" else "bus-7"
        new = event(vehicle, name, "2026-02-01", odometer=5)
        stored = ledger.append(new.model_copy(update={"version": int(version), "payload": payload}))
        assert stored.data() == payload
        assert stored.payload == canonical_payload(payload)


class Dent(Payload):
    """A made-up plugin kind, at its third version."""

    panel: str
    depth_mm: float
    painted: bool = False


def renamed(payload):
    return {
        **{key: value for key, value in payload.items() if key not in ("place", "depth")},
        "panel": payload["place"],
    }


DENT = EventKind(
    "bodyshop.dent",
    Dent,
    version=3,
    upcasts={1: lambda old: {**old, "depth_mm": old["depth"] * 10.0}, 2: renamed},
)


def dent(version, **payload):
    made = event("bus-7", "bodyshop.dent", "2026-02-01", **payload)
    return made.model_copy(update={"version": version})


def test_old_versions_are_stored_as_they_are_and_lifted_on_read(tmp_path):
    kinds = KindRegistry([DENT])
    path = tmp_path / "shop.db"
    with Ledger.create(path, kinds) as ledger:
        ledger.append(event("bus-7", "enrolment", "2026-01-01"))
        first = ledger.append(dent(1, place="door LF", depth=1.5))
        second = ledger.append(dent(2, place="door RF", depth_mm=3.0))
        third = ledger.append(dent(None, panel="roof", depth_mm=2.0))
    assert [made.version for made in (first, second, third)] == [1, 2, 3]
    assert first.data() == {"place": "door LF", "depth": 1.5}
    kind = kinds.get("bodyshop.dent")
    assert kind.upcast(1, first.data()) == {"panel": "door LF", "depth_mm": 15.0}
    assert kind.upcast(2, second.data()) == {"panel": "door RF", "depth_mm": 3.0}
    assert kind.upcast(3, third.data()) == {"panel": "roof", "depth_mm": 2.0, "painted": False}
    assert verify(path).problems == ()


def test_versions_that_nobody_knows(tmp_path):
    with Ledger.create(tmp_path / "shop.db", KindRegistry([DENT])) as ledger:
        ledger.append(event("bus-7", "enrolment", "2026-01-01"))
        for new, code in (
            (dent(4, panel="roof", depth_mm=2.0), "newer-version"),
            (dent(1, place="door", depth="deep"), "bad-payload"),
            (dent(2, place=4, depth_mm=3.0), "bad-type"),
        ):
            with pytest.raises(ProblemsFound) as caught:
                ledger.append(new)
            assert [problem.code for problem in caught.value.problems] == [code]
    gap = EventKind("bodyshop.dent", Dent, version=3, upcasts={2: renamed})
    with pytest.raises(LedgerRefused, match="upcast from version 1"):
        gap.upcast(1, {})


def test_a_kind_of_a_plugin_that_is_gone_can_still_be_read(tmp_path):
    path = tmp_path / "shop.db"
    with Ledger.create(path, KindRegistry([DENT])) as ledger:
        ledger.append(event("bus-7", "enrolment", "2026-01-01"))
        ledger.append(dent(None, panel="roof", depth_mm=2.0))
    with Ledger.open(path) as ledger:
        assert [made.kind for made in ledger.events()] == ["enrolment", "bodyshop.dent"]
        with pytest.raises(ProblemsFound):
            ledger.append(dent(None, panel="roof", depth_mm=2.0))
    assert verify(path).problems == ()


def test_new_event_and_golden_agree_on_the_payload_form():
    for file in FILES:
        line = {"vehicle_id": "v", "kind": file.name.partition(".")[0], "occurred_at": "2026-01-01"}
        assert NewEvent.model_validate({**line, "payload": json.loads(file.read_text())})


@pytest.mark.parametrize("kind", CORE_KINDS)
def test_every_field_says_what_it_is(kind):
    fields = CORE_KINDS[kind].model_fields.items()
    assert [name for name, field in fields if not field.description and name != "replaces"] == []


def test_what_fields_hold_is_written_out_as_the_payloads_have_it() -> None:
    """A new field is written into `_HOLDING` too: a note nobody looks at may hold a name."""
    assert {holds: names_of(holds) for holds in Holds} == holding()
