"""The last entry or import taken back, and a mended map that puts right what it gave before."""

from collections.abc import Callable
from pathlib import Path

import pytest
from commandline import Run

History = Callable[[], list[dict[str, object]]]
MAP = """
kind = "maintenance"
[columns]
"Day" = "occurred_at"
"Bus" = "vehicle_id"
"Work" = "component"
[components]
"lube" = "{oil}"
"flt" = "air.filter"
"""
ROWS = "Day,Bus,Work\n2026-05-04,bus-7,lube\n2026-05-05,bus-7,flt\n2026-05-06,bus-7,lube\n"


@pytest.fixture
def table(shop: Run, tmp_path: Path) -> Callable[..., None]:
    def write(rows: str = ROWS, oil: str = "engine.oil", name: str = "map.toml") -> None:
        (tmp_path / "work.csv").write_text(rows, encoding="utf-8")
        (tmp_path / name).write_text(MAP.format(oil=oil), encoding="utf-8")

    return write


def counting(rows: list[dict[str, object]]) -> list[object]:
    return [row["kind"] for row in rows if row["effective"] and row["kind"] != "retraction"]


def components(shop: Run) -> list[list[object]]:
    query = "SELECT component FROM maintenance_done ORDER BY occurred_at, component"
    return [list(row.values()) for row in shop("sql", query, "--format", "json").json()]


def test_the_last_entry_is_shown_asked_for_and_taken_back(shop: Run, history: History) -> None:
    shop("record", "maintenance", "bus-7", "engine oil", "--by", "AB", "--on", "2026-05-04")
    shop("record", "repair", "bus-7", "horn", "--by", "CD", "--on", "2026-05-05")
    asked = shop("undo")
    assert asked.code == 1
    assert "horn" in asked.err
    assert "--yes" in asked.err
    assert len(history()) == 3
    done = shop("undo", "--yes")
    assert done.code == 0
    assert "took back 1 event of bus-7" in done.out
    assert counting(history()) == ["enrolment", "maintenance"]
    assert shop("undo", "--yes").code == 0
    assert counting(history()) == ["enrolment"]


def test_the_last_entry_of_one_person(shop: Run, history: History) -> None:
    shop("record", "maintenance", "bus-7", "engine oil", "--by", "AB", "--on", "2026-05-04")
    shop("record", "repair", "bus-7", "horn", "--by", "CD", "--on", "2026-05-05")
    assert shop("undo", "--by", "AB", "--yes").code == 0
    assert counting(history()) == ["enrolment", "repair"]
    none = shop("undo", "--by", "AB", "--yes")
    assert none.code == 3
    assert "Nothing of AB" in none.err


def test_a_correction_undone_leaves_what_it_corrected(shop: Run, history: History) -> None:
    shop("record", "maintenance", "bus-7", "engine oil", "--on", "2026-05-04")
    shop("correct", "last", "bus-7", "on=2026-05-03")
    shop("undo", "--yes")
    days = {row["kind"]: row["date"] for row in history() if row["effective"]}
    assert days["maintenance"] == "2026-05-04"


def test_last_alone_says_which_entry_it_is_and_rewrites_none(shop: Run) -> None:
    shop("enrol", "van-2", "--on", "2026-01-01")
    shop("record", "complaint", "bus-7", "rattles", "--on", "2026-05-04")
    refused = shop("record", "complaint", "van-2", "pulls left, call 555-0199")
    assert refused.code != 0
    alone = shop("correct", "last", "text=pulls left")
    assert alone.code == 1
    told = " ".join(alone.err.split())
    assert "last is an entry of bus-7, 2026-05-04" in told
    assert "rattles" in told
    assert "roadworn correct last bus-7 'text=pulls left'" in told
    # Of the vehicle that was meant, nothing has such words.
    assert shop("correct", "last", "van-2", "text=pulls left").code != 0
    assert "rattles" in shop("history", "bus-7").out
    assert shop("correct", "last", "bus-7", "text=pulls left").code == 0
    assert shop("correct", "last", "text=pulls right", "--sure").code == 0
    assert shop("correct", "last", "bus-7").code == 2


def test_retract_last_needs_no_reason_and_goes_no_further(shop: Run, history: History) -> None:
    shop("record", "maintenance", "bus-7", "engine oil", "--on", "2026-05-04")
    shop("record", "repair", "bus-7", "horn", "--on", "2026-05-05")
    asked = shop("retract", "last")
    assert asked.code == 1
    assert "horn repaired" in asked.err
    assert "roadworn retract last bus-7" in asked.err
    assert counting(history()) == ["enrolment", "maintenance", "repair"]
    assert shop("retract", "last", "bus-7").code == 0
    again = shop("retract", "last", "bus-7")
    assert again.code == 2
    assert "roadworn undo" in again.err
    assert counting(history()) == ["enrolment", "maintenance"]


def test_an_import_is_undone_whole_and_comes_again(
    shop: Run, history: History, table: Callable[..., None]
) -> None:
    table()
    shop("import", "work.csv", "--map", "map.toml")
    refused = shop("undo", "--yes")
    assert refused.code == 3
    assert "roadworn undo import" in refused.err
    undone = shop("undo", "import", "--yes")
    assert undone.out == "took back 3 events of work.csv\n"
    assert counting(history()) == ["enrolment"]
    again = shop("undo", "import", "--yes")
    assert again.code == 3
    # What was taken back by an undone import is no hindrance to the same rows.
    second = shop("import", "work.csv", "--map", "map.toml")
    assert second.out.startswith("3 rows: 3 added, 0 there already")
    third = shop("import", "work.csv", "--map", "map.toml")
    assert third.out.startswith("3 rows: 0 added, 3 there already")
    assert len(components(shop)) == 3


def test_an_undone_ndjson_comes_again_equal_lines_too(shop: Run, tmp_path: Path) -> None:
    line = ('{"vehicle_id":"bus-7","kind":"maintenance","occurred_at":"2026-05-04",'
            '"payload":{"component":"engine.oil"}}\n')  # fmt: skip
    (tmp_path / "a.ndjson").write_text(line)
    (tmp_path / "b.ndjson").write_text(2 * line)
    assert shop("import", "a.ndjson").code == 0
    assert "1 added, 1 there" in shop("import", "b.ndjson").out
    assert shop("undo", "import", "b.ndjson", "--yes").code == 0
    for _ in range(2):
        shop("import", "b.ndjson")
        assert len(components(shop)) == 2


def test_an_enrolment_that_is_needed_since_stays(shop: Run, tmp_path: Path) -> None:
    line = '{"vehicle_id":"van-9","kind":"enrolment","occurred_at":"2026-05-04","payload":{}}\n'
    other = ('{"vehicle_id":"van-9","kind":"maintenance","occurred_at":"2026-05-04",'
             '"payload":{"component":"engine.oil"}}\n')  # fmt: skip
    (tmp_path / "a.ndjson").write_text(line + other)
    shop("import", "a.ndjson")
    shop("record", "reading", "van-9", "100 mi", "--on", "2026-05-06")
    undone = shop("undo", "import", "--yes")
    assert "enrolment of van-9 stays" in undone.err
    assert components(shop) == []
    assert shop("history", "van-9").code == 0


def test_a_mended_map_replaces_what_its_rows_gave(
    shop: Run, history: History, table: Callable[..., None]
) -> None:
    table(oil="cooling.coolant")
    shop("import", "work.csv", "--map", "map.toml")
    table(oil="engine.oil")
    dry = shop("import", "work.csv", "--map", "map.toml", "--dry-run")
    assert "2 events of the same rows would be taken back" in dry.out
    mended = shop("import", "work.csv", "--map", "map.toml")
    assert mended.code == 0, mended.err
    assert mended.out.startswith("3 rows: 2 added, 1 there already, 0 problems, 2 events of the")
    assert sorted(c for (c,) in components(shop)) == [
        "air.filter", "engine.oil", "engine.oil",
    ]  # fmt: skip
    # And back again, and once more: never a second copy, never a lost row.
    for oil in ("cooling.coolant", "cooling.coolant", "engine.oil"):
        table(oil=oil)
        shop("import", "work.csv", "--map", "map.toml")
        assert sorted(c for (c,) in components(shop)) == sorted(["air.filter", oil, oil])


def test_what_was_put_right_by_hand_stays(shop: Run, table: Callable[..., None]) -> None:
    table(oil="cooling.coolant")
    shop("import", "work.csv", "--map", "map.toml")
    shop("correct", "last", "bus-7", "component=power steering fluid")
    table(oil="engine.oil")
    mended = shop("import", "work.csv", "--map", "map.toml")
    assert "1 row left as put right by hand" in mended.out
    assert len(components(shop)) == 3


def test_another_map_says_that_the_rows_were_taken(shop: Run, table: Callable[..., None]) -> None:
    table(oil="cooling.coolant")
    shop("import", "work.csv", "--map", "map.toml")
    table(oil="engine.oil", name="mended.toml")
    second = shop("import", "work.csv", "--map", "mended.toml")
    assert "by the map map.toml" in second.err


def test_a_mended_enrolment(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "v.csv").write_text("Bus,Year,Kind,Day,Part\nbus-1,2001,enrolment,2026-01-02,\n"
                                    "bus-1,,repair,2026-01-03,horn\n")  # fmt: skip
    text = ('[columns]\n"Bus"="vehicle_id"\n"Kind"="kind"\n"Day"="occurred_at"\n'
            '"Part"="component"\n"Year"="model_year"\n{}')  # fmt: skip
    (tmp_path / "m.toml").write_text(text.format(""))
    assert shop("import", "v.csv", "--map", "m.toml").code == 0
    (tmp_path / "m.toml").write_text(text.format('[vehicles]\n"bus-1"="van-1"\n'))
    mended = shop("import", "v.csv", "--map", "m.toml")
    assert mended.code == 0, mended.err
    assert "2 added" in mended.out
    names = [row["vehicle_id"] for row in shop("vehicles", "--format", "json").json()]
    assert names == ["bus-7", "van-1"]
