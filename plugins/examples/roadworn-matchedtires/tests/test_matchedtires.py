"""A set that differs is named on the reports, one that does not is left alone."""

from typing import Any

from roadworn.testing import check_plugin, event

import matchedtires_roadworn


def vehicle(name: str, drive: str, *treads: float) -> list[Any]:
    """Return a vehicle whose tires were measured once."""
    findings = [
        {
            "component": "wheel.tire",
            "position": place,
            "condition": "sound",
            "measurements": [{"value": value, "unit": "mm"}],
        }
        for place, value in zip(("LF", "RF", "LR", "RR"), treads, strict=True)
    ]
    return [
        event(name, "enrolment", "2025-01-02", odometer=100, drive=drive),
        event(name, "inspection", "2025-02-03", odometer=900, findings=findings),
    ]


EVENTS = [
    *vehicle("van-1", "all", 7.0, 7.0, 3.5, 3.5),
    *vehicle("van-2", "all", 6.0, 6.0, 5.0, 5.0),
    *vehicle("van-3", "front", 7.0, 7.0, 3.5, 3.5),
]


def test_the_panel_stands_on_both_reports(roadworn_run: Any, roadworn_ledger: Any) -> None:
    roadworn_ledger(EVENTS)
    found = roadworn_run("analyse", "matchedtires", "--format", "json").json()
    assert [row["vehicle"] for row in found["tables"][0]["rows"]] == ["van-1"]
    for words in (("vehicle", "van-1"), ("fleet",)):
        page = roadworn_run("report", *words, "-o", "-").out
        assert "Tires as a set" in page
        assert "harm its driveline" in page


def test_all_of_it_holds() -> None:
    check_plugin(matchedtires_roadworn, EVENTS)
