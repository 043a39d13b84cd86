"""kill -9 while writing: what was acknowledged is there, what was not is there whole or not at all.

SIGKILL shows that the order of writes is right; that SQLite's synchronous=FULL survives a loss
of power is SQLite's own claim (sqlite.org, "Atomic Commit In SQLite").
"""

import random
import signal
import subprocess
import sys
import time

import duckdb
import orjson
import pytest
from builders import enrolled, ledger_of

from roadworn.columns.build import Cache
from roadworn.intake import Ledger
from roadworn.model.errors import UsageError
from roadworn.model.kinds import KindRegistry
from roadworn.store.backup import back_up
from roadworn.store.merkle import Checkpoint
from roadworn.store.verify import verify
from roadworn.testing import event

#: Fewer than are taken in stages (tests/intake/test_staged.py).
ROWS = 50_000
IMPORT = """
import sys
from roadworn.intake.files import import_files
from roadworn.intake import Ledger
with Ledger.open(sys.argv[1]) as ledger:
    print("go", flush=True)
    import_files(ledger, [sys.argv[2]])
"""
APPEND = """
import sys
from roadworn.model.events import NewEvent
from roadworn.intake import Ledger
with Ledger.open(sys.argv[1]) as ledger:
    for at in range(1_000_000):
        stored = ledger.append(NewEvent(vehicle_id="bus-7", kind="odometer_reading",
            occurred_at="2026-02-01", odometer=float(at), odometer_unit="km", payload={}))
        print(stored.event_id, flush=True)
"""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")


@pytest.fixture
def path(tmp_path):
    return ledger_of(tmp_path / "shop.db", [enrolled("bus-7")])


@pytest.fixture(scope="module")
def rows(tmp_path_factory):
    file = tmp_path_factory.mktemp("rows") / "rows.ndjson"
    row = {"vehicle_id": "bus-7", "kind": "odometer_reading", "occurred_at": "2026-02-01"}
    with file.open("wb") as out:
        for at in range(ROWS):
            line = {**row, "odometer": at, "odometer_unit": "km", "payload": {"how": "dash"}}
            out.write(orjson.dumps(line) + b"\n")
    return file


def run(program, *arguments):
    return subprocess.Popen(
        [sys.executable, "-c", program, *map(str, arguments)], stdout=subprocess.PIPE, text=True
    )


def kill(process):
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()


@pytest.mark.slow
def test_an_import_is_there_whole_or_not_at_all(path, rows):
    for moment in sorted(random.uniform(0.05, 2.5) for _ in range(3)):
        process = run(IMPORT, path, rows)
        assert process.stdout.readline() == "go\n"
        time.sleep(moment)
        kill(process)
        with Ledger.open(path) as ledger:
            size = ledger.checkpoint().size
        assert size in (1, 1 + ROWS), f"killed after {moment} s"
        if size > 1:
            break
        assert verify(path).problems == ()
    with Ledger.open(path) as ledger:
        ledger.append(event("bus-7", "odometer_reading", "2026-02-02", odometer=7))
    assert verify(path).problems == ()


@pytest.mark.parametrize("acknowledged", [1, 7, 60])
def test_every_acknowledged_append_is_there(path, acknowledged):
    process = run(APPEND, path)
    told = [process.stdout.readline().strip() for _ in range(acknowledged)]
    process.send_signal(signal.SIGKILL)
    told += process.stdout.read().split()
    kill(process)
    with Ledger.open(path) as ledger:
        stored = [made.event_id for made in ledger.events(after=1)]
        # One more may have been committed whose word did not get out.
        assert told[:-1] == stored[: len(told) - 1]
        assert told[-1] == stored[len(told) - 1] or told[-1] in stored[len(told) - 1]
        assert len(stored) <= len(told) + 1
    assert verify(path).problems == ()


MAKERS = {
    "create": "LedgerFile.create(folder / 'new.db')",
    "backup": "back_up(ledger, folder / 'new.db')",
    "events": "export_events(LedgerFile.open(ledger), folder)",
    "parquet": (
        "export_tables(open_view(ledger, outside=Outside(into=folder)), dictionary(), folder, "
        "'parquet')"
    ),
    "duckdb": "export_tables(open_view(ledger), dictionary(), folder, 'duckdb')",
}
KILLED_BEFORE_ITS_NAME = """
import os, signal, sys
from pathlib import Path
from roadworn.columns.export import export_events, export_tables
from roadworn.columns.spec import Outside
from roadworn.columns.view import dictionary, open_view
from roadworn.store import LedgerFile, whole
from roadworn.store.backup import back_up
ledger, folder = map(Path, sys.argv[1:])
whole._to_disk = lambda _: os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.parametrize("maker", MAKERS)
def test_what_is_killed_while_it_is_made_has_no_name(path, tmp_path, maker):
    folder = tmp_path / "out"
    folder.mkdir()
    process = run(f"{KILLED_BEFORE_ITS_NAME}\n{MAKERS[maker]}", path, folder)
    assert process.wait(timeout=60) == -signal.SIGKILL
    process.stdout.close()
    assert [file.name for file in folder.iterdir() if not file.name.startswith(".")] == []
    left = [file for file in folder.iterdir() if file.name.endswith(".making")]
    assert len(left) == (maker != "duckdb") or left[0].stat().st_size


@pytest.mark.parametrize("maker", MAKERS)
def test_what_is_made_is_whole_and_its_owner_s_alone(path, tmp_path, maker):
    folder = tmp_path / "out"
    folder.mkdir()
    code = KILLED_BEFORE_ITS_NAME.rpartition("whole._to_disk")[0]
    process = run(f"{code}\nmade = {MAKERS[maker]}\nhasattr(made, 'close') and made.close()",
                  path, folder)  # fmt: skip
    assert process.wait(timeout=60) == 0
    process.stdout.close()
    names = [file.name for file in folder.iterdir()]
    assert names
    assert not [name for name in names if name.startswith(".") or "making" in name]
    assert {file.stat().st_mode & 0o777 for file in folder.iterdir()} == {0o600}


def test_a_ledger_and_what_lies_beside_it_are_its_owner_s_alone(tmp_path):
    path = tmp_path / "shop.db"
    with Ledger.create(path) as ledger:
        ledger.append(enrolled("bus-7"))
        ledger._write_beside()
        Cache(path, (), KindRegistry()).save(duckdb.connect(), Checkpoint(0, ""))
        assert len(list(tmp_path.iterdir())) == 5
        modes = {file.name: file.stat().st_mode & 0o77 for file in tmp_path.iterdir()}
        assert set(modes.values()) == {0}, modes


def test_a_name_that_leaves_no_room_for_the_checkpoint(tmp_path):
    path = ledger_of(tmp_path / ("n" * 244), [enrolled("bus-7")])
    assert verify(path).notes == ()
    for make in (Ledger.create, lambda name: back_up(path, name)):
        with pytest.raises(UsageError, match="244 letters"):
            make(tmp_path / ("n" * 245))
