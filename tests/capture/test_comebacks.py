"""A part that is back is named when it is written down.

12 months or 12,000 miles, through the last day and mile, and a window of 30 days: common
practice, no source; a warranty's written terms come first.
"""

from pathlib import Path
from typing import Any

import pytest

from roadworn.bench.comebacks import comeback_words
from roadworn.events import NewEvent
from roadworn.recent import last_replacements
from roadworn.store import Ledger
from roadworn.testing import event


def fitted(day: str, miles: float, reason: str = "failed", **more: Any) -> NewEvent:
    payload = {"component": "brake.pad", "position": "front", "reason": reason, **more}
    return event("car", "replacement", day, odometer=miles, **payload)


TERMS: dict[str, Any] = {
    "warranty_months": 12,
    "warranty_distance": 12_000.0,
    "warranty_unit": "mi",
    "supplier": "Supply & Sons",
}
FIRST = fitted("2025-01-31", 50_000, **TERMS)


def said(tmp_path: Path, *events: NewEvent) -> str:
    """Return what is said of the last of these events."""
    path = tmp_path / "roadworn.db"
    with Ledger.create(path) as ledger:
        ledger.append(event("car", "enrolment", "2024-01-01", odometer=40_000))
        stored = [ledger.append(one) for one in events][-1]
    return comeback_words(stored, last_replacements(path, "car", "brake.pad"))


@pytest.mark.parametrize(
    ("again", "words"),
    [
        (fitted("2026-01-31", 62_000), "back within its warranty, which runs through 2026-01-31"),
        (fitted("2026-01-31", 62_000, position="LF"), "Claim it from Supply & Sons"),
        (fitted("2026-02-01", 61_000), ""),
        (fitted("2025-12-01", 62_001), ""),
        (fitted("2025-02-20", 70_000), "a comeback (within 30 days"),
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
