"""Service due, against the worked figures of the trade's arithmetic.

Compliance as on time over due with a window of 10 % of the interval is common practice, no
source; the figures 47 of 50 and 65,400 against 65,600 are worked by hand from it.
"""

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.errors import UsageError
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn.trade.warranty import Interval, Point, due_after, expected_on, timing
from roadworn_plugins.maintenance import MAINTENANCE_DUE, due_services, own_intervals
from roadworn_plugins.maintenance.schedule import SCHEDULES, load_schedule

MILE = 1.609344
OWN = """
[schedule]
title = "ours"
note = "The maker's figures."
[[item]]
component = "engine.oil"
distance = 5000
unit = "mi"
months = 12
citation = "ours"
[[item]]
component = "engine.oil"
duty = "stop and go"
distance = 3000
unit = "mi"
citation = "ours"
[[item]]
component = "fuel.filter"
fuel = "diesel"
months = 24
citation = "ours"
"""


@pytest.fixture
def own(tmp_path: Path) -> str:
    path = tmp_path / "ours.toml"
    path.write_text(OWN)
    return str(path)


@pytest.mark.parametrize(
    ("miles", "found"),
    [
        # Due at 65,000 with an interval of 5,000 and a window of 10 %.
        (64_499, "early"),
        (64_500, "on time"),
        (65_000, "on time"),
        (65_400, "on time"),
        (65_500, "on time"),
        (65_600, "late"),
    ],
)
def test_the_window_of_ten_percent(miles: float, found: str) -> None:
    interval = Interval(5_000 * MILE)
    due = due_after(Point(date(2026, 1, 1), 60_000 * MILE), interval, 0.1)
    assert timing(due, Point(date(2026, 3, 1), miles * MILE)) == found


@pytest.mark.parametrize(
    ("day", "miles", "found"),
    [
        # 12 months are 365 days here, so the window is 36 days; 5,000 miles, so 500.
        ("2026-12-30", 61_000, "on time"),
        ("2027-02-06", 61_000, "on time"),
        ("2027-02-07", 61_000, "late"),
        ("2026-06-01", 65_501, "late"),
        ("2026-06-01", 64_600, "on time"),
        ("2026-06-01", 62_000, "early"),
    ],
)
def test_whichever_comes_first(day: str, miles: float, found: str) -> None:
    due = due_after(Point(date(2026, 1, 1), 60_000 * MILE), Interval(5_000 * MILE, 12), 0.1)
    assert due.on == date(2027, 1, 1)
    assert timing(due, Point(date.fromisoformat(day), miles * MILE)) == found


@given(st.floats(1, 50_000), st.floats(0, 0.5), st.floats(0, 100_000))
def test_timing_only_gets_later_with_distance(interval: float, window: float, km: float) -> None:
    due = due_after(Point(date(2026, 1, 1), 0.0), Interval(interval), window)
    order = ["early", "on time", "late"]
    first = order.index(timing(due, Point(date(2026, 2, 1), km)))
    assert first <= order.index(timing(due, Point(date(2026, 2, 1), km * 1.1 + 1)))


def test_the_day_it_falls_due_by_its_own_pace() -> None:
    """By hand: 1,000 km left at 50 km a day are 20 days."""
    due = due_after(Point(date(2026, 1, 1), 0.0), Interval(5_000, 12), 0.1)
    now = Point(date(2026, 3, 1), 4_000.0)
    assert expected_on(due, now, 50.0) == date(2026, 3, 21)
    assert expected_on(due, now, None) == date(2027, 1, 1)
    assert expected_on(due, now, 1.0) == date(2027, 1, 1)


def oil(vehicle: str, day: str, miles: float, **more: Any) -> NewEvent:
    return event(vehicle, "maintenance", day, odometer=miles, component="engine.oil", **more)


def fleet() -> list[NewEvent]:
    """Fifty vehicles with one service due each: 47 in time, one early, one late, one not done."""
    events = []
    for n in range(50):
        name = f"v{n:02d}"
        events.append(event(name, "enrolment", "2025-09-01", odometer=59_000))
        events.append(oil(name, "2025-10-01", 60_000))
        miles = {47: 62_000, 48: 65_600}.get(n, 65_400)
        if n == 49:
            events.append(event(name, "odometer_reading", "2026-06-01", odometer=66_000))
        else:
            events.append(oil(name, "2026-05-01", miles))
    return events


def test_forty_seven_of_fifty_are_ninety_four_percent(tmp_path: Path, own: str) -> None:
    with view_of(fleet(), tmp_path, as_of="2026-06-02") as view:
        strict = check_analysis(MAINTENANCE_DUE, view, {"schedule": own, "months": 12})
        easy = check_analysis(MAINTENANCE_DUE, view, {"schedule": own, "early_counts": True})
    share = strict.estimates[0]
    assert share.value == pytest.approx(0.94)
    assert "47 of 50" in share.words
    assert "1 too early, 1 late, 1 not done" in share.words
    # scipy.stats.beta.ppf([0.025, 0.975], 47.5, 3.5) prints these Jeffreys limits.
    assert (share.low, share.high) == pytest.approx((0.84846744, 0.98281335), abs=1e-7)
    assert easy.estimates[0].value == pytest.approx(0.96)
    (row,) = [r for r in strict.table("maintenance_due").records() if r["state"] == "overdue"]
    assert (row["vehicle"], row["due_at"]) == ("v49", 65_000)


def test_a_service_nobody_wrote_down_is_not_called_overdue(tmp_path: Path, own: str) -> None:
    events = [event("car", "enrolment", "2020-01-01", odometer=90_000, fuel="diesel")]
    events.append(event("car", "odometer_reading", "2026-06-01", odometer=190_000))
    with view_of(events, tmp_path, as_of="2026-06-02") as view:
        states = {s.service.component: s.state for s in due_services(view, "car", schedule=own)}
        result = check_analysis(MAINTENANCE_DUE, view, {"schedule": own, "vehicle": "car"})
    assert states == {"engine.oil": "no record", "fuel.filter": "no record"}
    assert result.estimates[0].value is None
    assert any("nobody wrote down" in text for text in result.caveats)


def test_original_parts_count_from_the_first_day(tmp_path: Path, own: str) -> None:
    profile = {"fuel": "diesel", "parts": "original", "in_service_date": "2024-06-30"}
    events = [event("car", "enrolment", "2026-01-01", odometer=2_000, **profile)]
    with view_of(events, tmp_path, as_of="2026-06-30") as view:
        (filter_,) = [
            s for s in due_services(view, schedule=own) if "filter" in s.service.component
        ]
    assert filter_.state == "due"
    assert filter_.due is not None
    assert filter_.due.on == date(2026, 6, 30)


def test_a_part_replaced_in_repair_starts_its_interval_anew(tmp_path: Path, own: str) -> None:
    repair = {"component": "fuel.filter", "reason": "failed"}
    events = [
        event("car", "enrolment", "2023-01-01", odometer=100, fuel="diesel"),
        event("car", "maintenance", "2023-02-01", odometer=900, component="fuel.filter"),
        event("car", "replacement", "2026-02-01", odometer=40_000, **repair),
    ]
    with view_of(events, tmp_path, as_of="2026-06-30") as view:
        (filter_,) = [
            s for s in due_services(view, schedule=own) if "filter" in s.service.component
        ]
    assert (filter_.state, filter_.due and filter_.due.on) == ("later", date(2028, 2, 1))


def test_inspected_is_not_replaced(tmp_path: Path, own: str) -> None:
    events = [
        event("car", "enrolment", "2025-01-01", odometer=100),
        oil("car", "2025-02-01", 1_000),
        oil("car", "2026-05-01", 5_900, action="inspected"),
    ]
    with view_of(events, tmp_path, as_of="2026-05-02") as view:
        (one,) = due_services(view, "car", schedule=own)
    assert one.last is not None
    assert one.last.on == date(2025, 2, 1)


def test_the_narrower_line_of_a_schedule_holds(own: str) -> None:
    schedule = load_schedule(own)
    (general,) = schedule.for_vehicle("petrol", "van", None)
    (narrow,) = schedule.for_vehicle("petrol", "van", "stop and go")
    assert general.interval.km == pytest.approx(5_000 * MILE)
    assert narrow.interval.km == pytest.approx(3_000 * MILE)
    assert len(schedule.for_vehicle("Diesel", "van", None)) == 2


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("distance = 3000", "distance = -1"), "item 2 (engine.oil): distance is -1: an interval"),
        (('unit = "mi"\nmonths', 'unit = "stones"\nmonths'), "unit: 'stones' is not a unit"),
        (('unit = "mi"\nmonths', 'unit = "mm"\nmonths'), "unit cannot be 'mm'"),
        (("months = 24", ""), "item 3 (fuel.filter): it says no interval"),
        (("months = 24", "month = 24"), "'month' is no key here (did you mean months?)"),
        (('"fuel.filter"', '"fuel.fliter"'), "(did you mean fuel.filter?)"),
        (("[schedule]", "[plan]"), "[plan]: there is no such section"),
        (('citation = "ours"', ""), "the key 'citation' is missing"),
        (("months = 24", "months = [24"), "is no TOML"),
    ],
)
def test_a_file_that_is_no_schedule_is_refused(
    change: tuple[str, str], said: str, tmp_path: Path
) -> None:
    path = tmp_path / "ours.toml"
    assert change[0] in OWN
    path.write_text(OWN.replace(*change))
    with pytest.raises(UsageError) as caught:
        load_schedule(str(path))
    assert "ours.toml" in caught.value.message
    assert said in caught.value.message
    assert "\n" not in caught.value.message


def test_every_packaged_line_says_where_it_is_from() -> None:
    for name in SCHEDULES.names():
        schedule = load_schedule(name)
        assert all(service.citation for service in schedule.services)
        assert "maker" in schedule.note


def test_what_a_shop_never_records_is_told_once_and_not_called_overdue(
    tmp_path: Path, own: str
) -> None:
    new = {"fuel": "diesel", "parts": "original", "in_service_date": "2018-01-01"}
    events = []
    for n in range(4):
        events.append(event(f"v{n}", "enrolment", "2018-01-01", odometer=0, **new))
        events += [oil(f"v{n}", f"20{19 + k}-01-0{n + 1}", 4_800.0 * (k + 1)) for k in range(7)]
    with view_of(events, tmp_path, as_of="2025-02-01") as view:
        fleet = check_analysis(MAINTENANCE_DUE, view, {"schedule": own})
        one = check_analysis(MAINTENANCE_DUE, view, {"schedule": own, "vehicle": "v1"})
    assert "0 services overdue" in fleet.headline
    assert any("Never recorded here: fuel filter." in text for text in fleet.caveats)
    assert any("Never recorded here: fuel filter." in text for text in one.caveats)
    states = {row["component"]: row["state"] for row in one.table("maintenance_due").records()}
    assert states["fuel.filter"] == "no record"
    # By hand: 4 vehicles with 7 services each, 4,800 miles and a year apart.
    (learnt,) = fleet.table("own_intervals").records()
    assert (learnt["times"], learnt["distance"], learnt["plan"]) == (24, 4_800, 5_000)
    assert (learnt["plan_months"], learnt["months"]) == (12, 12.0)


def test_a_first_service_that_was_forgotten_is_overdue_still(tmp_path: Path, own: str) -> None:
    new = {"fuel": "diesel", "parts": "original", "in_service_date": "2023-01-01"}
    events = [event(f"v{n}", "enrolment", "2023-01-01", odometer=0, **new) for n in range(6)]
    events += [oil(f"v{n}", "2025-05-01", 4_000) for n in range(6)]
    with view_of(events, tmp_path, as_of="2025-06-01") as view:
        found = check_analysis(MAINTENANCE_DUE, view, {"schedule": own})
    assert "6 services overdue" in found.headline
    assert not any("Never recorded" in text for text in found.caveats)


def test_quartiles_are_those_of_numpy(own: str) -> None:
    gaps = [90, 120, 100, 200, 150, 95, 130]
    days = [date(2020, 1, 1)]
    for gap in gaps:
        days.append(days[-1] + timedelta(days=gap))
    done = {("v", "engine.oil", "replaced"): [Point(day, None, str(day)) for day in days]}
    (one,) = own_intervals(load_schedule(own), done)
    assert one.number == 7
    assert one.days == pytest.approx(tuple(np.quantile(gaps, [0.25, 0.5, 0.75])))
    assert one.km is None
