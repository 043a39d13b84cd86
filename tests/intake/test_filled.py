"""A look-over filled in as a table: the empty one, and what becomes of a filled-in one."""

import csv
from io import StringIO
from pathlib import Path

import orjson
import pytest

from roadworn.intake.filled import blank_rows, read_filled
from roadworn.intake.filled_file import filled_rows
from roadworn.model.errors import ProblemsFound, UsageError
from roadworn.model.payloads import Inspection
from roadworn.trade.judging import KnownSizes
from roadworn.trade.limits import SHEETS, load_sheet

LIGHT, HEAVY = load_sheet("light_vehicle"), load_sheet("heavy_vehicle")
HEAD = "item,component,place,measure,unit,limit,measured,condition,size of,size,note\n"


def read(text: str, folder: Path, sheet=LIGHT, rest: str = ""):
    path = folder / "look.csv"
    path.write_text(HEAD + text, encoding="utf-8")
    return read_filled(filled_rows(path), path.name, sheet, KnownSizes(), rest)


def row(item: str, **cells: str) -> str:
    of = {"item": item, **cells}
    return ",".join(f'"{of.get(name, "")}"' for name in HEAD.strip().split(",")) + "\n"


def condition(item: str, folder: Path, sheet=LIGHT, **cells: str) -> str:
    payload = read(row(item, **cells), folder, sheet).payload
    ((found,),) = [[f["condition"] for f in payload["findings"]]]
    return found


@pytest.mark.parametrize("name", SHEETS.names())
def test_an_empty_table_comes_back_as_nothing_checked(name: str, tmp_path: Path) -> None:
    sheet = load_sheet(name)
    rows = list(blank_rows(sheet))
    assert len(rows) == 1 + sum(len(item.places) or 1 for item in sheet.items)
    path = tmp_path / "blank.csv"
    with path.open("w", newline="") as stream:
        csv.writer(stream).writerows(rows)
    with pytest.raises(UsageError, match="Nothing is filled in"):
        read_filled(filled_rows(path), "blank.csv", sheet, KnownSizes())
    # One answer, and all the rest was not looked at: never sound.
    lines = path.read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("Horn,"))
    cells = next(csv.reader(StringIO(lines[at])))
    cells[7] = "s"
    lines[at] = ",".join(cells)
    path.write_text("\n".join(lines))
    payload = read_filled(filled_rows(path), "blank.csv", sheet, KnownSizes()).payload
    assert payload["sound"] == [{"component": "electrical.horn"}]
    assert payload["rest"] == "not_checked"
    assert {ref["component"] for ref in payload["not_checked"]} == {
        item.component for item in sheet.items
    } - {"electrical.horn"}
    Inspection.model_validate_json(orjson.dumps(payload))
    payload = read_filled(filled_rows(path), "b", sheet, KnownSizes(), "sound").payload
    assert payload == {
        "sheet": name,
        "sound": [{"component": "electrical.horn"}],
        "rest": "sound",
    }


@pytest.mark.parametrize(
    ("measured", "unit", "expected"),
    [
        # 49 CFR 570.9(a): 2/32 in at the limit passes; wearing from 4/32 by common practice.
        # 1 in = 25.4 mm, so 2/32 in = 1.5875 mm = 0.0625 in exactly.
        ("2", "32nds", "wearing"),
        ("2/32", "", "wearing"),
        ("2/32 in", "mm", "wearing"),
        ("1.5875", "mm", "wearing"),
        ("1.5875 mm", "32nds", "wearing"),
        ("0.0625", "in", "wearing"),
        ("1/16", "in", "wearing"),
        ("5", "32nds", "sound"),
        ("1.9", "32nds", "failed"),
        ("1.58", "mm", "failed"),
        ("0.062", "in", "failed"),
    ],
)
def test_figures_in_mm_inch_and_32nds(
    measured: str, unit: str, expected: str, tmp_path: Path
) -> None:
    assert condition("Tire tread", tmp_path, place="LF", measured=measured, unit=unit) == expected


def test_a_failed_safety_item_is_marked_and_said(tmp_path: Path) -> None:
    filled = read(row("Tire tread", place="lf", measured="1", unit="32nds"), tmp_path)
    (finding,) = filled.payload["findings"]
    assert (finding["position"], finding["safety"]) == ("LF", True)
    assert "570.9(a)" in filled.remarks[0]


def test_sizes_and_marked_limits(tmp_path: Path) -> None:
    # 49 CFR 570.7 Table 1: 20 in, 2 1/2 in.
    play = {"measured": "2.5", "unit": "in", "size": "20"}
    assert condition("Steering wheel free play", tmp_path, **play) == "sound"
    assert condition("Steering wheel free play", tmp_path, **{**play, "size": "19 in"}) == "failed"
    rotor = {"place": "RF", "measured": "23.9", "unit": "mm"}
    assert condition("Brake rotors", tmp_path, **rotor, size="24") == "failed"
    assert condition("Brake rotors", tmp_path, **rotor, size="23.9 mm") == "sound"
    # 49 CFR 393.47(e), from memory: type 20, 1 3/4 in; 20L, 2 in.
    stroke = {"place": "2L", "measured": "1 7/8", "unit": "in"}
    assert condition("Chamber stroke", tmp_path, HEAVY, **stroke, size="20L") == "sound"
    assert condition("Chamber stroke", tmp_path, HEAVY, **stroke, size="20") == "failed"


def test_a_condition_that_was_written_stands(tmp_path: Path) -> None:
    cells = {"place": "LF", "measured": "6", "unit": "32nds", "condition": "W", "note": "cupped"}
    assert condition("Tire tread", tmp_path, **cells) == "wearing"


@pytest.mark.parametrize(
    ("text", "column", "said"),
    [
        (row("Tyre thread", measured="3 mm"), "item", "did you mean Tire tread?"),
        (row("Tire tread", place="middle", measured="3 mm"), "place", "no position here"),
        (row("Tire tread", measured="3"), "measured", "has no unit"),
        (row("Tire tread", measured="12 V"), "measured", "give the figure in a unit of the same"),
        (row("Tire tread", measured="1,6", unit="mm"), "measured", "with a point before"),
        (row("Tire tread", measured="2032-03-01"), "measured", "made a date of a fraction"),
        (row("Tire tread", measured="3-Mar"), "measured", "made a date of a fraction"),
        (row("Tire tread", measured="900 mm"), "measured", ""),
        (row("Horn", measured="3 mm"), "measured", "looked at, not measured"),
        (row("Horn", condition="fine"), "condition", "cannot be 'fine'"),
        (row("Horn", note="quiet"), "condition", "a note and no condition"),
        (row("Brake rotors", place="LF", measured="24 mm"), "condition", "fill in size"),
        (row("Steering wheel free play", measured="2.1 in"), "condition", "fill in size"),
        (row("Steering wheel free play", measured="2 in", size="round"), "size", "cannot be read"),
        (row("Horn", condition="s", size="3"), "size", "asks for no size"),
        (
            row("Tire tread", place="LF", condition="s")
            + row("Tire tread", place="FL", condition="f"),
            "condition",
            "given twice and differently",
        ),
    ],
)
def test_a_wrong_cell_is_named_by_row_and_column(
    text: str, column: str, said: str, tmp_path: Path
) -> None:
    with pytest.raises(ProblemsFound) as caught:
        read(row("Mirrors", condition="s") + text, tmp_path)
    (problem,) = caught.value.problems
    assert (problem.file, problem.column) == ("look.csv", column)
    assert problem.row == 2 + text.count("\n")
    assert said in f"{problem.message} {problem.hint}"
    assert problem.message.endswith(".")


def test_every_problem_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(ProblemsFound) as caught:
        read(row("Horn", condition="x") + row("Mirrors") + row("Boat", condition="s"), tmp_path)
    assert [problem.row for problem in caught.value.problems] == [2, 4]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_any_way_a_spreadsheet_saves_it(encoding: str, delimiter: str, tmp_path: Path) -> None:
    path = tmp_path / "look.csv"
    text = HEAD + row("Horn", condition="f", note="heiser, à peine")
    cells = csv.reader(StringIO(text))
    with path.open("w", encoding=encoding, newline="") as stream:
        csv.writer(stream, delimiter=delimiter).writerows(cells)
    payload = read_filled(filled_rows(path), "look.csv", LIGHT, KnownSizes()).payload
    assert payload["findings"][0]["note"] == "heiser, à peine"


def test_another_table_is_refused_with_the_way_to_begin(tmp_path: Path) -> None:
    path = tmp_path / "other.csv"
    path.write_text("day,work\n2026-01-01,oil\n")
    with pytest.raises(UsageError, match="sheets SHEET --blank"):
        list(filled_rows(path))
    path.write_bytes(HEAD.encode() + b"Horn,,,,,,,\xff\n")
    with pytest.raises(UsageError, match="save it as CSV UTF-8"):
        list(filled_rows(path))
    path.write_text(HEAD + 'Horn,,,,,,,"s')
    with pytest.raises(UsageError, match="check the quotes"):
        list(filled_rows(path))
