"""The newest events of a vehicle, asked of the ledger without folding any columns."""

from pathlib import Path

import pytest
from builders import ledger_of

from roadworn.checks.facts import LastReading
from roadworn.intake import Ledger
from roadworn.model.events import NewEvent, StoredEvent


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return ledger_of(tmp_path / "roadworn.db")


def last_reading(path: Path, vehicle_id: str) -> LastReading | None:
    with Ledger.open(path, writable=False) as ledger:
        return ledger.facts.last_reading(vehicle_id)


def last_event(path: Path, vehicle_id: str, kind: str) -> StoredEvent | None:
    with Ledger.open(path, writable=False) as ledger:
        return ledger.facts.last_event(vehicle_id, kind)


def add(path: Path, kind: str, day: str, payload: dict[str, object], *, at: float | None = None,
        vehicle: str = "bus-7") -> str:  # fmt: skip
    with Ledger.open(path) as ledger:
        return ledger.append(
            NewEvent(
                vehicle_id=vehicle,
                kind=kind,
                occurred_at=day,
                payload=payload,
                odometer=at,
                odometer_unit=None if at is None else "mi",
            )
        ).event_id


def test_a_vehicle_without_readings_has_none(path: Path) -> None:
    assert last_reading(path, "bus-7") is None
    add(path, "enrolment", "2026-05-01", {})
    assert last_reading(path, "bus-7") is None
    assert last_event(path, "bus-7", "estimate") is None


def test_the_latest_by_day_and_not_by_entry(path: Path) -> None:
    add(path, "enrolment", "2026-05-01", {}, at=61000.0)
    add(path, "odometer_reading", "2026-05-04", {}, at=61250.0)
    add(path, "odometer_reading", "2026-05-02", {}, at=61100.0)
    assert last_reading(path, "bus-7") == LastReading(61250.0, "mi", "2026-05-04")


def test_of_one_day_the_one_entered_last(path: Path) -> None:
    add(path, "enrolment", "2026-05-01", {}, at=61000.0)
    add(path, "odometer_reading", "2026-05-01", {}, at=61010.0)
    found = last_reading(path, "bus-7")
    assert found is not None
    assert found.value == 61010.0


def test_retracted_and_replaced_readings_do_not_count(path: Path) -> None:
    add(path, "enrolment", "2026-05-01", {}, at=61000.0)
    slip = add(path, "odometer_reading", "2026-05-04", {}, at=612500.0)
    add(path, "retraction", "2026-05-04", {"event": slip, "reason": "slip"})
    wrong = add(path, "odometer_reading", "2026-05-05", {}, at=99999.0)
    add(path, "odometer_reading", "2026-05-03", {"replaces": wrong}, at=61200.0)
    assert last_reading(path, "bus-7") == LastReading(61200.0, "mi", "2026-05-03")


def test_an_exchange_begins_the_new_instrument(path: Path) -> None:
    add(path, "enrolment", "2026-05-01", {}, at=61000.0)
    exchanged = {"old_reading": 61300.0, "new_reading": 12.0, "unit": "km"}
    add(path, "odometer_exchange", "2026-05-04", exchanged)
    assert last_reading(path, "bus-7") == LastReading(12.0, "km", "2026-05-04")


def test_other_vehicles_are_other_vehicles(path: Path) -> None:
    add(path, "enrolment", "2026-05-01", {}, at=61000.0)
    add(path, "enrolment", "2026-05-02", {}, at=5.0, vehicle="van-1")
    lines = [{"line": 1, "component": "brake.pad", "amount": {"amount": "5", "currency": "USD"}}]
    first = add(path, "estimate", "2026-05-02", {"lines": lines})
    second = add(path, "estimate", "2026-05-02", {"lines": lines})
    add(path, "estimate", "2026-05-02", {"lines": lines}, vehicle="van-1")
    found = last_event(path, "bus-7", "estimate")
    assert found is not None
    assert found.event_id == second
    add(path, "retraction", "2026-05-02", {"event": second, "reason": "slip"})
    found = last_event(path, "bus-7", "estimate")
    assert found is not None
    assert found.event_id == first
    reading = last_reading(path, "bus-7")
    assert reading is not None
    assert reading.value == 61000.0
