"""kill -9 while writing: what was acknowledged is there, what was not is there whole or not at all.

SIGKILL shows that the order of writes is right; that SQLite's synchronous=FULL survives a loss
of power is SQLite's own claim (sqlite.org, "Atomic Commit In SQLite").
"""

import random
import signal
import subprocess
import sys
import time

import orjson
import pytest
from builders import enrolled, ledger_of

from roadworn.intake import Ledger
from roadworn.store.verify import verify
from roadworn.testing import event

ROWS = 100_000
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
