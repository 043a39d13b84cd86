"""What a command line leaves behind, for the tests that run one, and what it must not see."""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import orjson
import pytest

from roadworn.analysis.outlook import Outlook

#: What the tests themselves ask of the environment; the program reads none of it.
ASKED_BY_TESTS = {
    "ROADWORN_AXE",
    "ROADWORN_CHROMIUM",
    "ROADWORN_GOLDEN",
    "ROADWORN_LIFELINES_FITS",
}


@dataclass(frozen=True)
class Outcome:
    """What a command line left behind."""

    code: int
    out: str
    err: str

    def json(self) -> object:
        return orjson.loads(self.out)

    @property
    def event(self) -> str:
        """The event id that the first line of `record` prints."""
        return self.out.split()[0]


Run = Callable[..., Outcome]
#: (name, what fills a folder) -> the folder, filled once in a run.
Once = Callable[[str, Callable[[Path], object]], Path]
#: (vehicle, unit) -> its outlook in the demo.
OutlookOf = Callable[[str, str], Outlook]
#: (name of a ledger, words of the command) -> the page.
ReportOf = Callable[..., str]


def hide_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hide every setting of the user's environment, also one that is added tomorrow."""
    for name in list(os.environ):
        if name.startswith("ROADWORN_") and name not in ASKED_BY_TESTS:
            monkeypatch.delenv(name)
