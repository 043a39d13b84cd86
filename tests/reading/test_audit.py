"""No word that can change the meaning is lost: a place, a part, a condition, a "not".

A phrase that is well understood is given one such word more, anywhere; then it is asked about, or
it reads otherwise, or a place that the part has no room for stands in the note. Which word means
what is common practice, no source.
"""

from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn.reading import read_findings

SETS = ("blind", "heavy", "third", "fourth", "fifth", "sixth", "eighth", "ninth")
PHRASES = sorted(
    line.split("\t")[0]
    for name in SETS
    for line in Path(__file__)
    .with_name(f"{name}_phrases.tsv")
    .read_text(encoding="utf-8")
    .splitlines()
    if not line.startswith("# ") and "\tASKS" not in line
)
DENIALS = ("not", "never", "maybe", "isnt", "might")
PLACES = {
    "left": "L",
    "right": "R",
    "front": "F",
    "rear": "R",
    "LF": "LF",
    "RF": "RF",
    "LR": "LR",
    "RR": "RR",
}
#: Schemes that hold wheels, axles or sides, so that a place has nowhere else to go.
AT_WHEELS = frozenset({"wheel", "tire", "axle", "axle_side", "wheel_ul"})
#: Behind these a place or a part is one that the part only touches; before these it is on the part.
WHERE = frozenset(
    {
        *("on", "at", "by", "near", "over", "under", "behind", "from", "with", "in", "into", "to"),
        *("onto", "through", "ahead", "along", "around", "against", "between", "across", "like"),
        *("than", "as", "nr", "above", "below", "next", "when", "after", "since"),
    }
)
PARTS = ("caliper", "radiator", "muffler", "alternator", "windshield")


@cache
def read(text: str) -> list[dict[str, Any]]:
    """Return the findings of a phrase, none where it asks."""
    try:
        return [one.finding for one in read_findings(text)]
    except UsageError:
        return []


def told(findings: list[dict[str, Any]]) -> list[tuple[object, ...]]:
    return sorted(
        (one["component"], one.get("position", ""), one["condition"], str(one.get("measurements")))
        for one in findings
    )


@st.composite
def put_in(draw: st.DrawFn, added: tuple[str, ...]) -> tuple[str, str, str]:
    """A phrase that is understood, the same with a word more, and the word."""
    line = draw(st.sampled_from(PHRASES).filter(lambda line: bool(read(line))))
    tokens = line.split()
    word = draw(st.sampled_from(added))
    at = draw(st.integers(0, len(tokens)))
    return line, " ".join([*tokens[:at], word, *tokens[at:]]), word


def around(text: str, word: str) -> tuple[list[str], str]:
    """Return the four words before a word, and the one behind it."""
    tokens = [token.casefold().strip(",;") for token in text.split()]
    at = tokens.index(word.casefold())
    return tokens[max(0, at - 4) : at], "".join(tokens[at + 1 : at + 2])


@settings(max_examples=120, derandomize=True)
@given(put_in(DENIALS))
@example(("cam belt due by miles", "cam belt due by maybe miles", "maybe"))
@example(("intercooler hose split", "never intercooler hose split", "never"))
def test_a_denial_or_a_doubt_is_asked_about(phrase: tuple[str, str, str]) -> None:
    line, more, word = phrase
    found = read(more)
    known = any(
        f"{word} {around(more, word)[1]}" in one.get("note", "").casefold() for one in found
    )
    # "not charging" is a condition of its own, and kept.
    assert not found or told(found) != told(read(line)) or known


@settings(max_examples=120, derandomize=True)
@given(put_in(tuple(PLACES)))
@example(("rear drums ok", "rear drums LR ok", "LR"))
@example(("degas bottle cracked", "left degas bottle cracked", "left"))
@example(("wiper blades like new", "front wiper blades like new", "front"))
def test_a_place_is_asked_about_or_kept(phrase: tuple[str, str, str]) -> None:
    line, more, word = phrase
    found = read(more)
    if not found or told(found) != told(read(line)):
        return
    before, after = around(more, word)
    for one in found:
        position = one.get("position", "")
        whole = {"front": "F", "rear": "R", "left": "L", "right": "R"}.get(position, position)
        same = PLACES[word] in whole or word in position or word.casefold() in one.get("note", "")
        same |= word.casefold() in one.get("note", "").casefold()
        # "front" of what sits there anyway, "left" of "3 mm left", and another finding's place.
        scheme = catalogue().get(one["component"]).positions
        same |= scheme in {"side", "lamp"} or any(token[:1].isdigit() for token in before[-2:])
        assert same or len(found) > 1, (one, before, after)
        kept = word.casefold() in one.get("note", "").casefold()
        on_part = set(before) & WHERE or after in {"side", "edge", "wall", "shoulder", "bead"}
        if scheme in AT_WHEELS and kept and len(found) == 1:
            assert on_part or PLACES[word] in whole or after, one


@settings(max_examples=100, derandomize=True)
@given(put_in(PARTS))
@example(("tires good", "tires good tie rod", "tie"))
@example(("shocks rear worn", "shocks rear worn caliper", "caliper"))
def test_another_part_is_asked_about(phrase: tuple[str, str, str]) -> None:
    line, more, word = phrase
    found = read(more)
    before, _after = around(more, word)
    if found and told(found) == told(read(line)) and not set(before) & WHERE:
        # It is a word of the same part, "radiator overflow bottle".
        own = " ".join(
            name
            for one in found
            for name in (
                catalogue().get(one["component"]).name,
                *catalogue().get(one["component"]).synonyms,
            )
        )
        assert word in own, found


@settings(max_examples=80, derandomize=True)
@given(put_in(("failed", "broken", "cracked", "bald", "leaking")))
def test_what_is_bad_is_never_lost_beside_what_is_sound(phrase: tuple[str, str, str]) -> None:
    line, more, _word = phrase
    found, plain = read(more), read(line)
    if plain and all(one["condition"] == "sound" for one in plain) and found:
        assert any(one["condition"] != "sound" for one in found), found


@st.composite
def joined(draw: st.DrawFn) -> tuple[str, str]:
    """Two phrases of one finding each that is understood, as they would stand in one breath."""
    ones = st.sampled_from(PHRASES).filter(lambda line: len(read(line)) == 1)
    return draw(ones), draw(ones)


@settings(max_examples=150, derandomize=True)
@given(joined())
def test_of_two_findings_in_one_breath_none_is_lost(phrases: tuple[str, str]) -> None:
    one, other = phrases
    found = {(f["component"], f.get("position"), f["condition"]) for f in read(", ".join(phrases))}
    meant = {
        (f["component"], f.get("position"), f["condition"]) for f in (*read(one), *read(other))
    }
    # A finding without a place may take the other's; no part and no condition goes.
    parts = {(part, condition) for part, _place, condition in found}
    kept = {(part, condition) for part, _place, condition in meant}
    places = {place for _part, place, _condition in meant if place}
    if not found or len({part for part, _condition in kept}) == 1:
        return  # Two of one part, the worse holds.
    assert parts == kept, found
    assert places == {place for _part, place, _condition in found if place}, found


@pytest.mark.parametrize(
    "line",
    [
        # A place or a worse condition that went into the note of another one.
        *("wipers streak frt, rear blade torn", "rr shock dry no leaks, oil running down it"),
        *("passed load test batt, failed load test", "tie rods inner and outer L loose"),
        *("no signal from tpms LF, batt dead in it", "phaser knocks at hot idle, bank 1"),
        *("gauge stuck on full tank, sender bad", "gauge stuck, fuel sender bad"),
        *("rear lamp out, left i think", "LR tail lamp out, which bulb"),
        *("rear wiper blade torn, front", "RF shock dry, oil over it"),
    ],
)
def test_what_a_joined_line_would_lose_is_asked_about(line: str) -> None:
    assert not read(line)


def test_a_finding_like_the_one_before_is_at_its_place() -> None:
    found = read("bus frt linings 3/8 in no cracks, drums look good too")
    assert [one["component"] for one in found] == ["brake.shoe", "brake.drum", "brake.drum"]
    assert [one["position"] for one in found] == ["front", "LF", "RF"]


def test_a_place_behind_a_comma_is_not_of_the_part_before_it() -> None:
    found = read("2 lugs missing LR, nail in RR tread")
    assert [(one["component"], one["position"]) for one in found] == [
        ("wheel.fastener", "LR"),
        ("wheel.tire", "RR"),
    ]
    found = read("rf rotor scored, below min, engine air filter dirty")
    assert [(one["component"], one["condition"]) for one in found] == [
        ("brake.rotor", "failed"),
        ("air.filter", "wearing"),
    ]


def test_a_part_behind_ahead_of_is_no_finding() -> None:
    found = read("frame rot hole lt rail ahead of rear sprng hgr, pulls right, needs alignment")
    assert [one["component"] for one in found] == ["body.frame", "wheel.alignment"]


def test_a_second_sentence_on_one_part_is_no_second_finding() -> None:
    (one,) = read("muffler hanging on bailing wire, hanger gone")
    assert one["condition"] == "failed"


@pytest.mark.parametrize(
    ("line", "condition"),
    [
        # What is no worse than it was told to be, or serves yet; common practice, no source.
        ("serp belt cracked every rib, not coming apart yet", "wearing"),
        ("alt bearing noisy but charges", "wearing"),
        ("brake hose LF bulging, not wet", "failed"),
        ("horn wont chooch", "failed"),
        ("LF caliper seized solid", "failed"),
    ],
)
def test_what_softens_hides_nothing(line: str, condition: str) -> None:
    (one,) = read(line)
    assert one["condition"] == condition


@pytest.mark.parametrize(
    "line",
    [
        # A part that can hurt somebody is not called worn because it holds.
        *("brake drum LR cracked but holding", "rotor RF cracked, not bad"),
        *("frame cracked but solid", "RF tire good not bald", "horn doesnt matter"),
        *(
            "w/c leakin LR, shoes soaked, do both",
            "tire RF torn, holds air",
            "shock LF leaking, quiet",
        ),
    ],
)
def test_what_softens_too_much_is_asked_about(line: str) -> None:
    assert not read(line)


def test_a_limit_before_a_comma_is_none_of_the_figure() -> None:
    (one,) = read("frt rotors under min, 25.8 mm")
    assert one["measurements"] == [{"value": 25.8, "unit": "mm"}]


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("horn sound not really", "not"),
        ("brake pads front sound leaking", "leaking"),
        ("tire LF sound rear", "rear"),
        ("battery sound caliper", "caliper"),
        ("tires ok maybe", "maybe"),
    ],
)
def test_a_note_that_would_change_a_plain_finding_is_asked_about(line: str, word: str) -> None:
    with pytest.raises(UsageError, match=rf"'{word}|leaves open|more than one"):
        read_findings(line)


@pytest.mark.parametrize(
    ("said", "typed", "component"),
    [
        ("awning motor LR dead", "other.awning_motor LR dead", "other.awning_motor"),
        ("bunk heater not working", "other.bunk_heater not working", "other.bunk_heater"),
        ("snow plow stiff", "other.snow_plow stiff", "other.snow_plow"),
    ],
)
def test_a_part_outside_the_catalogue_is_offered_as_a_line_to_type(
    said: str, typed: str, component: str
) -> None:
    with pytest.raises(UsageError) as caught:
        read_findings(said)
    assert f"type {typed!r}" in caught.value.message
    found = [one.finding["component"] for one in read_findings(typed)]
    assert found == [component]


@pytest.mark.parametrize(
    "line",
    [
        "tie rod end L failed loose at the ball",
        "tire RF failed worn by a bad wheel alignment",
        "horn failed no power at the relay",
        "brake hose LF failed wont hold pressure",
        "tire LF wearing on the outer edge",
    ],
)
def test_a_note_that_says_more_of_the_same_stays_a_note(line: str) -> None:
    (one,) = read_findings(line)
    assert line.endswith(f"{one.finding['condition']} {one.finding['note']}")
