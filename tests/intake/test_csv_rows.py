"""Rows of tables through a map. The form of CSV is RFC 4180; its own examples are read here."""

import time
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile

import pytest

from roadworn.intake.csv_file import TableRow, read_table
from roadworn.intake.csv_map import CsvMap, parse_csv_map
from roadworn.intake.csv_rows import MappedRow, mapped_rows, unmapped_columns
from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn.model.kinds import KindRegistry
from roadworn.reading.terms import parse_terms

MAP = """
kind = "replacement"
[columns]
"Day" = "occurred_at"
"Van" = "vehicle_id"
"Miles" = "odometer"
"Part" = "component"
"Where" = "position"
"Why" = "reason"
"Price" = "parts_cost"
"Note" = "note"
[units]
odometer = "mi"
[currency]
default = "USD"
[vehicles]
"old blue" = "van-3"
[values.reason]
"broke" = "failed"
"""
HEADER = "Day,Van,Miles,Part,Where,Why,Price,Note\n"
ROW = "2026-05-04,old blue,61250,brake pads,front,broke,84.50,\n"


def rows(folder: Path, text: str, csv_map: str = MAP, name: str = "shop.csv") -> list[MappedRow]:
    path = folder / name
    path.write_text(text, encoding="utf-8", newline="")
    return list(mapped_rows(path, parse_csv_map(csv_map), KindRegistry()))


def plain_map(**settings: str) -> CsvMap:
    return CsvMap("plain.toml", "replacement", {}, **settings)  # type: ignore[arg-type]


def test_examples_of_rfc_4180(tmp_path: Path) -> None:
    # RFC 4180 section 2, rules 1, 2, 6 and 7, as printed there.
    path = tmp_path / "rfc.csv"
    path.write_bytes(b'aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n"aaa","b\r\nbb","ccc"\r\n"a","b""bb","c"')
    read = list(read_table(path, plain_map()))
    assert [row.cells for row in read] == [
        ["aaa", "bbb", "ccc"],
        ["zzz", "yyy", "xxx"],
        ["aaa", "b\r\nbb", "ccc"],
        ["a", 'b"bb', "c"],
    ]
    assert [row.line for row in read] == [1, 2, 3, 5]


def test_a_row_becomes_an_event(tmp_path: Path) -> None:
    (row,) = rows(tmp_path, HEADER + ROW)
    assert row.problems == ()
    assert row.event is not None
    assert row.event.vehicle_id == "van-3"
    assert (row.event.odometer, row.event.odometer_unit) == (61250.0, "mi")
    assert row.event.payload["component"] == "brake.pad"
    assert row.event.payload["position"] == "front"
    assert row.event.payload["reason"] == "failed"
    assert row.event.payload["parts_cost"] == {"amount": "84.50", "currency": "USD"}


def test_the_key_is_of_what_a_row_says_and_not_of_where_it_stands(tmp_path: Path) -> None:
    other = ROW.replace("61250", "61999")
    first = rows(tmp_path, HEADER + ROW + other + ROW)
    keys = [row.event.intake_key for row in first if row.event]
    assert len(set(keys)) == 3  # the same row twice is two events, told apart by their number
    again = rows(tmp_path, HEADER + other + ROW + ROW, name="sorted and renamed.csv")
    assert {row.event.intake_key for row in again if row.event} == set(keys)


def test_all_problems_of_a_row_name_their_own_cells(tmp_path: Path) -> None:
    bad = "04/05/2026,Nobody's van!,12 parsec,flux thing,front,zerbrochen,five,x,surplus\n"
    (row,) = rows(tmp_path, HEADER + bad)
    assert row.event is None
    found = {(problem.column, problem.code) for problem in row.problems}
    assert found == {
        ("", "too-many-cells"),
        ("Day", "date-order"),
        ("Van", "bad-form"),
        ("Miles", "bad-value"),
        ("Part", "unknown-component"),
        ("Why", "bad-value"),
        ("Price", "bad-number"),
    }
    assert all(problem.file == "shop.csv" for problem in row.problems)
    assert all(problem.row == 2 and problem.hint for problem in row.problems)


def test_a_missing_field_and_a_position_that_makes_no_sense(tmp_path: Path) -> None:
    (row,) = rows(tmp_path, HEADER + "2026-05-04,old blue,,radiator,LF,,,\n")
    found = {(problem.column, problem.code) for problem in row.problems}
    assert ("Where", "bad-value") in found
    (row,) = rows(tmp_path, HEADER + "2026-05-04,old blue,,radiator,,,,\n")
    assert [(p.column, p.code) for p in row.problems] == [("Why", "missing-field")]


def test_empty_rows_are_left_out_and_lines_counted_all_the_same(tmp_path: Path) -> None:
    found = rows(tmp_path, HEADER + "\n,,,\n" + ROW)
    assert [row.line for row in found] == [4]


@pytest.mark.parametrize(
    ("encoding", "said"),
    [("utf-8", ""), ("utf-8-sig", ""), ("utf-16", ""), ("cp1252", "cp1252")],
)
def test_encodings(tmp_path: Path, encoding: str, said: str) -> None:
    path = tmp_path / "shop.csv"
    path.write_bytes((HEADER + ROW.replace(",\n", ",Müller’s Ö\n")).encode(encoding))
    extra = f'[file]\nencoding = "{said}"\n' if said else ""
    csv_map = parse_csv_map(MAP.replace("[columns]", f"{extra}[columns]"))
    (row,) = mapped_rows(path, csv_map, KindRegistry())
    assert row.event is not None
    assert row.event.payload["note"] == "Müller’s Ö"


def test_an_encoding_that_was_not_said_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "shop.csv"
    path.write_bytes((HEADER + ROW.replace(",\n", ",Müller\n")).encode("cp1252"))
    with pytest.raises(UsageError, match='encoding = "cp1252"'):
        list(mapped_rows(path, parse_csv_map(MAP), KindRegistry()))


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("", "first line names the columns"),
        ("Day,Van\n1,2\n", "has no column 'Miles'"),
        (HEADER.replace("Note", "Note,Van") + ROW, "column 'Van' twice"),
        (HEADER + '2026-05-04,"old blue,1,2\n', "quotes"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_in_a_sentence(
    tmp_path: Path, text: str, remedy: str
) -> None:
    with pytest.raises(UsageError) as caught:
        rows(tmp_path, text)
    assert remedy in caught.value.message


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(EnvironmentFailure, match="cannot be read"):
        list(read_table(tmp_path / "none.csv", plain_map()))


def test_tab_separated_by_its_name(tmp_path: Path) -> None:
    (row,) = rows(tmp_path, (HEADER + ROW).replace(",", "\t"), name="shop.tsv")
    assert row.event is not None


def test_columns_that_the_map_does_not_use_are_told(tmp_path: Path) -> None:
    path = tmp_path / "shop.csv"
    path.write_text(HEADER.replace("\n", ",Mood\n"), encoding="utf-8")
    assert unmapped_columns(path, parse_csv_map(MAP)) == ["Mood"]


def test_an_inspection_row_is_one_finding(tmp_path: Path) -> None:
    csv_map = """
kind = "inspection"
[file]
decimal_comma = true
delimiter = ";"
[columns]
"Day" = "occurred_at"
"Van" = "vehicle_id"
"Item" = "component"
"State" = "condition"
"Read" = "measurement"
[units]
measurement = "mm"
[values.condition]
"worn" = "wearing"
"""
    (row,) = rows(tmp_path, "Day;Van;Item;State;Read\n2026-05-04;v;brake pads;worn;3,5\n", csv_map)
    assert row.event is not None
    assert row.event.payload["findings"][0] == {
        "component": "brake.pad",
        "condition": "wearing",
        "measurements": [{"value": 3.5, "unit": "mm"}],
        "safety": False,
    }


def test_codes_and_a_kind_column(tmp_path: Path) -> None:
    csv_map = """
[columns]
"Day" = "occurred_at"
"Van" = "vehicle_id"
"What" = "kind"
"Codes" = "codes"
"Miles" = "odometer"
[values.kind]
"read out" = "scan"
"""
    text = 'Day,Van,What,Codes,Miles\n2026-05-04,v,Read Out,"P0420, P0171 pending","61,250 mi"\n'
    (row,) = rows(tmp_path, text, csv_map)
    assert row.event is not None
    assert row.event.kind == "scan"
    assert len(row.event.payload["modules"][0]["codes"]) == 2
    (row,) = rows(tmp_path, text.replace("Read Out", "wash"), csv_map)
    assert [(p.column, p.code) for p in row.problems] == [("What", "unknown-kind")]


def test_hostile_text_stays_as_it_is(tmp_path: Path) -> None:
    note = "=cmd()|<script>alert(1)</script>|\u202egnp.exe|; DROP TABLE events"
    (row,) = rows(tmp_path, HEADER + ROW.replace(",\n", f',"{note}"\n'))
    assert row.event is not None
    assert row.event.payload["note"] == note


def test_a_spreadsheet(tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    cells = ["2026-05-04", "old blue", 61250, "brake pads", "front", "broke", 84.5, "x"]
    write_xlsx(path, [HEADER.strip().split(","), cells])
    (row,) = mapped_rows(path, parse_csv_map(MAP), KindRegistry())
    assert row.event is not None
    assert row.event.odometer == 61250.0
    assert row.event.payload["parts_cost"] == {"amount": "84.5", "currency": "USD"}
    with pytest.raises(UsageError, match="has no sheet 'Two'"):
        list(read_table(path, plain_map(sheet="Two")))


def test_what_only_looks_like_a_spreadsheet(tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    path.write_bytes(b"this is no spreadsheet")
    with pytest.raises(UsageError, match="save it as CSV"):
        list(read_table(path, plain_map()))


@pytest.mark.parametrize("far", ["XFD1048576", "A1048576:row"])
def test_a_cell_far_away_takes_no_memory_and_one_sentence(tmp_path: Path, far: str) -> None:
    """549 GB for a file of 1,500 bytes, and the end of the program."""
    path = tmp_path / "shop.xlsx"
    cell, _, _row = far.partition(":")
    write_xlsx(path, [["a", "b"]], more=f'<row r="1048576"><c r="{cell}"><v>1</v></c></row>')
    if far.endswith(":row"):
        assert [row.line for row in read_table(path, plain_map())] == [1, 1_048_576]
        return
    with pytest.raises(UsageError, match="far from the table"):
        list(read_table(path, plain_map()))


def test_a_cell_that_unpacks_to_megabytes(tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    for length, told in ((50_000_000, "too much memory|shorten it"), (1_000_001, "shorten it")):
        write_xlsx(path, [["a", "x" * length]])
        with pytest.raises(UsageError, match=told):
            list(read_table(path, plain_map()))


def test_a_workbook_without_sheets(tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    write_xlsx(path, [["a"]], sheets="")
    with pytest.raises(UsageError, match="no sheet at all"):
        list(read_table(path, plain_map()))


def test_rows_and_columns_before_a_table_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "shop.xlsx"
    write_xlsx(path, [], more='<row r="3"><c r="C3"><v>5</v></c></row>')
    assert list(read_table(path, plain_map())) == [TableRow(3, ["", "", 5.0])]


@pytest.mark.parametrize(
    "text,told",
    [
        ("x = " + "[" * 100_000, "nested too deeply"),
        ("a." * 50_000 + "b = 1", "more than 20 parts"),
        ("x = {" + '"a" . ' * 30 + "b = 1}", r"more than 20 parts \(at line 1\)"),
        ("\n" * 2_000_000, "more than 1,000,000 characters"),
        ("x = " + "9" * 5_000, "out of all bounds"),
    ],
    ids=["deep", "dotted", "quoted", "long", "figure"],
)
def test_toml_without_bounds_is_refused_at_once_by_every_reader(text: str, told: str) -> None:
    for reader in (parse_csv_map, parse_terms):
        began = time.process_time()
        with pytest.raises(UsageError, match=told):
            reader(text)
        assert time.process_time() - began < 2


def test_without_the_library_for_spreadsheets(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("roadworn.intake.csv_file.find_spec", lambda name: None)
    with pytest.raises(EnvironmentFailure, match="save it as CSV"):
        list(read_table(tmp_path / "shop.xlsx", plain_map()))


def write_xlsx(
    path: Path,
    table: list[list[object]],
    more: str = "",
    sheets: str = '<sheet name="One" sheetId="1" r:id="r1"/>',
) -> None:
    """Write the smallest workbook of ECMA-376 part 1 (SpreadsheetML): one sheet, inline texts."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    relations = "http://schemas.openxmlformats.org/package/2006/relationships"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"

    def cell(value: object) -> str:
        if isinstance(value, str):
            return f'<c t="inlineStr"><is><t>{value}</t></is></c>'
        return f"<c><v>{value}</v></c>"

    rows_xml = "".join(f"<row>{''.join(map(cell, row))}</row>" for row in table)
    parts = {
        "[Content_Types].xml": '<Types xmlns="http://schemas.openxmlformats.org/package/2006/'
        'content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-'
        'package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>'
        '<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-'
        'officedocument.spreadsheetml.sheet.main+xml"/><Override PartName="/xl/worksheets/'
        'sheet1.xml" ContentType="application/vnd.openxmlformats-officedocument.'
        'spreadsheetml.worksheet+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{relations}"><Relationship Id="r1" '
        f'Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>'
        f"{sheets}</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{relations}"><Relationship '
        f'Id="r1" Type="{office}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{main}"><sheetData>{rows_xml}'
        f"{more}</sheetData></worksheet>",
    }
    with ZipFile(path, "w", ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, f'<?xml version="1.0" encoding="UTF-8"?>{text}')
