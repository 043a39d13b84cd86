"""How fast events get into a ledger, against SQLite itself, in one run on one machine.

    python tests/benchmarks/bench_import.py [EVENTS] [ROUNDS]

Prints, for each round: the import of an NDJSON file (validated, hashed, durable), and
`executemany` of the very same rows, made beforehand, into a bare table of the same columns with
its unique indexes but without guards, in the same way (WAL, synchronous=FULL, one transaction,
the same cache). Then one durable append against one bare insert of the same row.

The import keeps two processors busy: on a machine that does other work meanwhile, the ratio of
processor times (bare insert : the busier of writer and helper) says more than the clock. Peak
memory is of the importing process and its helper together. The mix has readings and scans that
say the same again and again, as a workshop's do: about 59 % of its payloads were met before, and
without any of those the helper needs about a twentieth more. Never run as a test: the figures
are ratios.
"""

import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from generated import lines

CHUNK = 50_000
BARE = (
    "CREATE TABLE events (seq INTEGER PRIMARY KEY, event_id TEXT NOT NULL UNIQUE, "
    "vehicle_id TEXT, kind TEXT, version INTEGER, occurred_at TEXT, recorded_at TEXT, "
    "recorded_by TEXT, source TEXT, odometer REAL, odometer_unit TEXT, payload TEXT, "
    "intake_key TEXT UNIQUE, leaf BLOB)"
)
INSERT = f"INSERT INTO events VALUES ({', '.join('?' * 14)})"


def bare(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA cache_size = -65536")
    connection.execute(BARE)
    return connection


def import_once(file: str, ledger: str) -> None:
    """Run in a process of its own, and print seconds and peak memory in MB."""
    from roadworn.intake import Ledger
    from roadworn.intake.files import import_files

    with Ledger.create(ledger) as made:
        started, busy = time.perf_counter(), time.process_time()
        report = import_files(made, [file])
        seconds, busy = time.perf_counter() - started, time.process_time() - busy
    if report.problems:
        raise SystemExit(str(report.problems[0]))
    own = resource.getrusage(resource.RUSAGE_SELF)
    helper = resource.getrusage(resource.RUSAGE_CHILDREN)
    helped = helper.ru_utime + helper.ru_stime
    print(seconds, busy, helped, (own.ru_maxrss + helper.ru_maxrss) / 1024)


def raw_once(ledger: Path, target: Path) -> tuple[float, float]:
    """Return the seconds, and the processor seconds, that SQLite needs for the same rows."""
    source, connection = sqlite3.connect(ledger), bare(target)
    rows = source.execute("SELECT * FROM events ORDER BY seq")
    seconds = busy = 0.0

    def timed(work: Callable[..., object], *arguments: object) -> None:
        nonlocal seconds, busy
        started, used = time.perf_counter(), time.process_time()
        work(*arguments)
        seconds += time.perf_counter() - started
        busy += time.process_time() - used

    connection.execute("BEGIN IMMEDIATE")
    while chunk := rows.fetchmany(CHUNK):
        timed(connection.executemany, INSERT, chunk)
    timed(connection.execute, "COMMIT")
    connection.close()
    source.close()
    return seconds, busy


def appends(folder: Path, count: int = 300) -> tuple[float, float]:
    """Return median seconds of a durable append and of a bare insert, taken in turns."""
    from roadworn.intake import Ledger
    from roadworn.model.events import NewEvent

    ours, theirs = [], []
    connection = bare(folder / "bare.db")
    with Ledger.create(folder / "append.db") as ledger:
        ledger.append(
            NewEvent(vehicle_id="bus", kind="enrolment", occurred_at="2026-01-01", payload={})
        )
        for at in range(count):
            event = NewEvent(
                vehicle_id="bus",
                kind="replacement",
                occurred_at="2026-01-02",
                odometer=float(at),
                odometer_unit="km",
                payload={"component": "brake.pad", "position": "front", "reason": "worn_out"},
            )
            started = time.perf_counter()
            stored = ledger.append(event)
            ours.append(time.perf_counter() - started)
            row = [getattr(stored, name) for name in stored.__slots__]
            started = time.perf_counter()
            connection.execute(INSERT, row)
            theirs.append(time.perf_counter() - started)
    connection.close()
    return statistics.median(ours), statistics.median(theirs)


def main() -> None:
    if sys.argv[1:2] == ["--one"]:
        import_once(*sys.argv[2:4])
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file = folder / "events.ndjson"
        with file.open("wb") as out:
            out.writelines(lines(count))
        ratios, busy = [], []
        for turn in range(rounds):
            ledger, target = folder / f"{turn}.db", folder / f"{turn}-bare.db"
            command = [sys.executable, __file__, "--one", str(file), str(ledger)]
            ran = subprocess.run(command, check=True, capture_output=True, text=True)
            seconds, writer, helper, megabytes = map(float, ran.stdout.split())
            raw, raw_busy = raw_once(ledger, target)
            ratios.append(raw / seconds)
            busy.append(raw_busy / max(writer, helper))
            print(
                f"import {count:,} events: {seconds:.2f} s (processor: writer {writer:.2f} s, "
                f"helper {helper:.2f} s), raw executemany {raw:.2f} s (processor "
                f"{raw_busy:.2f} s), ratio {ratios[-1]:.2f}, of processor time {busy[-1]:.2f}, "
                f"peak {megabytes:.0f} MB"
            )
            for path in (ledger, target):
                path.unlink()
        print(
            f"best ratio {max(ratios):.2f}, median {statistics.median(ratios):.2f}; of processor "
            f"time {max(busy):.2f}, median {statistics.median(busy):.2f}"
        )
        ours, theirs = appends(folder)
        print(
            f"one append {ours * 1e6:.0f} us, one bare insert {theirs * 1e6:.0f} us, "
            f"ratio {ours / theirs:.2f}"
        )


if __name__ == "__main__":
    main()
