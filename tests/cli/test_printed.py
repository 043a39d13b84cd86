"""Every screen as it is printed, at 80, 100 and 120 columns and into a pipe, held by files.

`ROADWORN_GOLDEN=write` writes them anew into `printed/`; read the difference before keeping it.
How wide a line is on a terminal is told by rich's table of widths.
"""

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from commandline import OutlookOf, Run
from rich.cells import cell_len

from roadworn import LedgerView, PluginHost
from roadworn_cli import screen
from roadworn_cli.outlook import LINES
from roadworn_cli.outlook import show as show_outlook
from roadworn_cli.results import show
from roadworn_demo import DEMO_TODAY

PRINTED = Path(__file__).parent / "printed"
WIDTHS = ("80", "100", "120", "")
#: Lines of a screen that a file keeps; the width of all of them is held.
KEPT = 60
#: Ids of events and digests are made anew in every ledger.
_IDS = re.compile(r"\b[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}\b|\b[0-9a-f]{16}\b")


class Screens:
    """What one screen shows at each width."""

    def __init__(self, capsys: pytest.CaptureFixture[str], set_width: Callable[[str], None]):
        self._capsys, self._set_width = capsys, set_width

    def hold(self, name: str, tell: Callable[[], object], most: int | None = None) -> None:
        """Compare what `tell` prints with the file of this name, and no line with more room."""
        parts = []
        self._capsys.readouterr()
        for columns in WIDTHS:
            self._set_width(columns)
            tell()
            said = _IDS.sub(lambda found: "x" * len(found[0]), self._capsys.readouterr().out)
            lines = said.splitlines()
            wide = int(columns or screen.PIPED)
            assert [line for line in lines if cell_len(line) > wide] == [], (name, columns)
            assert not any("\x1b" in line for line in lines)
            if most is not None:
                assert len(lines) <= most, said
            more = [f"({len(lines) - KEPT} more lines)"] if len(lines) > KEPT else []
            parts.append("\n".join([f"== {columns or 'piped'}", *lines[:KEPT], *more, ""]))
        text, path = "\n".join(parts), PRINTED / f"{name}.txt"
        if os.environ.get("ROADWORN_GOLDEN") == "write":
            PRINTED.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        assert text == path.read_text(encoding="utf-8")


@pytest.fixture
def screens(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Screens:
    def set_width(columns: str) -> None:
        if columns:
            monkeypatch.setenv("COLUMNS", columns)
        else:
            monkeypatch.delenv("COLUMNS", raising=False)

    return Screens(capsys, set_width)


@pytest.mark.slow
@pytest.mark.parametrize("vehicle", ["car-9", "van-3"])
def test_the_outlook_of_the_demo(screens: Screens, demo_outlook: OutlookOf, vehicle: str) -> None:
    found = demo_outlook(vehicle, "mi")
    screens.hold(f"outlook-{vehicle}", lambda: show_outlook(found), most=LINES)
    screens.hold(f"outlook-{vehicle}-more", lambda: show_outlook(found, more=True))


def test_the_outlook_of_one_event_and_of_an_empty_ledger(screens: Screens, run: Run) -> None:
    run("create")
    # Through the command, so that what it says of a vehicle nobody knows is held as well.
    screens.hold("outlook-empty", lambda: main_of("outlook", "van-3"), most=LINES)
    screens.hold("vehicles-empty", lambda: main_of("vehicles"))
    run("enrol", "van-3", "--odometer", "90,000 mi", "--on", "2026-01-01")
    looking_back = ("--as-of", "2027-01-01", "--known-by", "occurred")
    screens.hold(
        "outlook-one-event", lambda: main_of(*looking_back, "outlook", "van-3"), most=LINES
    )
    screens.hold("history-one-event", lambda: main_of(*looking_back, "history", "van-3"))


def main_of(*words: str) -> int:
    from roadworn_cli.main import main

    return main(words)


@pytest.mark.slow
@pytest.mark.parametrize(
    "words",
    [
        ("vehicles",),
        ("history", "car-9"),
        ("history", "car-9", "--declined"),
        ("analyses",),
        ("components", "brake"),
        ("tables", "vehicles"),
        ("sql", "SELECT vehicle_id, label, make, model, last_km FROM vehicles ORDER BY 1 LIMIT 5"),
        ("sql", "SELECT * FROM vehicles ORDER BY vehicle_id LIMIT 1"),
        ("decode", "code", "P0420", "P0171"),
    ],
    ids=lambda words: "-".join(words[:2]).partition(" ")[0],
)
def test_the_screens_of_the_demo(
    screens: Screens, demo_ledger: Path, words: tuple[str, ...]
) -> None:
    name = re.sub(r"[^a-z0-9]+", "-", " ".join(words).lower()).strip("-")[:60]
    start = ("--ledger", str(demo_ledger), "--as-of", DEMO_TODAY)
    screens.hold(name, lambda: main_of(*start, *words))


#: Rows of an answer that the file keeps; how a table looks takes no more.
_SETTINGS = {"most": 12}
ANALYSES = [
    "class-record", "code-outcomes", "cost-per-distance", "cumulative-repairs",
    "inspection-outlook", "keep-or-sell", "likely-causes", "maintenance-due", "measured-wear",
    "next-repairs", "odometer-audit", "part-lifespans", "repeat-failures",
    "supplier-comparison", "warranty-recovery",
]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", ANALYSES)
def test_each_analysis_of_the_demo(
    screens: Screens, demo_view: LedgerView, host: PluginHost, name: str
) -> None:
    fields = host.analysis(name)[1].settings.model_fields
    chosen = {key: value for key, value in _SETTINGS.items() if key in fields}
    ran = host.run(name, demo_view, chosen, 600)
    screens.hold(f"analyse-{name}", lambda: show(ran, fmt="table"))
