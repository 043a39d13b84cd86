"""Lint and types are part of the one test command, so that no second one can be forgotten."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
    ],
    ids=["lint", "format", "types"],
)
def test_the_tree_is_clean(command: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]


def test_files_stay_small_enough_to_live_in() -> None:
    roots = ("ledger", "plugins", "cli", "demo_ledger")
    lengths = {
        str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
        for root in roots
        for path in (ROOT / root).rglob("*.py")
    }
    assert lengths
    assert {name: length for name, length in lengths.items() if length > 450} == {}


def test_every_module_says_why_it_exists() -> None:
    import ast

    silent = [
        str(path.relative_to(ROOT))
        for root in ("ledger", "plugins", "cli", "demo_ledger")
        for path in (ROOT / root).rglob("*.py")
        if not ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert silent == []
