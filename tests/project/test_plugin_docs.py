"""What docs/plugins tells is so: its code runs, every door and every check is told of."""

import re
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from roadworn import Analysis, testing
from roadworn.analysis import doors as of_doors
from roadworn.analysis.doors import doors
from roadworn.testing import (
    check_analysis,
    check_kind,
    check_life_model,
    check_table,
    event,
    made_fleet,
    view_of,
)

DOCS = Path(__file__).parents[2] / "docs" / "plugins"
PAGES = sorted((DOCS / "doors").glob("*.md"))
MADE = re.compile(r"<!-- made: .*?<!-- end -->", re.DOTALL)


def run(page: Path) -> ModuleType:
    """Return what the code of a page makes; what is made from the program is left out."""
    module = ModuleType(page.stem)
    text = MADE.sub("", page.read_text(encoding="utf-8"))
    for block in re.findall(r"```python\n(.*?)```", text, re.DOTALL):
        exec(compile(block, str(page), "exec", dont_inherit=True), module.__dict__)
    return module


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_the_example_of_each_door_is_taken(page: Path) -> None:
    """Whatever an example makes of what goes through its door passes the check of the door."""
    text = page.read_text(encoding="utf-8")
    (hook,) = re.findall(r"^def (roadworn_\w+)\(\)", text, re.MULTILINE)
    door = next(one for one in doors() if one.hook == hook)
    kinds = tuple(door.gives.split(" | "))
    made = [one for one in vars(run(page)).values() if type(one).__name__ in kinds]
    assert made
    assert [of_doors.CHECKS[hook](one) for one in made] == [""] * len(made)


def page(name: str) -> Any:
    return run(DOCS / f"{name}.md")


def test_the_examples_hold_what_the_kit_holds(tmp_path: Path) -> None:
    kit = page("kit")
    wash = page("doors/kinds")
    events = [*kit.EVENTS, event("bus-1", "myshop.wash", "2025-02-03", litres=80.0)]
    check_kind(wash.WASH, {"litres": 80.0})
    check_kind(wash.LIFTED, {"litres": 80.0}, older={1: [{"gallons": 10.0}]})
    assert check_table(page("doors/tables").WASHES, events, [wash.WASH]) == [(80.0,)]
    with view_of(kit.EVENTS, tmp_path, as_of="2025-08-01") as view:
        result = check_analysis(page("doors/analyses").IDLE, view, {"days": "60"})
        assert result.tables[0].rows == (("bus-1", "2025-01-02"),)
        told = page("doors/commands")
        assert told.bill(view, told.BillSettings()) == "4.50 for 1 vehicles"
    assert kit.FLEET.lives
    assert any(one.kind == "myshop.wash" for one in kit.STEERED.events)
    check_life_model(page("doors/life-models").STEADY)
    week = page("doors/decoders").WEEK
    assert week.decode("2309").wrong
    assert week.decode("2319").values == {"week": 23, "year": 2019}
    (tmp_path / "log.txt").write_text("bus-1;2025-02-03;80\n")
    log = page("doors/importers")
    (draft,) = log.drafts(tmp_path / "log.txt")
    (made,) = log.LOG.read(tmp_path / "log.txt")
    assert draft["vehicle_id"] == made.vehicle_id == "bus-1"


def test_each_recipe_holds_what_the_kit_holds(tmp_path: Path) -> None:
    fleet = made_fleet(3, vehicles=5, component="brake.pad", fields={"position": "front"})
    found = [one for one in vars(page("cookbook")).values() if isinstance(one, Analysis)]
    assert len(found) == 10
    with view_of(fleet.events, tmp_path, as_of=fleet.last_day) as view:
        for analysis in found:
            check_analysis(analysis, view)


def test_every_door_and_every_check_is_told_of() -> None:
    told = "".join(one.read_text(encoding="utf-8") for one in DOCS.rglob("*.md"))
    for door in doors():
        assert f"`{door.hook}()`" in told
    for name in testing.__all__:
        assert name in told
    assert len(PAGES) == len(doors())
