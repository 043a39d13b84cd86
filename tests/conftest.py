"""What tests of several rooms share: a command line to run, ledgers to read, and the demo."""

import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from io import BytesIO, TextIOWrapper
from pathlib import Path
from typing import Any

import pytest
from builders import ledger_of
from commandline import Outcome, Run

from roadworn.columns.view import LedgerView, open_view
from roadworn.model.events import NewEvent

#: What the tests themselves ask of the environment; the program reads none of it.
ASKED_BY_TESTS = {
    "ROADWORN_AXE",
    "ROADWORN_CHROMIUM",
    "ROADWORN_GOLDEN",
    "ROADWORN_LIFELINES_FITS",
}


@pytest.fixture
def no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hide every setting of the user's environment, also one that is added tomorrow."""
    for name in list(os.environ):
        if name.startswith("ROADWORN_") and name not in ASKED_BY_TESTS:
            monkeypatch.delenv(name)


@pytest.fixture
def run(
    no_settings: None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Run:
    """Run `roadworn` with some words; nothing of the user's environment is seen."""
    # The command line is loaded where it is tried, not for every test of a small rule.
    from roadworn_cli.main import main

    monkeypatch.chdir(tmp_path)

    def go(*words: str, given: str = "") -> Outcome:
        monkeypatch.setattr("sys.stdin", TextIOWrapper(BytesIO(given.encode()), "utf-8"))
        code = main(words)
        captured = capsys.readouterr()
        return Outcome(code, captured.out, captured.err)

    return go


Written = Callable[..., LedgerView]


@pytest.fixture
def view_of(tmp_path: Path) -> Iterator[Written]:
    """Write events to a fresh ledger and open it; keywords go to `open_view`."""
    with ExitStack() as stack:
        number = 0

        def write(events: list[NewEvent], **options: Any) -> LedgerView:
            nonlocal number
            number += 1
            path = ledger_of(tmp_path / f"{number}.db", events, kinds=options.get("kinds"))
            options.setdefault("as_of", "2026-06-30")
            return stack.enter_context(open_view(path, **options))

        yield write
