"""Every verb that is read on a screen keeps to its width, those too that no golden file holds.

One small ledger is asked by each verb and each analysis at every width; what is printed to be
copied letter by letter (a sheet as TOML, a proof, a signed head) is no screen and stands apart.
"""

from collections.abc import Callable
from pathlib import Path

import pytest
from builders import ledger_of
from commandline import hide_settings
from report.ledgers import years_of_trouble
from rich.cells import cell_len

from roadworn import PluginHost
from roadworn_cli import screen
from roadworn_cli.main import main

#: What somebody types who has time: longer than any column, no word longer than one.
_NOTE = (
    "hums above forty on the coarse road behind the ferry, worse in the wet and gone when warm; "
    "looked at twice with the wheel off, play felt by hand, to be done before the winter"
)
_WIDTHS = ("80", "100", "120", "")
_AS_OF = ("--as-of", "2026-06-01")
#: What is asked of the ledger as it stood, and what would write, or reads files only.
_READ = (
    ("vehicles",), ("history", "car-1"), ("history", "car-1", "--declined"),
    ("outlook", "car-1"), ("outlook", "car-1", "--more"), ("outlook", "nobody"),
    ("today",), ("today", "--call"), ("find", "car"), ("find", "nothing like it"),
    ("analyses",), ("campaign", "nothing.toml"), ("sql", "SELECT * FROM findings LIMIT 3"),
    ("sql", "SELECT nothing"), ("report", "vehicle", "nobody", "-o", "page.html"),
    ("export", "nonsense", "out"), ("tables", "part_lives"),
)  # fmt: skip
_OTHER = (
    ("components",), ("components", "no such part"), ("sheets",), ("plugins",),
    ("plugins", "hooks"), ("tables", "nothing"), ("verify",), ("decode", "code", "P0420"),
    ("decode", "vin", "1M8GDM9AXKP042788"), ("decode", "readiness", "00 07 E5 00"),
    ("decode", "j1939", "00 00 00 00"), ("head",), ("record", "reading", "car-1", "9 mi"),
    ("record", "inspection", "car-1", "no such part bad"), ("retract", "nothing", "--reason", "x"),
    ("import", "nothing.csv"), ("import", "rows.csv"), ("import", "rows.csv", "--look"),
    ("restore", "nothing.db", "--into", "other.db"), ("witness", "nothing.head"),
    ("fit", "lives", "lives.csv"), ("fit", "repairs", "repairs.csv"), ("redo", "nothing.json"),
    ("done", "car-1"), ("move", "last", "nobody"), ("undo",), ("nonsense",),
    ("vehicles", "--nonsense"),
)  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a ledger of two vehicles and a few files to be read."""
    folder = tmp_path_factory.mktemp("widths")
    events = [e for name in ("car-1", "car-2") for e in years_of_trouble(name, _NOTE)]
    ledger_of(folder / "roadworn.db", events)
    (folder / "rows.csv").write_text(
        f"Vehicle,Date,Odometer,What was done\ncar-1,2026-01-05,90 100 mi,{_NOTE}\n"
        f"car-9,05/01/26,ninety,{_NOTE}\n",
        encoding="utf-8",
    )
    (folder / "lives.csv").write_text("group,age,failed\n" + f"{_NOTE[:60]},900,1\n" * 6, "utf-8")
    (folder / "repairs.csv").write_text(
        "unit,age,event\n" + "".join(f"u{n},{n}0,repair\nu{n},90,end\n" for n in range(1, 6)),
        encoding="utf-8",
    )
    return folder


@pytest.fixture
def wide(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., list[str]]:
    """Run a verb at each width and return the lines that are wider."""
    hide_settings(monkeypatch)
    monkeypatch.chdir(place)

    def lines(*words: str) -> list[str]:
        found = []
        for columns in _WIDTHS:
            if columns:
                monkeypatch.setenv("COLUMNS", columns)
            else:
                monkeypatch.delenv("COLUMNS", raising=False)
            main(words)
            told = capsys.readouterr()
            most = int(columns or screen.PIPED)
            # Into a pipe talk goes unbroken, a line a sentence: a log is searched by lines.
            printed = (told.out + (told.err if columns else "")).splitlines()
            assert told.out + told.err, words
            found += [f"{columns}: {line}" for line in printed if cell_len(line) > most]
        return found

    return lines


@pytest.mark.parametrize("words", [*((*_AS_OF, *words) for words in _READ), *_OTHER], ids=" ".join)
def test_no_line_of_a_verb_is_wider_than_its_screen(
    wide: Callable[..., list[str]], words: tuple[str, ...]
) -> None:
    assert wide(*words) == []


@pytest.mark.slow
def test_no_line_of_an_analysis_is_wider_than_its_screen(
    wide: Callable[..., list[str]], host: PluginHost
) -> None:
    found = {}
    for name, (_plugin, analysis) in host.analyses().items():
        needs = analysis.settings.model_fields.get("vehicle")
        words = ("--vehicle", "car-1") if needs is not None and needs.is_required() else ()
        found[name] = wide(*_AS_OF, "analyse", name, *words)
    assert {name: lines for name, lines in found.items() if lines} == {}
