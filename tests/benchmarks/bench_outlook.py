"""What a screen or a sheet costs beside the import of typer alone, cold and warm.

Run by hand: ``python tests/benchmarks/bench_outlook.py [ROUNDS [WORD]]``, with a word only of the
lines that have it. Each command runs in a process of its own; processor seconds are counted, user
and system, and the best of the rounds. *Warm* is asked again of the same state of the ledger;
*cold* is with nothing kept but the columns, *after an event* the first question after a vehicle
was read again, *of the next* that of another vehicle after it; all with bytecode compiled, as an
installation has it. The limits are those of docs/figures.md.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

RUN = "from roadworn_cli.main import run; run()"
DAY = "2026-11-20"
VEHICLE = "car-9"


def prepare(run: Callable[..., float], folder: Path) -> None:
    """Make the demo, a ledger of one event and one of ten."""
    build = "import sys; from pathlib import Path; from roadworn_demo import build; "
    run(code=build + "Path('demo').mkdir(); build(Path('demo'))")
    for few, events in (("empty", 0), ("ten", 9)):
        (folder / few).mkdir()
        write = ["--ledger", f"{few}/roadworn.db"]
        run(*write, "create")
        run(*write, "enrol", VEHICLE, "--on", "2026-01-02", "--odometer", "60,000 mi")
        for month in range(1, events + 1):
            reading = ("reading", VEHICLE, f"{60_000 + 900 * month:,} mi")
            run(*write, "record", *reading, "--on", f"2026-{month:02d}-20")


def main() -> None:
    """Measure and print."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    only = sys.argv[2] if len(sys.argv) > 2 else ""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        environment = {
            key: value
            for key, value in os.environ.items()
            if key != "PYTHONDONTWRITEBYTECODE" and not key.startswith("ROADWORN")
        }
        environment |= {
            "PYTHONPYCACHEPREFIX": str(folder / "bytecode"),
            "OPENBLAS_NUM_THREADS": "1",
        }

        def run(*words: str, ledger: str = "", code: str = RUN) -> float:
            before = ("--ledger", f"{ledger}/roadworn.db") if ledger else ()
            before += ("--as-of", DAY) if ledger == "demo" else ()
            # A sheet is never written over another.
            (folder / "sheet.html").unlink(missing_ok=True)
            started = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run(
                [sys.executable, "-c", code, *before, *words],
                cwd=folder,
                env=environment,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                check=True,
            )
            ended = resource.getrusage(resource.RUSAGE_CHILDREN)
            return ended.ru_utime - started.ru_utime + ended.ru_stime - started.ru_stime

        prepare(run, folder)

        def forget(ledger: str) -> None:
            shutil.rmtree(folder / ledger / "roadworn.db.columns" / "kept", ignore_errors=True)

        def cold(*words: str, ledger: str = "demo") -> Callable[[], float]:
            def ask() -> float:
                forget(ledger)
                return run(*words, ledger=ledger)

            return ask

        readings = iter(range(191_900, 199_000, 5))

        def after_an_event(*words: str) -> Callable[[], float]:
            # What is written today is known by the day that it speaks of.
            asked = ("--known-by", "occurred", *words)

            def ask() -> float:
                run(*asked, ledger="demo")
                reading = ("reading", VEHICLE, f"{next(readings):,} km", "--on", DAY)
                run("--ledger", "demo/roadworn.db", "record", *reading)
                # The columns are folded by whoever asks first.
                run("sql", "SELECT count(*) FROM events", ledger="demo")
                return run(*asked, ledger="demo")

            return ask

        def of_the_next(*words: str) -> Callable[[], float]:
            def ask() -> float:
                forget("demo")
                run("outlook", "car-4", ledger="demo")
                return run(*words, ledger="demo")

            return ask

        def warm(*words: str, ledger: str = "demo") -> Callable[[], float]:
            return lambda: run(*words, ledger=ledger)

        sheet = ("-o", "sheet.html")
        asked: list[tuple[str, float | None, Callable[[], float]]] = [
            ("--help", 1.0, lambda: run("--help")),
            ("vehicles, cold", None, cold("vehicles")),
            ("vehicles, warm", 4.0, warm("vehicles")),
            ("history, cold", None, cold("history", VEHICLE)),
            ("history, warm", 4.0, warm("history", VEHICLE)),
            ("outlook, cold", 25.0, cold("outlook", VEHICLE)),
            ("outlook, of the next", 25.0, of_the_next("outlook", VEHICLE)),
            ("outlook, warm", 5.0, warm("outlook", VEHICLE)),
            ("outlook of one event, cold", None, cold("outlook", VEHICLE, ledger="empty")),
            ("outlook of one event, warm", 5.0, warm("outlook", VEHICLE, ledger="empty")),
            ("outlook of ten events, cold", None, cold("outlook", VEHICLE, ledger="ten")),
            ("outlook of ten events, warm", 5.0, warm("outlook", VEHICLE, ledger="ten")),
            ("next-repairs, cold", None, cold("analyse", "next-repairs", "--vehicle", VEHICLE)),
            ("next-repairs, warm", None, warm("analyse", "next-repairs", "--vehicle", VEHICLE)),
            ("owner's page, cold", None, cold("report", "vehicle", VEHICLE, *sheet)),
            ("owner's page, warm", 10.0, warm("report", "vehicle", VEHICLE, *sheet)),
            ("fleet sheet, cold", None, cold("report", "fleet", *sheet)),
            ("fleet sheet, warm", 60.0, warm("report", "fleet", *sheet)),
            # Last, since it writes.
            ("outlook, after an event", 25.0, after_an_event("outlook", VEHICLE)),
        ]

        def base() -> float:
            return run(code="import typer")

        base()
        typer = min(base() for _ in range(5))
        print(f"{'import typer':28} {typer:7.3f} s")
        for what, limit, ask in (one for one in asked if only in one[0]):
            # Whatever imports for the first time compiles; and the base is taken beside each.
            ask()
            turns = 1 if "fleet sheet, cold" in what else rounds
            best = min(ask() for _ in range(turns))
            typer = min(typer, base())
            told = (
                ""
                if limit is None
                else f"to reach {limit:g}: {'met' if best / typer <= limit else 'not met'}"
            )
            print(f"{what:28} {best:7.3f} s  {best / typer:6.1f} times  {told}", flush=True)


if __name__ == "__main__":
    main()
