"""A command line to run in a folder of its own, and a ledger with one vehicle in it."""

from collections.abc import Callable
from io import BytesIO, TextIOWrapper
from pathlib import Path

import pytest
from commandline import Outcome, Run

from roadworn_cli.main import main


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run `roadworn` with some words; nothing of the user's environment is seen."""
    monkeypatch.chdir(tmp_path)
    for name in (
        "ROADWORN_LEDGER",
        "ROADWORN_CURRENCY",
        "ROADWORN_UNIT",
        "ROADWORN_TERMS",
        "ROADWORN_DEBUG",
    ):
        monkeypatch.delenv(f"ROADWORN_{name}", raising=False)

    def go(*words: str, given: str = "") -> Outcome:
        monkeypatch.setattr("sys.stdin", TextIOWrapper(BytesIO(given.encode()), "utf-8"))
        code = main(words)
        captured = capsys.readouterr()
        return Outcome(code, captured.out, captured.err)

    return go


@pytest.fixture
def shop(run: Run) -> Run:
    """A ledger `roadworn.db` in which bus-7 was enrolled at 61,000 mi on 2026-05-01."""
    assert run("create").code == 0
    enrolled = run(
        "enrol", "bus-7", "--make", "Acme", "--model", "Longbus", "--year", "2014",
        "--class", "community bus", "--odometer", "61,000 mi", "--on", "2026-05-01",
    )  # fmt: skip
    assert enrolled.code == 0
    return run


@pytest.fixture
def history(shop: Run) -> Callable[[], list[dict[str, object]]]:
    """The history of bus-7 as JSON rows, oldest first."""

    def tell() -> list[dict[str, object]]:
        told = shop("history", "bus-7", "--format", "json")
        assert told.code == 0, told.err
        rows = told.json()
        assert isinstance(rows, list)
        return rows

    return tell
