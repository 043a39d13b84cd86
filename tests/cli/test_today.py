"""`roadworn today`: a day at the shop as it is typed, and what screen, JSON and CSV say of it."""

import csv
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from commandline import Run

TODAY = datetime.now(UTC).date()


def day(ago: int) -> str:
    return str(TODAY - timedelta(days=ago))


@pytest.fixture
def busy(shop: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Bus-7 is here and promised; van-3 waits for an answer; car-1 is approved and not done."""
    monkeypatch.setenv("ROADWORN_CURRENCY", "USD")
    for words in (
        ("enrol", "van-3", "--label", "Bakery", "--make", "Tarrow", "--model", "Carrier",
         "--year", "2015", "--odometer", "98,400 mi", "--on", "2026-05-02", "--owner", "OWNER-1"),
        ("enrol", "car-1", "--odometer", "88,000 mi", "--on", "2026-05-02"),
        ("contact", "OWNER-1", "--name", "R. Vale", "--phone", "555 0123"),
        ("record", "visit", "bus-7", "arrived", "--promised", day(1), "--on", day(2)),
        ("record", "estimate", "van-3", "brake pads front, replace 210.00",
         "outer tie rod end L, replace 140.00", "--on", day(1)),
        ("record", "estimate", "car-1", "battery, replace 223.00", "--on", day(3)),
        ("record", "authorisation", "car-1", "last", "1=approved", "--on", day(2)),
        ("record", "replacement", "bus-7", "wheel bearing LF", "--reason", "failed",
         "--price", "84.50"),
    ):  # fmt: skip
        done = shop(*words)
        assert done.code == 0, done.err
    return shop


def test_the_day_on_one_screen(busy: Run) -> None:
    said = busy("today")
    assert said.code == 0, said.err
    lines = said.out.splitlines()
    assert len(lines) <= 24
    assert lines[0] == f"{TODAY:%A} {TODAY}"
    assert "In the shop: 1 vehicle" in lines
    held = "bus-7 HOLD, not tried: wheel bearing or hub LF (test drive, wheel torque); "
    here = f"2014 Acme Longbus, since {day(2)}, LATE: promised for yesterday, 1 entry today"
    assert f"{held}{here} Waiting" in " ".join(said.out.split())
    assert "Waiting for an answer: 1 vehicle, 350.00 USD" in lines
    pads = (
        "disc brake pads front replace: 210.00 SAFETY, outer tie rod end L replace: 140.00 SAFETY"
    )
    assert f"  van-3  {pads}; estimate of {day(1)}" in lines
    assert "Approved and not done: 1 vehicle, 223.00 USD" in lines
    assert f"  car-1  battery, 12 volt replace: 223.00; approved on {day(2)}" in lines
    assert "Done today: 1 vehicle, 84.50 USD" in lines
    assert "  bus-7  wheel bearing or hub LF replaced" in lines
    assert f"  bus-7  wheel bearing or hub LF of {TODAY}: not looked at again" in lines


def test_what_has_a_stop_item_is_not_to_be_released(busy: Run) -> None:
    loose = ("record", "inspection", "bus-7", "outer tie rod end L failed play felt at the wheel")
    assert busy(*loose).code == 0
    told = " ".join(busy("today").out.split())
    assert "bus-7 STOP: do not release: outer tie rod end L; nothing offered yet; " in told
    found = busy("today", "--format", "json").json()
    assert [(row["vehicle_id"], row["component"]) for row in found["stops"]] == [
        ("bus-7", "steering.tie_rod_outer")
    ]
    put_right = ("record", "replacement", "bus-7", "outer tie rod end L", "--reason", "failed")
    assert busy(*put_right).code == 0
    assert "STOP" not in busy("today").out


def test_work_that_nobody_tried_is_on_top_of_the_outlook_and_on_the_page(
    busy: Run, tmp_path: Path
) -> None:
    first = f"Try before handing over: wheel bearing or hub LF, replaced on {TODAY}."
    told = " ".join(busy("outlook", "bus-7").out.split())
    assert told.index(first) < told.index("Inspection ")
    for language, words in (
        ("en", "Try before handing over: "),
        ("es", "Pruebe antes de entregarlo: "),
    ):
        page = tmp_path / f"{language}.html"
        asked = ("report", "vehicle", "bus-7", "--language", language, "--out", str(page))
        assert busy(*asked).code == 0
        assert page.read_text(encoding="utf-8").count(words) == 1
    looked = ("record", "inspection", "bus-7", "wheel bearing LF sound")
    assert busy(*looked).code == 0
    assert "Try before" not in busy("outlook", "bus-7").out


def test_a_test_that_work_asked_for_is_on_the_list_until_it_passed(busy: Run) -> None:
    repair = ("record", "repair", "car-1", "brake hose LF", "--test", "road test")
    assert busy(*repair).code == 0
    assert f"  car-1  brake hose LF of {TODAY}: road test not done" in busy("today").out
    tried = ("record", "other", "work_test", "car-1", "test=road test")
    assert busy(*tried, "result=failed").code == 0
    assert "road test failed today, not done again" in busy("today").out
    assert busy(*tried, "result=passed").code == 0
    assert "road test" not in busy("today").out


def test_what_must_not_be_released_stands_first_though_it_came_in_later(busy: Run) -> None:
    assert busy("record", "visit", "van-3", "arrived").code == 0
    told = " ".join(busy("today").out.split())
    assert told.index("bus-7 HOLD") < told.index("van-3 ")
    loose = ("record", "inspection", "van-3", "outer tie rod end L failed play felt at the wheel")
    assert busy(*loose).code == 0
    told = " ".join(busy("today").out.split())
    assert told.index("van-3 STOP") < told.index("bus-7 HOLD")


def test_work_that_nobody_tried_holds_the_vehicle_with_the_tests_it_asks_for(busy: Run) -> None:
    """What brake work is tried by before it is handed over: common practice, no source."""
    done = ("record", "repair", "bus-7", "brake caliper LR", "--price", "90")
    assert busy(*done).code == 0
    told = " ".join(busy("today").out.split())
    assert "bus-7 HOLD, not tried: " in told
    assert "wheel bearing or hub LF (test drive, wheel torque)" in told
    assert "brake caliper LR (brake bleed, leak check, test drive, wheel torque)" in told
    looked = ("record", "inspection", "bus-7", "brake caliper LR sound", "wheel bearing LF sound")
    assert busy(*looked).code == 0
    assert "HOLD" not in busy("today").out


def test_what_is_under_stop_and_not_offered_is_to_be_offered_with_its_sum(busy: Run) -> None:
    loose = ("record", "inspection", "bus-7", "outer tie rod end L failed play felt at the wheel")
    assert busy(*loose).code == 0
    told = " ".join(busy("today").out.split())
    stop = "bus-7 STOP: do not release: outer tie rod end L;"
    assert f"{stop} nothing offered yet;" in told  # this shop knows no price of it
    for ago in (300, 200, 100):
        paid = ("--reason", "failed", "--price", "140", "--on", day(ago))
        assert busy("record", "replacement", "bus-7", "outer tie rod end R", *paid).code == 0
    told = " ".join(busy("today").out.split())
    assert f"{stop} to offer: 140 USD must;" in told
    asked = busy("today", "--format", "json").json()["to_offer"]
    assert asked == {"bus-7": {"must": 140.0, "should": None, "currency": "USD"}}
    offered = ("record", "estimate", "bus-7", "outer tie rod end L, replace 140.00")
    assert busy(*offered).code == 0
    assert "to offer" not in busy("today").out


def test_done_with_a_complaint_not_answered_is_open(busy: Run) -> None:
    said = "Hybrid warning came on."
    assert busy("record", "complaint", "bus-7", said).code == 0
    assert busy("record", "replacement", "bus-7", "wiper blade", "--reason", "worn-out").code == 0
    told = " ".join(busy("today").out.split())
    shop, done = told.split("Done today")
    assert "OPEN: Hybrid warning came on;" in shop
    # Done is not finished; in what words it is open stands once.
    assert "bus-7 complaint still OPEN; " in done
    assert "Hybrid" not in done
    found = busy("today", "--format", "json").json()
    assert found["complaints"] == {"bus-7": ["Hybrid warning came on"]}


def test_handed_over_it_is_gone_from_the_shop(busy: Run) -> None:
    assert busy("record", "visit", "bus-7", "handed over").code == 0
    said = busy("today").out
    assert "In the shop: none" in said
    assert "Not tried since the work: none" in said


def test_owners_are_named_only_when_asked(busy: Run) -> None:
    calls = ((), ("--call",), ("--format", "json"), ("--format", "csv"))
    for words in (*calls, ("--call", "--format", "json")):
        assert "Vale" not in busy("today", *words).out
        assert "0123" not in busy("today", *words).out
    assert "R. Vale, 555 0123" in busy("today", "--contacts").out
    assert "R. Vale, 555 0123" in busy("today", "--contacts", "--format", "json").out
    assert busy("contact", "OWNER-1", "--erase").code == 0
    assert busy("today", "--contacts").code == 0


def test_json_and_csv_have_every_row(busy: Run) -> None:
    found = busy("today", "--format", "json").json()
    assert isinstance(found, dict)
    assert found["day"] == str(TODAY)
    assert [len(found[name]) for name in ("in_shop", "waiting", "approved", "done", "untried")] == [
        1, 2, 1, 1, 1,
    ]  # fmt: skip
    rows = list(csv.DictReader(busy("today", "--format", "csv").out.splitlines()))
    assert [row["list"] for row in rows] == [
        "in_shop", "waiting", "waiting", "approved", "done", "untried",
    ]  # fmt: skip
    assert rows[1]["amount"] == "210.0000"
    assert rows[1]["safety"] == "yes"


def test_another_day_is_asked_for_before_the_verb(busy: Run) -> None:
    said = busy("--as-of", day(1), "--known-by", "occurred", "today")
    assert said.out.splitlines()[0].endswith(day(1))
    assert "Done today: none" in said.out
    wrong = busy("today", "--as-of", day(1))
    assert wrong.code == 2
    assert "before the verb" in wrong.err


def test_what_waits_long_is_told_of_by_the_list_to_call(shop: Run) -> None:
    estimate = ("record", "estimate", "bus-7", "brake pads front, replace 210.00 USD")
    assert shop(*estimate, "--on", "2026-05-04").code == 0
    said = shop("today").out
    assert "Waiting for an answer: none; 1 line older than 30 days: today --call" in said
    call = shop("today", "--call")
    assert "disc brake pads front, no answer, 210 USD: offered on 2026-05-04" in call.out


def test_a_long_day_is_cut_to_a_screen_and_says_so(shop: Run) -> None:
    for number in range(30):
        assert shop("enrol", f"car-{number}").code == 0
    said = shop("today").out.splitlines()
    assert len(said) <= 24
    assert any(line.endswith("more: roadworn today --all") for line in said)
    assert len(shop("today", "--all").out.splitlines()) > 30


def test_nothing_on_says_what_to_record(shop: Run) -> None:
    said = shop("today")
    assert said.code == 0
    assert "record visit VEHICLE arrived" in said.err


def test_the_day_in_spanish_has_no_english_word(busy: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "300")
    for verb in (("today", "--all"), ("today", "--call", "--contacts")):
        said = {
            language: {
                *re.findall(r"[^\W\d_]{3,}", busy(*verb, "--language", language).out.casefold())
            }
            for language in ("en", "es")
        }
        # Names as they were typed, and what is typed to see more.
        typed = {"bus", "car", "van", "bakery", "acme", "longbus", "tarrow", "carrier", "usd"}
        typed |= {"vale", "roadworn", "today", "all", "call", "outlook", "vehicle"}
        assert (said["en"] & said["es"]) - typed == set()
        assert len(said["es"] - typed) > 10
    assert "LATE" in busy("today").out
    assert "TARDE" in busy("today", "--language", "es").out
    assert busy("today", "--language", "xx").code == 2


def test_it_keeps_to_the_width(busy: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    for wide in (40, 80):
        monkeypatch.setenv("COLUMNS", str(wide))
        for words in (("today",), ("today", "--call")):
            assert max(map(len, busy(*words).out.splitlines())) <= wide


def test_hostile_text_does_not_move_the_cursor(shop: Run) -> None:
    assert shop("enrol", "car-1", "--label", "\x1b[2Jgone\u202e").code == 0
    for words in (("today",), ("today", "--format", "csv")):
        said = shop(*words).out
        assert "\x1b" not in said
        assert "\u202e" not in said


def test_an_empty_ledger_has_a_day_too(run: Run, tmp_path: Path) -> None:
    assert run("create").code == 0
    assert run("today").code == 0
    assert run("today", "--call").code == 0
