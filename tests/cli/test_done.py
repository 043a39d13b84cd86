"""Work made from an estimate: what differs, what is refused, and what is asked."""

import shlex
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from commandline import Run

from roadworn.intake import Ledger
from roadworn_cli.main import main

LINES = (
    *("brake pads front 1.8 h x 140 + part 96", "tie rod end L 1.2 h x 140 + part 64"),
    *("timing belt 4 h x 140", "diag 1 h x 140", "windshield 280.00"),
)


@pytest.fixture
def shop(run: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("ROADWORN_UNIT", "mi")
    monkeypatch.setenv("ROADWORN_CURRENCY", "USD")
    assert run("create").code == 0
    assert run("enrol", "van-3", "-o", "142,000", "--on", "2026-06-01").code == 0
    found = ("brake pads front 2 mm worn", "tie rod end L loose")
    assert run("record", "inspection", "van-3", *found).code == 0
    return run


@pytest.fixture
def agreed(shop: Run) -> Run:
    assert shop("record", "estimate", "van-3", *LINES[:4]).code == 0
    assert shop("record", "authorisation", "van-3", "last", "1-3=ok", "4=no").code == 0
    return shop


def rows(shop: Run) -> list[dict[str, Any]]:
    told: Any = shop("history", "van-3", "--format", "json").json()
    kinds = {"replacement", "repair", "maintenance"}
    return [row["payload"] | {"kind": row["kind"]} for row in told if row["kind"] in kinds]


def refused(shop: Run, code: int, *words: str) -> str:
    before = len(rows(shop))
    done = shop("done", "van-3", *words)
    assert done.code == code, done.err
    assert len(rows(shop)) == before
    return " ".join(done.err.split())


def test_lines_are_done_one_by_one_and_the_rest_stays_open(agreed: Run) -> None:
    done = agreed("done", "van-3", "1")
    assert done.code == 0
    assert "Approved and not done yet: 2 outer tie rod end L; 3 timing belt." in done.err
    assert agreed("done", "van-3", "2").code == 0
    left = agreed("sql", "SELECT line FROM approved_lines WHERE done_on IS NULL", "--format", "csv")
    assert left.out.split() == ["line", "3"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("9",), "has no line 9: its lines are 1, 2, 3, 4"),
        (("1 bluish",), "'bluish' in '1 bluish' is not understood"),
        (("1 part 90 part 80",), "says parts cost twice"),
        (("1 number",), "'number' in '1 number' is not understood"),
        (("1 by",), "'by' in '1 by' is not understood"),
        (("1 by from Harbour Parts",), "Nothing stands after 'by'"),
        (("1 own part part 90",), "so it has no price and no warranty of ours"),
        (("2 repaired number X-1",), "Line 2 is a repair, and part number is said of a new part"),
        (("1 at cylinder 3",), "'cylinder 3' is no place"),
        (("1 part 9o.00",), "is not understood"),
    ],
)
def test_a_slip_is_one_sentence_and_writes_nothing(
    agreed: Run, words: tuple[str, ...], told: str
) -> None:
    assert told in refused(agreed, 2, *words)


def test_what_is_odd_about_any_line_is_asked_before_anything_is_written(agreed: Run) -> None:
    words = ("1", "2 note ask Mr. Venn", "3 repaired", "-o", "141,000")
    told = refused(agreed, 1, *words)
    assert "roadworn contact" in told
    # One figure for all of them is one question.
    assert told.count("lower than the last reading") == 1
    assert agreed("done", "van-3", *words, "--sure").code == 0
    assert len(rows(agreed)) == 3


def test_the_line_that_is_proposed_keeps_its_options(agreed: Run) -> None:
    told = refused(agreed, 2, "3 replaced own part", "-o", "142,100", "--by", "JK")
    proposed = shlex.split(told.rpartition("as in `roadworn ")[2].removesuffix("`."))
    assert proposed[-4:] == ["--odometer", "142,100", "--by", "JK"]
    assert agreed(*proposed).code == 0, told


def test_what_was_not_approved_is_refused_with_the_remedy(agreed: Run) -> None:
    told = refused(agreed, 3, "4")
    assert "Line 4, diagnosis, was declined" in told
    assert "4=approved` and then done again" in told
    assert agreed("record", "authorisation", "van-3", "last", "4=ok").code == 0
    assert agreed("done", "van-3", "4").code == 0


def test_without_an_estimate_or_an_answer_it_says_what_to_write_first(shop: Run) -> None:
    assert "roadworn record estimate van-3" in refused(shop, 2)
    assert shop("record", "estimate", "van-3", LINES[0]).code == 0
    assert "van-3 last 1=ok" in refused(shop, 3)
    assert "was never answered" in refused(shop, 3, "1")


def test_a_line_is_done_once(agreed: Run) -> None:
    assert agreed("done", "van-3", "all", "3 repaired").code == 0
    assert "all are done already" in refused(agreed, 3)
    assert "correct that event" in refused(agreed, 3, "2")
    assert agreed("done", "van-3", "2 failed", "--again").code == 0


def test_work_written_down_by_itself_counts_too(agreed: Run) -> None:
    pads = ("record", "replacement", "van-3", "brake pads front", "--reason", "worn-out")
    assert agreed(*pads).code == 0
    assert "Line 1, disc brake pads front, was done" in refused(agreed, 3, "1")


def test_an_earlier_estimate_with_work_left_is_named(agreed: Run) -> None:
    assert agreed("record", "estimate", "van-3", LINES[4]).code == 0
    assert "--estimate" in refused(agreed, 3)
    assert agreed("record", "authorisation", "van-3", "last", "1=ok").code == 0
    assert agreed("done", "van-3", "1 damaged").code == 0


def test_what_nobody_said_is_asked_and_all_is_kept(
    agreed: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = refused(agreed, 2)
    assert "timing belt, has labour and no part: was it replaced or repaired?" in told
    assert "roadworn done van-3 all '3 replaced own part'" in told
    answers = StringIO("hm\nreplaced own part preventive\n")
    monkeypatch.setattr(answers, "isatty", lambda: True)
    monkeypatch.setattr("sys.stdin", answers)
    assert main(["done", "van-3"]) == 0
    with Ledger.open(Path("roadworn.db")) as ledger:
        belt = list(ledger.events())[-1].data()
    assert (belt["component"], belt["reason"]) == ("engine.timing_belt", "preventive")
    assert belt["part_source"] == "customer"


def test_more_than_was_approved_is_said(agreed: Run) -> None:
    done = agreed("done", "van-3", "1 part 190 2.5 h")
    assert done.code == 0
    assert "more than 10 % over the 348.00 USD" in " ".join(done.err.split())


def test_a_price_as_a_whole_and_sublet_work_keep_their_sum(shop: Run) -> None:
    lines = ("brake pads front 180.00", "wheel alignment 80.00", "battery 1 h x 140 + part 95.50")
    assert shop("record", "estimate", "van-3", *lines).code == 0
    assert shop("record", "authorisation", "van-3", "last", "all=ok").code == 0
    assert shop("done", "van-3", "all", "1 part 60", "3 failed total 199.99").code == 0
    pads, alignment, battery = rows(shop)
    assert (pads["parts_cost"]["amount"], pads["other_cost"]["amount"]) == ("60", "120.00")
    assert (alignment["kind"], alignment["action"]) == ("maintenance", "adjusted")
    assert battery["parts_cost"]["amount"] == "95.50"
    sums = shop("sql", "SELECT total_cost FROM replacements ORDER BY 1", "--format", "csv").out
    assert [float(each) for each in sums.split()[1:]] == [180.0, 199.99]


def test_a_part_at_several_places_is_so_many_parts(shop: Run) -> None:
    lines = ("tires rear 1 h x 100 + part 80.01 x 2",)
    assert shop("record", "estimate", "van-3", *lines).code == 0
    assert shop("record", "authorisation", "van-3", "last", "all=ok").code == 0
    assert shop("done", "van-3", "worn").code == 0
    tires = rows(shop)
    assert [tire["position"] for tire in tires] == ["LR", "RR"]
    assert [tire["parts_cost"]["amount"] for tire in tires] == ["80.01", "80.01"]
    assert [tire.get("quantity", 1) for tire in tires] == [1, 1]
    words = ("tires front", "--reason", "worn-out", "--price", "201.01")
    assert shop("record", "replacement", "van-3", *words).code == 0
    assert [tire["parts_cost"]["amount"] for tire in rows(shop)[2:]] == ["100.51", "100.50"]


def test_a_part_that_was_brought_has_no_price_at_any_door(shop: Run) -> None:
    words = ("battery", "--reason", "failed", "--source", "customer")
    for more in (("--price", "90"), ("--warranty", "24M/24K")):
        told = shop("record", "replacement", "van-3", *words, *more)
        assert told.code == 1
        assert "no warranty of ours" in told.err
    assert shop("record", "replacement", "van-3", *words, "--warranty", "none").code == 0


def test_services_of_no_part_and_fluids(shop: Run) -> None:
    fluid = ("--fluid", "5W-30 4.8 qt", "--done-by", "JK", "--clocked", "0.4")
    assert shop("record", "maintenance", "van-3", "full service", *fluid).code == 0
    service = rows(shop)[0]
    assert (service["component"], service["action"]) == ("other.general_service", "done")
    assert (service["fluid"], service["fluid_amount"], service["fluid_unit"]) == (
        "5W-30",
        4.8,
        "qt",
    )
    assert "4.8 qt" in shop("history", "van-3").out


def test_the_words_of_a_shop_hold_at_every_door(
    shop: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Any
) -> None:
    words = tmp_path / "ours.toml"
    words.write_text('[short]\nblinkies = "brake pads"\n', encoding="utf-8")
    pads = ("record", "replacement", "van-3", "blinkies front", "--reason", "worn-out")
    assert shop(*pads).code == 2
    monkeypatch.setenv("ROADWORN_WORDS", str(words))
    assert shop(*pads).code == 0
    assert shop("record", "estimate", "van-3", "blinkies rear 90.00").code == 0


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("test drive", "says no outcome"),
        ("test dribe ok", "did you mean test drive"),
        ("xyzzy ok", "use brake bleed"),
    ],
)
def test_a_slip_in_a_test_is_one_sentence(shop: Run, typed: str, told: str) -> None:
    done = shop("record", "test", "van-3", typed)
    assert done.code == 2
    assert told in " ".join(done.err.split())


def test_all_open_tests_at_once(agreed: Run) -> None:
    assert agreed("record", "test", "van-3", "all ok").code == 1
    assert agreed("done", "van-3", "1").code == 0
    done = agreed("record", "test", "van-3", "all ok", "--sure")
    assert done.code == 0
    assert len(done.out.splitlines()) == 3
    assert agreed("sql", "SELECT count(*) FROM open_tests", "--format", "csv").out.split()[1] == "0"


def test_a_test_that_waits_for_a_distance_is_not_passed_before_it(agreed: Run) -> None:
    """Wheel nuts are torqued again after 50 to 100 mi. Common practice, no source."""
    assert agreed("done", "van-3", "1", "-o", "142,100").code == 0
    # The shell took the words apart.
    torque = ("record", "test", "van-3", "wheel", "torque", "ok")
    for more in ((), ("-o", "142,120")):
        soon = agreed(*torque, *more)
        assert "wheel torque stays open: it is due after 50 to 100 mi" in " ".join(soon.err.split())
    opened = ("sql", "SELECT test FROM open_tests ORDER BY test", "--format", "csv")
    assert "wheel_torque" in agreed(*opened).out
    assert agreed(*torque, "-o", "142,170").code == 0
    assert "wheel_torque" not in agreed(*opened).out


def test_a_revision_says_what_changed_and_keeps_the_answers_that_hold(agreed: Run) -> None:
    lines = (LINES[0], "tie rod end L 1.2 h x 140 + part 80", "battery 95.00")
    done = agreed("record", "estimate", "van-3", *lines, "--revises", "last")
    assert done.code == 0
    told = " ".join(done.err.split())
    assert "line 1, disc brake pads front, stays approved" in told
    assert "line 2, outer tie rod end L, goes from 232.00 to 248.00 USD" in told
    assert "line 3, battery, 12 volt, is new" in told
    assert "timing belt (line 3) is left out" in told
    assert "estimate in the place of" in done.out
    left = "SELECT component FROM approved_lines WHERE done_on IS NULL"
    assert agreed("sql", left, "--format", "csv").out.split() == ['"component"', '"brake.pad"']
    assert "was never answered" in refused(agreed, 3, "2")
    assert agreed("done", "van-3").code == 0
    assert [row["component"] for row in rows(agreed)] == ["brake.pad"]
    # One revision of a revision keeps the answer that was given first.
    again = agreed("record", "estimate", "van-3", LINES[0], "--revises", "last")
    assert "stays approved" in again.err
    assert "all are done already" in refused(agreed, 3)


def test_an_estimate_is_revised_once(agreed: Run) -> None:
    first = agreed("record", "estimate", "van-3", "battery 95.00").event
    assert agreed("record", "estimate", "van-3", "battery 90.00", "--revises", first).code == 0
    told = agreed("record", "estimate", "van-3", "battery 80.00", "--revises", first)
    assert told.code == 3
    assert "was revised by" in told.err


def test_a_finding_without_a_level_is_answered_by_work_at_one(shop: Run) -> None:
    assert shop("record", "inspection", "van-3", "LF ball joint play").code == 0
    assert (
        shop("record", "estimate", "van-3", "LF lower ball joint 1.5 h x 140 + part 34").code == 0
    )
    assert shop("record", "authorisation", "van-3", "last", "1=ok").code == 0
    done = shop("done", "van-3", "1")
    assert done.code == 0, done.err
    told = " ".join(done.err.split())
    assert "line 1: failed, as found on" in told
    assert "names no level" in told
    assert "the upper one was not looked at again" in told
    left = shop(
        "sql", "SELECT component FROM open_findings WHERE position = 'LF'", "--format", "csv"
    )
    assert left.out.split() == ['"component"']


def test_parts_that_were_never_fitted_leave_the_money(shop: Run) -> None:
    line = "front rotors, replace 0.6 h x 140 + part list 41.00 x 2"
    assert shop("record", "estimate", "van-3", line).code == 0
    assert shop("record", "authorisation", "van-3", "last", "1=ok").code == 0
    done = shop("done", "van-3", "1 repaired note turned")
    assert done.code == 0, done.err
    assert "82.00 USD of parts is left out" in " ".join(done.err.split())
    (row,) = rows(shop)
    assert row["kind"] == "repair"
    assert "parts_cost" not in row
    assert row["labour_hours"] == 0.6
    assert row.get("correction", "") != "replace"


def test_handed_over_says_what_it_leaves_with(agreed: Run) -> None:
    assert agreed("record", "inspection", "van-3", "LF ball joint play failed").code == 0
    assert agreed("done", "van-3", "1").code == 0
    gone = agreed("record", "visit", "van-3", "handed-over")
    assert gone.code == 0
    told = " ".join(gone.err.split())
    assert "not to be driven until it is put right: outer tie rod end L; ball joint LF." in told
    assert "work approved and not done: outer tie rod end L; timing belt." in told
    assert "asks to be tried: brake bedding" in told
    day = " ".join(agreed("today", "--all").out.split())
    assert "handed over; outer tie rod end L" in day
    assert "brake bedding not done" in day
    assert "brake_bedding" not in day


def test_open_tests_stand_in_the_history_and_in_the_report(agreed: Run, tmp_path: Path) -> None:
    agreed("done", "van-3", "1", "--done-by", "JK")
    told = agreed("history", "van-3")
    assert "not tried yet: " in told.err
    assert "asked for on " in told.err
    assert agreed("report", "vehicle", "van-3", "-o", "van-3.html").code == 0
    page = (tmp_path / "van-3.html").read_text(encoding="utf-8")
    assert "not tried since the work: " in page
    agreed("record", "test", "van-3", "all ok", "--sure")
    assert "not tried yet" not in agreed("history", "van-3").err


def test_what_was_tried_before_the_work_stays_open_and_a_correction_reopens_nothing(
    agreed: Run,
) -> None:
    open_now = "SELECT test FROM open_tests"
    agreed("record", "test", "van-3", "test drive ok")
    done = agreed("done", "van-3", "1")
    assert "To try before it leaves: " in done.err
    assert "test drive" in done.err
    assert "test_drive" in agreed("sql", open_now, "--format", "csv").out
    agreed("record", "test", "van-3", "test drive ok")
    assert "test_drive" not in agreed("sql", open_now, "--format", "csv").out
    assert agreed("correct", done.event, "note=quiet").code == 0
    assert "test_drive" not in agreed("sql", open_now, "--format", "csv").out
    told = agreed("record", "test", "van-3", "all ok").err
    assert "test drive" not in told


@pytest.mark.parametrize(
    ("typed", "by", "more"),
    [
        ("4 by TM 6 qt 5W-30", "TM", {"fluid": "5W-30", "fluid_amount": 6.0}),
        ("4 by J. K. cleaned", "J. K.", {"action": "cleaned"}),
        ("4 by ana ruiz cleaned", "ana ruiz", {"action": "cleaned"}),
        ("4 by TM and RG and total 80", "TM and RG", {}),
    ],
)
def test_what_stands_behind_a_name_is_about_the_work(
    shop: Run, typed: str, by: str, more: dict[str, Any]
) -> None:
    lines = (*LINES[:3], "engine oil and filter 80.00")
    assert shop("record", "estimate", "van-3", *lines).code == 0
    assert shop("record", "authorisation", "van-3", "last", "all=ok").code == 0
    done = shop("done", "van-3", typed)
    assert done.code == 0, done.err
    assert rows(shop)[-1].items() >= {"done_by": by, **more}.items()
    assert "is not understood" in refused(shop, 2, "1 by TM bluish")


@pytest.mark.parametrize(
    "typed",
    [
        ["test drive ok, no pull, leak check ok", "charging voltage 14.2 V ok"],
        ["test drive ok no pull leak check ok and charging voltage 14.2 V ok"],
        shlex.split("test drive ok no pull leak check ok charging voltage 14.2 V ok"),
    ],
)
def test_several_tests_in_one_are_one_each(shop: Run, typed: list[str]) -> None:
    assert shop("record", "test", "van-3", *typed).code == 0
    told: Any = shop("history", "van-3", "--format", "json").json()
    made = [row["payload"] for row in told if row["kind"] == "work_test"]
    assert [(one["test"], one.get("note", "")) for one in made] == [
        *(("test_drive", "no pull"), ("leak_check", "")),
        ("charging_voltage", "14.2 V"),
    ]


def test_one_that_is_not_understood_is_no_note_of_another(shop: Run) -> None:
    done = shop("record", "test", "van-3", "test drive ok", "bluish haze ok")
    assert done.code == 2
    assert "bluish haze" in done.err
    assert "work_test" not in shop("history", "van-3", "--format", "json").out
