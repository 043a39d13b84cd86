"""Packages of outsiders: what `plugins new` writes, the tutorial, the examples, built and tested.

They are installed into a folder of their own and found there by their entry points, as those of
any distribution; nothing is fetched.
"""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from roadworn_cli.new_plugin import write_new

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted((ROOT / "plugins" / "examples").glob("roadworn-*"))
pytestmark = pytest.mark.slow


def run(*words: str | Path, cwd: Path, **more: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", *map(str, words)],
        cwd=cwd,
        env={**os.environ, **more},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]
    return done.stdout


TUTORIAL = (ROOT / "docs" / "plugins" / "tutorial.md").read_text(encoding="utf-8")


def write_tutorial(into: Path) -> Path:
    """Write the files of the tutorial as it names them, and return its package."""
    package = into / "roadworn-airline"
    for name, text in re.findall(
        r"^`([\w/.-]+)`:\n\n```\w+\n(.*?)```$", TUTORIAL, re.DOTALL | re.MULTILINE
    ):
        path = package / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return package


def as_a_user(commands: str, cwd: Path, target: Path) -> str:
    """Run the lines that begin with `roadworn`; return what the last of them printed."""
    program = "from roadworn_cli.main import run; run()"
    told = ""
    for line in commands.splitlines():
        words = shlex.split(line)
        if words[:1] == ["roadworn"]:
            done = subprocess.run(
                [sys.executable, "-c", program, *words[1:]],
                cwd=cwd,
                env={**os.environ, "PYTHONPATH": str(target), "COLUMNS": "100"},
                capture_output=True,
                text=True,
            )
            assert done.returncode == 0, line + done.stdout + done.stderr
            told = done.stdout
    return told


def test_each_package_is_built_installed_and_passes_its_own_tests(tmp_path: Path) -> None:
    write_new("ourshop", tmp_path)
    packages = [tmp_path / "roadworn-ourshop", write_tutorial(tmp_path), *EXAMPLES]
    assert len(packages) == 5
    target = tmp_path / "installed"
    # One call builds a wheel of each and installs it.
    quietly = ("-q", "--offline", "--no-deps", "--target", target)
    run("uv", "pip", "install", *quietly, *packages, cwd=ROOT)
    assert len([*target.glob("roadworn_*.dist-info")]) == 5
    tests = [package / "tests" for package in packages]
    options = (
        "-q",
        "-n",
        "0",
        "-p",
        "no:cacheprovider",
        "--import-mode=importlib",
        "-c",
        os.devnull,
    )
    run("pytest", *options, f"--rootdir={tmp_path}", *tests, cwd=tmp_path, PYTHONPATH=str(target))
    sources = [package / "src" for package in packages]
    rules = ("--isolated", "--line-length", "100", "--select", "E,F,B,UP,D1")
    run("ruff", "check", *rules, *sources, cwd=tmp_path)
    # As its own CI does, whatever a newer ruff takes for its own rules.
    run("ruff", "check", "--extend-select", "I", "src", "tests", cwd=packages[0])
    shop = tmp_path / "shop"
    shop.mkdir()
    shown = TUTORIAL.partition("## As a user meets it")[2]
    commands, printed = re.findall(r"```(?:sh|text)\n(.*?)```", shown, re.DOTALL)
    assert as_a_user(commands, shop, target) == printed
