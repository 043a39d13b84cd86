"""An estimate line with its working adds up to the cent, half up (common practice, no source)."""

import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.errors import UsageError
from roadworn.reading.estimate_lines import read_worked_line


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        # The worked estimate: 1.8 h x 140.00 = 252.00, and parts at 96.00.
        ("brake pads front 1.8 h x 140 + parts 96.00", "348.00"),
        ("brake pads front 1.8 h 140/h + parts 96.00", "348.00"),
        ("brake pads front 1.8h @ 140/hr + parts 96.00", "348.00"),
        ("brake pads front, machine discs 1.8 hours at 140.00", "252.00"),
        ("brake pads front: 0.35 h @ 95.5 + parts 10", "43.43"),  # 33.425 goes up
        ("brake pads front 1,000 h x 1,000", "1000000.00"),
    ],
)
def test_hours_by_rate_and_parts(text: str, amount: str) -> None:
    line = read_worked_line(text, 3, "USD")
    assert line["amount"] == {"amount": amount, "currency": "USD"}
    assert (line["line"], line["component"], line["position"]) == (3, "brake.pad", "front")


def test_the_working_is_kept() -> None:
    line = read_worked_line("brake pads front 1.8 h x 140 + parts 96.00 EUR", 1, "USD")
    assert line["labour_hours"] == 1.8
    assert line["labour_rate"] == {"amount": "140", "currency": "EUR"}
    assert line["parts_cost"] == {"amount": "96.00", "currency": "EUR"}
    assert line["amount"]["currency"] == "EUR"
    assert read_worked_line("brake pads front, machine discs 1 h x 1", 1, "USD")["work"]


def test_an_amount_alone_still_is_one() -> None:
    line = read_worked_line("brake pads front 180.00", 1, "USD")
    assert line["amount"] == {"amount": "180.00", "currency": "USD"}
    assert "labour_hours" not in line


@pytest.mark.parametrize("text", ["brake pads front 1.8 h x 140", "brake pads front 99999 h x 1"])
def test_what_cannot_be_read_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        read_worked_line(text, 1, "" if "140" in text else "USD")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("pads and rotors front 300", "'disc brake pads front 150.00' and 'brake rotor front"),
        ("front pads & rotors, replace 2.0 h x 140 + parts 140", "and 'brake rotor front 120.00'"),
        ("water pump and timing belt 700", "pump 150.00' and 'timing belt 120.00'"),
    ],
)
def test_a_line_of_two_parts_is_asked_for_one_by_one(text: str, told: str) -> None:
    """Read as the first of them, the other would be neither answered nor done."""
    with pytest.raises(UsageError) as refused:
        read_worked_line(text, 1, "USD")
    assert told in refused.value.message


@pytest.mark.parametrize(
    "text", ["brake pads front and resurface rotors 200", "oil and filter 60", "horn and relay 40"]
)
def test_what_is_done_along_with_a_part_is_no_second_part(text: str) -> None:
    assert read_worked_line(text, 1, "USD")["component"]


@given(st.integers(0, 9_999), st.integers(0, 99_999), st.integers(0, 999_999))
def test_it_adds_up_by_hand(tenths: int, rate: int, parts: int) -> None:
    text = f"horn {tenths / 10} h x {rate / 100:.2f} + parts {parts / 100:.2f}"
    line = read_worked_line(text, 1, "USD")
    exact = Decimal(tenths) / 10 * Decimal(rate) / 100 + Decimal(parts) / 100
    assert abs(Decimal(line["amount"]["amount"]) - exact) <= Decimal("0.005")


@pytest.mark.parametrize(
    ("text", "lost"),
    [
        ("tire LF tire 80.00 x 4", "80.00 x"),
        ("tire LF 80.00 x 4", "80.00 x"),
        ("tire LF 4 x 80.00", "4 x"),
        ("tire LF 80.00 * 4", r"80.00 \*"),
        ("brake pads front 1.8 h - 20", "1.8 h"),
        ("brake pads front 40 - 20", "40 - 20"),
        ("brake pads front 140 x 1.8 h x 100", "140 x"),
        ("brake pads front core 20 + core -5", "core 20"),
        ("brake pads front core 20", "core"),
        ("brake pads front 5 + core -5", r"5 \+"),
        ("brake pads front 180 + -20", r"180 \+"),
    ],
)
def test_what_was_half_understood_is_refused_and_shown_right(text: str, lost: str) -> None:
    """A mechanic typed the first, the fifth and the eighth, and was told 4.00, 20.00 and -5.00."""
    with pytest.raises(UsageError, match=f"'{lost}' in .*part list 80.00 x 4"):
        read_worked_line(text, 1, "USD")


@pytest.mark.parametrize(
    "text",
    ["transfer case, 4x4 220.00", "heater core 220.00", "brake pads + discs 180.00", "horn -20.00"],
)
def test_words_of_the_trade_are_no_working(text: str) -> None:
    assert read_worked_line(text, 1, "USD")["amount"]["amount"] in {"220.00", "180.00", "-20.00"}


@pytest.mark.parametrize(
    ("text", "places"),
    [
        ("LR shock and RR shock 300 USD", ["LR", "RR"]),
        ("wheel bearing LF and RF 300 USD", ["LF", "RF"]),
        ("LF pads and RF pads 200 USD", ["LF", "RF", "front"]),
        ("pads front and rear 300 USD", ["front", "rear"]),
        ("lower control arms both 500 USD", ["LF-lower", "RF-lower"]),
        ("rear sway bar link L/R 1.8 h x 140 + parts 96.00 USD", ["LR", "RR"]),
        ("tie rod end left and right 120 USD", ["L", "R"]),
        # An axle's part has one place, and both of it are all of it.
        ("rear pads both 120 USD", []),
        ("pads front, both calipers free 120 USD", []),
        ("tie rod end L and align 120 USD", []),
    ],
)
def test_a_line_for_two_places_is_asked_for_one_by_one(text: str, places: list[str]) -> None:
    if not places:
        assert read_worked_line(text, 1)["position"]
        return
    with pytest.raises(UsageError, match="two places") as refused:
        read_worked_line(text, 1)
    told = re.findall(r"'([^']+) (?:150|300)\.00'", str(refused.value))
    assert [
        read_worked_line(f"{line} 150.00 USD", 1)["position"] for line in told[-len(places) :]
    ] == (places)
