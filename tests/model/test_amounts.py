"""Money, odometer figures and warranties.

Currency codes: ISO 4217 (three letters). The statute mile: 1 mi = 1609.344 m exactly
(international agreement of 1959, NIST SP 811); figures stay as entered, so it is not applied.
"""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.model.amounts import read_money, read_odometer, read_warranty
from roadworn.model.errors import UsageError
from roadworn.model.payloads import Money


@pytest.mark.parametrize(
    ("text", "currency", "amount"),
    [
        ("84.50", "USD", ("84.50", "USD")),
        ("1,084.50", "usd", ("1084.50", "USD")),
        ("84.50 EUR", "USD", ("84.50", "EUR")),
        ("CHF 84.5", "", ("84.5", "CHF")),
    ],
)
def test_money(text: str, currency: str, amount: tuple[str, str]) -> None:
    assert read_money(text, currency) == dict(zip(("amount", "currency"), amount, strict=True))


@pytest.mark.parametrize(
    ("text", "currency", "remedy"),
    [
        ("84.50", "", "--currency USD"),
        ("$84.50", "USD", "without a sign"),
        ("84,50", "USD", "point before the decimals"),
        ("84.50 dollars", "USD", "84.50 USD"),
        ("1.23456", "USD", "four decimals"),
        ("USD 5 EUR", "", "two currencies"),
        ("5", "dollar", "three-letter"),
        ("NaN", "USD", "84.50 USD"),
        ("-20", "USD", "below zero"),
        ("20 USB", "", "ISO 4217 (did you mean"),
        ("20 XXX", "", "ISO 4217"),
    ],
)
def test_money_errors_name_the_remedy(text: str, currency: str, remedy: str) -> None:
    with pytest.raises(UsageError) as caught:
        read_money(text, currency)
    assert remedy in caught.value.message


@settings(max_examples=200)
@given(st.decimals(min_value=-(10**9), max_value=10**9, places=2))
def test_every_amount_survives_exactly(amount: Decimal) -> None:
    for text in (f"{amount:f}", f"{amount:,f}"):
        money = read_money(text, "USD", allow_negative=True)
        assert Decimal(Money.model_validate(money).amount) == amount


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("61,250 mi", "", (61250.0, "mi")),
        ("98 500 km", "mi", (98500.0, "km")),
        ("61250", "mi", (61250.0, "mi")),
        ("61250.7 miles", "", (61250.7, "mi")),
    ],
)
def test_odometer(text: str, unit: str, expected: tuple[float, str]) -> None:
    assert read_odometer(text, unit) == expected


@pytest.mark.parametrize(
    ("text", "unit"), [("61250", ""), ("-5 mi", ""), ("5 V", ""), ("", "mi"), ("5", "furlong")]
)
def test_odometer_errors_are_usage_errors(text: str, unit: str) -> None:
    with pytest.raises(UsageError):
        read_odometer(text, unit)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "24 months 24000 mi",
            {"warranty_months": 24, "warranty_distance": 24000.0, "warranty_unit": "mi"},
        ),
        ("2 years", {"warranty_months": 24}),
        # As invoices have them; 90 days are three months (common practice, no source).
        ("90 days", {"warranty_months": 3}),
        ("90-day", {"warranty_months": 3}),
        ("2 years unlimited miles", {"warranty_months": 24}),
        ("3 yrs", {"warranty_months": 36}),
        ("20,000 km", {"warranty_distance": 20000.0, "warranty_unit": "km"}),
        (
            "12,000 mi or 12 months",
            {"warranty_months": 12, "warranty_distance": 12000.0, "warranty_unit": "mi"},
        ),
    ],
)
def test_warranty(text: str, expected: dict[str, object]) -> None:
    assert read_warranty(text) == expected


@pytest.mark.parametrize("text", ["", "24000", "24 fortnights"])
def test_warranty_errors(text: str) -> None:
    with pytest.raises(UsageError, match="24 months 24000 mi"):
        read_warranty(text)


@pytest.mark.parametrize("text", ["45 days", "10 days 500 mi"])
def test_a_warranty_of_no_whole_months_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="whole months"):
        read_warranty(text)
