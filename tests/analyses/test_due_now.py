"""What is due whatever word was written down for it: an outlook must not call it sound."""

from pathlib import Path

import pytest
from builders import enrolled, found, looked, usd

from roadworn import NewEvent, PluginHost
from roadworn.analysis.outlook import Outlook, outlook
from roadworn.testing import event, view_of

CAR = enrolled("car-1", "2026-01-02", odometer=90_000, vehicle_class="car")


def look(*findings: dict[str, object]) -> NewEvent:
    return looked("car-1", "2026-01-05", *findings, rest="sound")


def measured(component: str, position: str, value: float, unit: str) -> dict[str, object]:
    return found(component, "sound", position, (value, unit))


def outlook_of(folder: Path, *events: NewEvent) -> Outlook:
    with view_of([CAR, *events], folder, as_of="2026-01-10") as view:
        return outlook(view, PluginHost.load(), "car-1")


@pytest.mark.parametrize(
    ("finding", "name"),
    [
        # 49 CFR 570.9(a): not less than 2/32 in. 49 CFR 570.5: 1/32 in over the shoe (from memory).
        (measured("wheel.tire", "LF", 1.0, "32nds"), "tire LF"),
        (measured("brake.pad", "front", 0.5, "mm"), "disc brake pads front"),
    ],
)
def test_a_figure_past_its_limit_outweighs_the_word_sound(
    tmp_path: Path, finding: dict[str, object], name: str
) -> None:
    found = outlook_of(tmp_path, look(finding))
    assert found.headline.startswith(f"Safety item open: {name}; do not drive")
    assert "past its limit" in str(found.open_now.rows[0][3])


def test_a_finding_without_a_figure_stands_once_and_names_no_limit(tmp_path: Path) -> None:
    bad = {"component": "brake.pad", "position": "RR", "condition": "failed"}
    found = outlook_of(tmp_path, look(bad))
    rows = [row for row in found.open_now.rows if row[1] == "brake.pad"]
    assert len(rows) == 1
    assert "past its limit" not in str(rows[0][3])


def test_readings_of_a_day_tell_no_pace_of_a_month(tmp_path: Path) -> None:
    later = event("car-1", "odometer_reading", "2026-01-06", odometer=90_012, unit="mi")
    told = outlook_of(tmp_path, later).distance
    assert "a month" not in told
    assert told.endswith(", too new to tell its pace")


@pytest.mark.parametrize(
    ("parts", "rest", "said"),
    [
        (("wheel.tire",), None, "Nothing under the hood or underneath was looked at."),
        (("wheel.tire", "cooling.hose"), None, "Nothing underneath was looked at."),
        (("suspension.ball_joint",), None, "Nothing under the hood was looked at."),
        (("suspension.ball_joint", "cooling.hose"), None, ""),
        (("wheel.tire",), "sound", ""),
    ],
)
def test_a_level_nobody_looked_at_is_named(
    tmp_path: Path, parts: tuple[str, ...], rest: str | None, said: str
) -> None:
    more = {"rest": rest} if rest else {}
    seen = looked("car-1", "2026-01-05", *(found(part, "sound") for part in parts), **more)
    told = [str(one) for one in outlook_of(tmp_path, seen).unknown]
    assert [one for one in told if one.startswith("Nothing ")] == [said] * bool(said)


def test_a_flat_spare_forbids_no_driving(tmp_path: Path) -> None:
    flat = {"component": "wheel.tire", "position": "spare", "condition": "failed"}
    assert "do not drive" not in outlook_of(tmp_path, look(flat)).headline


def test_exactly_at_the_limit_is_not_due(tmp_path: Path) -> None:
    found = outlook_of(tmp_path, look(measured("wheel.tire", "LF", 2.0, "32nds")))
    assert found.headline.startswith("No failed items recorded.")


def test_a_complaint_nobody_answered_is_open_until_there_was_work(tmp_path: Path) -> None:
    said = event("car-1", "complaint", "2026-01-06", complaint="the pedal goes to the floor")
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    found = outlook_of(tmp_path / "a", said)
    assert found.headline.startswith("Open: on 2026-01-06 customer says: the pedal")
    work = event("car-1", "repair", "2026-01-07", component="brake.master_cylinder")
    assert outlook_of(tmp_path / "b", said, work).headline.startswith("No failed items recorded.")


@pytest.mark.parametrize(
    ("said", "done", "open_"),
    [
        ("brake pedal low, customer says hot smell", "wheel.tire", True),
        ("brake pedal low", "brake.master_cylinder", False),
        ("squeals when braking, pulls left", "brake.pad", False),
        ("it does odd things", "wheel.tire", False),
    ],
)
def test_only_work_that_speaks_to_a_complaint_answers_it(
    said: str, done: str, open_: bool, tmp_path: Path
) -> None:
    # A tire mended the same day answers no low pedal (common practice, no source).
    work = event("car-1", "repair", "2026-01-06", component=done)
    told = event("car-1", "complaint", "2026-01-06", complaint=said)
    (tmp_path / "before").mkdir()
    before = outlook_of(tmp_path / "before", work, told)  # no work answers what was said after it
    assert "complaint" in {row[0] for row in before.open_now.rows}
    found = outlook_of(tmp_path, told, work)
    assert ("complaint" in {row[0] for row in found.open_now.rows}) is open_


def test_an_official_inspection_not_passed_is_open_until_one_is(tmp_path: Path) -> None:
    failed = event(
        "car-1",
        "inspection_result",
        "2026-01-06",
        inspection="safety",
        result="fail",
        items=["brakes"],
    )
    passed = event("car-1", "inspection_result", "2026-01-08", inspection="safety", result="pass")
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    found = outlook_of(tmp_path / "a", failed)
    assert found.headline.startswith("Open: safety inspection not passed.")
    assert "brakes" in str(found.open_now.rows[0][3])
    assert outlook_of(tmp_path / "b", failed, passed).headline.startswith("No failed items")


def test_of_a_vehicle_with_little_on_record_no_cost_is_told(tmp_path: Path) -> None:
    fitted = event(
        "car-1",
        "replacement",
        "2026-01-05",
        odometer=90_010,
        component="wheel.bearing",
        position="LF",
        reason="failed",
        parts_cost=usd("84.50"),
    )
    found = outlook_of(tmp_path, fitted)
    assert "Too few to tell what the coming months cost" in found.headline
    assert found.advice is not None
    assert "too few to tell" in found.advice.result.headline


def test_bookkeeping_is_not_seeing_the_vehicle(tmp_path: Path) -> None:
    worth = event(
        "car-1",
        "valuation",
        "2026-01-09",
        source="lists",
        value=usd("900.00"),
    )
    with view_of([CAR, worth], tmp_path, as_of="2026-01-10") as view:
        (row,) = view.sql("SELECT last_seen_on FROM vehicles").rows
    assert str(row[0]) == "2026-01-02"


def test_a_service_past_its_interval_is_due_with_the_rest(tmp_path: Path) -> None:
    """Engine oil by the packaged schedule; its interval is common practice, no source."""
    oil = event("car-1", "maintenance", "2026-01-03", odometer=90_001, component="engine.oil")
    driven = [
        event("car-1", "odometer_reading", day, odometer=miles)
        for day, miles in (("2026-03-02", 96_000), ("2026-06-02", 103_000), ("2026-09-02", 110_000))
    ]
    with view_of([CAR, oil, *driven], tmp_path, as_of="2026-09-03") as view:
        found = outlook(view, PluginHost.load(), "car-1")
    row = next(row for row in found.open_now.rows if row[1] == "engine.oil")
    assert row[0] == "service due"
    assert "overdue by the schedule, last done on 2026-01-03" in str(row[3])
    assert found.headline.startswith("No failed items recorded.")


def test_a_heavy_vehicles_fault_is_due_by_its_failure_mode(tmp_path: Path) -> None:
    """SAE J1939-73: FMI 0 is above normal, most severe; names of parameters are licensed."""
    codes = [{"code": "SPN 110 FMI 0", "count": 3}, {"code": "E-17"}]
    scan = event("car-1", "scan", "2026-01-05", modules=[{"name": "engine", "codes": codes}])
    found = outlook_of(tmp_path, scan)
    assert found.problems == ()
    told = [str(cell) for row in found.open_now.rows for cell in row]
    assert any("above normal, most severe" in text for text in told)
    assert any("no code of a published standard" in text for text in told)


@pytest.mark.parametrize(
    ("more", "told"),
    [
        # By hand: 90,000 on the old one and 40 on the new one, which began at 10.
        (
            [event("car-1", "odometer_exchange", "2026-01-04",
                   old_reading=90_000.0, new_reading=10.0, unit="mi"),
             event("car-1", "odometer_reading", "2026-01-06", odometer=40, unit="mi")],
            "40 mi on 2026-01-06 (90,030 mi in all: the odometer was exchanged on 2026-01-04)",
        ),
        ([event("car-1", "odometer_reading", "2026-01-06", odometer=90_012, unit="mi")],
         "90,012 mi on 2026-01-06"),
    ],
)  # fmt: skip
def test_a_distance_that_is_not_the_odometers_says_why(
    tmp_path: Path, more: list[NewEvent], told: str
) -> None:
    assert outlook_of(tmp_path, *more).distance.startswith(told)
