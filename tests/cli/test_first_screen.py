"""The first screen of an outlook: what it says of a vehicle that left, of a complaint, of time."""

from pathlib import Path

import pytest
from commandline import Run

#: What nobody at a counter says; a screen for one has none of them, whatever stands on record.
NOT_SAID = (
    "conditional", "wald", "B10", "B50", "stays of a part", "middle distance", "such futures",
    "ledger root", "log-rank", "posterior", "quantile", "censored", "stand out", "beyond that",
)  # fmt: skip


@pytest.fixture
def left(shop: Run) -> Run:
    """The shop whose bus was sold."""
    assert shop("record", "retirement", "bus-7", "sold", "--on", "2026-06-01").code == 0
    return shop


@pytest.mark.parametrize("more", [(), ("--more",)])
def test_a_vehicle_that_left_has_a_screen(left: Run, more: tuple[str, ...]) -> None:
    screen = left("outlook", "bus-7", *more)
    assert screen.code == 0, screen.err
    assert "Left on 2026-06-01 (sold)." in screen.out
    assert "Must " not in screen.out


def test_a_complaint_stands_there_in_its_words_with_its_day(shop: Run) -> None:
    said = "grinds when it brakes"
    assert shop("record", "complaint", "bus-7", said, "--on", "2026-06-01").code == 0
    screen = shop("outlook", "bus-7").out
    assert said in " ".join(screen.split())
    assert "2026-06-01" in screen
    assert "a complaint nobody has answered" not in screen


def test_a_complaint_stands_on_top_and_on_the_page_beside_stop_and_codes(
    shop: Run, tmp_path: Path
) -> None:
    said = "brake pedal low, customer says hot smell"
    assert shop("record", "complaint", "bus-7", said, "--on", "2026-06-01").code == 0
    assert shop("record", "scan", "bus-7", "P0171", "P0302", "--on", "2026-06-01").code == 0
    bad = ("pads RR failed metal to metal", "headlamp L failed")
    assert shop("record", "inspection", "bus-7", *bad, "--on", "2026-06-01").code == 0
    screen = shop("outlook", "bus-7").out
    assert f"2026-06-01: {said}" in " ".join(" ".join(screen.splitlines()[:8]).split())
    page = tmp_path / "bus.html"
    assert shop("report", "vehicle", "bus-7", "--out", str(page)).code == 0
    assert said in page.read_text(encoding="utf-8")


def test_a_vehicle_not_seen_for_long_says_so_on_top(shop: Run) -> None:
    screen = shop("outlook", "bus-7").out  # 200 days after the last event, whatever the day
    told = screen.index("Not seen since 2026-05-01")
    assert told < screen.index("Must ") if "Must " in screen else told < screen.index("Due now")


@pytest.mark.parametrize("words", [("outlook", "bus-7"), ("outlook", "bus-7", "--more")])
def test_no_screen_for_a_counter_holds_a_word_of_an_analyst(
    shop: Run, words: tuple[str, ...]
) -> None:
    screen = shop(*words).out
    assert [word for word in NOT_SAID if word.casefold() in screen.casefold()] == []
