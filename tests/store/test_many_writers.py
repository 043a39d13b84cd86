"""Several processes write at once: every event is there, in one unbroken history."""

import subprocess
import sys
import time

import pytest
from builders import enrolled, ledger_of

from roadworn.intake import Ledger
from roadworn.store.verify import verify

WRITER = """
import sys
from roadworn.model.events import NewEvent
from roadworn.intake import Ledger
path, name = sys.argv[1:]
with Ledger.open(path) as ledger:
    sys.stdin.readline()
    for at in range(50):
        ledger.append(NewEvent(vehicle_id="bus-7", kind="odometer_reading", payload={},
            occurred_at="2026-02-01", odometer=float(at), odometer_unit="km", recorded_by=name))
"""


def test_four_writers_of_fifty_events(tmp_path):
    path = tmp_path / "shop.db"
    ledger_of(path, [enrolled("bus-7")])
    names = ["bench A", "bench B", "front desk", "tow truck"]
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, path, name], stdin=subprocess.PIPE)
        for name in names
    ]
    for writer in writers:
        writer.stdin.write(b"go\n")
        writer.stdin.close()
    looked = 0
    while any(writer.poll() is None for writer in writers):
        assert verify(path).problems == ()
        looked += 1
    assert looked
    assert [writer.wait(timeout=60) for writer in writers] == [0] * 4
    with Ledger.open(path) as ledger:
        stored = list(ledger.events(after=1))
        last = ledger.checkpoint()
    assert [made.seq for made in stored] == list(range(2, 202))
    for name in names:
        # Each writer's own events keep their order.
        own = [made.odometer for made in stored if made.recorded_by == name]
        assert own == [float(at) for at in range(50)]
    report = verify(path)
    assert (report.size, report.root, report.problems) == (201, last.root, ())


FOR_SECONDS = """
import sys, time
from roadworn.testing import event
from roadworn.intake import Ledger
path, seconds = sys.argv[1:]
with Ledger.open(path) as ledger:
    sys.stdin.readline()
    end, longest, count = time.monotonic() + float(seconds), 0.0, 0
    while (began := time.monotonic()) < end:
        ledger.append(event("bus-7", "odometer_reading", "2026-02-01", odometer=7))
        longest, count = max(longest, time.monotonic() - began), count + 1
    print(longest, count)
"""


@pytest.mark.slow
def test_eight_writers_without_a_pause_have_their_turn(tmp_path):
    """With SQLite's own waiting one of them wrote 257 times and another 15."""
    path = ledger_of(tmp_path / "shop.db", [enrolled("bus-7")])
    command = [sys.executable, "-c", FOR_SECONDS, path, "6"]
    pipe = subprocess.PIPE
    writers = [subprocess.Popen(command, stdin=pipe, stdout=pipe, text=True) for _ in range(8)]
    time.sleep(6)  # until all of them have opened it
    for writer in writers:
        writer.stdin.write("go\n")
        writer.stdin.flush()
    told = [writer.communicate(timeout=60)[0].split() for writer in writers]
    counts = [int(count) for _longest, count in told]
    assert min(counts) * 3 >= max(counts), counts
    assert max(float(longest) for longest, _count in told) < 5
