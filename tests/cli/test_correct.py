"""Taking back and writing anew: nothing is rewritten, and what counts changes."""

from collections.abc import Callable

import pytest
from commandline import Run

History = Callable[[], list[dict[str, object]]]


@pytest.fixture
def wrong(shop: Run) -> str:
    done = shop(
        "record", "replacement", "bus-7", "wheel bearing LF", "--reason", "failed",
        "--price", "84.50 USD", "--odometer", "61,250 mi", "--on", "2026-05-04",
    )  # fmt: skip
    assert done.code == 0, done.err
    return done.event


def test_a_retracted_event_stays_and_says_so(shop: Run, history: History, wrong: str) -> None:
    done = shop("retract", wrong, "--reason", "typed for the wrong bus", "--by", "AB")
    assert done.code == 0, done.err
    assert "took back: wheel bearing or hub LF replaced" in done.out
    rows = history()
    taken = next(row for row in rows if str(row["event_id"]).endswith(wrong))
    assert taken["effective"] is False
    assert str(taken["taken_back_by"]).endswith(done.event)
    assert f"taken back by {done.event}" in shop("history", "bus-7").out
    counted = shop("sql", "SELECT count(*) AS n FROM replacements", "--format", "json")
    assert counted.json() == [{"n": 0}]


def test_a_correction_replaces_and_keeps_what_was_not_named(
    shop: Run, history: History, wrong: str
) -> None:
    done = shop("correct", wrong, "position=RF", "odometer=61,300 mi", "on=2026-05-05")
    assert done.code == 0, done.err
    assert f"(replaces {wrong})" in done.out
    old, new = history()[1:]
    assert (old["effective"], new["effective"]) == (False, True)
    assert new["date"] == "2026-05-05"
    assert new["odometer"] == 61300.0
    payload, before = dict(new["payload"]), dict(old["payload"])  # type: ignore[call-overload]
    assert payload.pop("replaces") == old["event_id"]
    assert payload.pop("position") == "RF"
    assert before.pop("position") == "LF"
    assert payload == before
    assert f"replaced by {done.event}" in shop("history", "bus-7").out


def test_a_correction_can_take_a_reading_away(shop: Run, history: History, wrong: str) -> None:
    assert shop("correct", wrong, "odometer=").code == 0
    assert history()[-1]["odometer"] is None


@pytest.mark.parametrize(
    ("change", "remedy"),
    [
        ("on=", "on=2026-05-04"),
        ("on=04.05.2026", "2026-05-04"),
        ("vehicle=bus-8", "roadworn move"),
        ("colour=red", "the fields are"),
        ("reason=kaputt", "cannot be"),
        ("odometer=lots", "61,250 mi"),
    ],
)
def test_what_cannot_be_changed_is_said(
    shop: Run, history: History, wrong: str, change: str, remedy: str
) -> None:
    done = shop("correct", wrong, change)
    assert done.code == 2
    assert remedy in done.err
    assert len(history()) == 2


def test_a_retraction_itself_is_neither_corrected_nor_taken_back(shop: Run, wrong: str) -> None:
    back = shop("retract", wrong, "--reason", "slip").event
    for words in (["correct", back, "reason=x"], ["retract", back, "--reason", "x"]):
        done = shop(*words)
        assert done.code == 2
        assert "retraction" in done.err


def test_as_of_shows_what_was_known_then(shop: Run, wrong: str) -> None:
    shop("retract", wrong, "--reason", "slip")
    for known_by, count in (("recorded", 0), ("occurred", 1)):
        told = shop(
            "--as-of", "2026-05-04", "--known-by", known_by, "sql",
            "SELECT count(*) AS n FROM replacements", "--format", "json",
        )  # fmt: skip
        # Written down today: by the day of writing nothing was known then; by the day it
        # happened the replacement was, and its retraction is of today.
        assert told.json() == [{"n": count}]


def test_an_event_is_replaced_once_and_the_newest_one_is_named(
    shop: Run, history: History, wrong: str
) -> None:
    first = shop("correct", wrong, "position=RF").event
    again = shop("correct", wrong, "position=LR")
    assert again.code == 3
    assert f"already replaced by event {first}: correct or retract that one" in again.err
    newest = shop("correct", first, "position=LR")
    assert newest.code == 0
    for words in (["correct", wrong, "position=RR"], ["retract", wrong, "--reason", "slip"]):
        done = shop(*words)
        assert done.code == 3
        assert newest.event in done.err
    assert [row["effective"] for row in history()[1:]] == [False, False, True]


def test_an_event_is_taken_back_once(shop: Run, history: History, wrong: str) -> None:
    back = shop("retract", wrong, "--reason", "slip").event
    for words in (["retract", wrong, "--reason", "slip"], ["correct", wrong, "position=RF"]):
        done = shop(*words)
        assert done.code == 3
        assert f"taken back by event {back} already" in done.err
    assert len(history()) == 3


def test_a_correction_that_was_retracted_leaves_the_first_free_again(
    shop: Run, history: History, wrong: str
) -> None:
    slip = shop("correct", wrong, "position=RF").event
    assert shop("retract", slip, "--reason", "slip").code == 0
    assert shop("correct", wrong, "position=LR").code == 0
    told = [(row["kind"], row["effective"]) for row in history()[1:]]
    assert told == [
        ("replacement", False),
        ("replacement", False),
        ("replacement", True),
        ("retraction", True),
    ]


def test_what_is_odd_about_a_corrected_field_is_said(shop: Run) -> None:
    """A correction goes through the same list of checks as what is typed anew."""
    event = shop("record", "reading", "bus-7", "61,250 mi", "--on", "2026-05-04").event
    lower = shop("correct", event, "odometer=6125 mi", "--sure")
    assert "6,125 mi is lower than the last reading, 61,000 mi" in lower.err
    assert f"roadworn correct {lower.event}" in lower.err
    assert shop("correct", lower.event, "note=seen").err == ""
