"""Data files of a plugin hold where those that ship do: at the bench, on paper, in the checks."""

import importlib.metadata
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Annotated, Any

import pytest
from commandline import Run

from roadworn import (
    Analysis,
    Column,
    DataFile,
    EventKind,
    Ledger,
    Payload,
    PluginHost,
    Result,
    Says,
    Settings,
    Table,
    UsageError,
    about,
    hookimpl,
)
from roadworn.testing import check_data_file, check_kind, event
from roadworn.trade.limits import SHEETS, load_sheet

_WORDS = 'driver = "right"\n[short]\nblorps = "brake pads"\n[conditions]\ngrumbly = "failed"\n'
_FRENCH = """locale = "fr"
[report]
vehicle_title = "Rapport de {vehicle}"
[components]
"brake.pad" = "plaquettes de frein"
"""
_SPANISH = """locale = "es"
[sentences]
"hills-say.told" = "Visto en la sierra."
"hills-say.few" = "Es poco para decirlo."
"hills.climb" = "subió {metres:,g} m con {note}"
[texts]
"Climbs" = "Subidas"
"metres up" = "metros de subida"
"""
_say = Says("hills-say", {"told": "Seen in the hills.", "few": "That is few to tell by."})


class Climb(Payload):
    """A climb."""

    metres: Annotated[float, about("How high it went.")]
    note: Annotated[str, about("What it carried.")] = "nothing"


CLIMB = EventKind("hills.climb", Climb, sentence="climbed {metres:,g} m with {note}")
MADE = [
    DataFile("words_hills", "words", "Words of the hills", lambda: _WORDS),
    DataFile("fr", "language", "French", lambda: _FRENCH),
    DataFile("es_hills", "language", "Spanish of the hills", lambda: _SPANISH),
    DataFile("sheet_hills", "look-over sheet", "Hills", lambda: SHEETS.text("light")),
    DataFile("lig", "look-over sheet", "Short", lambda: SHEETS.text("light_vehicle")),
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
    def roadworn_event_kinds(self) -> list[EventKind]:
        return [CLIMB]

    @hookimpl
    def roadworn_analyses(self) -> list[Analysis]:
        def run(_view: object, _settings: Settings) -> Result:
            columns = (
                Column("part", "component", "component"),
                Column("metres", "metres up", "number"),
            )
            table = Table("climbs", "Climbs", columns, (("brake.pad", 1250.0),))
            return Result(_say("told"), (table,), caveats=(_say("few"),))

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


def test_a_history_and_an_answer_come_in_the_language_of_the_environment(
    shop: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert shop("record", "other", "hills.climb", "bus-1", "metres=1250", "--sure").code == 0
    plain = {
        fmt: (
            shop("history", "bus-1", "--format", fmt),
            shop("analyse", "hills-say", "--format", fmt),
        )
        for fmt in ("json", "csv", "table")
    }
    history, answer = plain["table"]
    assert "climbed 1,250 m with nothing" in history.out
    assert all(word in answer.out for word in ("Seen in the hills.", "metres up", "disc brake pad"))
    monkeypatch.setenv("ROADWORN_LANGUAGE", "es")
    history, answer = shop("history", "bus-1"), shop("analyse", "hills-say")
    assert (history.code, answer.code) == (0, 0)
    for word in ("fecha", "qué", "subió 1\u202f250 m con nothing", "dado de alta"):
        assert word in history.out
    for word in ("Visto en la sierra.", "Subidas", "metros de subida", "pastillas de freno"):
        assert word in answer.out
    assert "1\u202f250" in answer.out
    assert "Es poco para decirlo." in answer.err
    assert "raíz" in answer.err
    for word in ("climbed", "Seen", "metres", "disc brake", "root"):
        assert word not in history.out + answer.out + answer.err
    for fmt in ("json", "csv"):
        told, asked = plain[fmt]
        assert shop("history", "bus-1", "--format", fmt).out == told.out
        again = shop("analyse", "hills-say", "--format", fmt)
        assert again.out.partition('"seconds"')[0] == asked.out.partition('"seconds"')[0]
    shop("record", "estimate", "bus-1", "brake pads front 1.0 h + part cost 40.00", "--rate", "90")
    assert "nada de lo que se informó" in shop("history", "bus-1", "--declined").err


def test_a_kind_is_told_in_each_language_of_its_plugin_and_the_kit_holds_it() -> None:
    spanish = next(file for file in MADE if file.name == "es_hills")
    check_kind(CLIMB, {"metres": 12.0, "note": "sand"}, languages=[spanish])
    for entry, why in (
        ("", 'says nothing of hills.climb: write "hills.climb" = "..." under'),
        ('"hills.climb" = "subió {meters} m"', r"has \['meters'\], which is no field"),
        ('"hills.climb" = "subió {note:g}"', "does not fit"),
        ('hills.climb = "subió"', "a code with a point stands in quotes"),
    ):
        text = f'locale = "es"\n[sentences]\n{entry}\n'
        file = DataFile("es_torn", "language", "Torn", partial(str, text))
        with pytest.raises(AssertionError, match=why):
            check_kind(CLIMB, {"metres": 12.0, "note": "sand"}, languages=[file])


_ITEM = (
    '[[item]]\nname = "{}"\ncomponent = "wheel.tire"\nmeasurement = "tread depth"\nunit = "mm"\n'
)
_SERVICE = '[[item]]\ncomponent = "engine.oil"\nmonths = {}\ncitation = "ours"\n'
#: What a file is and says, and what of it nothing reads.
UNREAD: dict[str, tuple[Any, str, str]] = {
    "code": ("language", '[sentences]\n"hills-say.tols" = "Visto."', "'hills-say.tols'"),
    "place": ("language", '[sentences]\n"hills-say.told" = "Visto {n}."', "has {n}"),
    "kind": ("language", '[sentences]\n"hills.walk" = "Anduvo."', "'hills.walk'"),
    "component": ("language", '[components]\n"brake.padz" = "pastillas"', "'brake.padz'"),
    "corner": ("language", '[places]\nLFF = "delante"', "'LFF'"),
    "frame": ("language", '[report]\nvehicle_titel = "Informe"', "'vehicle_titel'"),
    "item hidden": (
        "look-over sheet",
        '[sheet]\ntitle = "Ours"\n' + _ITEM.format("Tread") + _ITEM.format("Depth"),
        "the item 'Depth' measures and asks what the item 'Tread' does",
    ),
    "service twice": (
        "schedule",
        '[schedule]\ntitle = "Ours"\nnote = "None."\n' + _SERVICE.format(6) + _SERVICE.format(9),
        "a second item for engine.oil replaced",
    ),
    "word for nothing": ("words", '[short]\nblorps = "brake padz"', "has 'padz'"),
}


@pytest.mark.parametrize("case", UNREAD)
def test_what_no_door_would_ever_read_is_told(case: str, shop: Run) -> None:
    what, text, told = UNREAD[case]
    del shop
    head = 'locale = "es"\n' if what == "language" else ""
    with pytest.raises(AssertionError, match="would never be read") as caught:
        check_data_file(DataFile("ours", what, "Ours", lambda: head + text))
    assert told in str(caught.value)


def test_all_that_ships_is_read(shop: Run) -> None:
    del shop
    for _plugin, file in PluginHost.load().received("roadworn_data_files"):
        if file.name not in {"torn", "gone"}:
            check_data_file(file)


def test_what_lies_in_the_folder_stands_in_the_way_of_no_name(
    shop: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "words_hills").write_text("driver = 7\n")
    for name in ("light", "light_vehicle", "sheet_hills", "schedule_common_practice"):
        (tmp_path / name).write_text("no TOML at all")
    monkeypatch.setenv("ROADWORN_WORDS", "words_hills")
    assert shop(*LOOK).code == 0
    for name in ("light", "sheet_hills"):
        done = shop("record", "inspection", "bus-1", "horn sound", "--sheet", name, "--sure")
        assert done.code == 0, done.err
    done = shop("analyse", "maintenance-due", "schedule=schedule_common_practice")
    assert done.code == 0, done.err
    for path in ("./words_hills", "words_hills."):
        (tmp_path / path).write_text("driver = 7\n")
        monkeypatch.setenv("ROADWORN_WORDS", path)
        assert "driver is left or right" in shop(*LOOK).err
    monkeypatch.delenv("ROADWORN_WORDS")
    own = shop("record", "inspection", "bus-1", "horn sound", "--sheet", "./light")
    assert (own.code, "./light is no TOML" in own.err) == (2, True), own.err


def test_a_name_of_a_plugin_goes_before_the_beginning_of_one_that_ships(shop: Run) -> None:
    """`lig` begins light_vehicle, and is also the whole name of a plugin's sheet."""
    assert shop("record", "inspection", "bus-1", "horn sound", "--sheet", "lig", "--sure").code == 0
    done = shop("sql", "SELECT sheet FROM inspections ORDER BY seq DESC LIMIT 1", "--format", "csv")
    assert done.out.split() == ['"sheet"', '"lig"']


def test_a_service_without_a_source_is_told_what_one_may_be() -> None:
    head = '[schedule]\ntitle = "Ours"\nnote = "None."\n'
    text = f'{head}[[item]]\ncomponent = "engine.oil"\nmonths = 6\n'
    with pytest.raises(AssertionError) as caught:
        check_data_file(DataFile("ours", "schedule", "Ours", lambda: text))
    told = str(caught.value)
    assert "item 1 (engine.oil): the key 'citation' is missing: add where it is from" in told
    assert 'citation = "common practice, no source"' in told


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
