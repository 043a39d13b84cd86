"""One map from what is said to the condition it stands for, read by every door."""

import csv
from pathlib import Path
from typing import Any

import pytest

from roadworn import reading
from roadworn.intake import Ledger
from roadworn.model.errors import UsageError
from roadworn.reading import read_finding
from roadworn.reading.walk import Walk
from roadworn.trade.limits import load_sheet
from roadworn_cli.main import main

#: A word of one, and one of three, that no sheet or component is called by.
ADDED = ("frumious", "gone for good")


@pytest.fixture(params=ADDED)
def word(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setitem(reading.CONDITION_WORDS, request.param, "failed")
    return str(request.param)


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    assert main(["create"]) == 0
    assert main(["enrol", "van-3", "--odometer", "90,000 mi", "--on", "2026-01-01"]) == 0
    return tmp_path


def findings(shop: Path) -> Any:
    with Ledger.open(shop / "roadworn.db") as ledger:
        return list(ledger.events())[-1].data()["findings"]


@pytest.mark.parametrize("said", [*ADDED, "loose"])
def test_a_word_that_is_not_in_the_map_is_none(said: str) -> None:
    with pytest.raises(UsageError, match="says no condition"):
        read_finding(f"muffler {said}")


def test_a_typed_finding(shop: Path, word: str) -> None:
    assert main(["record", "inspection", "van-3", f"muffler {word} loose hanger"]) == 0
    (found,) = findings(shop)
    assert (found["condition"], found["note"]) == ("failed", "loose hanger")


def test_a_second_finding_behind_it_is_seen(word: str) -> None:
    with pytest.raises(UsageError, match="more than one finding"):
        read_finding(f"muffler sound horn {word}")


def test_a_word_with_not_before_it_leaves_open_what_it_is(word: str) -> None:
    if " " not in word:
        with pytest.raises(UsageError, match="leaves open what it is"):
            read_finding(f"muffler not {word}")


def test_an_answer_of_a_walk(word: str) -> None:
    sheet = load_sheet("light_vehicle")
    walk = Walk(sheet)
    walk.answer(f"{word} at last")
    (found,) = walk.payload()["findings"]
    assert found["component"] == sheet.items[0].component
    assert (found["condition"], found["note"]) == ("failed", "at last")


def test_a_cell_of_a_filled_table(shop: Path, word: str, capfd: pytest.CaptureFixture[str]) -> None:
    capfd.readouterr()
    assert main(["sheets", "light_vehicle", "--blank"]) == 0
    rows = list(csv.reader(capfd.readouterr().out.splitlines()))
    rows[1][rows[0].index("condition")] = word.title()
    with (shop / "look.csv").open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    assert main(["record", "inspection", "van-3", "--filled", "look.csv"]) == 0
    (found,) = findings(shop)
    assert found["condition"] == "failed"


def test_a_cell_of_a_csv_file(shop: Path, word: str) -> None:
    (shop / "looks.csv").write_text(f"Unit,Date,Part,State\nvan-3,2026-02-01,muffler,{word}\n")
    (shop / "looks.toml").write_text(
        'kind = "inspection"\n[columns]\nUnit = "vehicle_id"\nDate = "occurred_at"\n'
        'Part = "component"\nState = "condition"\n'
    )
    assert main(["import", "looks.csv", "--map", "looks.toml"]) == 0
    (found,) = findings(shop)
    assert found["condition"] == "failed"


def test_a_correction(shop: Path, word: str) -> None:
    assert main(["record", "inspection", "van-3", "muffler wearing"]) == 0
    with Ledger.open(shop / "roadworn.db") as ledger:
        last = list(ledger.events())[-1].event_id
    assert main(["correct", last, f"findings.0.condition={word}"]) == 0
    (found,) = findings(shop)
    assert found["condition"] == "failed"


def test_a_key_answers_a_question_and_is_no_word(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(reading.CONDITION_WORDS, "z", "failed")
    walk = Walk(load_sheet("light_vehicle"))
    walk.answer("z at last")
    assert walk.payload()["findings"][0]["condition"] == "failed"
    with pytest.raises(UsageError, match="says no condition"):
        read_finding("muffler z")
