"""Every door: what a plugin brings through it is used as its user would, on the command line."""

import importlib.metadata
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Annotated, Any

import pytest
from commandline import Run
from pydantic import Field

from roadworn import (
    Analysis,
    Answers,
    Column,
    Command,
    DataFile,
    Decoded,
    Decoder,
    EventKind,
    Importer,
    Job,
    Ledger,
    LedgerView,
    Money,
    NewEvent,
    Panel,
    Payload,
    PluginHost,
    Result,
    Settings,
    Table,
    about,
    hookimpl,
)
from roadworn.analysis.doors import doors, takes_job
from roadworn.testing import event
from roadworn.trade.limits import SHEETS
from roadworn_plugins.maintenance.schedule import SCHEDULES
from roadworn_plugins.shared.rule_sets import RULE_SETS

MADE: list[str] = []


class Fill(Payload):
    """A fill of the tank."""

    litres: Annotated[float, about("How much went in.")]
    paid: Annotated[Money | None, about("What it cost.")] = None


class OfOne(Settings):
    vehicle: Annotated[str | None, Field(description="only this one")] = None
    most: Annotated[int, Field(ge=1, description="rows")] = 2


def use(view: LedgerView, settings: OfOne, job: Job) -> Result:
    def make() -> list[int]:
        MADE.append("made")
        return [len(view.sql("SELECT 1 FROM events").rows)]

    job.progress(1, 1)
    (count,) = job.cached("events", make)
    (again,) = job.cached("events", make)
    columns = (Column("vehicle", "vehicle"), Column("events", "events", "integer"))
    table = Table("t", "Events", columns, ((settings.vehicle or "all", count + again - again),))
    return Result("Fuel is used.", (table,), cautions=("Fuel burns: no flame near the filler.",))


def other_next(_view: LedgerView, _settings: OfOne) -> Result:
    return Result("By another model.")


def read(path: Path) -> Iterator[NewEvent]:
    for number, line in enumerate(path.read_text().splitlines()):
        vehicle, day, litres = line.split("|")
        made = event(vehicle, "fuel.fill", day, litres=float(litres))
        yield made.model_copy(update={"intake_key": f"{path.name}:{number}"})


def drafts(path: Path) -> Iterator[Mapping[str, Any]]:
    for line in path.read_text().splitlines():
        yield from drafts_of(line)


def drafts_of(line: str) -> Iterator[Mapping[str, Any]]:
    vehicle, day, litres = line.split("|")
    payload = {"litres": float(litres) if litres.isdigit() else litres}
    yield {"vehicle_id": vehicle, "kind": "fuel.fill", "occurred_at": day, "payload": payload}


def rows(path: Path) -> Iterator[Mapping[str, Any]]:
    """Read the same log with its heading and empty lines, and an odd word at its end."""
    for number, line in enumerate(path.read_text().splitlines(), 1):
        if line == "END":
            raise ValueError("torn")
        if "|" in line:
            for draft in drafts_of(line):
                yield {**draft, "row": number}


def decode(text: str) -> Mapping[str, Any] | Decoded:
    if not text.replace(" ", "").isdigit():
        raise ValueError("A pump's number has digits alone: write it as 0417.")
    found = [{"pump": int(one[2:]), "island": int(one[:2])} for one in text.split()]
    out = any(one["island"] > 4 for one in found)
    if len(found) == 1 and not out:
        return found[0]
    return Decoded(found, ["there is no island 5 yet."] if out else [], out)


def bill(view: LedgerView, settings: OfOne) -> str:
    return f"{len(view.sql('SELECT 1 FROM vehicles').rows)} vehicles, at most {settings.most}"


def sheet() -> str:
    return SHEETS.text("light")


class Fuel:
    ROADWORN_HOOKS = 2

    @hookimpl
    def roadworn_event_kinds(self) -> list[EventKind]:
        sentence = "filled {litres:g} l {paid}"
        return [EventKind("fuel.fill", Fill, sentence=sentence, short=("litres", "paid"))]

    @hookimpl
    def roadworn_analyses(self) -> list[Analysis]:
        goes = Answers.GOES_NEXT
        return [
            Analysis("fuel-use", "Fuel use", "How much fuel?", use, OfOne),
            Analysis("fuel-next", "Next", "What goes next?", other_next, OfOne, answers=goes),
        ]

    @hookimpl
    def roadworn_panels(self) -> list[Panel]:
        return [Panel("fuel-use", "fuel-use", ("vehicle", "fleet"))]

    @hookimpl
    def roadworn_importers(self) -> list[Importer]:
        return [
            Importer("pump-log", "The log of our pump", read),
            Importer("pump-drafts", "The same, nothing of it checked", drafts),
            Importer("pump-rows", "The same, by the rows of the file", rows),
        ]

    @hookimpl
    def roadworn_decoders(self) -> list[Decoder]:
        return [Decoder("pump", "The number of a pump.", decode, "As 0417, several.")]

    @hookimpl
    def roadworn_commands(self) -> list[Command]:
        return [Command("bill", "What was filled.", bill, OfOne)]

    @hookimpl
    def roadworn_data_files(self) -> list[DataFile]:
        return [DataFile("hill_country", "look-over sheet", "Hill country", sheet)]


@pytest.fixture
def shop(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """A command line where the plugin is installed, on a ledger of one vehicle."""
    points: list[Any] = [
        e for e in importlib.metadata.entry_points(group="roadworn") if e.name == "bundled"
    ]
    dist = SimpleNamespace(name="roadworn-fuel", version="1.0")
    points.append(SimpleNamespace(name="fuel", value="fuel", dist=dist, load=Fuel))
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda *, group: points)
    with Ledger.create(tmp_path / "roadworn.db") as ledger:
        ledger.append_many([event("bus-1", "enrolment", "2026-01-05", odometer=100)])
    return run


def test_every_door_is_tried_here() -> None:
    tried = {name for name in dir(Fuel) if name.startswith("roadworn_")}
    # Tables and views are tried by the hostile ones and by the kit, life models by themselves.
    elsewhere = {"roadworn_tables", "roadworn_views", "roadworn_life_models"}
    assert {door.hook for door in doors()} - tried == elsewhere


def test_a_kind_has_its_short_form_and_its_sentence(shop: Run) -> None:
    done = shop("record", "other", "fuel.fill", "bus-1", "40.5", "61.20USD", "--on", "2026-02-01")
    assert done.code == 0, done.err
    told = shop("history", "bus-1", "--kind", "fuel.fill")
    assert "filled 40.5 l" in told.out
    assert "61.20" in told.out
    wrong = shop("record", "other", "fuel.fill", "bus-1", "40.5", "1USD", "7")
    assert (wrong.code, "by place it takes litres, paid" in wrong.err) == (2, True)


def test_a_job_keeps_for_a_state_and_its_settings_alone(shop: Run) -> None:
    def asked(*words: str) -> Any:
        done = shop("analyse", "fuel-use", *words, "--format", "json")
        assert done.code == 0, done.err
        return json.loads(done.out)

    MADE.clear()
    assert asked()["cautions"] == ["Fuel burns: no flame near the filler."]
    assert asked("most=3")["headline"] == "Fuel is used."
    assert len(MADE) == 2
    assert "no flame near the filler" in shop("analyse", "fuel-use").out


def test_an_analysis_of_two_parameters_is_handed_two() -> None:
    assert takes_job(use)
    assert not takes_job(other_next)
    assert not takes_job(lambda _view, _settings, _of_its_own=5: None)


def test_a_panel_stands_on_the_reports(shop: Run) -> None:
    for words in (("vehicle", "bus-1"), ("fleet",)):
        done = shop("report", *words, "-o", "-")
        assert done.code == 0, done.err
        assert "Fuel use" in done.out
        assert "no flame near the filler" in done.out


def test_an_importer_reads_and_the_checks_stay_ours(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "pump.log").write_text("bus-1|2026-03-01|40\nbus-1|2026-03-09|38\n")
    dry = shop("import", "pump.log", "--with", "pump-log", "--dry-run")
    assert (dry.code, "2 would be added" in dry.out) == (0, True), dry.err
    assert "2 added" in shop("import", "pump.log", "--with", "pump-log").out
    assert "2 there already" in shop("import", "pump.log", "--with", "pump-log").out
    (tmp_path / "more.log").write_text("bus-9|2026-03-01|40\n")
    wrong = shop("import", "more.log", "--with", "pump-log")
    assert (wrong.code, "bus-9" in wrong.out + wrong.err) == (1, True)
    (tmp_path / "odd.log").write_text("nothing of the kind\n")
    broken = shop("import", "odd.log", "--with", "pump-log")
    assert (broken.code, "importer 'pump-log' of plugin 'fuel'" in broken.err) == (4, True)
    assert shop("import", "odd.log", "--with", "pump-lock").code == 2


def test_a_decoder_decodes_and_says_what_it_cannot(shop: Run) -> None:
    done = shop("decode", "pump", "0417", "--format", "json")
    assert (done.code, json.loads(done.out)) == (0, {"island": 4, "pump": 17})
    wrong = shop("decode", "pump", "four")
    assert (wrong.code, "digits alone" in wrong.err) == (2, True)
    near = shop("decode", "pumps", "0417")
    assert (near.code, "did you mean pump?" in near.err) == (2, True)
    several = shop("decode", "pump", "0417", "0501", "--format", "json")
    assert (several.code, json.loads(several.out)[1]) == (1, {"pump": 1, "island": 5})
    assert "no island 5" in several.err
    rows = json.loads(shop("decode", "pump", "0417", "0402", "--format", "json").out)
    assert [row["pump"] for row in rows] == [17, 2]
    assert "island" in shop("decode", "pump", "0417", "0402").out
    assert "The number of a pump." in shop("decode", "--help").out
    assert "As 0417, several." in shop("decode", "pump", "--help").out


def test_what_is_wrong_with_a_draft_is_told_by_its_row(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "pump.log").write_text("bus-1|2026-03-01|40\nbus-1|2026-03-09|full\n")
    wrong = shop("import", "pump.log", "--with", "pump-drafts")
    assert (wrong.code, "1 problem" in wrong.out) == (1, True)
    said = "'full' cannot be read as litres. (write a number, without quotes)"
    assert wrong.err.startswith(f"pump.log:2:payload.litres: {said}")
    assert "1 added" in shop("import", "pump.log", "--with", "pump-drafts", "--keep-good").out


def test_a_draft_that_says_its_row_is_told_by_that(shop: Run, tmp_path: Path) -> None:
    log = "Pump 4\n\nbus-1|2026-03-01|40\n\nbus-1|2026-03-09|full\nbus-1|2026-02-31|30\n"
    (tmp_path / "pump.log").write_text(log)
    wrong = shop("import", "pump.log", "--with", "pump-rows")
    assert [line.split(" ")[0] for line in wrong.err.splitlines()[:2]] == [
        "pump.log:5:payload.litres:",
        "pump.log:6:occurred_at:",
    ]
    found = shop("import", "pump.log", "--with", "pump-rows", "--format", "json")
    assert [row["row"] for row in json.loads(found.out)] == [5, 6]
    (tmp_path / "torn.log").write_text("Pump 4\n\nbus-1|2026-03-01|40\nEND\n")
    torn = shop("import", "torn.log", "--with", "pump-rows")
    assert torn.code == 4
    said = "after 1 event of torn.log, the last being bus-1 fuel.fill 2026-03-01 of row 3, with"
    assert said in torn.err


def test_the_bundled_ones_come_in_by_the_same_doors(shop: Run) -> None:
    """Each door that Roadworn itself has something for is one of an outsider's."""
    rows = json.loads(shop("plugins", "bundled", "--format", "json").out)
    brought: dict[str, list[str]] = {}
    for row in rows:
        brought.setdefault(row["door"], []).append(row["brings"])
    assert {"vin", "code", "readiness", "status", "j1939"} == {*brought["roadworn_decoders"]}
    assert brought["roadworn_importers"] == ["ndjson"]
    assert "fleet-next-repairs" in brought["roadworn_panels"]
    files = [*brought["roadworn_data_files"]]
    packaged = {*SHEETS.names(), *RULE_SETS.names(), *SCHEDULES.names()}
    assert sorted(files) == sorted({*packaged, "words"})
    # Without the plugin that brings them they are not there.
    assert shop("--without", "bundled", "decode", "code", "P0420").code == 2
    bare = shop("--without", "bundled", "report", "fleet", "-o", "-").out
    assert "What the distance costs" not in bare
    assert "What the distance costs" in shop("report", "fleet", "-o", "-").out


def test_events_are_read_from_a_file_of_any_name_and_known_again(shop: Run, tmp_path: Path) -> None:
    line = '{"vehicle_id":"bus-1","kind":"odometer_reading","occurred_at":"2026-03-01",'
    line += '"odometer":200,"odometer_unit":"mi","payload":{}}\n'
    (tmp_path / "events.txt").write_text(line)
    (tmp_path / "events.ndjson").write_text(line)
    assert "1 added" in shop("import", "events.txt", "--with", "ndjson").out
    assert "1 there already" in shop("import", "events.ndjson").out
    (tmp_path / "odd.txt").write_text(line + "nothing of the kind\n")
    odd = shop("import", "odd.txt", "--with", "ndjson")
    assert (odd.code, "row 2 is no JSON object" in odd.err) == (2, True)


def test_a_command_stands_under_the_word_of_its_plugin(shop: Run) -> None:
    done = shop("fuel", "bill", "most=5")
    assert (done.code, done.out.strip()) == (0, "1 vehicles, at most 5"), done.err
    assert "What was filled." in shop("fuel", "--help").out
    assert shop("fule", "bill").code == 2
    assert shop("fuel", "bill", "least=5").code == 2


def test_a_sheet_of_a_plugin_is_used_by_its_name(shop: Run) -> None:
    done = shop(
        *("record", "inspection", "bus-1", "--sheet", "hill_country", "--odometer", "200 mi"),
        *("brake pads front 3 mm wearing", "--on", "2026-03-01"),
    )
    assert done.code == 0, done.err
    assert shop("record", "inspection", "bus-1", "--sheet", "flat_country", "x").code == 2


def test_a_bundled_analysis_is_replaced_by_the_users_word_alone(
    shop: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def headline() -> tuple[str, list[str]]:
        found = json.loads(shop("analyse", "next-repairs", "--format", "json").out)
        return found["headline"], found["caveats"]

    assert headline()[0] != "By another model."
    monkeypatch.setenv("ROADWORN_INSTEAD", "next-repairs=fuel-next")
    told, caveats = headline()
    assert told == "By another model."
    assert "fuel-next of the plugin fuel answered in the place of next-repairs" in caveats[0]
    monkeypatch.setenv("ROADWORN_INSTEAD", "next-repairs=fuel-use")
    done = shop("analyse", "next-repairs")
    assert (done.code, "does not answer what next-repairs does" in done.err) == (2, True)
    monkeypatch.setenv("ROADWORN_INSTEAD", "next-repairs")
    assert shop("analyse", "next-repairs").code == 2


def test_a_plugin_that_needs_newer_doors_says_so() -> None:
    class Newer(Fuel):
        ROADWORN_HOOKS = 99

    host = PluginHost()
    host.register(Newer(), "fuel")
    assert "needs the doors 99" in host.problems[0].message
    assert list(host.versions) == []


def test_hooks_and_plugins_tell_of_themselves(shop: Run) -> None:
    rows = json.loads(shop("plugins", "hooks", "--format", "json").out)
    assert {row["hook"].partition("(")[0] for row in rows} == {door.hook for door in doors()}
    panels = next(row for row in rows if "panels" in row["hook"])
    assert (panels["since"], panels["used by"]) == (2, "bundled, fuel")
    brought = {r["brings"] for r in json.loads(shop("plugins", "fuel", "--format", "json").out)}
    assert {"fuel.fill", "fuel-use", "pump-log", "pump", "bill", "hill_country"} <= brought


def test_a_file_of_a_plugin_is_listed_and_printed_to_copy(shop: Run) -> None:
    assert "hill_country" in shop("sheets").out
    assert shop("sheets", "hill_country").out == sheet()
