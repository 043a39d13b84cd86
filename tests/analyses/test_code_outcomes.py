"""Codes that stayed away and codes that came back, counted by hand in small histories."""

from pathlib import Path
from typing import Any

import pytest
from builders import enrolled, replaced, scanned
from scipy import stats

from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.codes import ALL_CLASSES, CODE_OUTCOMES, NO_WORK
from roadworn_plugins.codes.cases import Case, CodeOutcomesSettings, load_cases

CATALYST, SENSOR = "emission.catalyst", "emission.oxygen_sensor"
Row = dict[str, Any]


def enrol(vehicle: str = "car", kind: str = "light car") -> NewEvent:
    return enrolled(vehicle, "2025-01-01", odometer=50_000, vehicle_class=kind)


def scan(day: str, miles: float, *codes: str, vehicle: str = "car", **module: Any) -> NewEvent:
    return scanned(vehicle, day, *codes, odometer=miles, **module)


def fit(component: str, day: str, miles: float, vehicle: str = "car") -> NewEvent:
    return replaced(vehicle, day, component, odometer=miles)


def cases(events: list[NewEvent], tmp_path: Path, **limits: Any) -> list[tuple[Any, ...]]:
    with view_of([enrol(), *events], tmp_path, as_of="2026-12-31") as view:
        return [(c.components, c.ending) for c in load_cases(view, CodeOutcomesSettings(**limits))]


FIRST = scan("2025-03-01", 52_000, "P0420")


def test_it_stayed_away_when_a_later_scan_says_so(tmp_path: Path) -> None:
    events = [FIRST, fit(CATALYST, "2025-03-02", 52_010), scan("2025-09-01", 58_000)]
    assert cases(events, tmp_path) == [((CATALYST,), "stayed away")]


def test_it_came_back(tmp_path: Path) -> None:
    """The scan that shows it again begins the next attempt."""
    events = [
        FIRST,
        fit(SENSOR, "2025-03-02", 52_010),
        scan("2025-04-01", 53_000, "P0420"),
        fit(CATALYST, "2025-04-02", 53_010),
        scan("2025-09-01", 58_000),
    ]
    assert cases(events, tmp_path) == [((SENSOR,), "came back"), ((CATALYST,), "stayed away")]


@pytest.mark.parametrize(
    "later",
    [
        [],
        # Read just after codes were cleared: 20 miles prove nothing.
        [scan("2025-03-03", 52_030)],
        # A read that failed is not a read without codes.
        [scan("2025-09-01", 58_000, outcome="failed")],
        # Another module answered, the engine did not.
        [event("car", "scan", "2025-09-01", odometer=58_000, modules=[{"name": "brakes"}])],
        # More than a year later nothing is said of this work.
        [scan("2026-09-01", 70_000, "P0420 pending")],
    ],
    ids=["no scan", "just cleared", "failed read", "other module", "too late"],
)
def test_without_a_scan_that_proves_it_nobody_knows(later: list[NewEvent], tmp_path: Path) -> None:
    events = [FIRST, fit(CATALYST, "2025-03-02", 52_010), *later]
    assert cases(events, tmp_path)[0] == ((CATALYST,), "not known")


def test_a_code_seen_soon_after_the_work_did_come_back(tmp_path: Path) -> None:
    events = [FIRST, fit(CATALYST, "2025-03-02", 52_010), scan("2025-03-03", 52_030, "P0420")]
    assert cases(events, tmp_path)[0] == ((CATALYST,), "came back")


def test_a_scan_of_the_same_day_written_down_later_does_not_decide(tmp_path: Path) -> None:
    """Nobody knows whether it was taken before the work or after it; the next one decides."""
    events = [
        FIRST,
        fit(CATALYST, "2025-03-02", 52_010),
        scan("2025-03-02", 52_010, "P0420"),
        scan("2025-09-01", 58_000),
    ]
    assert cases(events, tmp_path)[0] == ((CATALYST,), "stayed away")


def test_a_permanent_code_alone_neither_came_back_nor_stayed_away(tmp_path: Path) -> None:
    """It stays after a clearing until the vehicle has proved the repair (SAE J1979, 0A)."""
    events = [
        scan("2025-03-01", 52_000, "P0420", "P0420 permanent"),
        fit(CATALYST, "2025-03-02", 52_010),
        scan("2025-04-01", 53_000, "P0420 permanent"),
    ]
    assert cases(events, tmp_path) == [((CATALYST,), "not known")]
    (tmp_path / "later").mkdir()
    proved = [*events, scan("2025-09-01", 58_000)]
    assert cases(proved, tmp_path / "later") == [((CATALYST,), "stayed away")]


def test_a_fault_that_was_active_once_is_gone(tmp_path: Path) -> None:
    """SAE J1939-73: DM2 lists what was active before and is not now."""
    code = "SPN 1208 FMI 3"
    active, previous = (
        event(
            "car",
            "scan",
            day,
            odometer=miles,
            modules=[{"name": "engine", "codes": [{"code": code, "status": status}]}],
        )
        for day, miles, status in (
            ("2025-03-01", 52_000, "stored"),
            ("2025-09-01", 58_000, "previous"),
        )
    )
    events = [active, fit(CATALYST, "2025-03-02", 52_010), previous]
    assert cases(events, tmp_path) == [((CATALYST,), "stayed away")]


def test_gone_and_back_again_within_the_year_came_back(tmp_path: Path) -> None:
    events = [
        FIRST,
        fit(SENSOR, "2025-03-02", 52_010),
        scan("2025-06-01", 55_000),
        scan("2025-10-01", 59_000, "P0420 pending"),
    ]
    assert cases(events, tmp_path) == [((SENSOR,), "came back")]


def test_work_too_late_or_on_another_system_was_not_for_the_code(tmp_path: Path) -> None:
    events = [
        FIRST,
        fit("brake.pad", "2025-03-02", 52_010),
        fit(CATALYST, "2025-06-02", 55_010),
        scan("2025-09-01", 58_000),
    ]
    assert cases(events, tmp_path / "a") == [((), "stayed away")]
    wide = cases(events, tmp_path / "b", related_only=False, work_days=120)
    assert wide == [(("brake.pad", CATALYST), "stayed away")]


@pytest.fixture(autouse=True)
def _folders(tmp_path: Path) -> None:
    for name in "ab":
        (tmp_path / name).mkdir()


def test_a_pending_code_begins_no_case(tmp_path: Path) -> None:
    events = [
        scan("2025-03-01", 52_000, "P0420 pending"),
        fit(CATALYST, "2025-03-02", 52_010),
        scan("2025-09-01", 58_000),
    ]
    assert cases(events, tmp_path) == []


def fleet() -> list[NewEvent]:
    """Five cars cured by the catalyst, four where the sensor failed to, one bus left alone."""
    events: list[NewEvent] = []
    for n in range(9):
        name, part = f"car-{n}", CATALYST if n < 5 else SENSOR
        last = () if n < 5 else ("P0420",)
        events += [
            enrol(name),
            scan("2025-03-01", 52_000, "P0420", vehicle=name),
            fit(part, "2025-03-02", 52_010, vehicle=name),
            scan("2025-06-01", 55_000, *last, vehicle=name),
        ]
    events += [
        enrol("bus", "bus"),
        scan("2025-03-01", 52_000, "P0420", vehicle="bus"),
        scan("2025-06-01", 55_000, "P0420", vehicle="bus"),
    ]
    return events


def test_shares_with_their_limits(tmp_path: Path) -> None:
    with view_of(fleet(), tmp_path, as_of="2025-06-30") as view:
        result = check_analysis(CODE_OUTCOMES, view, {})
        own = check_analysis(CODE_OUTCOMES, view, {"vehicle": "car-8"})
        other = check_analysis(CODE_OUTCOMES, view, {"code": "p0301"})
    rows: list[Row] = result.table("code_outcomes").records()
    by = {(row["class"], row["component"]): row for row in rows}
    good, bad = by[ALL_CLASSES, CATALYST], by[ALL_CLASSES, SENSOR]
    assert (good["away"], good["back"], good["alone"], good["points_to"]) == (5, 0, 5, "yes")
    assert (bad["away"], bad["back"]) == (0, 4)
    # Jeffreys limits with the ends fixed (Brown, Cai and DasGupta 2001, section 4.1.2).
    assert good["low"] == pytest.approx(stats.beta.ppf(0.025, 5.5, 0.5))
    assert good["high"] == 1.0
    assert bad["high"] == pytest.approx(stats.beta.ppf(0.975, 0.5, 4.5))
    assert by["bus", NO_WORK]["back"] == 1
    assert result.headline.startswith("After P0420 work on the catalytic converter")
    assert "5 of 5" in result.headline
    assert "0 of 4" in result.headline
    assert {row["class"] for row in own.table("code_outcomes").records()} == {
        ALL_CLASSES,
        "light car",
    }
    assert other.table("code_outcomes").rows == ()


def test_each_of_several_parts_counts_and_alone_says_so(tmp_path: Path) -> None:
    events = [
        enrol(),
        FIRST,
        fit(CATALYST, "2025-03-02", 52_010),
        fit(SENSOR, "2025-03-02", 52_010),
        scan("2025-09-01", 58_000),
    ]
    with view_of(events, tmp_path, as_of="2025-12-31") as view:
        rows = check_analysis(CODE_OUTCOMES, view, {}).table("code_outcomes").records()
    assert {(r["component"], r["away"], r["alone"]) for r in rows} == {
        (CATALYST, 1, 0),
        (SENSOR, 1, 0),
    }


def test_a_case_names_the_scan_the_work_and_the_scan_that_decided(tmp_path: Path) -> None:
    events = [enrol(), FIRST, fit(CATALYST, "2025-03-02", 52_010), scan("2025-09-01", 58_000)]
    with view_of(events, tmp_path, as_of="2025-12-31") as view:
        (case,) = load_cases(view, CodeOutcomesSettings())
        order = [row[0] for row in view.sql("SELECT event_id FROM events ORDER BY seq").rows]
    assert isinstance(case, Case)
    assert list(case.events) == order[1:]
