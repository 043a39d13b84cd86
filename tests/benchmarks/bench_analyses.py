"""The three first analyses over a large ledger, against the time of importing it.

    python tests/benchmarks/bench_analyses.py 1000000

Prints seconds and ratios measured in one run, on the clock; the fold of the read model is
shown apart, since it is done once.
"""

import sys
import tempfile
import time
from pathlib import Path

from generated import lines

from roadworn import PluginHost, open_view
from roadworn.intake import Ledger
from roadworn.intake.files import import_files

ANALYSES = ("repeat-failures", "part-lifespans", "next-repairs")


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        path, file = Path(folder) / "roadworn.db", Path(folder) / "events.ndjson"
        with file.open("wb") as out:
            out.writelines(line.rstrip(b"\n") + b"\n" for line in lines(count))
        with Ledger.create(path) as ledger:
            started = time.perf_counter()
            report = import_files(ledger, [file])
            imported = time.perf_counter() - started
        print(f"import of {report.added:,} events: {imported:.2f} s")
        host = PluginHost.load()
        host.analyses()  # so that importing SciPy is not taken for an analysis
        started = time.perf_counter()
        with open_view(path) as view:
            folded = time.perf_counter() - started
            started = time.perf_counter()
            view.sql("SELECT count(*) FROM part_lives")
            lives = time.perf_counter() - started
            print(f"fold {folded:.2f} s, part lives {lives:.2f} s")
            total = 0.0
            for name in ANALYSES:
                started = time.perf_counter()
                host.run(name, view)
                took = time.perf_counter() - started
                total += took
                print(f"{name}: {took:.2f} s")
        print(f"three analyses {total:.2f} s: {total / imported:.2f} of the import")


if __name__ == "__main__":
    main()
