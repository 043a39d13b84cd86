"""Places on the vehicle. Left and right from the driver's seat: common practice, no source."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.catalogue import catalogue, place_of
from roadworn.model.places import PositionError, axle_of, covers, normalise_position, other_side

SCHEMES = sorted({c.positions for c in catalogue()} | {"any"})


@pytest.mark.parametrize(
    ("text", "scheme", "canonical"),
    [
        ("LF", "wheel", "LF"),
        ("left front", "wheel", "LF"),
        ("front left", "wheel", "LF"),
        ("FL", "wheel", "LF"),
        ("fr", "wheel", "RF"),
        ("RL", "wheel", "LR"),
        ("rear right", "wheel", "RR"),
        ("right rear wheel", "wheel", "RR"),
        ("LH front", "wheel", "LF"),
        ("3L", "wheel", "3L"),
        ("front", "axle", "front"),
        ("rear axle", "axle", "rear"),
        ("axle 3", "axle", "3"),
        ("2", "axle", "2"),
        ("LF", "axle", "LF"),
        ("left", "side", "L"),
        ("RH", "side", "R"),
        ("RF", "side", "R"),
        ("bank 1", "bank", "1"),
        ("B2", "bank", "2"),
        ("B1S2", "bank_sensor", "B1S2"),
        ("bank 2 sensor 1", "bank_sensor", "B2S1"),
        ("b1 s2", "bank_sensor", "B1S2"),
        ("1-intake", "bank+cam", "1-intake"),
        ("exhaust bank 2", "bank+cam", "2-exhaust"),
        ("LF lower", "wheel_ul", "LF-lower"),
        ("upper right front", "wheel_ul", "RF-upper"),
        ("2L", "axle_side", "2L"),
        ("axle 2 left", "axle_side", "2L"),
        ("left 2", "axle_side", "2L"),
        ("1L", "tire", "1L"),
        ("2R-inner", "tire", "2R-inner"),
        ("2r outside", "tire", "2R-outer"),
        ("spare", "tire", "spare"),
        ("cyl 3", "cylinder", "3"),
        ("#12", "cylinder", "12"),
        ("Centre", "lamp", "center"),
        ("row 2 L", "seat", "row 2 L"),
        ("a", "solenoid", "A"),
        ("LF", "door", "LF"),
    ],
)
def test_one_spelling_for_each_place(text, scheme, canonical):
    assert normalise_position(text, scheme) == canonical


@pytest.mark.parametrize(
    ("text", "scheme"),
    [
        ("LF", "none"),
        ("middle", "wheel"),
        ("front", "wheel"),
        ("L", "wheel"),
        ("0L", "axle_side"),
        ("LR", "side"),
        ("3", "bank"),
        ("B3S1", "bank_sensor"),
        ("intake", "bank+cam"),
        ("21", "cylinder"),
        ("", "hose"),
        ("a place with a very long name", "hose"),
        ("<script>", "hose"),
        ("x" * 10_000_000, "hose"),
    ],
)
def test_no_place_under_that_scheme(text, scheme):
    with pytest.raises(PositionError) as caught:
        normalise_position(text, scheme)
    assert len(str(caught.value)) < 250


@pytest.mark.parametrize("text", ["driver front", "passenger rear", "nearside front", "o/s rear"])
def test_words_that_change_sides_at_a_border_are_refused(text):
    with pytest.raises(PositionError, match="driver's seat"):
        normalise_position(text, "wheel")


@given(st.text(max_size=40), st.sampled_from(SCHEMES))
def test_a_canonical_place_stays_itself(text, scheme):
    try:
        canonical = normalise_position(text, scheme)
    except PositionError:
        return
    assert 1 <= len(canonical) <= 24
    assert normalise_position(canonical, scheme) == canonical


WORDS = ["l", "r", "left", "right", "front", "rear", "lf", "axle", "bank", "sensor", "cyl", "inner"]


@given(
    st.lists(st.sampled_from([*WORDS, "1", "2", "lower", "intake"]), min_size=1, max_size=4),
    st.sampled_from(SCHEMES),
)
def test_combinations_of_place_words_stay_themselves(words, scheme):
    try:
        canonical = normalise_position(" ".join(words), scheme)
    except PositionError:
        return
    assert normalise_position(canonical, scheme) == canonical


@pytest.mark.parametrize(
    ("position", "axle"),
    [
        ("LF", "front"),
        ("RF", "front"),
        ("front", "front"),
        ("LR", "rear"),
        ("2R-inner", "2"),
        ("2", "2"),
        ("LF-lower", "front"),
        ("B1S2", None),
        ("L", None),
        (None, None),
    ],
)
def test_the_axle_of_a_place(position, axle):
    assert axle_of(position) == axle


@pytest.mark.parametrize(
    ("component", "position", "place"),
    [
        ("brake.pad", "LF", "front"),
        ("brake.shoe", "2R-inner", "2"),
        ("brake.parking_brake", "RR", "rear"),
        ("brake.shoe", "front", "front"),
        ("brake.shoe", "as written", "as written"),
        ("brake.shoe", None, ""),
        ("brake.slack_adjuster", "2L", "2L"),
        ("wheel.tire", "2R-inner", "2R-inner"),
        ("myshop.ramp", "LF", "LF"),
    ],
)
def test_what_is_done_by_the_axle_is_placed_at_the_axle(component, position, place):
    assert place_of(component, position) == place


@pytest.mark.parametrize(
    ("wide", "place", "held"),
    [
        ("LF", "LF", True),
        ("front", "LF", True),
        ("2", "2R-inner", True),
        (None, "LF", True),
        ("", "", True),
        ("LF", "front", False),
        ("LF", None, False),
        ("rear", "LF", False),
        ("2", "3L", False),
    ],
)
def test_what_is_said_of_an_axle_holds_for_its_wheels(wide, place, held):
    assert covers(wide, place) is held


@pytest.mark.parametrize(
    ("place", "other"),
    [
        *(
            ("LF", "RF"),
            ("RR", "LR"),
            ("2L", "2R"),
            ("2R-inner", "2L-inner"),
            ("LF-lower", "RF-lower"),
        ),
        *(("L", "R"), ("front", ""), ("2", ""), ("spare", ""), ("B1S2", ""), ("", "")),
    ],
)
def test_the_same_place_on_the_other_side(place, other):
    assert other_side(place) == other
    assert other_side(other) == (place if other else "")
