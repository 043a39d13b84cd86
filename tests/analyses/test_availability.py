"""Days in service by hand: windows, overlaps counted once, depots by their days."""

from pathlib import Path

import numpy as np
import pytest
from builders import enrolled

from roadworn import NewEvent, Result
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.availability import AVAILABILITY, Spell, Watched, clipped, share_in_service

TODAY = "2026-04-11"  # 100 days after 2026-01-01


def out(vehicle: str, day: str, cause: str, days: float) -> NewEvent:
    return event(vehicle, "out_of_service", day, cause=cause, days=days)


def fleet() -> list[NewEvent]:
    return [
        enrolled("bus-1", "2026-01-01", vehicle_class="bus", depot="North"),
        enrolled("bus-2", "2026-01-01", vehicle_class="bus", depot="South"),
        enrolled("van-1", "2026-02-10", vehicle_class="van", depot="South"),
        out("bus-1", "2026-01-01", "inspection", 0.5),
        # Eight days in all: from the 11th to the 16th, and from the 14th to the 19th.
        out("bus-1", "2026-01-11", "repair", 5.0),
        out("bus-1", "2026-01-14", "waiting_for_parts", 5.0),
        event("bus-1", "profile_change", "2026-01-21", depot="South"),
        out("van-1", "2026-03-01", "accident", 30.0),
    ]


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Result:
    with view_of(fleet(), tmp_path_factory.mktemp("days"), as_of=TODAY) as view:
        return check_analysis(AVAILABILITY, view)


def rows(result: Result, table: str, key: str) -> dict[object, dict[str, object]]:
    return {row[key]: row for row in result.table(table).records()}


def test_a_class_is_in_service_by_its_days(found: Result) -> None:
    """Buses: 200 days watched, 8.5 lost; the van from its enrolment 60, 30 lost."""
    by_class = rows(found, "availability", "group")
    assert (by_class["bus"]["watched"], by_class["bus"]["down"]) == (200, 8.5)
    assert by_class["bus"]["share"] == pytest.approx(1 - 8.5 / 200)
    assert by_class["bus"]["times"] == 2
    assert by_class["bus"]["mean"] == pytest.approx(4.2)
    assert (by_class["van"]["watched"], by_class["van"]["down"]) == (60, 30.0)
    assert "85.2%" in str(found.headline)  # 1 - 38.5 / 260
    assert "van-1 stood most, 30 days" in str(found.headline)


def test_days_that_overlap_count_once_for_the_cause_that_was_first(found: Result) -> None:
    causes = rows(found, "causes", "cause")
    days = {cause: row["days"] for cause, row in causes.items()}
    assert days == {"accident": 30.0, "repair": 5.0, "waiting for parts": 3.0, "inspection": 0.5}
    assert any("2.0 days" in str(caveat) for caveat in found.caveats)


def test_a_depot_has_the_days_that_a_vehicle_was_there(tmp_path: Path) -> None:
    with view_of(fleet(), tmp_path, as_of=TODAY) as view:
        made = check_analysis(AVAILABILITY, view, {"by": "depot"})
    depots = rows(made, "availability", "group")
    assert (depots["North"]["watched"], depots["North"]["down"]) == (20, 8.5)
    assert (depots["South"]["watched"], depots["South"]["down"]) == (240, 30.0)


def test_one_that_still_stands_is_told(tmp_path: Path) -> None:
    events = [*fleet(), event("bus-2", "out_of_service", "2026-04-01", cause="no_driver")]
    with view_of(events, tmp_path, as_of=TODAY) as view:
        made = check_analysis(AVAILABILITY, view)
    assert rows(made, "standing", "vehicle")["bus-2"]["down"] == 10.0
    assert "bus-2" in str(made.caveats[0])


def test_the_limits_hold_the_true_share() -> None:
    """Vehicles that stand 10 days of 200 in the mean, told apart by a Gamma: 95 % limits of 40
    vehicles hold 0.95 in 91 to 98 % of 600 draws (ratio of sums, large samples)."""
    dice = np.random.default_rng(2)
    start, held = 20_000.0, 0
    for _ in range(600):
        parts = []
        for number in range(40):
            part = Watched(str(number), "all", start, start + 200.0)
            lost = min(float(dice.gamma(2.0, 5.0)), 200.0)
            part.spells = [Spell(str(number), "repair", start, start, lost, False, "e")]
            parts.append(part)
        _share, low, high = share_in_service(parts, 0.95)
        assert low is not None
        assert high is not None
        held += low <= 0.95 <= high
    assert 0.91 <= held / 600 <= 0.98


def test_what_lies_outside_is_cut_off() -> None:
    day = 9.0
    spell = Spell("v", "repair", 0.0, 19.0, 0.0, False, "e")
    assert [one.counted for one in clipped([spell], day, 14.0)] == [5.0]


def test_without_a_standstill_it_says_what_to_record(tmp_path: Path) -> None:
    with view_of([enrolled("van-1", "2026-01-01")], tmp_path, as_of=TODAY) as view:
        made = check_analysis(AVAILABILITY, view)
    assert "record out-of-service" in str(made.caveats[0])
