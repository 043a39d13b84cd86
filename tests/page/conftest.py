"""The page served from a thread, and a browser at it."""

import os
import re
import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from builders import ledger_of
from commandline import hide_settings

pytest.importorskip("starlette", reason="the page needs its extra")
uvicorn = pytest.importorskip("uvicorn", reason="the page needs its extra")

from roadworn import PluginHost  # noqa: E402
from roadworn.intake import Ledger  # noqa: E402
from roadworn.model.events import StoredEvent  # noqa: E402
from roadworn.testing import event  # noqa: E402
from roadworn_cli.context import State  # noqa: E402
from roadworn_cli.page.app import application  # noqa: E402
from roadworn_cli.page.guard import Pairing, Sessions  # noqa: E402

HOSTILE = "<script>document.title='run'</script><img src=x onerror=\"document.title='run'\">"
PHONE, TABLET = {"width": 390, "height": 844}, {"width": 820, "height": 1180}


@dataclass
class Served:
    """A page that is served.

    Attributes:
        url: where.
        ledger: its ledger's file.
        sessions: who may ask.
    """

    url: str
    ledger: Path
    sessions: Sessions

    def events(self, kind: str = "") -> list[StoredEvent]:
        with Ledger.open(self.ledger, writable=False) as ledger:
            return [one for one in ledger.events() if kind in ("", one.kind)]


@contextmanager
def serving(
    ledger: Path, host: PluginHost, *, local: bool = True, adapter: str = ""
) -> Iterator[Served]:
    """Serve a ledger until the block ends."""
    sessions = Sessions(Pairing(needed=not local))
    app = application(State(ledger), sessions, local=local, host=host, adapter=adapter)
    listening = socket.create_server(("127.0.0.1", 0))
    config = uvicorn.Config(app, log_level="error", access_log=False, ws="none")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    until = time.monotonic() + 30
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    try:
        yield Served(f"http://127.0.0.1:{listening.getsockname()[1]}", ledger, sessions)
    finally:
        server.should_exit = True
        thread.join(30)
        listening.close()
        # What a worker is still at would turn the standard output of the next test aside.
        app.state.desk.asker.close(wait=True)


def shop(path: Path) -> Path:
    """A ledger with two vehicles: one with a stop item and work put off, one with hostile text."""
    finding = {"component": "steering.tie_rod_outer", "position": "L", "condition": "failed"}
    pads = {"value": 6.0, "unit": "mm", "name": "lining thickness"}
    return ledger_of(
        path,
        [
            event("van-3", "enrolment", "2025-01-10", odometer=90_000, make="Tarrow"),
            event(
                "van-3",
                "inspection",
                "2026-05-04",
                odometer=98_000,
                findings=[
                    {**finding, "safety": True, "note": "loose"},
                    {"component": "brake.pad", "position": "front", "condition": "sound",
                     "measurements": [pads]},
                ],
            ),
            event("car-1", "enrolment", "2025-02-10", odometer=50_000, label=HOSTILE, make=HOSTILE),
            event("car-1", "complaint", "2026-02-10", odometer=52_000, complaint=HOSTILE),
        ],
    )  # fmt: skip


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, host: PluginHost) -> Iterator[Served]:
    hide_settings(monkeypatch)
    with serving(shop(tmp_path / "shop.db"), host) as found:
        yield found


@pytest.fixture
def paired(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, host: PluginHost) -> Iterator[Served]:
    """The same, served to other devices."""
    hide_settings(monkeypatch)
    with serving(shop(tmp_path / "shop.db"), host, local=False) as found:
        yield found


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A browser, started once for a worker."""
    sync = pytest.importorskip(
        "playwright.sync_api", reason="no Playwright: pip install playwright"
    )
    program = os.environ.get("ROADWORN_CHROMIUM") or shutil.which("chromium")
    if program is None:
        pytest.skip("no Chromium on this machine: apt-get install chromium")
    flags = ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
    with sync.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, args=flags)
        yield browser
        browser.close()


#: (size) -> a page of a device of its own.
Device = Callable[..., Any]


@pytest.fixture
def device(chromium: Any) -> Iterator[Device]:
    """Open a device of a size; a fault of a script on it fails the test."""
    faults: list[str] = []
    with ExitStack() as stack:

        def opened(size: dict[str, int] = TABLET, **more: Any) -> Any:
            context = chromium.new_context(viewport=size, **more)
            stack.callback(context.close)
            context.set_default_timeout(60_000)
            page = context.new_page()
            page.on("pageerror", lambda error: faults.append(str(error)))
            return page

        yield opened
    assert faults == []


def row(page: Any, name: str) -> Any:
    """The row of an item by its name."""
    legend = page.locator("legend", has_text=re.compile(rf"^(STOP )?\s*{re.escape(name)}\s*$"))
    return page.locator("fieldset.item", has=legend).first


def press(page: Any, name: str, key: str) -> None:
    """Press a key of an item."""
    row(page, name).locator("label", has_text=re.compile(f"^{key}$")).click()


def write(page: Any, by: str = "MK") -> None:
    """Sign, and press the key that writes."""
    page.fill("#by", by)
    page.click("button.write")
