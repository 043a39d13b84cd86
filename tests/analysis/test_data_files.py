"""Data files of a plugin hold where those that ship do: at the bench, on paper, in the checks."""

import importlib.metadata
from pathlib import Path
from types import SimpleNamespace

import pytest
from commandline import Run

from roadworn import (
    Analysis,
    DataFile,
    Ledger,
    PluginHost,
    Result,
    Says,
    Settings,
    UsageError,
    hookimpl,
)
from roadworn.testing import check_data_file, event
from roadworn.trade.limits import SHEETS, load_sheet

_WORDS = 'driver = "right"\n[short]\nblorps = "brake pads"\n[conditions]\ngrumbly = "failed"\n'
_FRENCH = """locale = "fr"
[report]
vehicle_title = "Rapport de {vehicle}"
[components]
"brake.pad" = "plaquettes de frein"
"""
_SPANISH = 'locale = "es"\n[sentences]\n"hills-say.told" = "Visto en la sierra."\n'
_say = Says("hills-say", {"told": "Seen in the hills."})
MADE = [
    DataFile("words_hills", "words", "Words of the hills", lambda: _WORDS),
    DataFile("fr", "language", "French", lambda: _FRENCH),
    DataFile("es_hills", "language", "Spanish of the hills", lambda: _SPANISH),
    DataFile("sheet_hills", "look-over sheet", "Hills", lambda: SHEETS.text("light")),
]


class Hills:
    ROADWORN_HOOKS = 2

    @hookimpl
    def roadworn_data_files(self) -> list[DataFile]:
        return [
            *MADE,
            DataFile("torn", "language", "Torn", lambda: "locale = 7"),
            DataFile("gone", "words", "Gone", lambda: Path("/nowhere/at-all").read_text()),
        ]

    @hookimpl
    def roadworn_analyses(self) -> list[Analysis]:
        def run(_view: object, _settings: Settings) -> Result:
            return Result(_say("told"))

        return [Analysis("hills-say", "Hills", "What of the hills?", run)]


@pytest.fixture
def shop(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    found = importlib.metadata.entry_points(group="roadworn")
    dist = SimpleNamespace(name="roadworn-hills", version="1.0")
    hills = SimpleNamespace(name="hills", value="hills", dist=dist, load=Hills)
    points = [*(e for e in found if e.name == "bundled"), hills]
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda *, group: points)
    with Ledger.create(tmp_path / "roadworn.db") as ledger:
        ledger.append_many([event("bus-1", "enrolment", "2026-01-05", odometer=100)])
    return run


LOOK = ("record", "inspection", "bus-1", "front blorps grumbly", "--on", "2026-02-01")


def test_words_of_a_plugin_are_read_at_the_bench_where_they_are_named(
    shop: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert shop(*LOOK).code == 2
    monkeypatch.setenv("ROADWORN_WORDS", "words-hills")
    done = shop(*LOOK)
    assert done.code == 0, done.err
    assert "disc brake pads front failed" in done.out
    monkeypatch.delenv("ROADWORN_WORDS")
    own = tmp_path / "roadworn.words.toml"
    own.write_text('also = ["words_hills"]\n[conditions]\ngrumbly = "wearing"\n')
    done = shop(*LOOK)
    assert done.code == 0, done.err
    assert "disc brake pads front wearing" in done.out
    monkeypatch.setenv("ROADWORN_WORDS", "words_hill")
    wrong = shop(*LOOK)
    assert (wrong.code, "words_hills" in wrong.err) == (2, True), wrong.err


def test_a_new_language_is_there_and_says_the_rest_in_english(shop: Run) -> None:
    assert shop(*LOOK[:3], "front brake pads failed", *LOOK[4:]).code == 0
    done = shop("report", "vehicle", "bus-1", "--language", "fr", "-o", "-")
    assert done.code == 0, done.err
    assert "Rapport de bus-1" in done.out
    assert "plaquettes de frein" in done.out
    assert 'lang="fr"' in done.out
    wrong = shop("report", "vehicle", "bus-1", "--language", "de", "-o", "-")
    assert (wrong.code, "en, es, fr" in wrong.err) == (2, True)
    assert "plugin 'hills'" in done.err
    assert "torn" in done.err


def test_a_plugin_says_its_own_sentences_in_a_language_that_ships(shop: Run) -> None:
    done = shop("report", "fleet", "--full", "--language", "es", "-o", "-")
    assert done.code == 0, done.err
    assert "Visto en la sierra." in done.out
    assert "disc brake" not in done.out


def test_figures_are_judged_again_by_the_sheet_of_the_plugin(shop: Run) -> None:
    done = shop("record", "inspection", "bus-1", "horn sound", "--sheet", "sheet-hills", "--sure")
    assert done.code == 0, done.err
    with pytest.raises(Exception, match="sheet_hills"):
        load_sheet("sheet_hills")


def test_each_is_read_by_the_kit_and_by_the_check_and_the_torn_ones_are_named(shop: Run) -> None:
    for file in MADE:
        check_data_file(file)
    with pytest.raises(AssertionError, match="locale"):
        check_data_file(DataFile("torn", "language", "Torn", lambda: "locale = 7"))
    with pytest.raises(AssertionError, match="unknown part"):
        check_data_file(DataFile("odd", "words", "Odd", lambda: "[shorts]\n"))
    told = shop("plugins", "--check")
    assert told.code == 1
    assert "'torn'" in told.err
    assert "'gone'" in told.err
    assert "words_hills" not in told.err


def test_what_is_said_of_a_file_is_one_sentence_without_the_name_of_a_class() -> None:
    host = PluginHost()
    host.note("hills", "brings a schedule that cannot be read", UsageError("No note", "add one"))
    host.note("hills", "brings words that cannot be read", ValueError("Torn."))
    told = [str(one.message).partition("read: ")[2] for one in host.problems]
    assert told == ["No note: add one", "ValueError: Torn"]
