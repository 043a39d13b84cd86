"""How long a command takes against the import of typer alone: `--help` 2 times, `record` 3 times.

Run by hand: ``python tests/benchmarks/bench_cli.py``. Each command runs in a process of its
own, in turn with the others. Processor seconds are counted, which other work on the machine
disturbs least, and the best of them; compiled bytecode is kept in a folder for the run, as an
installation has it.
"""

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

ROUNDS = 15
RUN = "from roadworn_cli.main import run; run()"
COMMANDS = {
    "import typer": ["-c", "import typer"],
    "typer, one command run": [
        "-c",
        "import sys, typer; sys.argv = ['x', 'a']; typer.run(lambda word: None)",
    ],
    "--help": ["-c", RUN, "--help"],
    "record reading": ["-c", RUN, "record", "reading", "bus-7", "61,250 mi"],
    "record replacement": [
        *["-c", RUN, "record", "replacement", "bus-7", "wheel bearing LF", "--reason", "failed"],
        "--allow-repeat",
    ],
    "record inspection": ["-c", RUN, "record", "inspection", "bus-7", "battery 12.5 V sound"],
    "record estimate": ["-c", RUN, "record", "estimate", "bus-7", "battery 1 h x 140 USD"],
    "done": ["-c", RUN, "done", "bus-7", "1 failed", "--estimate", "ESTIMATE", "--again"],
    "vehicles": ["-c", RUN, "vehicles"],
}


def main() -> None:
    """Measure and print, best of `ROUNDS`."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {
            name: value
            for name, value in os.environ.items()
            if name != "PYTHONDONTWRITEBYTECODE" and not name.startswith("ROADWORN")
        }
        environment["PYTHONPYCACHEPREFIX"] = str(Path(folder, "bytecode"))

        def run(words: list[str]) -> float:
            started = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run(
                [sys.executable, *words],
                cwd=folder,
                env=environment,
                capture_output=True,
                check=True,
            )
            ended = resource.getrusage(resource.RUSAGE_CHILDREN)
            return ended.ru_utime - started.ru_utime + ended.ru_stime - started.ru_stime

        run(["-c", RUN, "create"])
        run(["-c", RUN, "enrol", "bus-7", "--odometer", "61,000 mi"])
        line = ["record", "estimate", "bus-7", "wheel bearing LF 1.5 h x 140 + part 84.50 USD"]
        made = subprocess.run(
            [sys.executable, "-c", RUN, *line],
            cwd=folder, env=environment, capture_output=True, check=True, text=True,
        )  # fmt: skip
        estimate = made.stdout.split()[0]
        run(["-c", RUN, "record", "authorisation", "bus-7", estimate, "1=ok"])
        done = COMMANDS["done"]
        done[done.index("ESTIMATE")] = estimate
        best = {name: min(run(words) for _ in range(2)) for name, words in COMMANDS.items()}
        for _ in range(ROUNDS):
            for name, words in COMMANDS.items():
                best[name] = min(best[name], run(words))
    base = best["import typer"]
    for name, seconds in best.items():
        print(f"{name:24} {seconds * 1e3:6.0f} ms  {seconds / base:5.2f} times")


if __name__ == "__main__":
    main()
