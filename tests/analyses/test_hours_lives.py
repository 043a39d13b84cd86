"""Lives by the hours of the engine, by hand: of equipment that has no odometer.

A machine that runs ten hours a day is ten times as many hours old as days, whatever law is fitted:
the scale of a Weibull by maximum likelihood goes with the unit of the ages.
"""

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from builders import enrolled

from roadworn import NewEvent
from roadworn.columns.view import LedgerView
from roadworn.testing import event, view_of
from roadworn_plugins.lifespans import PART_LIFESPANS
from roadworn_plugins.lifespans.figures import PartLifespansSettings
from roadworn_plugins.lifespans.hours_lives import load_by_hours

_FIRST = date(2022, 1, 1)
#: Days on which the battery of each lift was replaced: of the first the age is unknown.
_DAYS = {"lift-1": (100, 400, 650), "lift-2": (50, 500), "lift-3": (80, 300, 700)}
_SEEN = 1000


def on(day: int) -> str:
    return (_FIRST + timedelta(days=day)).isoformat()


def lifts(odometer: bool = False, readings: bool = True) -> Iterator[NewEvent]:
    for lift, days in _DAYS.items():
        yield enrolled(lift, on(0), vehicle_class="forklift")
        for day in (0, _SEEN):
            if odometer:
                yield event(lift, "odometer_reading", on(day), odometer=float(day), unit="mi")
            if readings:
                yield event(lift, "hours_reading", on(day), hours=500.0 + 10.0 * day)
        for day in days:
            yield event(lift, "replacement", on(day), component="electrical.battery",
                        reason="failed" if day != 700 else "worn_out")  # fmt: skip


@pytest.fixture
def view(tmp_path: Path) -> Iterator[LedgerView]:
    with view_of(lifts(), tmp_path) as made:
        yield made


def test_lives_of_equipment_are_counted_in_hours(view: LedgerView) -> None:
    found = load_by_hours(view, ("component", "class"))
    assert found.lives.labels == [("electrical.battery", "forklift")]
    lives = found.lives
    failed = sorted(float(x) * 1000.0 for x in lives.exit_age[lives.failed])
    assert failed == pytest.approx([2200.0, 2500.0, 3000.0, 4000.0, 4500.0])
    running = sorted(float(x) * 1000.0 for x in lives.exit_age[~lives.failed])
    assert running == pytest.approx([3000.0, 3500.0, 5000.0])
    assert int(lives.running.sum()) == 3
    assert int(lives.worn.sum()) == 1
    assert found.left_out == [{"fitted before enrolment, age unknown": 3}]
    assert len(found.events[lives.labels[0]]) == 5


def test_hours_are_ten_times_the_days(view: LedgerView, tmp_path: Path) -> None:
    by_hours = PART_LIFESPANS.run(view, PartLifespansSettings(clock="hours"))
    assert by_hours.tables[0].columns[-11].unit in {"h", ""}
    hours = by_hours.estimates[0].value
    (tmp_path / "driven").mkdir()
    with view_of(lifts(odometer=True), tmp_path / "driven") as driven:
        years = PART_LIFESPANS.run(driven, PartLifespansSettings(clock="age")).estimates[0].value
    assert hours is not None
    assert years is not None
    assert hours == pytest.approx(years * 365.25 * 10.0, abs=25.0)
    assert "h" in str(by_hours.headline).split()


def test_by_distance_it_is_said_that_hours_count_them(view: LedgerView) -> None:
    found = PART_LIFESPANS.run(view, PartLifespansSettings())
    assert not found.estimates
    assert any("clock=hours" in str(caveat) for caveat in found.caveats)


def test_without_readings_it_is_said_what_is_missing(tmp_path: Path) -> None:
    with view_of(lifts(odometer=True, readings=False), tmp_path) as driven:
        found = PART_LIFESPANS.run(driven, PartLifespansSettings(clock="hours"))
    assert any("readings of its hour meter" in str(caveat) for caveat in found.caveats)
