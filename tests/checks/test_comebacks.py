"""A part that is back is named when it is written down.

12 months or 12,000 miles, through the last day and mile, and a window of 30 days: common
practice, no source; a warranty's written terms come first.
"""

from pathlib import Path
from typing import Any

import pytest
from builders import enrolled, replaced

from roadworn.checks.comebacks import back, covered
from roadworn.checks.facts import Draft
from roadworn.intake import Ledger
from roadworn.model.events import NewEvent
from roadworn.model.messages import Joined, Sentence
from roadworn.testing import event


def fitted(day: str, miles: float, reason: str = "failed", **more: Any) -> NewEvent:
    place = {"position": "front", **more}
    return replaced("car", day, "brake.pad", reason=reason, odometer=miles, **place)


TERMS: dict[str, Any] = {
    "warranty_months": 12,
    "warranty_distance": 12_000.0,
    "warranty_unit": "mi",
    "supplier": "Supply & Sons",
}
FIRST = fitted("2025-01-31", 50_000, **TERMS)


def said(tmp_path: Path, *events: NewEvent) -> str:
    """Return what is said of the last of these events."""
    tmp_path.mkdir(exist_ok=True)
    path = tmp_path / "roadworn.db"
    with Ledger.create(path) as ledger:
        ledger.append(enrolled("car", "2024-01-01", odometer=40_000))
        stored = [ledger.append(one) for one in events][-1]
        found = [problem.message for problem in back(Draft.of(stored), ledger.facts)]
        assert all(isinstance(message, Sentence | Joined) for message in found)
        return " ".join(found)


@pytest.mark.parametrize(
    ("again", "words"),
    [
        (fitted("2026-01-31", 62_000), "back within its warranty, which runs through 2026-01-31"),
        (fitted("2026-01-31", 62_000, position="LF"), "Claim it from Supply & Sons"),
        (fitted("2026-02-01", 61_000), ""),
        (fitted("2025-12-01", 62_001), ""),
        (fitted("2025-02-20", 70_000), ""),
        (fitted("2026-01-31", 62_000, position="rear"), ""),
        (fitted("2026-01-31", 62_000, reason="preventive"), ""),
    ],
)
def test_back_within_the_warranty_or_the_window(
    again: NewEvent, words: str, tmp_path: Path
) -> None:
    told = said(tmp_path, FIRST, again)
    assert words in told
    assert bool(told) == bool(words)


def test_without_a_warranty_the_window_is_of_days_and_distance(tmp_path: Path) -> None:
    bare = fitted("2025-06-01", 55_000)
    # 3,106 mi are 4,998.6 km.
    told = said(tmp_path / "near", bare, fitted("2025-08-30", 58_106))
    assert "a comeback (within 90 days and 5,000 km" in told
    assert said(tmp_path / "far", bare, fitted("2025-08-30", 58_107)) == ""
    assert said(tmp_path / "late", bare, fitted("2025-08-31", 56_000)) == ""


def test_the_latest_one_before_it_counts_and_none_after_it(tmp_path: Path) -> None:
    bare = fitted("2025-06-01", 55_000)
    later = fitted("2026-05-01", 70_000, **TERMS)
    told = said(tmp_path, FIRST, bare, later, fitted("2025-06-20", 55_500))
    assert "19 days ago, on 2025-06-01" in told


def test_the_first_one_is_no_comeback(tmp_path: Path) -> None:
    assert said(tmp_path, FIRST) == ""


def test_kilometres_and_miles_are_compared_exactly(tmp_path: Path) -> None:
    """62,000 mi = 99,779.328 km."""
    again = fitted("2025-06-01", 1).model_copy(
        update={"odometer": 99_779.328, "odometer_unit": "km"}
    )
    assert "warranty" in said(tmp_path, FIRST, again)


def job(kind: str, day: str, **payload: Any) -> NewEvent:
    return event("car", kind, day, **payload)


COIL: dict[str, Any] = {"component": "ignition.coil", "reason": "failed"}
RADIATOR: dict[str, Any] = {"component": "cooling.radiator"}


@pytest.mark.parametrize(
    ("again", "words"),
    [
        (job("repair", "2026-05-14", **RADIATOR), "replaced 13 days ago, on 2026-05-01: a come"),
        (job("complaint", "2026-05-14", complaint="it drips", **RADIATOR), "13 days ago"),
        (job("repair", "2026-07-30", **RADIATOR), "90 days ago"),
        (job("repair", "2026-07-31", **RADIATOR), ""),
        # What came in on the same day belongs to the job.
        (job("complaint", "2026-05-01", complaint="it drips", **RADIATOR), ""),
        (job("repair", "2026-05-14", component="cooling.thermostat"), ""),
    ],
)
def test_a_repair_or_complaint_brings_a_part_back(
    again: NewEvent, words: str, tmp_path: Path
) -> None:
    """A mechanic repaired a radiator 13 days after its replacement: nothing was said."""
    first = job("replacement", "2026-05-01", reason="failed", **RADIATOR)
    told = said(tmp_path, first, again)
    assert words in told
    assert bool(told) == bool(words)


def test_a_coil_without_its_place_is_not_surely_the_same(tmp_path: Path) -> None:
    first = job("replacement", "2026-05-01", position="1", warranty_months=12, **COIL)
    assert said(tmp_path / "a", first, job("replacement", "2026-05-01", **COIL)) == ""
    told = said(tmp_path / "b", first, job("replacement", "2026-05-09", **COIL))
    assert "cylinder 1 was replaced 8 days ago" in told
    assert "back within its warranty if it is the same one" in told


def test_the_same_complaint_is_a_comeback_whatever_it_came_from(tmp_path: Path) -> None:
    first = job("complaint", "2026-05-01", complaint="Pulls to the left")
    again = job("complaint", "2026-05-20", complaint="pulls  to the left")
    assert "the same complaint was written down 19 days ago" in said(tmp_path, first, again)


BARE: dict[str, Any] = {"odometer": None, "odometer_unit": None}


def bare(day: str, **more: Any) -> NewEvent:
    """Return a replacement without a figure of its own, as `done` writes it without -o."""
    return fitted(day, 1.0, **more).model_copy(update=BARE)


def reading(day: str, miles: float) -> NewEvent:
    return event("car", "odometer_reading", day, odometer=miles)


@pytest.mark.parametrize(
    ("arrived", "words"),
    [
        (61_000, "back within its warranty, which runs through 2026-01-31"),
        (62_001, ""),
        (None, "12,000 mi too, and the odometer of both days is needed"),
    ],
)
def test_a_job_without_a_figure_goes_by_the_one_of_its_day(
    arrived: float | None, words: str, tmp_path: Path
) -> None:
    came = () if arrived is None else (reading("2025-12-01", arrived),)
    told = said(tmp_path, FIRST, *came, bare("2025-12-01"))
    assert words in told
    assert bool(told) == bool(words)


def test_a_warranty_begins_with_the_figure_of_the_day(tmp_path: Path) -> None:
    first = bare("2025-01-31", **TERMS)
    told = said(tmp_path, reading("2025-01-31", 50_000), first, fitted("2025-12-01", 61_000))
    assert "back within its warranty" in told


COVERED = (
    "line 1: disc brake pads front was replaced 304 days ago, on 2025-01-31, and is within its "
    "warranty, which runs through 2026-01-31: look at the warranty before the customer is charged. "
    "Claim it from Supply & Sons."
)


@pytest.mark.parametrize(
    ("miles", "words"),
    [
        (61_000, COVERED),
        (62_001, ""),
        (None, "the odometer of both days is needed to say whether it holds"),
    ],
)
def test_an_estimate_tells_of_a_warranty_before_anybody_pays(
    miles: float | None, words: str, tmp_path: Path
) -> None:
    money = {"amount": "180.00", "currency": "USD"}
    offered = event("car", "estimate", "2025-12-01", lines=[
        {"line": 1, "component": "brake.pad", "position": "front", "amount": money},
        {"line": 2, "component": "brake.pad", "position": "rear", "amount": money},
        {"line": 3, "component": "brake.pad", "position": "front",
         "amount": {**money, "amount": "-20.00"}},
    ])  # fmt: skip
    came = () if miles is None else (reading("2025-12-01", miles),)
    with Ledger.create(tmp_path / "roadworn.db") as ledger:
        ledger.append(enrolled("car", "2024-01-01", odometer=40_000))
        stored = [ledger.append(one) for one in (FIRST, *came, offered)][-1]
        told = " ".join(str(one.message) for one in covered(Draft.of(stored), ledger.facts))
    assert words in told
    assert bool(told) == bool(words)
    assert "line 2" not in told
    assert "line 3" not in told
