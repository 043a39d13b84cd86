"""What plugins put beside a vehicle stands on its page, and one that breaks keeps nothing back."""

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import pytest
from commandline import hide_settings
from page.conftest import HOSTILE, PHONE, Device, Served, serving, shop
from pydantic import Field

from roadworn import (
    Analysis,
    Column,
    EventKind,
    LedgerView,
    Mark,
    NewEvent,
    Panel,
    Payload,
    PluginHost,
    Result,
    Settings,
    Table,
    hookimpl,
)
from roadworn.intake import Ledger

httpx = pytest.importorskip("httpx")
pytestmark = pytest.mark.slow


class Fill(Payload):
    litres: float


class OfOne(Settings):
    vehicle: Annotated[str | None, Field(description="only this one")] = None


def use(view: LedgerView, settings: OfOne) -> Result:
    rows = view.sql("SELECT 1 FROM events WHERE vehicle_id = ?", (settings.vehicle,)).rows
    columns = (Column("what", "what"), Column("events", "events", "integer"))
    cells = ((HOSTILE, len(rows)), ("plain", 0))
    table = Table("t", "Fills", columns, cells, marks=(frozenset({Mark.SAFETY}), frozenset()))
    return Result("Fuel is used.", (table,), cautions=("Fuel burns: no flame near it.",))


def broken(_view: LedgerView, _settings: OfOne) -> Result:
    raise ValueError("no pump")


class Fuel:
    @hookimpl
    def roadworn_event_kinds(self) -> list[EventKind]:
        return [EventKind("fuel.fill", Fill, sentence="filled {litres:g} l at the island")]

    @hookimpl
    def roadworn_analyses(self) -> list[Analysis]:
        asked = "How much?"
        return [
            Analysis("fuel-use", "Fuel use", asked, use, OfOne),
            Analysis("fuel-torn", "Torn", asked, broken, OfOne),
        ]

    @hookimpl
    def roadworn_panels(self) -> list[Panel]:
        return [Panel("fuel-a", "fuel-use"), Panel("fuel-b", "fuel-torn")]


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    hide_settings(monkeypatch)
    host = PluginHost.load()
    host.register(Fuel(), "fuel")
    path = shop(tmp_path / "shop.db")
    with Ledger.open(path, kinds=host.kinds(), writable=True) as ledger:
        ledger.append(
            NewEvent(
                vehicle_id="van-3",
                kind="fuel.fill",
                occurred_at="2026-05-05",
                payload={"litres": 40.5},
            )
        )
    with serving(path, host) as found:
        yield found


def test_panels_stand_on_the_page_and_a_kind_is_told_there(served: Served) -> None:
    with httpx.Client(base_url=served.url, trust_env=False, timeout=60) as client:
        until = time.monotonic() + 60
        while "Fuel use" not in (text := client.get("/v/van-3").text) and time.monotonic() < until:
            time.sleep(0.2)
        assert "Caution: Fuel burns: no flame near it." in text
        assert text.count('<td class="stopped"><b>STOP</b> ') == 1
        assert HOSTILE not in text
        assert "fuel-torn" in text
        assert "ValueError: no pump" in text
        assert "filled 40.5 l at the island" in client.get("/v/van-3/history").text


def test_a_panel_fits_a_telephone(served: Served, device: Device) -> None:
    page: Any = device(PHONE)
    page.goto(f"{served.url}/v/van-3")
    page.wait_for_selector("section.panel", timeout=60_000)
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
