"""What tests of several rooms share: a command line to run, ledgers to read, and the demo.

What is dear to make and only read is made once in a run, whatever the number of its workers.
"""

import os
import pickle
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from io import BytesIO, TextIOWrapper
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from uuid import uuid4

import pytest
from builders import ledger_of
from commandline import Once, Outcome, OutlookOf, Run, hide_settings
from hypothesis import HealthCheck, settings
from servers import programs, running

from roadworn import LedgerView, PluginHost, open_view
from roadworn.analysis.outlook import Outlook, outlook
from roadworn.model.events import NewEvent
from roadworn.store.whole import place_of
from roadworn_demo import DEMO_TODAY, build

# How long an example takes hangs on what else the machine does; what each finds must not.
settings.register_profile(
    "without a clock", settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("without a clock")
# How wide the terminal of whoever runs the tests is must not change what they read.
os.environ.pop("COLUMNS", None)
# Keys of ledgers that tests make are theirs, and whoever runs them may have some.
_SETTINGS = TemporaryDirectory(prefix="roadworn-settings-")
os.environ["XDG_CONFIG_HOME"] = os.environ["APPDATA"] = _SETTINGS.name


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run `roadworn` with some words; nothing of the user's environment is seen."""
    # The command line is loaded where it is tried, not for every test of a small rule.
    from roadworn_cli.main import main

    hide_settings(monkeypatch)
    # So wide that sentences stand whole; the tests of the screen narrow it.
    monkeypatch.setenv("COLUMNS", "1000")
    monkeypatch.chdir(tmp_path)

    def go(*words: str, given: str = "") -> Outcome:
        monkeypatch.setattr("sys.stdin", TextIOWrapper(BytesIO(given.encode()), "utf-8"))
        code = main(words)
        captured = capsys.readouterr()
        return Outcome(code, captured.out, captured.err)

    return go


Written = Callable[..., LedgerView]


@pytest.fixture
def view_of(tmp_path: Path) -> Iterator[Written]:
    """Write events to a fresh ledger and open it; keywords go to `open_view`."""
    with ExitStack() as stack:
        number = 0

        def write(events: list[NewEvent], **options: Any) -> LedgerView:
            nonlocal number
            number += 1
            path = ledger_of(tmp_path / f"{number}.db", events, kinds=options.get("kinds"))
            options.setdefault("as_of", "2026-06-30")
            return stack.enter_context(open_view(path, **options))

        yield write


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Once:
    """Fill a folder once for all workers of a run, and return it; the others wait for it."""
    base = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent

    def folder(name: str, fill: Callable[[Path], object]) -> Path:
        # A lock of SQLite is the same on every system, and goes when its process does.
        lock = sqlite3.connect(base / f"{name}.lock", timeout=600, isolation_level=None)
        with closing(lock):
            lock.execute("BEGIN EXCLUSIVE")
            done, unfinished = base / name, base / f"{name}.unfinished"
            if not done.exists():
                unfinished.mkdir(exist_ok=True)
                fill(unfinished)
                unfinished.rename(done)
        return done

    return folder


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """A PostgreSQL server of our own; the address of a database is this, with account and name."""
    if programs() is None:
        pytest.skip("no PostgreSQL server is installed here (`apt-get install postgresql`)")
    pytest.importorskip("psycopg", reason='psycopg is not installed (`pip install ".[postgres]"`)')
    with running() as address:
        yield address


@pytest.fixture
def new_database(server: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[], str]:
    """Make an empty database; gives its name."""
    import psycopg

    monkeypatch.setenv("ROADWORN_SERVERS", str(tmp_path / "servers"))

    def make() -> str:
        name = f"shop_{uuid4().hex[:12]}"
        with psycopg.connect(server % ("root", "postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return name

    return make


@pytest.fixture(params=["file", "server"])
def new_path(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Where a ledger may be made: once as a file, once on a server."""
    if request.param == "file":
        return tmp_path / "shop.db"
    make, server = request.getfixturevalue("new_database"), request.getfixturevalue("server")
    return place_of(server % ("root", make()))


@pytest.fixture(scope="session")
def host() -> PluginHost:
    """The bundled plugins."""
    return PluginHost.load()


@pytest.fixture(scope="session")
def demo_ledger(once: Once) -> Path:
    """The demo's ledger, to be read only."""
    return once("demo", build) / "roadworn.db"


@pytest.fixture(scope="session")
def demo_view(demo_ledger: Path) -> Iterator[LedgerView]:
    """The demo as of its own day."""
    with open_view(demo_ledger, as_of=DEMO_TODAY) as view:
        yield view


@pytest.fixture(scope="session")
def demo_outlook(once: Once, demo_view: LedgerView, host: PluginHost) -> OutlookOf:
    """The outlook of a vehicle of the demo, told in a unit: gathered once, for it takes long."""

    def of(vehicle: str, unit: str) -> Outlook:
        def fill(folder: Path) -> None:
            found = outlook(demo_view, host, vehicle, unit=unit)
            (folder / "outlook").write_bytes(pickle.dumps(found))

        kept = once(f"outlook-{vehicle}-{unit}", fill) / "outlook"
        found: Outlook = pickle.loads(kept.read_bytes())
        return found

    return of
