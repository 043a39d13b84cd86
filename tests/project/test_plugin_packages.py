"""Packages of outsiders: what `plugins new` writes and the examples, built, installed and tested.

They are installed into a folder of their own and found there by their entry points, as those of
any distribution; nothing is fetched.
"""

import os
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


def test_each_package_is_built_installed_and_passes_its_own_tests(tmp_path: Path) -> None:
    write_new("ourshop", tmp_path)
    packages = [tmp_path / "roadworn-ourshop", *EXAMPLES]
    assert len(packages) == 4
    target = tmp_path / "installed"
    # One call builds a wheel of each and installs it.
    quietly = ("-q", "--offline", "--no-deps", "--target", target)
    run("uv", "pip", "install", *quietly, *packages, cwd=ROOT)
    assert len([*target.glob("roadworn_*.dist-info")]) == 4
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
