"""Eight writers at once: on a server, beside a globally chained table, and on a file; by hand.

    PYTHONPATH=tests python tests/benchmarks/bench_writers.py 8 [MS]

Each writer is a process of its own and writes without a pause for so many seconds. The peer is what
a chain of hashes asks for: whoever writes holds the whole table from reading the last hash to the
commit. It validates and hashes the same event, asks in the same message as for the last hash
whether the vehicle is enrolled, and keeps the indexes that this and other questions need: what a
ledger in one table would do. The rounds of both take turns in one run, on one server whose commits
wait for the disk. A virtual disk may answer a sync in less time than any real one: with MS a shim
(`tests/campaigns/faults.c`) lets each sync of the server's log take so many milliseconds more.
"""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from itertools import chain
from pathlib import Path
from statistics import median

import psycopg
from servers import running

from roadworn.intake import Ledger
from roadworn.store.verify import verify
from roadworn.store.whole import place_of
from roadworn.testing import event

WRITERS, ROUNDS = 8, 3
OURS = """
import sys, time
from pathlib import Path
from roadworn.testing import event
from roadworn.intake import Ledger
path, vehicle, seconds = sys.argv[1:]
with Ledger.open(path) as ledger:
    print("ready", flush=True)
    sys.stdin.readline()
    took, end = [], time.monotonic() + float(seconds)
    while (began := time.monotonic()) < end:
        ledger.append(event(vehicle, "odometer_reading", "2026-02-01", odometer=7))
        took.append(time.monotonic() - began)
print(*took)
"""
CHAINED = '''
import sys, time
from hashlib import sha256
import psycopg
from roadworn.intake import prepare
from roadworn.model.kinds import KindRegistry
from roadworn.testing import event
address, vehicle, seconds = sys.argv[1:]
kinds = KindRegistry()
ASKED = """SELECT EXISTS (SELECT 1 FROM chained AS made WHERE kind = 'enrolment' AND vehicle_id = %s
    AND NOT EXISTS (SELECT 1 FROM chained AS gone WHERE gone.kind = 'retraction'
        AND gone.vehicle_id = made.vehicle_id
        AND gone.payload::json ->> 'event' = made.event_id)),
    (SELECT hash FROM chained ORDER BY seq DESC LIMIT 1)"""
with psycopg.connect(address, autocommit=True, cursor_factory=psycopg.ClientCursor) as server:
    print("ready", flush=True)
    sys.stdin.readline()
    took, end = [], time.monotonic() + float(seconds)
    while (began := time.monotonic()) < end:
        made = event(vehicle, "odometer_reading", "2026-02-01", odometer=7)
        row = prepare(made, kinds).row
        told = server.execute("BEGIN; LOCK TABLE chained IN EXCLUSIVE MODE; " + ASKED,
                              (vehicle,))
        while told.nextset():
            pass
        enrolled, last = told.fetchone()
        if not enrolled:
            raise SystemExit("not enrolled")
        link = sha256((last or b"") + row.leaf).digest()
        marks = ", ".join(["%s"] * 14)
        server.execute(f"INSERT INTO chained (event_id, vehicle_id, kind, version, occurred_at, "
            "recorded_at, recorded_by, source, odometer, odometer_unit, payload, intake_key, leaf, "
            f"hash) VALUES ({marks}); COMMIT", (*row, link))
        took.append(time.monotonic() - began)
print(*took)
'''
TABLE = """CREATE TABLE chained (seq bigserial PRIMARY KEY, event_id text UNIQUE, vehicle_id text,
kind text, version integer, occurred_at text, recorded_at text, recorded_by text, source text,
odometer double precision, odometer_unit text, payload text, intake_key text, leaf bytea,
hash bytea);
CREATE UNIQUE INDEX ON chained (intake_key) WHERE intake_key IS NOT NULL;
CREATE INDEX ON chained (vehicle_id) WHERE kind = 'enrolment';
CREATE INDEX ON chained (vehicle_id, odometer) WHERE kind = 'replacement';
CREATE INDEX ON chained (vehicle_id) WHERE kind = 'retraction';
CREATE INDEX ON chained (vehicle_id) WHERE kind = 'merge';
CREATE INDEX ON chained (vehicle_id, seq)"""
ENROLMENT = "INSERT INTO chained (event_id, vehicle_id, kind) VALUES (%s, %s, 'enrolment')"


def together(program: str, target: str, seconds: float) -> list[list[float]]:
    """Return how long each write of each writer took."""
    pipe = subprocess.PIPE
    writers = [
        subprocess.Popen(
            [sys.executable, "-c", program, target, f"bus-{at}", str(seconds)],
            stdin=pipe, stdout=pipe, text=True,
        )
        for at in range(WRITERS)
    ]  # fmt: skip
    for writer in writers:
        writer.stdout.readline()
    for writer in writers:
        writer.stdin.write("go\n")
        writer.stdin.flush()
    return [[float(took) for took in writer.communicate()[0].split()] for writer in writers]


def told(name: str, runs: list[list[float]], seconds: float) -> float:
    """Print what a round came to; return its writes a second."""
    took, counts = sorted(chain(*runs)), [len(run) for run in runs]
    rate = len(took) / seconds
    print(
        f"{name:8} {rate:6.0f} writes a second, p50 {took[len(took) // 2] * 1e3:6.1f} ms, "
        f"p99 {took[int(len(took) * 0.99)] * 1e3:7.1f} ms, slowest {min(counts)}, "
        f"fastest {max(counts)}, slowest/fastest {min(counts) / max(counts):.2f}",
        flush=True,
    )
    return rate


def fill(path: Path) -> None:
    with Ledger.create(path) as ledger:
        ledger.append_many(
            event(f"bus-{at}", "enrolment", "2026-01-01", parts="unknown") for at in range(WRITERS)
        )


@contextmanager
def slow_disk(folder: str, milliseconds: str) -> Iterator[None]:
    """Let each sync of the log of a server that is started meanwhile take longer."""
    if not milliseconds:
        yield
        return
    shim, source = Path(folder, "faults.so"), Path(__file__).parents[1] / "campaigns" / "faults.c"
    subprocess.run(["cc", "-shared", "-fPIC", "-o", str(shim), str(source), "-ldl"], check=True)
    Path(folder).chmod(0o755)
    asked = {"LD_PRELOAD": str(shim), "FAULTS_ON": "/pg_wal/", "FAULTS_HOW": "late",
             "FAULTS_MS": milliseconds}  # fmt: skip
    os.environ.update(asked)
    yield
    for name in asked:
        del os.environ[name]


def sync_of(folder: str) -> float:
    """Return how many milliseconds this disk takes for a sync of a page that was written."""
    took = []
    with Path(folder, "sync").open("wb", buffering=0) as file:
        for _ in range(200):
            file.write(bytes(8192))
            began = time.monotonic()
            os.fdatasync(file.fileno())
            took.append(time.monotonic() - began)
    return median(took) * 1e3


def main(seconds: float, milliseconds: str) -> None:
    print(f"{WRITERS} writers of {seconds:g} s, load {os.getloadavg()[0]:.1f}, {time.ctime()}")
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        print(f"a sync takes {sync_of(folder):.2f} ms here, "
              f"and {milliseconds or 0} ms more in this run")  # fmt: skip
        with slow_disk(folder, milliseconds):
            address = stack.enter_context(running(durable=True))
        os.environ["ROADWORN_SERVERS"] = folder
        with psycopg.connect(address % ("root", "postgres"), autocommit=True) as root:
            root.execute("CREATE DATABASE shop")
            root.execute(TABLE)
            for at in range(WRITERS):
                root.execute(ENROLMENT, (f"made-{at}", f"bus-{at}"))
        path = place_of(address % ("root", "shop"))
        fill(path)
        ratios = []
        for _ in range(ROUNDS):
            peer = told("chained", together(CHAINED, address % ("root", "postgres"), seconds),
                        seconds)  # fmt: skip
            ours = told("server", together(OURS, str(path), seconds), seconds)
            ratios.append(ours / peer)
        print(f"server / chained: {', '.join(f'{one:.2f}' for one in ratios)}; "
              f"median {median(ratios):.2f}")  # fmt: skip
        print("verifies:", not verify(path).problems)
        file = Path(folder, "shop.db")
        fill(file)
        for _ in range(ROUNDS):
            told("file", together(OURS, str(file), seconds), seconds)
        print("verifies:", not verify(file).problems)


if __name__ == "__main__":
    main(float((sys.argv[1:] or ["8"])[0]), (sys.argv[2:] or [""])[0])
