"""Whose limits a truck is judged by, said from its enrolment to its outlook."""

from pathlib import Path

import pytest
from commandline import Run

_TRUCK = ("--class", "heavy truck", "--duty", "air brakes", "--odometer", "90,000 mi")


@pytest.mark.parametrize("weight", ["class 8", "36,000 lbs", "36,000lb", "15000kg", "16 t", "N3"])
def test_a_heavy_truck_is_judged_by_the_heavy_sheet(run: Run, weight: str) -> None:
    """49 CFR 393.75(b): steer tires 4/32 in; 393.47(d)(2): other axles, drum, 1/4 in (6.35 mm)."""
    run("create")
    enrolled = run("enrol", "t", *_TRUCK, "--weight-class", weight)
    assert "weight" not in enrolled.err
    found = run("record", "inspection", "t", "tire 1L 2/32 in; brake shoe 2L 4 mm")
    assert found.out.count("failed (safety)") == 2
    assert "Judged by the sheet heavy_vehicle, by its weight class." in found.err
    told = run("outlook", "t", "--more").out
    assert "No weight class is on record" not in told
    assert "STOP" in told


def test_a_weight_that_is_not_understood_is_said_at_every_door(run: Run) -> None:
    run("create")
    enrolled = run("enrol", "t", "--class", "truck", "--weight-class", "medium")
    remedy = "write 36,000 lb, light or heavy"
    assert "'medium' is not understood" in enrolled.err
    assert remedy in enrolled.err
    looked = run("record", "inspection", "t", "tire 1L 3/32 in")
    assert "'medium' is not understood" in looked.err
    assert "Judged by the sheet light_vehicle" in looked.err
    told = run("outlook", "t", "--more").out
    assert "'medium' is not understood" in told
    assert "No weight class is on record" not in told
    changed = run("record", "profile", "t", "--weight-class", "unknown")
    assert "'unknown' is not understood" in changed.err


def test_air_brakes_say_heavy_where_no_weight_does(run: Run) -> None:
    """Common practice, no source: light vehicles have no air brakes."""
    run("create")
    enrolled = run("enrol", "t", "--duty", "air brakes", "--weight-class", "as usual")
    assert "taken as heavy by the duty 'air brakes'" in enrolled.err
    found = run("record", "inspection", "t", "tire 1L 3/32 in")
    assert "failed (safety)" in found.out


def test_an_import_says_the_weight_it_cannot_read(run: Run, tmp_path: Path) -> None:
    run("create")
    lines = (
        '{"vehicle_id": "t", "kind": "enrolment", "occurred_at": "2026-01-05", "payload": '
        '{"vehicle_class": "truck", "weight_class": "medium"}}\n'
    )
    (tmp_path / "rows.ndjson").write_text(lines)
    done = run("import", "rows.ndjson")
    assert done.code == 0, done.err
    assert "'medium' is not understood" in done.out + done.err
