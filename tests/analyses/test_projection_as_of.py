"""As of a past day no analysis knows of what came later, whatever a view goes by."""

import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from builders import ledger_of, usd
from hypothesis import given, settings
from hypothesis import strategies as st
from simulations.made_fleet import Setting, play

from roadworn import PluginHost
from roadworn.analysis import Result
from roadworn.columns.view import open_view
from roadworn.intake import Ledger
from roadworn.model.events import NewEvent
from roadworn.testing import event

DAY = "2020-06-30"
VEHICLES = ("v000", "v003")
#: What must be said of one vehicle; and two past days to look back to, which are made alike.
ASKED: dict[str, dict[str, object]] = {
    "keep-or-sell": {"vehicle": VEHICLES[0]},
    "projection-backtest": {"days": 2},
}


@cache
def host() -> PluginHost:
    return PluginHost.load()


@cache
def base_events() -> list[NewEvent]:
    """A made fleet, with what the other analyses speak of: looks, codes, values, services."""
    events, _truth = play(np.random.default_rng(3), Setting(vehicles=6, years=6))
    more = []
    for number, name in enumerate(VEHICLES):
        for year in (2018, 2019, 2020):
            day = f"{year}-03-1{number}"
            finding = {
                "component": "brake.pad", "position": "LF", "condition": "wearing",
                "measurements": [{"value": 9.0 - (year - 2018), "unit": "mm"}],
            }  # fmt: skip
            more += [
                event(name, "inspection", day, findings=[finding]),
                event(name, "scan", day, modules=[{"codes": [{"code": "P0420"}]}]),
                event(name, "maintenance", day, component="engine.oil"),
                event(
                    name, "valuation", day, source="made up",
                    value=usd(f"{9000 - 900 * (year - 2018)}"),
                ),
                event(name, "inspection_result", day, inspection="safety", result="pass"),
            ]  # fmt: skip
    return sorted(
        [e for e in [*events, *more] if e.occurred_at[:10] <= DAY], key=lambda e: e.occurred_at
    )


def answers(path: Path, known_by: str) -> dict[str, Result]:
    """What every analysis says as of the day, for the fleet or, where it must, one vehicle."""
    found = {}
    with open_view(
        path,
        as_of=DAY,
        known_by=known_by,
        cache=False,
        kinds=host().kinds(),
        tables=host().tables(),
    ) as view:
        for name in host().analyses():
            found[name] = host().run(name, view, ASKED.get(name, {})).result
    return found


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("as-of") / "roadworn.db"
    return ledger_of(path, base_events(), host().kinds())


@pytest.fixture(scope="module")
def before(base: Path) -> dict[str, dict[str, Result]]:
    return {known_by: answers(base, known_by) for known_by in ("recorded", "occurred")}


@st.composite
def later(draw: st.DrawFn, known_by: str) -> NewEvent:
    """An event of which nobody could know on that day.

    By `occurred` it happened later; by `recorded` it may have happened before, but was
    written down later.
    """
    month = draw(st.integers(1, 12))
    past = known_by == "recorded" and draw(st.booleans())
    day = f"{2019 if past else 2021}-{month:02d}-{draw(st.integers(1, 28)):02d}"
    common = {"recorded_at": "2021-12-30T10:00:00Z", "occurred_at": day}
    name = draw(st.sampled_from([*VEHICLES, "v001"]))
    kind = draw(st.sampled_from(["replacement", "inspection", "scan", "valuation", "retirement"]))
    if kind == "replacement":
        component = draw(st.sampled_from(["wheel.bearing", "brake.pad", "cooling.water_pump"]))
        return event(
            name, kind, component=component, reason=draw(st.sampled_from(["failed", "preventive"])),
            parts_cost=usd("999.00"), **common,
        )  # fmt: skip
    if kind == "inspection":
        finding = {"component": "steering.tie_rod_outer", "condition": "failed", "safety": True}
        return event(name, kind, findings=[finding], **common)
    if kind == "scan":
        return event(name, kind, modules=[{"codes": [{"code": "P0300"}]}], **common)
    if kind == "valuation":
        value = usd("100")
        return event(name, kind, value=value, source="made up", **common)
    return event(name, kind, reason="sold", **common)


def with_more(base: Path, added: list[NewEvent]) -> Path:
    """A copy of the ledger with more events."""
    folder = base.parent / "later"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    path = folder / "roadworn.db"
    shutil.copy(base, path)
    with Ledger.open(path, kinds=host().kinds()) as ledger:
        ledger.append_many(added, allow_repeat=True)
        assert ledger.checkpoint().size == len(base_events()) + len(added)
    return path


@pytest.mark.slow
@pytest.mark.parametrize("known_by", ["recorded", "occurred"])
@settings(max_examples=2, derandomize=True)
@given(data=st.data())
def test_later_events_change_no_analysis(
    base: Path, before: dict[str, dict[str, Result]], known_by: str, data: st.DataObject
) -> None:
    added = data.draw(st.lists(later(known_by), min_size=3, max_size=12))
    after = answers(with_more(base, added), known_by)
    assert after.keys() == before[known_by].keys()
    for name, result in after.items():
        assert result == before[known_by][name], name


def test_every_analysis_has_something_to_lose(before: dict[str, dict[str, Result]]) -> None:
    """An analysis that says nothing cannot change: most of them say something here."""
    said = [name for name, result in before["recorded"].items() if any(result.tables)]
    assert {"next-repairs", "projection-backtest", "repeat-failures", "part-lifespans"} <= set(said)
    # Of stays out of service, depots, energy and comebacks these ledgers hold nothing.
    of_a_fleet = {"availability", "class-cost", "comebacks", "programme-effect", "stock"}
    others = before["recorded"].keys() - of_a_fleet
    assert len(others & set(said)) >= len(others) - 3


def test_an_event_of_that_day_does_change_them(
    base: Path, before: dict[str, dict[str, Result]]
) -> None:
    known = event(
        VEHICLES[0], "replacement", "2020-06-20", component="wheel.bearing", position="LF",
        reason="failed", parts_cost=usd("999.00"),
    )  # fmt: skip
    after = answers(with_more(base, [known]), "recorded")
    changed = {name for name, result in after.items() if result != before["recorded"][name]}
    assert {"next-repairs", "projection-backtest", "part-lifespans"} <= changed
