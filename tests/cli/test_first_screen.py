"""The first screen of an outlook: what it says of a vehicle that left, of a complaint, of time."""

from pathlib import Path

import pytest
from commandline import OutlookOf, Run

from roadworn.analysis.outlook import Outlook
from roadworn_cli.first_screen import groups

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


@pytest.mark.slow
def test_a_part_and_its_sum_are_told_apart_and_a_code_stands_with_its_cause(
    demo_outlook: OutlookOf,
) -> None:
    """P0303 speaks of its cylinder and P0420 of the catalyst: SAE J2012, as `dtc.csv` has it."""
    told = said(demo_outlook("car-9", "mi"))
    assert "failed: valve cover or oil pan gasket bank 1: 236" in told["Should"]
    assert any(one.startswith("P0303: ignition coil cylinder 3: 121 (") for one in told["Should"])
    assert any(one.startswith("P0420: catalytic converter: 1,056 (") for one in told["Should"])
    assert told["Do first"][0].endswith(": it may spare catalytic converter: 1,056")
    assert told["Do first"][1] == "ignition coil cylinder 3: 121"
    assert not any("springs" in one for one in told["Caution"])
    # Common practice, no source: what moves the toe is aligned.
    assert told["Must"] == ["outer tie rod end L", "after it alignment, test drive"]


@pytest.mark.slow
def test_what_nobody_looked_at_and_a_brake_part_likely_to_fail_are_to_be_looked_at(
    demo_outlook: OutlookOf,
) -> None:
    found = demo_outlook("bus-10", "mi")
    told = said(found)
    # The sheet of the fleet calls the same inspection not known.
    assert told["Inspection"] == [
        "not known until it is looked at or scanned: onboard system; due 2026-12-25"
    ]
    # Found sound, and the record alone is not nearly sure of it: no job, but no silence either.
    assert not any("brake rotor" in one for one in told["Should"])
    (rotor,) = (one for one in told["Next to fail"] if "brake rotor front" in one)
    assert rotor.endswith("brake rotor front, 502 USD, not found worn: look at it now")


def said(found: Outlook) -> dict[str, list[str]]:
    """Return what the first screen says under each label."""
    told: dict[str, list[str]] = {}
    label = ""
    for entry in (one for group in groups(found) for one in group):
        label = entry.label or label
        words = [entry.words] if isinstance(entry.words, str) else entry.words
        told.setdefault(label, []).extend(map(str, words))
    return told
