"""What is overdue is one rule: the outlook, the call list and the service list name the same.

By hand: oil every 12 months, filter every 24, from `OWN`; nothing here needs a source.
"""

from datetime import date
from pathlib import Path

import pytest
from builders import enrolled, reading

from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.ahead.due_now import State, due_now
from roadworn_plugins.ahead.services import services_ahead
from roadworn_plugins.maintenance import MAINTENANCE_DUE
from roadworn_plugins.shared.prices import Prices

OWN = """
[schedule]
title = "ours"
note = "The maker's figures."
[[item]]
component = "engine.oil"
months = 12
citation = "ours"
[[item]]
component = "fuel.filter"
months = 24
citation = "ours"
"""
NEW = {"parts": "original", "odometer": 0}


def oil(vehicle: str, day: str) -> NewEvent:
    return event(vehicle, "maintenance", day, component="engine.oil")


#: What is on record -> the services that are overdue by it on 2026-06-01.
CASES = {
    # Begun when new, never done: overdue, though no service of it is on record.
    "new, forgotten": (
        [enrolled("v1", "2024-01-01", in_service_date="2024-01-01", **NEW),
         oil("v1", "2025-12-01")],
        {("v1", "fuel.filter")},
    ),
    "done late": (
        [enrolled("v1", "2024-01-01", odometer=0, parts="unknown"), oil("v1", "2025-04-20"),
         reading("v1", "2026-05-01", 20_000)],
        {("v1", "engine.oil")},
    ),
    # Used when it came: what was done before is not known, so nothing is overdue.
    "used, no record": ([enrolled("v1", "2020-01-01", odometer=90_000, parts="unknown")], set()),
    # Nobody here writes filters down though they fell due again and again.
    "never recorded here": (
        [
            one
            for n in range(4)
            for one in (enrolled(f"v{n}", "2018-01-01", in_service_date="2018-01-01", **NEW),
                        oil(f"v{n}", "2026-05-01"))
        ],
        set(),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_what_is_overdue_is_the_same_wherever_it_is_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, case: str
) -> None:
    events, overdue = CASES[case]
    own = tmp_path / "ours.toml"
    own.write_text(OWN)
    monkeypatch.setenv("ROADWORN_SCHEDULE", str(own))
    with view_of(events, tmp_path, as_of="2026-06-01") as view:
        listed = check_analysis(MAINTENANCE_DUE, view).table("maintenance_due").records()
        due = due_now(view, Prices.load(view))
        alone = [one for v in {e.vehicle_id for e in events}
                 for one in due_now(view, Prices.load(view), v)]  # fmt: skip
    by_list = {(row["vehicle"], row["component"]) for row in listed if row["state"] == "overdue"}
    for asked in (due, alone):
        services = {(one.vehicle, one.component) for one in asked if one.state is State.SERVICE}
        assert services == by_list == overdue


def test_a_service_that_begins_when_new_is_not_said_to_have_been_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = tmp_path / "ours.toml"
    own.write_text(OWN)
    monkeypatch.setenv("ROADWORN_SCHEDULE", str(own))
    with view_of(CASES["new, forgotten"][0], tmp_path, as_of="2026-06-01") as view:
        (told,) = (one.seen for one in due_now(view, Prices.load(view)) if one.overdue)
    assert told == "overdue by the schedule, not on record since new on 2024-01-01"


def test_a_vehicle_that_hardly_moves_has_no_day_for_a_service_by_distance(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # By hand: 5,000 mi at a mile in two years are ten thousand years, beyond any calendar.
    own = tmp_path / "ours.toml"
    own.write_text(
        "[schedule]\ntitle = 'ours'\nnote = 'By distance.'\n[[item]]\ncomponent = 'engine.oil'\n"
        "distance = 5000\nunit = 'mi'\ncitation = 'ours'\n"
    )
    monkeypatch.setenv("ROADWORN_SCHEDULE", str(own))
    stands = [
        enrolled("v1", "2024-01-01", odometer=100),
        oil("v1", "2024-02-01"),
        reading("v1", "2026-05-01", 101),
    ]
    with view_of(stands, tmp_path, as_of="2026-06-01") as view:
        assert services_ahead(view, date(2028, 6, 1)) == []
