"""Exports as a second hand writes them come in by a look and a map alone, and none of it wrong.

What must be understood is the book that `messy.py` writes them from; nothing outside the project
says how a fleet writes its own.
"""

from pathlib import Path

import pytest
from exports import cases
from messy import BOOK, Messy, brought_in, table, text

from roadworn.intake.csv_file import CellError, read_number, unguarded
from roadworn.intake.csv_map import parse_csv_map
from roadworn.intake.look import look
from roadworn.intake.look_ask import Known
from roadworn.intake.look_layout import cuts_of
from roadworn.intake.look_share import understood
from roadworn.model.errors import UsageError
from roadworn.model.kinds import KindRegistry

CASES = cases()
_PLAIN = {"currency": "USD", "which unit": "mi", "of the whole order": "line"}
_MAP = 'kind = "maintenance"\n[columns]\n"D" = "occurred_at"\n"V" = "vehicle_id"\n[file]\n'


@pytest.mark.parametrize("messy", CASES, ids=lambda messy: messy.name)
def test_an_export_is_understood(messy: Messy, tmp_path: Path) -> None:
    got = brought_in(messy, tmp_path)
    assert got.wrong == []
    assert got.missing == []
    assert got.open == []


@pytest.mark.parametrize("part", ["taken back", "thousands", "both sorts"])
def test_nothing_is_taken_before_what_turns_all_rows_is_answered(part: str, tmp_path: Path) -> None:
    rows = {
        "taken back": [*table(), [*table()[1][:5], "-185.50", ""]],
        "thousands": table(miles=lambda job: f"{job.miles / 1000:.1f}"),
        "both sorts": table(amount=lambda j: "1.300,00" if j.unit == 3 else f"{j.amount:,.2f}"),
    }[part]
    messy = Messy("", {"work.csv": text(rows)}, answers=_PLAIN)
    with pytest.raises(UsageError, match=r"(?i)answer|open"):
        brought_in(messy, tmp_path)


def test_what_was_taken_back_leaves_one_of_three(tmp_path: Path) -> None:
    rows = table()
    back = [*rows[3][:5], "(1300.00)", rows[3][6]]
    answers = {**_PLAIN, "taken back": "no"}
    messy = Messy("", {"work.csv": text([*rows, back])}, answers=answers)
    got = brought_in(messy, tmp_path)
    assert [problem.code for problem in got.report.problems] == ["below-zero"]
    assert got.missing == []


@pytest.mark.parametrize(
    ("figure", "number"),
    [("1.300,00", "1300.00"), ("1,300.00", "1300.00"), ("45,5", "45.5"), ("45.50", "45.50"),
     ("1.300.000", "1300000"), ("1,300,000", "1300000"), ("60", "60"), ("(45,00)", "-45.00"),
     ("45.00-", "-45.00"), ("-45.00", "-45.00")],
)  # fmt: skip
def test_each_figure_shows_its_mark(figure: str, number: str) -> None:
    csv_map = parse_csv_map(f'{_MAP}decimal_comma = "either"\n')
    assert str(read_number(figure, csv_map)) == number


@pytest.mark.parametrize("figure", ["1.300", "1,300"])
def test_a_figure_that_can_be_two_is_refused_where_both_marks_are(figure: str) -> None:
    csv_map = parse_csv_map(f'{_MAP}decimal_comma = "either"\n')
    with pytest.raises(CellError, match="thousands or"):
        read_number(figure, csv_map)


def test_a_text_that_was_guarded_for_a_spreadsheet_is_that_text() -> None:
    assert [unguarded(cell) for cell in ('="0012"', "'=1+1", '="a" & "b"')] == [
        "0012", "=1+1", '="a" & "b"',
    ]  # fmt: skip


def test_a_table_with_signs_between_its_cells_is_no_printed_list() -> None:
    assert cuts_of(text(table()).decode()) == ()
    assert cuts_of("one  two  three\n" * 3) == ()


def test_the_share_that_is_understood_is_told(tmp_path: Path) -> None:
    messy = Messy("", {"work.csv": text(table())}, answers=_PLAIN)
    brought_in(messy, tmp_path)
    known = Known(KindRegistry(), {}, {})
    found = understood(tmp_path / "work.csv", tmp_path / "made.map.toml", known)
    assert found == (len(BOOK), len(BOOK))
    (tmp_path / "open.map.toml").write_text('kind = "maintenance"\n', "utf-8")
    assert understood(tmp_path / "work.csv", tmp_path / "open.map.toml", known) == (0, 0)


def test_a_sheet_without_vehicle_day_or_job_is_left_out_and_said(tmp_path: Path) -> None:
    (years,) = [messy for messy in CASES if "sheet a year" in messy.name]
    (tmp_path / "years.xlsx").write_bytes(years.files["years.xlsx"])
    drafts = look([tmp_path / "years.xlsx"], Known(KindRegistry(), {}, {}))
    assert [draft.layout.sheet for draft in drafts] == ["2022", "2023"]
    assert any("'Legend'" in note for draft in drafts for note in draft.notes)
