"""The demo on disk: the same root twice, files that fit the years around them, no ledger lost."""

import json

import pytest

from roadworn.intake import Ledger
from roadworn.intake.csv_map import read_csv_map
from roadworn.intake.csv_rows import mapped_rows
from roadworn.intake.files import import_files
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import LedgerRefused
from roadworn.model.events import NewEvent, StoredEvent
from roadworn.model.kinds import KindRegistry
from roadworn.store.verify import verify
from roadworn_demo import DEMO_TODAY, FEATURED, DemoPaths, build, files
from roadworn_demo.generator import tyre_shop_rows


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> DemoPaths:
    return build(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="module")
def featured(demo) -> list[StoredEvent]:
    with Ledger.open(demo.ledger, writable=False) as ledger:
        return [event for event in ledger.events() if event.vehicle_id == FEATURED]


def root(paths: DemoPaths) -> str:
    with Ledger.open(paths.ledger, writable=False) as ledger:
        return ledger.checkpoint().root


def test_built_twice_it_has_the_same_root(demo, tmp_path):
    told: list[str] = []
    again = build(tmp_path / "new folder", told.append)
    assert root(again) == root(demo)
    assert told


def test_it_verifies(demo):
    report = verify(demo.ledger)
    assert report.problems == ()
    assert report.root == root(demo)


def test_an_earlier_demo_is_built_anew(demo):
    before = root(demo)
    with Ledger.open(demo.ledger) as ledger:
        ledger.append(
            NewEvent(
                vehicle_id=FEATURED,
                kind="complaint",
                occurred_at=DEMO_TODAY,
                payload={"complaint": "one more thing"},
            )
        )
    assert root(demo) != before
    assert root(build(demo.ledger.parent)) == before


def test_a_ledger_that_no_demo_made_is_left_alone(tmp_path):
    path = tmp_path / "roadworn.db"
    Ledger.create(path).close()
    content = path.read_bytes()
    with pytest.raises(LedgerRefused, match="choose another folder"):
        build(tmp_path)
    assert path.read_bytes() == content
    assert [p.name for p in tmp_path.iterdir() if p.suffix in {".csv", ".txt"}] == []


def test_the_spreadsheet_holds_what_the_tyre_shop_fitted(demo):
    rows = mapped_rows(demo.tyre_shop, read_csv_map(demo.tyre_shop_map), KindRegistry())
    read = []
    for row in rows:
        assert row.problems == ()
        payload = row.event.payload
        read.append(
            (
                row.event.vehicle_id,
                row.event.occurred_at,
                row.event.odometer,
                row.event.odometer_unit,
                payload["component"],
                payload["position"],
                payload["reason"],
                payload["part_number"],
                payload["parts_cost"],
                payload["labour_hours"],
                payload["labour_rate"],
            )
        )
    assert read == [
        (
            draft.vehicle_id,
            draft.day.isoformat(),
            draft.odometer,
            draft.unit,
            *(draft.payload[name] for name in ("component", "position", "reason", "part_number")),
            *(draft.payload[name] for name in ("parts_cost", "labour_hours", "labour_rate")),
        )
        for draft in tyre_shop_rows()
    ]


def test_importing_the_files_as_a_user_would_adds_nothing(demo):
    with Ledger.open(demo.ledger) as ledger:
        sheet = import_files(ledger, [demo.tyre_shop], csv_map=demo.tyre_shop_map)
        notes = import_files(ledger, [demo.towing_notes])
    for report in (sheet, notes):
        assert report.problems == ()
        assert report.added == 0
        assert report.already_there == report.rows >= 10


def test_towing_notes_stand_where_something_failed(demo):
    with Ledger.open(demo.ledger, writable=False) as ledger:
        replaced = {
            (event.vehicle_id, event.occurred_at)
            for event in ledger.events()
            if event.kind == "replacement" and event.data()["reason"] == "failed"
        }
    notes = [json.loads(line) for line in files()["towing_notes.ndjson"].read_bytes().splitlines()]
    assert 10 <= len(notes) <= 20
    for note in notes:
        assert (note["vehicle_id"], note["occurred_at"]) in replaced


def test_the_car_on_the_bench_today(featured):
    look = next(e for e in reversed(featured) if e.kind == "inspection").data()
    found = {(f["component"], f.get("position")): f for f in look["findings"]}
    assert found["steering.tie_rod_outer", "L"]["safety"] is True
    assert found["steering.tie_rod_outer", "L"]["condition"] == "failed"
    pads = found["brake.pad", "front"]
    assert (pads["condition"], pads["measurements"]) == ("wearing", [{"value": 3.0, "unit": "mm"}])
    assert look["rest"] == "not_checked"
    scan = next(e for e in reversed(featured) if e.kind == "scan").data()
    assert scan["lamp"] == "on"
    codes = {c["code"]: c["status"] for m in scan["modules"] for c in m["codes"]}
    assert codes == {"P0420": "stored", "P0303": "pending"}
    assert scan["readiness"] == "8107E501"
    assert {e.occurred_at for e in featured[-3:]} == {DEMO_TODAY}


def test_what_is_found_today_fits_the_years_before(featured):
    seen = [e.odometer for e in featured if e.odometer is not None and e.source == "typed"]
    assert seen == sorted(seen)
    known = catalogue()
    safety = {
        (f["component"], f["safety"])
        for e in featured
        if e.kind == "inspection"
        for f in e.data()["findings"]
        if f["condition"] == "failed"
    }
    assert safety
    for component, marked in safety:
        assert marked == known.get(component).safety_critical


def test_files_are_in_the_package():
    assert set(files()) == {
        "lookover.txt",
        "scan.txt",
        "towing_notes.ndjson",
        "tyre_shop.map.toml",
        "tyre_shop_2024.csv",
    }
