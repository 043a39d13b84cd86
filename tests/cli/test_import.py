"""Files through the command line: all or nothing, twice adds nothing, hostile text survives."""

from collections.abc import Callable
from pathlib import Path

import orjson
import pytest
from commandline import Run

History = Callable[[], list[dict[str, object]]]
MAP = """
kind = "maintenance"
[columns]
"Day" = "occurred_at"
"Bus" = "vehicle_id"
"Work" = "component"
"Remark" = "note"
[components]
"lube" = "engine.oil"
"""


@pytest.fixture
def table(shop: Run, tmp_path: Path) -> Callable[[str], None]:
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")

    def write(rows: str) -> None:
        (tmp_path / "work.csv").write_text(f"Day,Bus,Work,Remark\n{rows}", encoding="utf-8")

    return write


def ndjson(path: Path, *events: dict[str, object]) -> None:
    path.write_bytes(b"".join(orjson.dumps(event) + b"\n" for event in events))


def test_a_table_twice_adds_nothing(
    shop: Run, history: History, table: Callable[[str], None]
) -> None:
    table("2026-05-04,bus-7,lube,\n2026-05-04,bus-7,lube,\n")
    first = shop("import", "work.csv", "--map", "map.toml")
    assert first.code == 0, first.err
    assert first.out == "2 rows: 2 added, 0 there already, 0 problems\n"
    again = shop("import", "work.csv", "--map", "map.toml")
    assert again.out == "2 rows: 0 added, 2 there already, 0 problems\n"
    assert len(history()) == 3


def test_a_dry_run_shows_all_problems_and_writes_nothing(
    shop: Run, history: History, table: Callable[[str], None]
) -> None:
    table("2026-05-04,bus-7,lube,\n04.05.2026,bus-8,lube,\n2026-05-04,bus-7,flux thing,\n")
    dry = shop("import", "work.csv", "--map", "map.toml", "--dry-run")
    assert dry.code == 1
    assert "work.csv:3:Day: " in dry.err
    assert "work.csv:4:Work: " in dry.err
    assert len(history()) == 1


def test_by_default_nothing_of_a_file_with_problems_is_taken(
    shop: Run, history: History, table: Callable[[str], None]
) -> None:
    table("2026-05-04,bus-7,lube,\n2026-05-04,bus-8,lube,\n")
    refused = shop("import", "work.csv", "--map", "map.toml")
    assert refused.code == 1
    assert "did you mean bus-7?" in refused.err
    assert "--keep-good" in refused.err
    assert len(history()) == 1
    dry = shop("import", "work.csv", "--map", "map.toml", "--dry-run")
    assert "With --keep-good " in dry.err
    told = dry.err.partition("With --keep-good ")[2].split()[0]
    kept = shop("import", "work.csv", "--map", "map.toml", "--keep-good")
    assert f": {told} added" in kept.out + kept.err
    assert kept.code == 1
    assert kept.out.startswith("2 rows: 1 added")
    assert len(history()) == 2


def test_problems_as_data(shop: Run, table: Callable[[str], None]) -> None:
    table("2026-05-04,bus-8,lube,\n")
    found = shop("import", "work.csv", "--map", "map.toml", "--format", "json")
    (problem,) = found.json()  # type: ignore[misc]
    assert problem["code"] == "not-enrolled"
    assert (problem["file"], problem["row"]) == ("work.csv", 2)
    assert problem["hint"]


def test_vehicles_that_are_not_enrolled_are_one_cause(
    shop: Run, table: Callable[[str], None]
) -> None:
    table("".join(f"2026-05-04,lorry-{100 + n % 40},lube,\n" for n in range(120)))
    found = shop("import", "work.csv", "--map", "map.toml")
    assert "120 problems of 1 cause" in found.out
    (told,) = [line for line in found.err.splitlines() if "not-enrolled" in line]
    assert told.startswith("work.csv: 40 vehicles are not enrolled, in 120 rows; first in row 2: ")
    assert "lorry-100 (2), lorry-101 (3)" in told
    assert "`roadworn import --look work.csv` writes a list of all of them" in told
    # As data each vehicle stands once; a name that is a slip of one there keeps its own remedy.
    rows = shop("import", "work.csv", "--map", "map.toml", "--format", "json").json()
    assert len({row["message"] for row in rows}) == 40  # type: ignore[union-attr,index]


def test_columns_without_a_meaning_are_told(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    (tmp_path / "work.csv").write_text("Day,Bus,Work,Remark,Mood\n2026-05-04,bus-7,lube,,blue\n")
    done = shop("import", "work.csv", "--map", "map.toml")
    assert done.code == 0
    assert "columns the map does not use: Mood" in done.err


def test_a_table_needs_a_map(shop: Run, table: Callable[[str], None]) -> None:
    table("")
    refused = shop("import", "work.csv")
    assert refused.code == 2
    assert "--map MAP.toml" in refused.err


def test_ndjson(shop: Run, history: History, tmp_path: Path) -> None:
    event = {
        "vehicle_id": "bus-7",
        "kind": "odometer_reading",
        "occurred_at": "2026-05-04",
        "odometer": 61250.0,
        "odometer_unit": "mi",
        "payload": {},
    }
    ndjson(tmp_path / "events.ndjson", event)
    assert shop("import", "events.ndjson").out.startswith("1 row: 1 added")
    assert shop("import", "events.ndjson").out.startswith("1 row: 0 added, 1 there already")
    assert history()[-1]["odometer"] == 61250.0
    ndjson(tmp_path / "bad.ndjson", event | {"kind": "odometer_readin"})
    bad = shop("import", "bad.ndjson")
    assert bad.code == 1
    assert "did you mean odometer_reading" in bad.err


HOSTILE = [
    "=cmd()",
    "<script>alert(1)</script>",
    "invoice\u202egnp.exe",
    "'; DROP TABLE events; --",
    "line one\nline two\r\n\ttab",
    "\x1b[2J\x1b[31mred",
    "nul \x00 byte",
    "emoji 🚌 and 漢字 and ﷽",
    "[bold]markup[/bold] {braces} %s $(shell)",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_stored_as_it_is_and_shown_escaped(
    shop: Run, history: History, tmp_path: Path, text: str
) -> None:
    event = {
        "vehicle_id": "bus-7",
        "kind": "complaint",
        "occurred_at": "2026-05-04",
        "payload": {"complaint": text},
    }
    ndjson(tmp_path / "events.ndjson", event)
    done = shop("import", "events.ndjson")
    assert done.code == 0, done.err
    assert history()[-1]["payload"]["complaint"] == text  # type: ignore[index]
    for fmt in ("table", "json", "csv"):
        shown = shop("history", "bus-7", "--format", fmt).out
        assert not any(c in shown.replace("\n", "") for c in "\x00\x1b\u202e") or fmt == "csv"


@pytest.mark.parametrize("text", [text for text in HOSTILE if "\x00" not in text])
def test_hostile_text_typed_at_the_bench(shop: Run, history: History, text: str) -> None:
    done = shop("record", "complaint", "bus-7", text)
    assert done.code == 0, done.err
    assert history()[-1]["payload"]["complaint"] == text  # type: ignore[index]
    assert len(done.out.splitlines()) == 1
    assert "\x1b" not in done.out
    assert "\u202e" not in done.out


def test_a_note_of_ten_megabytes(shop: Run, history: History, tmp_path: Path) -> None:
    text = "long " * 2_000_000
    event = {
        "vehicle_id": "bus-7",
        "kind": "complaint",
        "occurred_at": "2026-05-04",
        "payload": {"complaint": text},
    }
    ndjson(tmp_path / "events.ndjson", event)
    assert shop("import", "events.ndjson").code == 0
    assert history()[-1]["payload"]["complaint"] == text  # type: ignore[index]
    assert len(shop("history", "bus-7").out) < 2_000


def test_a_repeat_within_one_file_is_named_by_its_row(shop: Run, tmp_path: Path) -> None:
    work = {
        "vehicle_id": "bus-7",
        "kind": "replacement",
        "occurred_at": "2026-05-04",
        "odometer": 61250,
        "odometer_unit": "mi",
        "payload": {"component": "brake.pad", "position": "front", "reason": "failed"},
    }
    reading = {k: work[k] for k in ("vehicle_id", "odometer", "odometer_unit")} | {
        "kind": "odometer_reading", "occurred_at": "2026-05-03", "payload": {},
    }  # fmt: skip
    again = work | {"payload": {**work["payload"], "note": "once more"}}  # type: ignore[dict-item]
    ndjson(tmp_path / "twice.ndjson", reading, reading, work, reading, again)
    for more in ([], ["--dry-run"]):
        done = shop("import", "twice.ndjson", *more)
        assert done.code == 1
        assert "twice.ndjson:5: " in done.err
        assert "is row 3 already" in done.err
        assert "event " not in done.err.splitlines()[0]
        assert "--allow-repeat" in done.err
    ndjson(tmp_path / "first.ndjson", work)
    assert shop("import", "first.ndjson").code == 0
    ndjson(tmp_path / "second.ndjson", again)
    assert "is event 2 (" in shop("import", "second.ndjson").err


def test_an_id_that_stands_twice_in_a_file_is_named_by_its_row(shop: Run, tmp_path: Path) -> None:
    one = {
        "event_id": "01987654-3210-7abc-8def-0123456789ab",
        "vehicle_id": "bus-7",
        "kind": "complaint",
        "occurred_at": "2026-05-04",
        "payload": {"complaint": "clunk"},
    }
    ndjson(tmp_path / "ids.ndjson", one, one | {"payload": {"complaint": "squeal"}})
    done = shop("import", "ids.ndjson")
    assert done.code == 1
    assert "ids.ndjson:2:event_id: Row 1 has the id" in done.err


def test_a_folder_is_said_to_be_one(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    done = shop("import", "folder")
    assert done.code == 2
    assert "folder is a folder: name the files in it" in done.err


def test_the_example_of_the_help_is_taken(shop: Run, tmp_path: Path) -> None:
    page = shop("import", "--help").out
    event = " ".join(line.strip() for line in page.splitlines() if line.startswith(("  {", '   "')))
    (tmp_path / "help.ndjson").write_text(event + "\n", encoding="utf-8")
    done = shop("import", "help.ndjson")
    assert done.code == 0, done.err
    start = page.index('kind = "maintenance"')
    shown = [line.strip() for line in page[start:].split("\n\n")[0].splitlines()]
    (tmp_path / "map.toml").write_text("\n".join(shown), encoding="utf-8")
    (tmp_path / "work.csv").write_text("Day,Bus,Work\n2026-05-05,bus-7,engine oil\n")
    assert shop("import", "work.csv", "--map", "map.toml").code == 0


def test_a_second_enrolment_names_what_can_be_typed(shop: Run) -> None:
    assert "`roadworn record profile`" in shop("enrol", "bus-7").err
