"""The pieces of an estimate line as they are typed, and what was priced by which terms."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.errors import UsageError
from roadworn.reading.estimate_lines import read_worked_line
from roadworn.reading.terms import example_terms, parse_terms

TERMS = parse_terms(example_terms())


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("1.8 h", "252.00"),
        ("1.8h", "252.00"),
        ("1.5 hrs diag", "240.00"),
        ("1.8 h x 100", "180.00"),
        ("2 h overlap 0.5", "210.00"),
        ("2 h diag overlap 0.5 clock 2.6", "240.00"),
        ("labour 50.00", "50.00"),
        ("labor 50", "50.00"),
        ("part list 96.00", "96.00"),
        ("parts 96", "96.00"),
        ("part list 48.00 x 2", "96.00"),
        ("part cost 40.00", "72.73"),  # 40 / 0.55
        ("part cost 40.00 x 2", "145.46"),  # each is priced, then counted
        ("sublet 80.00", "92.00"),
        ("fee disposal", "4.00"),
        ("fee towing 60", "60.00"),
        ("part list 96.00 + core 20.00", "96.00"),  # a deposit is no cost of the job
        ("180.00 + fee disposal", "184.00"),
        ("1 h + 1 h diag", "300.00"),
    ],
)
def test_a_piece_is_priced(text: str, amount: str) -> None:
    line = read_worked_line(f"brake pads front, replace {text}", 1, "USD", TERMS)
    assert line["amount"] == {"amount": amount, "currency": "USD"}
    assert (line["component"], line["position"], line["work"]) == ("brake.pad", "front", "replace")


def test_book_and_clock_hours_and_the_shops_cost_are_kept_apart() -> None:
    line = read_worked_line("horn 2 h overlap 0.5 clock 2.6 + part cost 40", 1, "USD", TERMS)
    labour, part = line["pieces"]
    assert (labour["hours"], labour["overlap"], labour["clock_hours"]) == (1.5, 0.5, 2.6)
    assert line["labour_hours"] == 1.5
    assert (part["cost"]["amount"], part["amount"]["amount"]) == ("40.00", "72.73")
    assert line["parts_cost"]["amount"] == "72.73"


def test_hours_at_two_rates_have_no_rate_together() -> None:
    line = read_worked_line("horn 1 h + 1 h diag", 1, "USD", TERMS)
    assert line["labour_hours"] == 2.0
    assert "labour_rate" not in line
    assert [piece["rate"]["amount"] for piece in line["pieces"]] == ["140.00", "160.00"]


@pytest.mark.parametrize(
    ("text", "component", "amount"),
    [
        ("heater core 220.00", "hvac.heater_core", "220.00"),
        ("heater core 1 h + core 20.00", "hvac.heater_core", "140.00"),
        ("brake pads + discs 180.00", "brake.pad", "180.00"),
        ("brake pads + discs 1.8 h x 140", "brake.pad", "252.00"),
        ("wheel alignment, sublet 80.00", "wheel.alignment", "92.00"),
        ("horn -20.00", "electrical.horn", "-20.00"),
    ],
)
def test_words_of_the_trade_stay_with_the_component(text: str, component: str, amount: str) -> None:
    line = read_worked_line(text, 1, "USD", TERMS)
    assert line["component"].partition(".")[2] == component.partition(".")[2]
    assert line["amount"]["amount"] == amount


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("horn 1.8 h part cost 40.00", r"put \+ between"),
        ("horn 1.8 h 140", "x before a rate"),
        ("horn 1.8 h 140 + fee disposal", "x before a rate"),
        ("horn 1.8 h + prt cost 40.00", "did you mean part"),
        ("horn 1.8 h + 40.00", "is no piece"),
        ("horn 1.8 h +", "is no piece"),
        ("horn + fee disposal", "has no price"),
        ("1.8 h", "of no component"),
        ("horn 1.8 h digs", "did you mean diag"),
        ("horn + fee disposel", "has no price"),
        ("horn 5 + fee disposel", "did you mean disposal"),
        ("horn 1 h overlap 2", "more than the 1"),
        ("horn 99999 h", "too many hours"),
        ("horn part list 9 x 0", "give 1 to 10,000"),
        ("horn 1 h x 140 EUR + parts 9 USD", "EUR and USD"),
        ("horn parts 9 USB", "no currency"),
    ],
)
def test_what_is_no_piece_is_refused_with_its_remedy(text: str, remedy: str) -> None:
    with pytest.raises(UsageError, match=remedy):
        read_worked_line(text, 1, "USD", TERMS)


@pytest.mark.parametrize("text", ["1 h", "part cost 9", "sublet 9", "9 + fee disposal"])
def test_without_terms_what_needs_them_names_them(text: str) -> None:
    with pytest.raises(UsageError, match="--terms FILE"):
        read_worked_line(f"horn {text}", 1, "USD")


def test_without_terms_what_has_a_price_is_taken() -> None:
    text = "horn 1 h x 100 + labour 5 + part list 9 + core 2 + fee towing 3"
    assert read_worked_line(text, 1, "USD")["amount"]["amount"] == "117.00"


def test_parts_sold_at_list_have_no_price_from_a_cost() -> None:
    with pytest.raises(UsageError, match="part list"):
        read_worked_line("horn part cost 9", 1, "USD", parse_terms("[labour]\ndefault = 1"))


@given(st.text(alphabet="h 1.8+xpartscodelibuf,@=-", max_size=40))
def test_any_text_is_a_line_or_a_sentence(text: str) -> None:
    try:
        line = read_worked_line(f"horn {text}", 1, "USD", TERMS)
    except UsageError:
        return
    pieces = line.get("pieces", ())
    charged = sum(Decimal(p["amount"]["amount"]) for p in pieces if p["kind"] != "core")
    assert not pieces or charged == Decimal(line["amount"]["amount"])
