"""What is odd in a typed finding is said by its own reason, with the remedy that fits it.

Forms and sentences are our own; that a long-stroke type 30 chamber is readjusted at 2 1/2 in is
49 CFR 393.47(e), from memory.
"""

import pytest

from roadworn.checks.measured import check_agreement
from roadworn.model.errors import UsageError
from roadworn.reading import read_judged_finding
from roadworn.trade.judging import KnownSizes, join_sizes
from roadworn.trade.limits import load_sheet


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("tire LF 3,2 mm", "write 3.2 with its unit"),
        ("tire LF 32 psi", "the sheet light_vehicle has no limit for such a figure"),
        ("brake pads front 55 mm", "at most 40 mm"),
        ("brake shoes 1 1/4 in", "at most 30 mm"),
        ("tyre NSF 5 mm", "changes sides with the country"),
        ("brake pads front L 3 mm R 5 mm", "; before another finding"),
        ("brake rotor LF 21.9 mm", "its limit is the one marked on the part"),
        ("ball joint lower L sound", "as LF-lower"),
        ("horn", "says no condition"),
    ],
)
def test_the_reason_is_the_right_one(text: str, said: str) -> None:
    with pytest.raises(UsageError) as refused:
        read_judged_finding(text)
    assert said in refused.value.message
    assert "blower" not in refused.value.message


@pytest.mark.parametrize(
    ("text", "position", "condition"),
    [
        ("tire LF 2.5/32 in", "LF", "wearing"),
        ("tire 2LO 5/32 in", "2L-outer", "sound"),
        ("kingpin 1L sound", "L", "sound"),
        ("brake chamber 1L 2.4 in, chamber type 30 long stroke", "1L", "sound"),
        ("chamber 1L 2.4 in, chamber type 30", "1L", "failed"),
        ("pushrod 1L 2.6 in, chamber type 30L", "1L", "failed"),
    ],
)
def test_words_of_the_bench_are_read(text: str, position: str, condition: str) -> None:
    found = read_judged_finding(text, load_sheet("heavy_vehicle" if "1L" in text else "light"))
    assert found.finding["position"] == position
    assert found.finding["condition"] == condition


def test_a_size_by_itself_joins_the_finding_it_is_about() -> None:
    sizes = KnownSizes()
    texts = ("steering wheel diameter 18 in", "steering column 2 in")
    (found,) = join_sizes(read_judged_finding(t, sizes=sizes).finding for t in texts)
    check_agreement([found])
    assert found["condition"] == "sound"
    assert {m["value"] for m in found["measurements"]} == {2.0, 18.0}


def test_a_place_that_was_said_is_not_asked_for_again() -> None:
    with pytest.raises(UsageError) as refused:
        read_judged_finding("brake pads 2L 3.1 mm", load_sheet("heavy_vehicle"))
    assert "add its place" not in refused.value.message
