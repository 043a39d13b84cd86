"""Eight who write and four who read one ledger, without a pause; run by hand.

    python tests/campaigns/together.py 300

Four write an event at a time, two write batches, one keeps contacts and number plates, one imports
a file in stages. Of the readers two verify, one folds the columns, and one backs up. No reader may
raise an alarm, no writer may be refused, and in the end everything that was acknowledged must be
there, each writer's own in its order, batches whole, and the ledger and its contacts must verify.
"""

import os
import subprocess
import sys
import tempfile
import time
from itertools import chain
from pathlib import Path

from roadworn.intake import Ledger
from roadworn.store import keeping
from roadworn.store.verify import verify
from roadworn.testing import event

COMMON = """
import itertools, sys, time
from pathlib import Path
from roadworn.intake import Ledger
from roadworn.testing import event
path, name, seconds = sys.argv[1:]
path = Path(path)
end = time.monotonic() + float(seconds)
"""
WRITERS = {
    "one": COMMON
    + """
with Ledger.open(path) as ledger:
    at = 0
    while (began := time.monotonic()) < end:
        new = event("bus-7", "odometer_reading", "2026-02-01", odometer=at)
        made = ledger.append(new.model_copy(update={"recorded_by": name}))
        print(time.monotonic() - began, made.event_id, flush=True)
        at += 1
""",
    "batch": COMMON
    + """
with Ledger.open(path) as ledger:
    while (began := time.monotonic()) < end:
        made = ledger.append_many(
            event("bus-8", "odometer_reading", "2026-02-01", odometer=at).model_copy(
                update={"recorded_by": name})
            for at in range(25))
        print(time.monotonic() - began, made.added, flush=True)
""",
    "contacts": COMMON
    + """
for at in itertools.count():
    if (began := time.monotonic()) >= end:
        break
    with Ledger.open(path) as ledger:
        ledger.contacts.set(f"o-{at % 20}", name=f"Person {at}")
        ledger.plates.set(f"bus-{at % 20}", f"AB {at}")
        if at % 7 == 0:
            ledger.contacts.erase(f"o-{at % 20}")
        print(time.monotonic() - began, 0, flush=True)
    time.sleep(0.02)
""",
    "import": COMMON
    + """
import orjson
from roadworn.intake import files, staged
files._STAGED_FROM_BYTES, staged.STAGE = 0, 500
for run in itertools.count():
    if (began := time.monotonic()) >= end:
        break
    rows = Path(f"{path}.{run}.ndjson")
    rows.write_bytes(b"".join(orjson.dumps({
        "vehicle_id": "bus-9", "kind": "odometer_reading", "occurred_at": "2026-02-01",
        "odometer": at, "odometer_unit": "km", "payload": {}, "recorded_by": f"{name} {run}"})
        + b"\\n" for at in range(3_000)))
    with Ledger.open(path) as ledger:
        report = files.import_files(ledger, [rows])
    print(time.monotonic() - began, report.added, flush=True)
""",
}
READERS = {
    "verify": COMMON
    + """
from roadworn.store.verify import verify
while time.monotonic() < end:
    found = verify(path)
    with Ledger.open(path, writable=False) as ledger:
        told = [*found.problems, *ledger.contacts.problems(), *ledger.plates.problems()]
    print(len(told), *(one.code for one in told), flush=True)
""",
    "columns": COMMON
    + """
from roadworn.columns.view import open_view
while time.monotonic() < end:
    with open_view(path) as view:
        view.sql("SELECT count(*) FROM raw.events")
    print(0, flush=True)
""",
    "backup": COMMON
    + """
from roadworn.store.backup import back_up
from roadworn.store.verify import verify
while time.monotonic() < end:
    copy = Path(f"{path}.copy.db")
    back_up(path, copy)
    print(len(verify(copy).problems), flush=True)
    for one in copy.parent.glob(f"{copy.name}*"):
        one.unlink()
    time.sleep(1)
""",
}
TEAM = (*("one",) * 4, *("batch",) * 2, "contacts", "import")
LOOKERS = ("verify", "verify", "columns", "backup")


def main(seconds: float) -> int:
    print(f"{len(TEAM)} writers, {len(LOOKERS)} readers, {seconds:g} s, {time.ctime()}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        os.environ["ROADWORN_KEYS"] = str(Path(folder, "keys"))
        path = Path(folder, "shop.db")
        with Ledger.create(path) as ledger:
            ledger.append_many(
                event(f"bus-{at}", "enrolment", "2026-01-01", parts="unknown") for at in (7, 8, 9)
            )
        keeping.make_key(path)
        runs = []
        programs = [(kind, WRITERS[kind]) for kind in TEAM]
        programs += [(kind, READERS[kind]) for kind in LOOKERS]
        for number, (kind, program) in enumerate(programs):
            name, said = f"{kind} {number}", Path(folder, f"{number}.said")
            with said.open("w") as out:
                command = [sys.executable, "-c", program, str(path), name, str(seconds)]
                runs.append((kind, name, subprocess.Popen(command, stdout=out), said))
        bad = []
        told: dict[str, list[list[str]]] = {}
        for kind, name, process, said in runs:
            if process.wait() != 0:
                bad.append(f"{name} ended with {process.returncode}")
            told[name] = [line.split() for line in said.read_text().splitlines()]
            if kind in READERS:
                alarms = sum(int(line[0]) for line in told[name])
                bad += [f"{name}: {' '.join(line)}" for line in told[name] if line[0] != "0"]
                print(f"{name}: looked {len(told[name])} times, {alarms} alarms", flush=True)
        bad += compared(path, told)
        print(f"wrong: {len(bad)}", *bad[:20], sep="\n  ")
        return 1 if bad else 0


def compared(path: Path, told: dict[str, list[list[str]]]) -> list[str]:
    """Return what is not as it was acknowledged."""
    bad, alone = [], {}
    with Ledger.open(path) as ledger:
        stored = list(ledger.events())
        bad += [one.code for one in (*ledger.contacts.problems(), *ledger.plates.problems())]
    for name, lines in told.items():
        if name.startswith("one"):
            own = [one.event_id for one in stored if one.recorded_by == name]
            if own != [line[1] for line in lines]:
                bad.append(f"{name}: what was acknowledged is not what is there")
            alone[name] = [float(line[0]) for line in lines]
        elif name.startswith(("batch", "import")):
            own = sum(one.recorded_by == name or one.recorded_by.startswith(f"{name} ")
                      for one in stored)  # fmt: skip
            if own != sum(int(line[1]) for line in lines):
                bad.append(f"{name}: {own} events of {lines}")
    bad += [one.code for one in verify(path).problems]
    took = sorted(chain(*alone.values()))
    counts = [len(one) for one in alone.values()]
    print(f"{len(stored)} events; single writes: {len(took)}, p50 {took[len(took) // 2] * 1e3:.0f} "
          f"ms, p99 {took[int(len(took) * 0.99)] * 1e3:.0f} ms, slowest writer {min(counts)}, "
          f"fastest {max(counts)}")  # fmt: skip
    return bad


if __name__ == "__main__":
    sys.exit(main(float((sys.argv[1:] or ["300"])[0])))
