"""Messy exports of our own making come in by a look and a map alone, and none of it wrong.

What must be understood is the book that `messy.py` writes them from; nothing outside the project
says how a shop writes its own.
"""

from pathlib import Path

import pytest
from messy import BOOK, Messy, brought_in, cases, table, text

from roadworn.intake import Ledger
from roadworn.intake.csv_map import CsvMap
from roadworn.intake.job_words import JobReader
from roadworn.intake.look import look
from roadworn.intake.look_ask import Known
from roadworn.intake.look_words import day_forms
from roadworn.intake.map_sections import Jobs
from roadworn.model.errors import UsageError
from roadworn.model.kinds import KindRegistry

CASES = cases()


def test_there_are_enough_of_them() -> None:
    assert len({messy.name for messy in CASES}) >= 30
    ends = {Path(name).suffix for messy in CASES for name in messy.files}
    assert ends == {".csv", ".txt", ".xlsx"}


@pytest.mark.parametrize("messy", CASES, ids=lambda messy: messy.name)
def test_a_messy_export_is_understood(messy: Messy, tmp_path: Path) -> None:
    got = brought_in(messy, tmp_path)
    assert got.wrong == []
    assert got.missing == []
    assert got.open == []


ASKED = [messy for messy in CASES if len(messy.answers) > 3 or messy.name.startswith("the order")]


@pytest.mark.parametrize("messy", ASKED, ids=lambda messy: messy.name)
def test_what_nobody_answered_is_left_out_and_not_guessed(messy: Messy, tmp_path: Path) -> None:
    messy.answers = {"of the whole order": "line"}
    if messy.name.startswith("the order"):
        messy.answers = {"currency": "USD"}
        with pytest.raises(UsageError, match="of the whole order"):
            brought_in(messy, tmp_path)
        return
    messy.told = ()
    got = brought_in(messy, tmp_path)
    assert got.wrong == []
    assert got.open
    assert got.report.wrong > 0


def test_a_figure_of_which_nobody_sees_the_mark_is_not_read(tmp_path: Path) -> None:
    rows = table(amount=lambda job: f"{job.order % 7 + 1}.{job.order % 10}00")
    answers = {"currency": "USD", "which unit": "mi", "of the whole order": "line"}
    messy = Messy("", {"work.csv": text(rows)}, answers=answers)
    with pytest.raises(UsageError, match="before the decimals"):
        brought_in(messy, tmp_path)
    assert len(rows) == len(BOOK) + 1


@pytest.mark.parametrize(
    "words",
    ["needs alternator", "alternator declined", "alternator not replaced", "quote for alternator",
     "recommend replace alternator", "alternator due", "brakes", "left headlamp or alternator"],
)  # fmt: skip
def test_work_that_was_not_done_is_never_taken_for_done(words: str) -> None:
    reader = JobReader(CsvMap("", "", {}, jobs=Jobs(kind="replacement")))
    assert reader.word(words).ask


def test_a_vehicle_that_is_missing_is_not_filled_in_unasked(tmp_path: Path) -> None:
    rows = table()
    rows[3][1] = ""
    messy = Messy("", {"work.csv": text(rows)}, answers=CASES[0].answers)
    got = brought_in(messy, tmp_path)
    assert (len(got.missing), got.wrong, len(got.open)) == (1, [], 1)
    assert got.report.wrong == 1


def test_two_currencies_are_not_taken_for_one(tmp_path: Path) -> None:
    rows = table(amount=lambda job: f"{'€' if job.order == 1005 else '$'}{job.amount}")
    messy = Messy("", {"work.csv": text(rows)}, answers=CASES[0].answers)
    got = brought_in(messy, tmp_path)
    assert (len(got.missing), got.wrong, got.report.wrong) == (1, [], 1)


def test_a_day_that_is_the_same_either_way_speaks_for_neither_order() -> None:
    found = day_forms({"04/04/2022": 9, "04/25/2022": 1, "02/03/2023": 3})
    assert (found.forms, found.either, found.both) == (("m/d/y",), (), False)
    alone = day_forms({"04/04/2022": 9})
    assert (len(alone.forms), alone.either, alone.unread) == (1, (), {})
    with_open = day_forms({"04/04/2022": 9, "02/03/2023": 3})
    assert (with_open.forms, with_open.either, with_open.both) == ((), (("d/m/y", "m/d/y"),), False)


def test_a_table_with_jobs_of_its_own_stays_beside_the_one_it_is_joined_to(tmp_path: Path) -> None:
    parts = [["W.O.", "Part", "Price"], *[[job.order, job.words, job.amount] for job in BOOK]]
    (tmp_path / "work.csv").write_bytes(text(table()))
    (tmp_path / "parts.csv").write_bytes(text(parts))
    known = Known(KindRegistry(), {}, {})
    lines, work = look([tmp_path / "parts.csv", tmp_path / "work.csv"], known)
    assert (lines.path.name, work.path.name) == ("parts.csv", "work.csv")
    assert lines.join is not None
    assert any("jobs of its own" in note for note in lines.notes)
    assert work.header("jobs")


def test_fuel_comes_in_as_fuel_with_what_it_cost(tmp_path: Path) -> None:
    rows = [["Unit", "Date", "Miles", "Gallons", "Total $"],
            ["unit-3", "2023-03-25", "61,250", "18.5", "72.10"]]  # fmt: skip
    (tmp_path / "fuel.csv").write_bytes(text(rows))
    (draft,) = look([tmp_path / "fuel.csv"], Known(KindRegistry(), {}, {}))
    assert draft.kind == "energy"
    assert draft.columns["Gallons"] == "amount"
    assert draft.columns["Total $"] == "cost"
    assert draft.constants == {"amount_unit": "gal"}


def test_why_parts_were_replaced_is_asked_once_where_no_word_says_so(tmp_path: Path) -> None:
    messy = Messy("", {"work.csv": text(table())}, answers={**CASES[0].answers})
    messy.answers = {**messy.answers, "say no reason": "failed"}
    got = brought_in(messy, tmp_path)
    assert got.open == []
    with Ledger.open(tmp_path / "shop.db") as ledger:
        reasons = {event.data().get("reason") for event in ledger.events()
                   if event.kind == "replacement"}  # fmt: skip
    assert reasons == {"failed"}
