"""What docs/plugins.md tells is so: its code runs, every door and every check is told of."""

import re
from pathlib import Path
from types import ModuleType

from roadworn import testing
from roadworn.analysis.doors import doors
from roadworn.testing import check_analysis, check_kind, check_table, event, view_of

TEXT = (Path(__file__).parents[2] / "docs" / "plugins.md").read_text(encoding="utf-8")


def test_the_code_runs_and_holds_what_the_kit_holds(tmp_path: Path) -> None:
    module = ModuleType("told")
    for block in re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL):
        exec(block, module.__dict__)
    events = [*module.EVENTS, event("bus-1", "myshop.wash", "2025-02-03", litres=80.0)]
    check_kind(module.WASH, {"litres": 80.0})
    assert check_table(module.WASHES, events, [module.WASH]) == [(80.0,)]
    with view_of(module.EVENTS, tmp_path, as_of="2025-08-01") as view:
        result = check_analysis(module.IDLE, view, {"days": "60"})
    assert result.tables[0].rows == (("bus-1", "2025-01-02"),)
    assert module.FLEET.lives
    assert module.STEADY.fit([], []) == []


def test_every_door_and_every_check_is_told_of() -> None:
    for door in doors():
        assert f"`{door.hook}()`" in TEXT
    for name in testing.__all__:
        assert name in TEXT or name in {"Fleet", "view_of"}
