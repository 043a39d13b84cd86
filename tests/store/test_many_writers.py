"""Several processes write at once: every event is there, in one unbroken history."""

import subprocess
import sys

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
