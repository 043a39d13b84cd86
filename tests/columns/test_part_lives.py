"""One hand-written ledger for each case of how a part life is derived.

The cases are the project's own rule; what they must give is worked out by hand beside each.
"""

from typing import Any

import builders
import pytest
from builders import enrolled, found, looked, replaced

from roadworn.model.catalogue import place_of, place_sql
from roadworn.testing import event
from roadworn_plugins.shared.rule_sets import load_looks

ALTERNATOR = "electrical.alternator"
#: What the catalogue places by the axle, and the two sides of an axle and how it is called.
BY_AXLE = ("brake.pad", "brake.shoe", "brake.rotor", "brake.parking_brake")
SIDES = (("LF", "RF", "front"), ("LR", "RR", "rear"), ("2L", "2R", "2"), ("2R-inner", "2L", "2"))


def enrol(vehicle: str = "bus-1", day: str = "2024-01-01", km: float = 50_000, **fields: Any):
    fields.setdefault("vehicle_class", "bus")
    return enrolled(vehicle, day, odometer=km, unit="km", **fields)


def reading(day: str, km: float, vehicle: str = "bus-1"):
    return builders.reading(vehicle, day, km, "km")


def replace(day: str, km: float | None, component: str = ALTERNATOR, **fields: Any):
    vehicle = fields.pop("vehicle", "bus-1")
    return replaced(vehicle, day, component, odometer=km, unit="km", **fields)


def look(day: str, km: float, condition: str, component: str = ALTERNATOR, **fields: Any):
    return looked("bus-1", day, found(component, condition, **fields), odometer=km, unit="km")


def lives(view, where: str = "TRUE") -> list[dict[str, Any]]:
    rows = view.sql(
        "SELECT component, position, started_by, ended_by, entry_km, lower_km, upper_km, "
        "entry_days, lower_days, upper_days, failed, censored_because, running, supplier "
        f"FROM part_lives WHERE {where} ORDER BY vehicle_id, component, position, "
        "started_on NULLS FIRST, started_by NULLS FIRST"
    )
    return [dict(zip(rows.columns, row, strict=True)) for row in rows.rows]


def left_out(view) -> list[tuple[Any, ...]]:
    return view.sql("SELECT component, position, why FROM part_lives_left_out ORDER BY ALL").rows


def ages(life: dict[str, Any]) -> tuple[float, float, float]:
    return life["entry_km"], life["lower_km"], life["upper_km"]


INF = float("inf")


def test_replaced_because_failed_is_a_failure_at_that_distance(view_of):
    view = view_of(
        [enrol(), replace("2024-02-01", 52_000), replace("2024-05-01", 60_500, reason="worn_out")]
    )
    life = lives(view)[0]
    assert ages(life) == (0, 8_500, 8_500)
    assert (life["failed"], life["censored_because"], life["running"]) == (True, None, False)
    # 2024-02-01 to 2024-05-01: 29 + 31 + 30 days in a leap year.
    assert (life["lower_days"], life["upper_days"]) == (90, 90)


def test_a_part_taken_out_beforehand_is_censored_with_the_reason(view_of):
    for reason, because in (
        ("preventive", "preventive"),
        ("recall", "recall"),
        ("upgrade", "upgrade"),
        ("damaged", "damaged"),
        ("unknown", "reason not recorded"),
    ):
        view = view_of(
            [enrol(), replace("2024-02-01", 52_000), replace("2024-05-01", 60_500, reason=reason)]
        )
        life = lives(view)[0]
        assert ages(life) == (0, 8_500, INF)
        assert (life["failed"], life["censored_because"]) == (False, because)
        assert life["upper_days"] == INF


def test_a_part_taken_along_with_other_work_had_not_failed(view_of):
    along = replace("2024-05-01", 60_500, reason="worn_out", along_with="engine.timing_belt")
    life = lives(view_of([enrol(), replace("2024-02-01", 52_000), along]))[0]
    assert ages(life) == (0, 8_500, INF)
    assert life["censored_because"] == "taken along with other work"


def test_still_fitted_is_censored_at_the_latest_known_distance(view_of):
    view = view_of([enrol(), replace("2026-01-01", 80_000), reading("2026-06-01", 86_000)])
    life = lives(view)[-1]
    assert ages(life) == (0, 6_000, INF)
    assert (life["censored_because"], life["running"]) == ("still fitted", True)
    # 2026-01-01 to 2026-06-01: 31 + 28 + 31 + 30 + 31 days.
    assert life["lower_days"] == 151


def test_a_retired_vehicle_ends_the_life_at_its_last_reading(view_of):
    gone = event("bus-1", "retirement", "2026-03-01", odometer=84_000, unit="km", reason="sold")
    view = view_of([enrol(), replace("2026-01-01", 80_000), gone])
    life = lives(view)[-1]
    assert ages(life) == (0, 4_000, INF)
    assert (life["censored_because"], life["running"]) == ("vehicle retired", False)


def test_a_vehicle_not_seen_for_long_ends_the_life_at_its_last_reading(view_of):
    events = [enrol(), replace("2024-03-01", 52_000), reading("2025-01-01", 70_000)]
    life = lives(view_of(events))[-1]
    assert ages(life) == (0, 18_000, INF)
    assert (life["censored_because"], life["running"]) == ("not seen for long", False)
    # 2025-01-01 is 545 days before 2026-06-30: with more patience it is still running.
    assert lives(view_of(events, unseen_days=545))[-1]["running"]
    assert not lives(view_of(events, unseen_days=544))[-1]["running"]


def test_an_original_part_starts_at_zero_with_late_entry(view_of):
    view = view_of(
        [
            enrol(parts="original", in_service_date="2022-01-01"),
            replace("2024-05-01", 60_500),
        ]
    )
    life = lives(view)[0]
    assert ages(life) == (50_000, 60_500, 60_500)
    assert life["started_by"] is None
    # 2022-01-01 to 2024-01-01 is 730 days, and 121 more to 2024-05-01.
    assert (life["entry_days"], life["lower_days"]) == (730, 851)


def test_without_an_in_service_date_the_calendar_age_is_unknown(view_of):
    life = lives(view_of([enrol(parts="original"), replace("2024-05-01", 60_500)]))[0]
    assert ages(life) == (50_000, 60_500, 60_500)
    assert (life["lower_days"], life["upper_days"]) == (None, None)


def test_a_part_of_unknown_age_is_left_out_and_its_replacement_starts_a_life(view_of):
    for parts in ("unknown", "mixed"):
        view = view_of([enrol(parts=parts), replace("2026-05-01", 60_500)])
        assert [ages(life) for life in lives(view)] == [(0, 0, INF)]
        assert left_out(view) == [(ALTERNATOR, None, "fitted before enrolment, age unknown")]


def test_an_original_part_never_replaced_runs_when_others_of_its_class_were(view_of):
    view = view_of(
        [
            enrol("bus-1", parts="original"),
            enrol("bus-2", km=30_000, parts="original", records_since="2024-01-01"),
            enrol("van-1", km=10_000, parts="original", vehicle_class="van"),
            enrol("bus-3", km=10_000, parts="unknown"),
            replace("2026-05-01", 60_500),
            reading("2026-05-02", 44_000, vehicle="bus-2"),
        ]
    )
    running = lives(view, "vehicle_id <> 'bus-1'")
    assert [ages(life) for life in running] == [(30_000, 44_000, INF)]
    assert running[0]["running"]


def test_positions_of_the_class_are_expanded(view_of):
    bearing = "wheel.bearing"
    view = view_of(
        [
            enrol("bus-1", parts="original"),
            enrol("bus-2", km=30_000, parts="original"),
            replace("2026-05-01", 60_500, bearing, position="LF"),
            replace("2026-05-01", 60_500, bearing, position="RR"),
            reading("2026-05-02", 44_000, vehicle="bus-2"),
        ]
    )
    found = view.sql("SELECT position FROM part_lives WHERE vehicle_id = 'bus-2' ORDER BY ALL")
    assert found.rows == [("LF",), ("RR",)]


def test_a_failure_found_after_a_sound_look_lies_in_between(view_of):
    view = view_of(
        [
            enrol(),
            replace("2024-02-01", 52_000),
            look("2024-03-01", 54_000, "sound"),
            look("2024-04-01", 57_000, "failed"),
            replace("2024-05-01", 60_500),
        ]
    )
    life = lives(view)[0]
    assert ages(life) == (0, 2_000, 5_000)
    assert life["failed"]
    # 29 days of February; 31 of March.
    assert (life["lower_days"], life["upper_days"]) == (29, 60)


def test_replaced_at_once_after_a_look_that_follows_a_sound_one_lies_in_between(view_of):
    view = view_of(
        [
            enrol(),
            replace("2024-02-01", 52_000),
            look("2024-03-01", 54_000, "sound"),
            look("2024-04-30", 60_400, "wearing"),
            replace("2024-05-01", 60_500, reason="worn_out"),
        ]
    )
    assert ages(lives(view)[0]) == (0, 2_000, 8_500)


def test_a_breakdown_after_a_sound_look_is_exact(view_of):
    view = view_of(
        [
            enrol(),
            replace("2024-02-01", 52_000),
            look("2024-03-01", 54_000, "sound"),
            replace("2024-05-01", 60_500),
        ]
    )
    assert ages(lives(view)[0]) == (0, 8_500, 8_500)


def test_without_a_sound_look_on_record_the_failure_is_at_the_replacement(view_of):
    view = view_of(
        [
            enrol(),
            replace("2024-02-01", 52_000),
            look("2024-04-01", 57_000, "failed"),
            replace("2024-05-01", 60_500),
        ]
    )
    assert ages(lives(view)[0]) == (0, 8_500, 8_500)


def test_the_look_of_the_day_before_the_work_belongs_to_the_old_part(view_of):
    view = view_of(
        [
            enrol(),
            replace("2026-02-01", 52_000),
            replace("2026-05-01", 60_500),
            look("2026-05-01", 60_500, "failed"),
            reading("2026-06-01", 61_000),
        ]
    )
    assert [life["failed"] for life in lives(view)] == [True, False]


def test_a_part_found_failed_and_not_yet_replaced_has_failed(view_of):
    events = [enrol(), replace("2026-02-01", 52_000), look("2026-05-01", 60_500, "failed")]
    life = lives(view_of(events))[-1]
    assert (ages(life), life["failed"], life["running"]) == ((0, 8_500, 8_500), True, True)
    mended = event("bus-1", "repair", "2026-05-02", component=ALTERNATOR)
    life = lives(view_of([*events, mended, reading("2026-06-01", 61_000)]))[-1]
    assert (ages(life), life["failed"]) == ((0, 9_000, INF), False)


@pytest.mark.parametrize("component", BY_AXLE)
@pytest.mark.parametrize(("left", "right", "axle"), SIDES)
def test_an_axle_set_is_one_life(view_of, component, left, right, axle):
    view = view_of(
        [
            enrol(parts="original"),
            replace("2024-05-01", 60_000, component, position=left, reason="preventive"),
            replace("2024-05-01", 60_000, component, position=right, reason="worn_out"),
            replace("2026-05-01", 90_000, component, position=axle, reason="worn_out"),
        ]
    )
    found = lives(view)
    assert [(life["position"], ages(life), life["failed"]) for life in found] == [
        (axle, (50_000, 60_000, 60_000), True),
        (axle, (0, 30_000, 30_000), True),
        (axle, (0, 0, INF), False),
    ]
    assert left_out(view) == []


@pytest.mark.parametrize(("left", "right", "axle"), SIDES)
def test_what_is_open_at_one_side_of_an_axle_closes_with_work_at_the_other(
    view_of, left, right, axle
):
    events = [
        enrol(),
        look("2024-03-01", 54_000, "failed", "brake.shoe", position=left),
        replace("2024-05-01", 60_000, "brake.shoe", position=right),
    ]
    opened = "SELECT position FROM open_findings"
    assert view_of(events[:2]).sql(opened).rows == [(left,)]
    assert view_of(events).sql(opened).rows == []
    # Work at another axle, or of what is done by the wheel, leaves it open.
    other = replace("2024-05-01", 60_000, "brake.shoe", position="3R")
    assert view_of([*events[:2], other]).sql(opened).rows == [(left,)]
    tire = look("2024-03-01", 54_000, "failed", "wheel.tire", position=left)
    changed = replace("2024-05-01", 60_000, "wheel.tire", position=right)
    assert view_of([enrol(), tire, changed]).sql(opened).rows == [(left,)]


@pytest.mark.parametrize(
    ("found", "done", "left"),
    [
        ("LF", "LF-lower", []),
        ("LF-lower", "LF", []),
        ("LF-lower", "LF-upper", [("LF-lower",)]),
        ("LF", "RF-lower", [("LF",)]),
    ],
)
def test_work_at_a_level_answers_a_finding_that_names_none(view_of, found, done, left):
    """A wheel has an upper and a lower ball joint. Common practice, no source."""
    joint = "suspension.ball_joint"
    view = view_of(
        [
            enrol(),
            look("2024-03-01", 54_000, "failed", joint, position=found),
            replace("2024-05-01", 60_000, joint, position=done),
        ]
    )
    assert view.sql("SELECT position FROM open_findings").rows == left
    looks = load_looks(view, [joint])["bus-1"].newest([joint])
    failed = [seen.place for seen in looks if seen.condition == "failed"]
    assert failed == [place for (place,) in left]


def test_the_rule_of_axles_is_the_same_in_sql_and_in_python(view_of):
    components = [*BY_AXLE, "wheel.tire", "brake.slack_adjuster", "engine.oil", "other.ramp"]
    sides = [f"{axle}{side}" for axle in range(1, 10) for side in "LR"]
    wheels = ["LF", "RF", "LR", "RR", *sides]
    duals = [f"{wheel}-{where}" for wheel in wheels for where in ("inner", "outer", "lower")]
    positions = [None, "front", "rear", "L", "spare", "10L", *"0123456789", *wheels, *duals]
    asked = [(component, position) for component in components for position in positions]
    found = view_of([enrol()]).sql(
        f"SELECT c, p, {place_sql('c', 'p')} FROM (SELECT unnest(?::VARCHAR[]) AS c, "
        "unnest(?::VARCHAR[]) AS p)",
        tuple(map(list, zip(*asked, strict=True))),
    )
    assert len(found.rows) == len(asked)
    for component, position, place in found.rows:
        assert place == place_of(component, position)


def test_parts_of_a_wheel_are_lives_of_their_own(view_of):
    view = view_of(
        [
            enrol(parts="original"),
            replace("2024-05-01", 60_000, "wheel.bearing", position="LF"),
            replace("2024-05-01", 60_000, "wheel.bearing", position="RF"),
        ]
    )
    assert [life["position"] for life in lives(view, "failed")] == ["LF", "RF"]


def test_the_same_part_at_the_same_distance_twice_is_one_failure(tmp_path):
    from roadworn.columns.view import open_view
    from roadworn.intake import Ledger

    path = tmp_path / "twice.db"
    first = [enrol(), replace("2024-02-01", 52_000), replace("2026-05-01", 60_500)]
    with Ledger.create(path) as ledger:
        ledger.append_many(first)
    again = replace("2026-05-01", 60_500)
    _write_past_the_checks(path, again)
    with open_view(path, as_of="2026-06-30") as view:
        assert [life["failed"] for life in lives(view)] == [True, False]
        assert (ALTERNATOR, None, "entered-twice") in left_out(view)


def _write_past_the_checks(path, new) -> None:
    """Append through SQL: intake refuses a double entry, older ledgers may have one."""
    import sqlite3

    import orjson

    with sqlite3.connect(path) as connection:
        (size,) = connection.execute("SELECT max(seq) FROM events").fetchone()
        connection.execute(
            "INSERT INTO events (seq, event_id, vehicle_id, kind, version, occurred_at, "
            "recorded_at, recorded_by, source, odometer, odometer_unit, payload, leaf) "
            "VALUES (?, ?, ?, ?, 1, ?, ?, '', 'test', ?, ?, ?, x'00')",
            (
                size + 1,
                "00000000-0000-7000-8000-000000000001",
                new.vehicle_id,
                new.kind,
                new.occurred_at,
                new.recorded_at,
                new.odometer,
                new.odometer_unit,
                orjson.dumps(new.payload).decode(),
            ),
        )
        connection.execute(
            "INSERT INTO checkpoints (size, root, peaks, made_at) VALUES (?, 'r', x'00', 'now')",
            (size + 1,),
        )
    connection.close()


def test_a_used_part_is_of_unknown_age(view_of):
    view = view_of(
        [enrol(), replace("2024-02-01", 52_000, part_kind="used"), replace("2026-05-01", 60_500)]
    )
    assert [ages(life) for life in lives(view)] == [(0, 0, INF)]
    assert (ALTERNATOR, None, "used part, age unknown") in left_out(view)


def test_a_part_fitted_before_enrolment_by_the_record_enters_late(view_of):
    view = view_of(
        [
            enrol(day="2024-01-01", km=50_000),
            replace("2023-01-01", 40_000),
            replace("2024-05-01", 60_500),
        ]
    )
    assert ages(lives(view)[0]) == (10_000, 20_500, 20_500)


def test_a_life_that_ended_before_enrolment_was_not_under_observation(view_of):
    view = view_of(
        [
            enrol(day="2024-01-01", km=50_000),
            replace("2022-01-01", 20_000),
            replace("2023-01-01", 40_000),
        ]
    )
    assert [ages(life) for life in lives(view)] == [(10_000, 10_000, INF)]
    assert (ALTERNATOR, None, "ended before it came under observation") in left_out(view)


def test_what_a_part_was_belongs_to_the_life_it_started(view_of):
    view = view_of(
        [
            enrol(),
            replace("2024-02-01", 52_000, supplier="Quayside Parts"),
            replace("2026-05-01", 60_500, supplier="Harbour Stores"),
        ]
    )
    assert [life["supplier"] for life in lives(view)] == ["Quayside Parts", "Harbour Stores"]


def test_a_vehicle_without_any_reading_gives_no_life(view_of):
    bare = event("bus-1", "enrolment", "2024-01-01", parts="original")
    view = view_of([bare, replace("2024-05-01", None)])
    assert lives(view) == []
    assert {row[2] for row in left_out(view)} == {"no odometer reading"}
