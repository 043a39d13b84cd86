"""Start with twenty plugins beside none, and `--help` beside `import typer`.

    python tests/benchmarks/bench_plugins.py

Each plugin is a distribution of its own with one analysis that is imported when it is asked for,
a kind and a table. Processor time of each process, the least of some rounds, all in turn.
"""

import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

ROUNDS, PLUGINS = 7, 20
MODULE = """
from roadworn import Deferred, hookimpl

@hookimpl
def roadworn_analyses():
    return [Deferred("{name}-one", "{name}_roadworn_one", "ONE")]

@hookimpl
def roadworn_event_kinds():
    from {name}_roadworn_one import WASH
    return [WASH]

@hookimpl
def roadworn_tables():
    from {name}_roadworn_one import WASHES
    return [WASHES]
"""
HEAVY = '''
from roadworn import Analysis, EventKind, Payload, Result, TableSpec

class Wash(Payload):
    """A wash."""

    litres: float

WASH = EventKind("{name}.wash", Wash)
WASHES = TableSpec("{name}_washes", "one row a wash", ("{name}.wash",),
    (("litres", "DOUBLE", "how much"),),
    "SELECT seq, CAST(payload->>'litres' AS DOUBLE) AS litres FROM batch")
ONE = Analysis("{name}-one", "One", "One?", lambda view, settings: Result("one"))
'''
METADATA = "Metadata-Version: 2.1\nName: roadworn-{name}\nVersion: 1.0\n"
TYPER = "import typer"
PROGRAM = "from roadworn_cli.main import run; run()"


def install(folder: Path) -> None:
    """Lay twenty distributions into a folder, as an installer does."""
    for number in range(PLUGINS):
        name = f"shop{number}"
        info = folder / f"roadworn_{name}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(METADATA.format(name=name))
        (info / "entry_points.txt").write_text(f"[roadworn]\n{name} = {name}_roadworn\n")
        (folder / f"{name}_roadworn.py").write_text(MODULE.format(name=name))
        (folder / f"{name}_roadworn_one.py").write_text(HEAVY.format(name=name))


def seconds(code: str, words: tuple[str, ...], cwd: Path, path: str) -> float:
    """Return the processor time of one process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode == 0, done.stderr
    assert "plugin" not in done.stderr or words[:1] == ("plugins",), done.stderr
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print each start with twenty plugins and with none."""
    with tempfile.TemporaryDirectory() as made:
        folder, shop = Path(made, "site"), Path(made, "shop")
        folder.mkdir()
        shop.mkdir()
        install(folder)
        for words in (
            ("create",),
            ("enrol", "bus-1", "--odometer", "100 mi", "--on", "2026-01-01"),
        ):
            seconds(PROGRAM, words, shop, "")
        screens = (("--help",), ("vehicles",), ("analyses",), ("plugins",))
        least: dict[tuple[str, ...], list[float]] = {}
        for _ in range(ROUNDS):
            least.setdefault(("typer",), []).append(seconds(TYPER, (), shop, ""))
            for words in screens:
                for path, key in (("", "none"), (str(folder), "twenty")):
                    took = seconds(PROGRAM, words, shop, path)
                    least.setdefault((*words, key), []).append(took)
        typer = min(least["typer",])
        print(f"import typer {typer:.3f} s")
        for words in screens:
            none, twenty = (min(least[*words, key]) for key in ("none", "twenty"))
            told = f"{twenty / none:.2f} times with {PLUGINS} plugins"
            print(f"{' '.join(words):10} {none:.3f} s, {none / typer:.2f} times typer, {told}")


if __name__ == "__main__":
    main()
