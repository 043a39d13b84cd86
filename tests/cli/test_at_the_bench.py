"""A look-over as a bay types it, at the command line: kept, asked, mended, taken back."""

import shlex
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from commandline import Run

from roadworn.intake import Ledger
from roadworn_cli.main import main

FINDINGS = ("frt pads 3mm worn", "tires rear 4/32 low", "loose tie rod end L", "horn ok")


@pytest.fixture
def shop(run: Run) -> Run:
    assert run("create").code == 0
    assert run("enrol", "van-3", "--odometer", "90,000 mi", "--on", "2026-01-01").code == 0
    return run


def looked(shop: Run) -> list[dict[str, Any]]:
    rows = shop("history", "van-3", "--format", "json").json()
    return [f for r in rows if r["kind"] == "inspection" for f in r["payload"]["findings"]]  # type: ignore[index]


def test_a_look_over_as_a_bay_types_it_is_said_back_in_full(shop: Run) -> None:
    done = shop("record", "inspection", "van-3", *FINDINGS, "--odometer", "143.2k")
    assert done.code == 0
    assert "at 143,200 mi" in done.out
    assert "disc brake pads front 3 mm wearing" in done.out
    assert "SAFETY: outer tie rod end L failed" in done.err
    assert [f.get("position") for f in looked(shop)] == ["front", "LR", "RR", "L", None]


def test_one_that_cannot_be_read_loses_nothing_of_the_others(shop: Run) -> None:
    done = shop("record", "inspection", "van-3", *FINDINGS, "rear shock leaking")
    assert done.code == 2
    assert not looked(shop)
    assert "LR or RR" in done.err
    line = "roadworn record inspection van-3 'frt pads 3mm worn' 'tires rear 4/32 low'"
    assert line in done.err.replace("\n", " ")
    assert "1 of 5 findings" in done.err


def test_the_line_to_mend_keeps_its_options_and_can_be_given(shop: Run) -> None:
    options = ("-o", "143.2k", "--by", "J K", "--rest", "sound", "--note", "wet", "--sure")
    done = shop(
        "--ledger", "roadworn.db", "record", "inspection", "van-3", *options, "horn ok", "shock"
    )
    assert done.code == 2
    (line,) = [one for one in done.err.splitlines() if one.startswith("roadworn ")]
    mended = [word if word != "shock" else "shock LR ok" for word in shlex.split(line)[1:]]
    assert mended[:6] == ["--ledger", "roadworn.db", "record", "inspection", "van-3", "horn ok"]
    assert shop(*mended).code == 0
    last: Any = shop("history", "van-3", "--format", "json").json()
    (event,) = [row for row in last if row["kind"] == "inspection"]
    assert (event["odometer"], event["recorded_by"]) == (143_200, "J K")
    assert event["payload"]["note"] == "wet"
    # What was written down already said it of everything else.
    kept = shop("record", "inspection", "van-3", *options, "wiper ok", "shock", "--keep-good")
    (line,) = [one for one in kept.err.splitlines() if one.startswith("roadworn ")]
    assert line == "roadworn record inspection van-3 shock --odometer 143.2k --by 'J K' --sure"


def test_the_good_ones_are_kept_when_that_is_asked(shop: Run) -> None:
    done = shop("record", "inspection", "van-3", *FINDINGS, "rear shock leaking", "--keep-good")
    assert done.code == 1
    assert len(looked(shop)) == 5
    assert "roadworn record inspection van-3 'rear shock leaking'" in done.err
    assert shop("record", "inspection", "van-3", "xq ok", "zz bad", "--keep-good").code == 2


def test_the_words_of_a_shop_stand_beside_the_ledger(shop: Run, tmp_path: Path) -> None:
    refused = shop("record", "inspection", "van-3", "DF tire ghosting")
    assert refused.code == 2
    Path("roadworn.words.toml").write_text(shop("sheets", "words").out, encoding="utf-8")
    assert shop("record", "inspection", "van-3", "DF tire ghosting").code == 0
    (found,) = looked(shop)
    assert (found["position"], found["condition"]) == ("LF", "wearing")


def test_brakes_are_those_that_the_vehicle_has(shop: Run) -> None:
    asked = shop("record", "inspection", "van-3", "rear brakes worn")
    assert asked.code == 2
    assert "disc brake pads or drum brake shoes" in asked.err.replace("\n", " ")
    assert shop("record", "profile", "van-3", "--rear-brakes", "drum").code == 0
    assert shop("record", "inspection", "van-3", "rear brakes worn").code == 0
    assert looked(shop)[0]["component"] == "brake.shoe"


def test_a_terminal_asks_again_for_the_one(shop: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = StringIO("rear shock still leaking\nshock LR leaking\n")
    monkeypatch.setattr(answers, "isatty", lambda: True)
    monkeypatch.setattr("sys.stdin", answers)
    assert main(["record", "inspection", "van-3", *FINDINGS, "rear shock leaking"]) == 0
    with Ledger.open(Path("roadworn.db")) as ledger:
        last = list(ledger.events())[-1].data()["findings"][-1]
    assert (last["component"], last["position"]) == ("suspension.shock", "LR")


def test_the_last_event_is_taken_back(shop: Run) -> None:
    assert shop("record", "inspection", "van-3", "horn ok").code == 0
    done = shop("retract", "last", "van-3", "--reason", "slip")
    assert done.code == 0
    assert "horn" in done.out
    again = shop("retract", "last", "van-3", "--reason", "slip")
    assert again.code == 2
    assert "is a retraction" in again.err.replace("\n", " ")


def test_lines_are_answered_all_at_once(shop: Run) -> None:
    lines = ("frt pads, machine rotors 180.00", "oil chg 45.00")
    assert shop("record", "estimate", "van-3", *lines, "--currency", "USD").code == 0
    done = shop("record", "authorisation", "van-3", "last", "all=ok")
    assert done.code == 0
    assert "approved" in done.out
    assert shop("record", "authorisation", "van-3", "last", "9=ok").code == 2


def test_what_came_back_last_is_the_last_job_on_that_part(shop: Run) -> None:
    first = shop(
        "record", "replacement", "van-3", "alternator", "--reason", "broken", "-o", "91000"
    )
    assert first.code == 0, first.err
    assert shop("record", "visit", "van-3", "in").code == 0
    back = shop(
        "record", "replacement", "van-3", "alternator", "--reason", "dead", "--comeback-of", "last"
    )
    assert back.code == 0, back.err
    assert f"a comeback of {first.event}" in back.out
    assert shop("record", "visit", "van-3", "out").code == 0
    rows = shop("history", "van-3", "--format", "json").json()
    steps = [row["payload"].get("step") for row in rows if row["kind"] == "visit"]  # type: ignore[index,union-attr]
    assert steps == ["arrived", "handed_over"]
    # A part that nothing was done on has no last job: the last entry is named, and is none.
    none = shop(
        "record", "replacement", "van-3", "starter", "--reason", "worn", "--comeback-of", "last"
    )
    assert none.code == 1


def test_why_it_is_taken_back_needs_no_option(shop: Run) -> None:
    done = shop("record", "complaint", "van-3", "horn hoarse")
    assert shop("retract", "last", "van-3", "wrong vehicle").code == 0
    assert "wrong vehicle" in shop("history", "van-3").out
    assert done.event


def test_a_flat_is_said_in_any_word(shop: Run) -> None:
    done = shop("wheels", "van-3", "plug", "LR")
    assert done.code == 0, done.err
    assert "tire LR" in done.out


def test_words_of_the_bay_behind_options_and_verbs(shop: Run) -> None:
    # Typed as in two days of a shop's work; each was refused before.
    planned = shop("record", "replacement", "van-3", "oil filter", "--reason", "service")
    assert "preventive" in planned.out, planned.err
    looked = shop("record", "inspection", "van-3", "wipers worn", "--rest", "ok")
    assert "everything else sound" in looked.out, looked.err
    hours = shop("record", "estimate", "van-3", "horn 1 h 95/h", "--currency", "USD",
                 "--valid-until", "2 weeks")  # fmt: skip
    assert "95" in hours.out, hours.err
    assert shop("record", "authorisation", "van-3", "last", "1=ok").code == 0
    done = shop("done", "van-3", "1 failed by JK lifetime")
    assert "lifetime warranty" in done.out, done.err
    assert "did you mean `roadworn record estimate`" in shop("estimate", "van-3").err
    assert "did you mean inspection" in shop("record", "insp", "van-3").err
