"""The kit for plugin authors: the example of DEVELOPERS.md, run and checked as it stands."""

import re
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from roadworn import Analysis, Column, PluginHost, Result, Settings, Table
from roadworn.testing import check_analysis, event, view_of

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
EVENTS = [
    event("bus-1", "enrolment", "2025-01-01", odometer=100, vehicle_class="bus"),
    event("bus-2", "enrolment", "2025-06-20", odometer=100, vehicle_class="bus"),
]


@pytest.fixture
def example() -> ModuleType:
    """The whole plugin that DEVELOPERS.md prints."""
    found = re.search(r"```python\n(.*?)```", DEVELOPERS.read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None
    module = ModuleType("myshop_roadworn")
    exec(found[1], module.__dict__)
    return module


def test_the_example_plugin_works_as_printed(example: ModuleType, tmp_path: Path) -> None:
    host = PluginHost()
    host.register(example, "myshop")
    assert host.problems == []
    with view_of(EVENTS, tmp_path, as_of="2025-06-30", host=host) as view:
        _plugin, analysis = host.analysis("myshop-idle")
        result = check_analysis(analysis, view, {"days": "60"})
    assert [row[0] for row in result.tables[0].rows] == ["bus-1"]


@pytest.mark.parametrize(
    ("run", "words"),
    [
        (lambda view, settings: {"headline": "x"}, "not a Result"),
        (lambda view, settings: Result(""), "headline of one line"),
        (
            lambda view, settings: Result(
                "x", (Table("t", "T", (Column("a", "A"),), (("1",),), (("no-such-event",),)),)
            ),
            "events that are not there",
        ),
    ],
)
def test_what_a_host_relies_on_is_checked(run: object, words: str, tmp_path: Path) -> None:
    analysis = Analysis("odd", "O", "O?", run, Settings)  # type: ignore[arg-type]
    with (
        view_of(EVENTS, tmp_path, as_of="2025-06-30") as view,
        pytest.raises(AssertionError, match=words),
    ):
        check_analysis(analysis, view)


def test_an_analysis_that_changes_its_mind_is_caught(tmp_path: Path) -> None:
    seen: list[int] = []

    def run(view: object, settings: object) -> Result:
        seen.append(1)
        return Result(f"run {len(seen)}")

    with (
        view_of(EVENTS, tmp_path, as_of="2025-06-30") as view,
        pytest.raises(AssertionError, match="two different results"),
    ):
        check_analysis(Analysis("odd", "O", "O?", run), view)


def test_an_exchange_can_be_written_with_its_unit() -> None:
    made = event(
        "bus-1", "odometer_exchange", "2025-01-01", unit="km", old_reading=10.0, new_reading=0.0
    )
    assert made.payload == {"old_reading": 10.0, "new_reading": 0.0, "unit": "km"}


def test_data_that_a_command_did_not_give_are_told_by_what_it_said(roadworn_run: Any) -> None:
    with pytest.raises(AssertionError, match="exit code 4: There is no ledger"):
        roadworn_run("analyse", "nosuch", "--format", "json").json()
