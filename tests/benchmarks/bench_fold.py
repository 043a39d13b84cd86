"""How fast the read model comes about, against fetching the rows from SQLite, in one run.

    python tests/benchmarks/bench_fold.py [EVENTS] [ROUNDS]

Prints, for each round: fetching all rows of the ledger from SQLite; folding them into the
columns in memory; the same with the cache written; then, on a warm cache, opening a view and
asking it for all part lives; and folding 100 new events. Each step runs in a process of its
own, whose peak memory is printed. Never run as a test: the figures are ratios.
"""

import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from generated import lines

STEPS = ("fetch", "fold", "fold_and_keep", "open_warm", "lives_warm", "hundred")


def make_ledger(path: Path, number: int) -> None:
    """Write a ledger of `number` generated events."""
    from roadworn.intake import Ledger
    from roadworn.intake.files import import_files

    source = path.with_suffix(".ndjson")
    with source.open("wb") as file:
        file.writelines(lines(number))
    with Ledger.create(path) as ledger:
        report = import_files(ledger, [str(source)])
    source.unlink()
    if report.problems:
        raise SystemExit(str(report.problems[0]))


def step(name: str, path: Path) -> float:
    """Run one step and return its seconds."""
    import duckdb

    from roadworn.columns.fold import create_tables, fetch, fold_rows
    from roadworn.columns.tables import CORE_TABLES
    from roadworn.columns.view import open_view
    from roadworn.model.kinds import KindRegistry

    started = time.perf_counter()
    if name == "fetch":
        connection = sqlite3.connect(path)
        cursor = connection.execute("SELECT * FROM events ORDER BY seq")
        while cursor.fetchmany(5_000):
            pass
    elif name in ("fold", "fold_and_keep", "open_warm"):
        open_view(path, cache=name != "fold").close()
    elif name == "lives_warm":
        with open_view(path) as view:
            view.sql("SELECT count(*), sum(lower_km) FROM part_lives")
    else:
        con = duckdb.connect()
        con.execute("SET TimeZone = 'UTC'")
        create_tables(con, CORE_TABLES)
        connection = sqlite3.connect(path)
        (size,) = connection.execute("SELECT max(seq) FROM events").fetchone()
        started = time.perf_counter()
        fold_rows(con, fetch(connection, size - 100, size, KindRegistry()), CORE_TABLES)
    return time.perf_counter() - started


def run(name: str, path: Path) -> tuple[float, float]:
    """Run one step in a process of its own; return its seconds and peak memory in MB."""
    command = [sys.executable, __file__, "--step", name, str(path)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    seconds, memory = done.stdout.split()
    return float(seconds), float(memory)


def main() -> None:
    """Print the figures."""
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "bench.db")
        make_ledger(path, number)
        ratios = []
        for _ in range(rounds):
            figures = {}
            for name in STEPS:
                figures[name] = run(name, path)
                if name == "fold":
                    for kept in Path(folder).glob("*.columns/*.json"):
                        kept.unlink()
            ratios.append(figures["fold"][0] / figures["fetch"][0])
            print(
                f"{number:,} events: "
                + ", ".join(
                    f"{name} {seconds:.3f} s {memory:.0f} MB"
                    for name, (seconds, memory) in figures.items()
                )
                + f"; fold / fetch {ratios[-1]:.2f}"
            )
        print(f"median fold / fetch {statistics.median(ratios):.2f}")


if __name__ == "__main__":
    if len(sys.argv) > 1 and sys.argv[1] == "--step":
        print(
            step(sys.argv[2], Path(sys.argv[3])),
            resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        )
    else:
        main()
