"""The schedule is read, and what it says is due is due."""

from typing import Any

from roadworn.testing import check_data_file, check_plugin, event

import hillrules_roadworn


def test_the_schedule_is_used_by_its_name(roadworn_run: Any, roadworn_ledger: Any) -> None:
    check_plugin(hillrules_roadworn)
    done = {"component": "brake.fluid", "action": "replaced"}
    roadworn_ledger(
        [
            event("truck-1", "enrolment", "2024-01-02", odometer=100),
            event("truck-1", "maintenance", "2024-02-01", odometer=200, **done),
            event("truck-1", "odometer_reading", "2025-06-01", odometer=900),
        ]
    )

    def due(*words: str) -> str:
        asked = ("--as-of", "2025-06-02", "analyse", "maintenance-due", "--vehicle", "truck-1")
        found = roadworn_run(*asked, *words, "--format", "json")
        assert found.code == 0, found.err
        return str(found.json()["settings"]["schedule"])

    assert due("schedule=schedule_hills") == "schedule_hills"
    missing = roadworn_run("analyse", "maintenance-due", "schedule=schedule_valleys")
    assert missing.code == 2


def test_the_file_says_what_a_schedule_must() -> None:
    (file,) = hillrules_roadworn.roadworn_data_files()
    check_data_file(file)
