"""Hours of the engine as a clock: readings put end to end, and services due by them, by hand.

That a generator's oil is due every 250 hours is common practice, no source.
"""

from collections.abc import Iterator
from datetime import date
from itertools import pairwise

import pytest
from builders import enrolled

from roadworn import NewEvent, PluginHost
from roadworn.analysis import Answers
from roadworn.analysis.outlook import outlook as outlook_of
from roadworn.columns.view import LedgerView
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.ahead.services import services_ahead
from roadworn_plugins.maintenance import MAINTENANCE_DUE
from roadworn_plugins.maintenance.schedule import EngineHours
from roadworn_plugins.to_call import CALL_LIST


def test_between_readings_the_hours_run_evenly_and_behind_them_at_the_pace() -> None:
    run = EngineHours([("gen", date(2026, 1, 1), 100.0), ("gen", date(2026, 1, 11), 150.0)])
    assert "gen" in run
    assert "van" not in run
    assert run.per_day("gen") == 5.0
    assert run.at("gen", date(2026, 1, 5)) == 120.0
    assert run.at("gen", date(2026, 1, 21)) == 200.0
    assert run.at("gen", date(2025, 12, 28)) == 80.0
    assert run.at("van", date(2026, 1, 1)) is None


def test_a_new_hour_meter_goes_on_from_the_old_one_and_no_day_has_more_than_its_hours() -> None:
    rows = [
        ("gen", date(2026, 1, 1), 4_000.0),
        ("gen", date(2026, 2, 1), 4_100.0),
        ("gen", date(2026, 3, 1), 20.0),
        ("gen", date(2026, 3, 3), 90_000.0),
    ]
    run = EngineHours(rows)
    assert run.at("gen", date(2026, 3, 1)) == 4_120.0
    assert run.last("gen") == (date(2026, 3, 3), 4_168.0)


def machine() -> Iterator[NewEvent]:
    """A generator that runs 100 hours a month and is told by its hours alone, beside a van."""
    yield enrolled("gen-1", "2025-01-01", vehicle_class="generator")
    yield enrolled("van-1", "2025-01-01", odometer=10.0, unit="mi")
    for month in range(1, 13):
        yield event("gen-1", "hours_reading", f"2025-{month:02}-01", hours=1_000.0 + 100 * month)
        if month in (2, 4, 6, 9):
            yield event(
                "gen-1", "maintenance", f"2025-{month:02}-01", component="engine.oil",
                action="replaced",
            )  # fmt: skip
    yield event("van-1", "maintenance", "2025-09-01", component="engine.oil", action="replaced",
                odometer=900.0, unit="mi")  # fmt: skip


@pytest.fixture(scope="module")
def view(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LedgerView]:
    with view_of(machine(), tmp_path_factory.mktemp("hours"), as_of="2025-12-01") as opened:
        yield opened


def test_a_service_falls_due_by_the_hours_of_the_engine(view: LedgerView) -> None:
    """Oil at 1,900 h, so due at 2,150; on 1 December it shows 2,200 h."""
    found = check_analysis(MAINTENANCE_DUE, view, {"vehicle": "gen-1"})
    rows = {row["component"]: row for row in found.table("maintenance_due").records()}
    oil = rows["engine.oil"]
    assert (oil["state"], oil["due_hours"], oil["left_hours"]) == ("overdue", 2_150, -50)
    assert oil["due_at"] is None
    assert rows["air.filter"]["state"] == "no record"
    # What has no hours keeps its miles.
    van = check_analysis(MAINTENANCE_DUE, view, {"vehicle": "van-1"}).table("maintenance_due")
    assert "due_hours" not in {column.name for column in van.columns}


def test_what_is_due_by_hours_is_told_in_hours_and_comes_again_by_them(view: LedgerView) -> None:
    told = check_analysis(CALL_LIST, view, {})
    rows = [row for table in told.tables for row in table.records() if row["vehicle"] == "gen-1"]
    assert any("at 2,150 h" in str(row) for row in rows)
    assert CALL_LIST.answers is Answers.TO_CALL
    days = [one.on for one in services_ahead(view, date(2026, 12, 1), "gen-1")
            if one.service.component == "engine.oil"]  # fmt: skip
    # Four changes tell of 61 days; the hours of the plan would say 76.
    assert days[0] > date(2025, 12, 1)
    assert [(b - a).days for a, b in pairwise(days)][:3] == [61, 61, 61]


def test_the_outlook_of_such_a_machine_says_hours(view: LedgerView) -> None:
    """From 1,100 to 2,200 h in 334 days: 100 a month."""
    told = outlook_of(view, PluginHost.load(), "gen-1")
    assert str(told.distance) == "2,200 h on 2025-12-01, about 100 h a month"
