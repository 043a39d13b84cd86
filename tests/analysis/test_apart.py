"""A plugin that runs in a process of its own, where the user asks: what it can no longer do.

The plugin is a distribution of its own on the path, since the process finds it by its entry point.
"""

import time
from pathlib import Path

import pytest
from commandline import Run

from roadworn import Ledger
from roadworn.testing import event

_CODE = '''
"""Loops where no thread can be left, eats memory, dies, prints."""
import os, re, sys
from typing import Annotated
from pydantic import Field
from roadworn import Analysis, Column, Result, Settings, Table, hookimpl

class Hog(Settings):
    what: Annotated[str, Field(description="what to do")] = "well"
    vehicle: Annotated[str | None, Field(description="only this one")] = None

def run(view, settings):
    print("noise")
    os.write(1, b"more noise")
    if settings.what == "loop" and os.getpid() != int(os.environ["PARENT"]):
        # The matcher holds the interpreter's lock: no other thread of the process runs.
        re.match(r"(a+)+$", "a" * 60 + "b")
    if settings.what == "eat":
        held = bytearray(3_000_000_000)
    if settings.what == "die":
        os._exit(9)
    if settings.what == "raise":
        raise KeyError("nothing there")
    rows = view.sql("SELECT vehicle_id FROM vehicles").rows
    return Result(f"in {'a child' if os.getpid() != int(os.environ['PARENT']) else 'here'}",
                  (Table("t", "T", (Column("vehicle", "vehicle"),), tuple(rows)),))

@hookimpl
def roadworn_analyses():
    return [Analysis("hog-run", "Hog", "What now?", run, Hog)]
'''


@pytest.fixture
def shop(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    import os

    site = tmp_path / "site"
    about = site / "hog-1.0.dist-info"
    about.mkdir(parents=True)
    (site / "hog_roadworn.py").write_text(_CODE)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: hog\nVersion: 1.0\n")
    (about / "entry_points.txt").write_text("[roadworn]\nhog = hog_roadworn\n")
    monkeypatch.syspath_prepend(str(site))
    monkeypatch.setenv("PYTHONPATH", str(site))
    monkeypatch.setenv("PARENT", str(os.getpid()))
    with Ledger.create(tmp_path / "roadworn.db") as ledger:
        ledger.append_many([event("bus-1", "enrolment", "2026-01-05", odometer=100)])
    return run


def test_it_answers_as_it_does_here_and_its_noise_is_no_data(
    shop: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "in here" in shop("analyse", "hog-run").out
    monkeypatch.setenv("ROADWORN_APART", "hog=2000")
    done = shop("analyse", "hog-run", "--format", "json")
    assert done.code == 0, done.err
    assert "in a child" in done.out
    assert "noise" not in done.out
    assert "bus-1" in done.out
    # What was kept is found again without a process.
    assert "in a child" in shop("analyse", "hog-run").out
    wrong = shop("analyse", "hog-run", "whta=well")
    assert (wrong.code, "whta" in wrong.err) == (2, True)


@pytest.mark.parametrize(
    ("what", "told"),
    [
        ("eat", "more memory than the 300 MB"),
        ("die", "exit code"),
        ("raise", "KeyError: 'nothing there'"),
    ],
)
def test_what_it_breaks_is_its_own_and_named(
    shop: Run, monkeypatch: pytest.MonkeyPatch, what: str, told: str
) -> None:
    monkeypatch.setenv("ROADWORN_APART", "hog=300")
    done = shop("analyse", "hog-run", f"what={what}")
    assert (done.code, done.out) == (4, "")
    assert "'hog-run'" in done.err
    assert told in done.err
    assert "Traceback" not in done.err


def test_a_loop_that_no_thread_can_leave_is_ended(
    shop: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROADWORN_APART", "other, hog")
    began = time.monotonic()
    done = shop("analyse", "hog-run", "what=loop", "--time-limit", "0.5")
    assert (done.code, "was ended" in done.err) == (4, True), done.err
    assert time.monotonic() - began < 60
    monkeypatch.setenv("ROADWORN_APART", "hog=much")
    assert "PLUGIN=MEGABYTES" in shop("analyses").err
