"""A plugin as one was written before there were doors to number still runs, unchanged.

`old_plugin.py` is kept as its author left it: analyses of two parameters, a kind without sentence
and short form, a table, nothing that came later. It is not to be brought up to date.
"""

import importlib.metadata
import json
from pathlib import Path
from types import SimpleNamespace

import pytest
from analysis import old_plugin
from commandline import Run

from roadworn import Ledger
from roadworn.testing import check_analysis, check_kind, check_table, event, view_of


@pytest.fixture
def shop(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    found = importlib.metadata.entry_points(group="roadworn")
    dist = SimpleNamespace(name="roadworn-oldshop", version="0.3")
    old = SimpleNamespace(name="oldshop", value="old_plugin", dist=dist, load=lambda: old_plugin)
    points = [*(e for e in found if e.name == "bundled"), old]
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda *, group: points)
    with Ledger.create(tmp_path / "roadworn.db") as ledger:
        ledger.append_many([event("bus-1", "enrolment", "2026-01-05", odometer=100)])
    return run


def test_it_is_used_on_the_command_line_as_it_always_was(shop: Run) -> None:
    wrote = shop("record", "other", "oldshop.wash", "bus-1", "litres=80", "--on", "2026-02-01")
    assert wrote.code == 0, wrote.err
    assert "litres: 80" in shop("history", "bus-1").out
    done = shop("analyse", "oldshop-idle", "days=30", "--format", "json")
    assert (done.code, done.err) == (0, "")
    assert json.loads(done.out)["tables"][0]["rows"]
    rows = shop("sql", "SELECT vehicle_id, litres FROM oldshop_washes", "--format", "csv")
    assert rows.out.splitlines()[1:] == ['"bus-1",80.0']
    listed = shop("plugins", "oldshop")
    assert (listed.code, "oldshop-idle" in listed.out) == (0, True)
    assert shop("plugins", "--check").code == 0


def test_the_kit_holds_it_to_nothing_that_came_later(tmp_path: Path) -> None:
    (kind,) = old_plugin.roadworn_event_kinds()
    (table,) = old_plugin.roadworn_tables()
    (analysis,) = old_plugin.roadworn_analyses()
    check_kind(kind, {"litres": 80.0})
    wash = event("bus-1", "oldshop.wash", "2026-02-01", litres=80.0)
    events = [event("bus-1", "enrolment", "2026-01-05", odometer=100), wash]
    assert check_table(table, events, [kind]) == [(80.0,)]
    with view_of(events[:1], tmp_path, as_of="2026-08-01") as view:
        result = check_analysis(analysis, view, {"days": "60"})
    assert result.tables[0].rows == (("bus-1",),)
