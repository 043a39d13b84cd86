"""Short forms of findings, parts and estimate lines.

What a bench writes is common practice, no source; figures are compared with exact factors
elsewhere. Here: everything said is kept, nothing is guessed, and each error says what to type.
"""

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.estimates import Estimate
from roadworn.model.payloads import Inspection
from roadworn.reading import (
    read_finding,
    read_item,
    read_measurements,
)
from roadworn.reading.estimate_lines import read_estimate_line
from roadworn.reading.estimates import read_decisions


def test_component_place_measurement_condition_in_one_breath() -> None:
    assert read_finding("brake pads front 3 mm wearing") == {
        "component": "brake.pad",
        "position": "front",
        "condition": "wearing",
        "measurements": [{"value": 3.0, "unit": "mm"}],
    }


def test_condition_may_stand_before_the_measurement() -> None:
    first, second = (
        read_finding(text) for text in ("tire RF 4/32 in wearing", "tire RF wearing 4/32 in")
    )
    assert first == second
    assert first["measurements"] == [{"value": 4.0, "unit": "32nds"}]


def test_what_is_left_is_the_note_and_a_failed_safety_item_is_marked() -> None:
    assert read_finding("tie rod end L failed loose at the ball") == {
        "component": "steering.tie_rod_outer",
        "position": "L",
        "condition": "failed",
        "safety": True,
        "note": "loose at the ball",
    }


def test_safety_is_marked_for_failed_critical_items_only() -> None:
    assert "safety" not in read_finding("tie rod end L wearing")
    assert "safety" not in read_finding("radiator failed")


@pytest.mark.parametrize("words", ["not checked", "not-checked", "not_checked"])
def test_not_checked_is_never_sound(words: str) -> None:
    assert read_finding(f"horn {words}")["condition"] == "not_checked"


def test_measured_words_in_a_note_stay_in_the_note() -> None:
    found = read_finding("tie rod end R failed play of 2 mm up and down")
    assert found["note"] == "play of 2 mm up and down"
    assert found["measurements"] == [{"value": 2.0, "unit": "mm"}]


def test_in_is_a_word_inside_a_note() -> None:
    assert "measurements" not in read_finding("horn failed 3 in the morning")


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("brake pads front 3 mm", "sound, wearing, failed or not checked"),
        ("brake pads front 3 wearing", "3 mm"),
        ("brake pads not sound", "say sound, wearing, failed"),
        ("", "wheel bearing LF"),
    ],
)
def test_each_error_says_what_to_type(text: str, remedy: str) -> None:
    with pytest.raises(UsageError) as caught:
        read_finding(text)
    assert remedy in caught.value.message


def test_an_unknown_component_offers_the_nearest_or_a_name_of_its_own() -> None:
    with pytest.raises(UnknownName) as caught:
        read_item("brake pump")
    assert any("brake" in name for name in caught.value.near)
    assert "other." in caught.value.message
    assert read_item("other.roof_rack")["component"] == "other.roof_rack"


def test_a_mistyped_component_never_becomes_another_one_with_a_note() -> None:
    # "wheel" alone is the rim.
    with pytest.raises(UsageError, match=r"'baring LF' .* is not understood"):
        read_finding("wheel baring LF failed")


def test_words_left_over_in_an_item_are_refused() -> None:
    with pytest.raises(UsageError, match="no position of"):
        read_item("wheel bearing LF noisy")


def test_estimate_line_ends_in_its_amount() -> None:
    line = read_estimate_line("brake pads front, machine discs 1,180.00", 2, "USD")
    assert line == {
        "line": 2,
        "component": "brake.pad",
        "position": "front",
        "work": "machine discs",
        "amount": {"amount": "1180.00", "currency": "USD"},
        "safety": True,
    }
    Estimate.model_validate_json(orjson.dumps({"lines": [line]}))


def test_estimate_line_without_amount_is_refused() -> None:
    with pytest.raises(UsageError, match=r"ends in no amount"):
        read_estimate_line("brake pads front", 1, "USD")


def test_decisions() -> None:
    assert read_decisions(["1=approved", "2=Declined"]) == [
        {"line": 1, "decision": "approved"},
        {"line": 2, "decision": "declined"},
    ]


@pytest.mark.parametrize("words", [["approved"], ["1=maybe"], ["1=approved", "1=declined"], []])
def test_bad_decisions_are_refused(words: list[str]) -> None:
    with pytest.raises(UsageError, match=r"approved|once|twice"):
        read_decisions(words)


def test_measurements_alone() -> None:
    assert read_measurements("12.4 V 35 psi") == [
        {"value": 12.4, "unit": "V"},
        {"value": 35.0, "unit": "psi"},
    ]
    with pytest.raises(UsageError, match="no measurement"):
        read_measurements("rusty")


@settings(max_examples=150)
@given(st.text(max_size=80))
def test_any_note_after_a_condition_is_kept_and_stays_storable(note: str) -> None:
    finding = read_finding(f"horn failed see {note}")
    Inspection.model_validate_json(orjson.dumps({"findings": [finding]}))
    # Blanks are laid together; no other character is lost from the words of the note.
    assert finding["note"] == " ".join(f"see {note}".split()).strip(" ,;:-")


@settings(max_examples=150)
@given(st.text(max_size=60))
def test_any_text_is_read_or_refused_in_a_sentence(text: str) -> None:
    message = ""
    try:
        read_finding(text)
    except UsageError as error:
        message = error.message
    assert not any(ord(c) < 32 for c in message)


@pytest.mark.parametrize(
    "text",
    [
        "tire LF 4/32 in failed; brake pads front 3 mm wearing",
        "tire LF 4/32 in failed brake pads front 3 mm wearing",
        "brake pads front wearing, rotor sound",
        "horn sound weak but wiper failed",
    ],
)
def test_a_second_finding_is_never_folded_into_the_first(text: str) -> None:
    with pytest.raises(UsageError, match=r"more than one finding.*write ;"):
        read_finding(text)


@pytest.mark.parametrize(
    ("text", "note"),
    [
        ("windshield chipped wearing", "chipped"),
        ("strut leaking failed", "leaking"),
        ("windshield chipped wearing low on the left", "chipped low on the left"),
        ("tire RF failed worn by a bad wheel alignment", "worn by a bad wheel alignment"),
    ],
)
def test_words_that_name_no_other_part_are_the_note(text: str, note: str) -> None:
    assert read_finding(text)["note"] == note


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("wheel baring LF failed", "Did you mean wheel bearing or hub?"),
        ("tire presure sensor LF failed", "Did you mean tire pressure sensor?"),
        ("brake pads rotor wearing", "; before another finding"),
        ("tire bald LF wearing", "the component, its place"),
    ],
)
def test_words_before_the_condition_that_may_be_more_are_refused(text: str, remedy: str) -> None:
    with pytest.raises(UsageError) as caught:
        read_finding(text)
    assert remedy in str(caught.value)


def test_a_misspelt_part_in_a_replacement_is_suggested() -> None:
    with pytest.raises(UsageError, match="Did you mean wheel bearing or hub"):
        read_item("wheel baring LF")
    with pytest.raises(UnknownName, match="exhaust pipe, muffler and hangers"):
        read_item("exhaust gizmo")
