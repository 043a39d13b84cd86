"""Printing: three forms of the same rows, nothing that fools the eye or a spreadsheet.

Read back with the standard library's csv and json. Which characters reorder a line: Unicode
Standard Annex 9, table of explicit directional formatting characters. Why a cell that begins
with = + - @ is dangerous: the CSV injection page of OWASP (from memory).
"""

import csv
import io
import json
import unicodedata
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from commandline import Run
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roadworn.intake.csv_file import read_table, unguarded
from roadworn.intake.csv_map import CsvMap
from roadworn.model.errors import UsageError
from roadworn_cli.output import counted, emit, emit_json, escape

UAX_9 = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c"
# The capture fixture is read out after each example, so sharing it between examples is fine.
THOROUGH = settings(
    max_examples=100,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.text(max_size=20), st.decimals(allow_nan=False)
)


@pytest.mark.parametrize("character", UAX_9)
def test_direction_marks_are_escaped(character: str) -> None:
    assert escape(f"a{character}b") == f"a\\u{ord(character):04x}b"


def test_controls_are_escaped_and_ordinary_text_is_not() -> None:
    assert escape("a\n\t\x1b[2J\x7f\x9b") == "a\\n\\t\\x1b[2J\\x7f\\x9b"
    for text in ("Müller’s 漢字 🚌 – “x”", "می‌خواهم"):  # the last needs its joiner, U+200C
        assert escape(text) == text


@THOROUGH
@given(st.lists(st.tuples(VALUES, VALUES), max_size=4))
def test_json_is_what_the_standard_library_reads(
    capsys: pytest.CaptureFixture[str], rows: list[tuple[object, ...]]
) -> None:
    emit(("a", "b"), rows, fmt="json")
    out = capsys.readouterr().out
    plain = [[str(v) if isinstance(v, Decimal) else v for v in row] for row in rows]
    assert json.loads(out) == [dict(zip("ab", row, strict=True)) for row in plain]
    assert not any(c in out for c in UAX_9)


@THOROUGH
@given(st.lists(st.text(max_size=20), min_size=1, max_size=4))
def test_csv_is_what_the_standard_library_reads(
    capsys: pytest.CaptureFixture[str], cells: list[str]
) -> None:
    emit(("a",), [(cell,) for cell in cells], fmt="csv")
    out = capsys.readouterr().out
    read = [row[0] if row else "" for row in csv.reader(io.StringIO(out, newline=""))]
    assert read[0] == "a"
    for was, shown in zip(cells, read[1:], strict=True):
        told = escape(was, keep="\n\r\t")
        assert shown in {told, f"'{told}"}
        assert unguarded(shown) == unguarded(told)


HOSTILE = ("=cmd()", "＝cmd()", "\x1b[31mred", "a;=cmd()", "x\t=cmd()", "\u202etxt.exe", "\x9b2J")


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_in_csv_runs_nowhere_and_is_not_cut(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str
) -> None:
    emit(("a", "b"), [(text, 1)], fmt="csv")
    out = capsys.readouterr().out
    assert not any(unicodedata.category(c) in {"Cc", "Cf"} for c in out if c not in "\n\t")
    for parted in (",", ";", "\t"):
        cells = [cell for row in csv.reader(io.StringIO(out), delimiter=parted) for cell in row]
        assert not [cell for cell in cells if cell[:1] in "=+@＝" and cell]
    file = tmp_path / "out.csv"
    file.write_text(out, encoding="utf-8")
    *_, row = read_table(file, CsvMap("m", "complaint", {}))
    assert row.cells == [escape(text, keep="\t"), "1"]


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        ("=cmd()", "'=cmd()"),
        ("+1+1", "'+1+1"),
        ("-5", "-5"),
        ("-5 mm", "'-5 mm"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\tx", "'\tx"),
        ("plain", "plain"),
        (-5, "-5"),
        (Decimal("-5.50"), "-5.50"),
        (None, ""),
        (True, "yes"),
        (date(2026, 5, 4), "2026-05-04"),
        ([1, "a"], '[1, "a"]'),
    ],
)
def test_cells_that_a_spreadsheet_would_run_are_quoted(
    capsys: pytest.CaptureFixture[str], value: object, cell: str
) -> None:
    emit(("a",), [(value,)], fmt="csv")
    read = list(csv.reader(io.StringIO(capsys.readouterr().out)))
    assert read[1] == [cell]


def test_json_has_no_nan(capsys: pytest.CaptureFixture[str]) -> None:
    nan, inf = float("nan"), float("inf")
    moment = datetime(2026, 5, 4, 9, 30)  # noqa: DTZ001  # the tables' own moments have no zone
    emit_json({"a": nan, "b": [inf, -inf, 1.5], "c": moment, "d": b"\x01"})
    assert json.loads(capsys.readouterr().out) == {
        "a": None,
        "b": ["Infinity", "-Infinity", 1.5],
        "c": "2026-05-04T09:30:00",
        "d": "01",
    }


def test_a_table_is_aligned_by_what_the_eye_sees(capsys: pytest.CaptureFixture[str]) -> None:
    emit(("word", "n"), [("漢字", 5), ("ab\nc", 12.5), (None, 1234567.0)], fmt="table", title="T")
    out, err = capsys.readouterr()
    assert err == ""
    assert out.splitlines() == [
        "T",
        "word           n",
        "─────  ─────────",
        "漢字           5",
        "ab\\nc       12.5",
        "       1,234,567",
    ]


def test_an_unknown_format_is_refused() -> None:
    with pytest.raises(UsageError, match="table, json or csv"):
        emit((), (), fmt="yaml")


def test_counting() -> None:
    assert [counted(n, "row") for n in (0, 1, 2000)] == ["0 rows", "1 row", "2,000 rows"]


READING = [
    ["vehicles"],
    ["history", "bus-7"],
    ["components", "brake"],
    ["sql", "SELECT vehicle_id, last_km FROM vehicles"],
    ["tables", "vehicles"],
    ["verify"],
    ["decode", "vin", "1M8GDM9AXKP042788"],
]


@pytest.mark.parametrize("words", READING, ids=[" ".join(words) for words in READING])
def test_data_on_stdout_and_talk_on_stderr_in_every_form(shop: Run, words: list[str]) -> None:
    as_json = shop(*words, "--format", "json")
    assert as_json.code == 0, as_json.err
    as_json.json()
    as_csv = shop(*words, "--format", "csv")
    assert as_csv.code == 0
    assert next(csv.reader(io.StringIO(as_csv.out)))
    as_table = shop(*words)
    assert as_table.code == 0
    assert as_table.out


def test_contracted_keys(shop: Run, tmp_path: Path) -> None:
    (vehicle,) = shop("vehicles", "--format", "json").json()  # type: ignore[misc]
    assert vehicle["vehicle_id"] == "bus-7"
    verified = shop("verify", "--format", "json").json()
    assert isinstance(verified, dict)
    assert verified["size"] == 1
    assert len(verified["root"]) == 64
    assert verified["problems"] == []
