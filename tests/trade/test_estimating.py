"""A shop's estimate, consent and comebacks, against figures worked by hand.

Worked from the rules stated beside each check: half up line by line, cap on supplies, one
switch a kind for tax, 30 days as the window of a comeback (common practice, no source).
"""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.errors import UsageError
from roadworn.trade.estimating import Fee, Labour, Part, ShopTerms, Sublet, estimate, needs_consent
from roadworn.trade.pricing import PriceMatrix
from roadworn.trade.warranty import Warranty, comeback, same_place


def d(text: str) -> Decimal:
    return Decimal(text)


TERMS = ShopTerms(
    labour_rate=d("140.00"),
    parts_by="margin",
    parts_percent=d("45"),
    supplies_percent=d("7"),
    supplies_cap=d("25.00"),
    sublet_markup=d("15"),
    tax_percent=d("8.25"),
)
WORK = [
    Labour(d("1.8")),
    Part(list_price=d("96.00")),
    Part(cost=d("40.00"), core=d("20.00")),
    Sublet(d("80.00")),
    Fee(d("4.00")),
]


def test_the_worked_estimate() -> None:
    """Labour 252.00, parts 96.00 and 72.73, core 20.00, supplies 17.64, sublet 92.00, fee 4.00,
    tax 15.38 on 186.37."""
    found = estimate(WORK, TERMS)
    assert (found.total, found.after_core_return) == (d("569.75"), d("549.75"))
    assert (found.taxed, found.tax) == (d("186.37"), d("15.38"))


def test_the_worked_estimate_with_labour_taxed() -> None:
    taxed = frozenset({"parts", "supplies", "labour"})
    terms = ShopTerms(**{name: getattr(TERMS, name) for name in TERMS.__slots__} | {"taxed": taxed})
    assert estimate(WORK, terms).total == d("590.54")


def test_supplies_are_capped_once_for_all_labour() -> None:
    """7 % of 600.00 is 42.00, capped at 25.00: over one operation or over three."""
    rate = ShopTerms(labour_rate=d("100"), supplies_percent=d("7"), supplies_cap=d("25.00"))
    assert estimate([Labour(d("6"))], rate).total == d("625.00")
    assert estimate([Labour(d("2"))] * 3, rate).total == d("625.00")


def test_overlapping_hours_are_not_summed() -> None:
    terms = ShopTerms(labour_rate=d("100"))
    found = estimate([Labour(d("2")), Labour(d("1.5"), overlap=d("0.9"))], terms)
    assert found.total == d("260.00")
    with pytest.raises(UsageError, match="overlap"):
        estimate([Labour(d("1"), overlap=d("2"))], terms)


def test_parts_by_markup_and_by_matrix() -> None:
    markup = ShopTerms(labour_rate=d("0"), parts_by="markup", parts_percent=d("100"))
    assert estimate([Part(cost=d("40"), quantity=2)], markup).total == d("160.00")
    bands = PriceMatrix([(d("5"), d("200")), (None, d("50"))])
    matrix = ShopTerms(labour_rate=d("0"), parts_by="matrix", matrix=bands)
    assert estimate([Part(cost=d("5")), Part(cost=d("10"))], matrix).total == d("30.00")


def test_what_cannot_be_priced_is_refused() -> None:
    with pytest.raises(UsageError, match="neither"):
        estimate([Part()], TERMS)
    with pytest.raises(UsageError, match="matrix"):
        estimate([Part(cost=d("1"))], ShopTerms(labour_rate=d("0"), parts_by="matrix"))


@given(
    st.lists(st.decimals(0, 5_000, places=2), min_size=1, max_size=8),
    st.decimals(0, 30, places=2),
)
def test_core_charges_leave_the_cost_of_the_repair_alone(
    prices: list[Decimal], core: Decimal
) -> None:
    terms = ShopTerms(labour_rate=d("0"), tax_percent=d("8.25"))
    plain = estimate([Part(list_price=price) for price in prices], terms)
    cores = estimate([Part(list_price=price, core=core) for price in prices], terms)
    assert cores.after_core_return == plain.total
    assert cores.total == plain.total + core * len(prices)


@pytest.mark.parametrize(("now", "asked"), [("550.00", False), ("550.01", True), ("500.00", False)])
def test_a_new_consent_past_ten_percent(now: str, asked: bool) -> None:
    assert needs_consent(d("500.00"), d(now), d("10")) is asked


FITTED = Warranty(date(2025, 1, 31), 12, 12_000, 50_000)


@pytest.mark.parametrize(
    ("on", "reading", "why"),
    [
        # 12 months and 12,000 miles from 50,000: through the last day and the last mile.
        (date(2026, 1, 31), 62_000, "warranty"),
        (date(2026, 2, 1), 61_000, None),
        (date(2025, 12, 1), 62_001, None),
        # Past the distance: 20,000 miles are no window.
        (date(2025, 3, 2), 70_000, None),
        (date(2025, 1, 30), 49_000, None),
    ],
)
def test_within_the_warranty_or_the_window(on: date, reading: int, why: str | None) -> None:
    found = comeback(FITTED, on, reading)
    assert (found and found.why) == why


def test_the_window_alone_without_terms() -> None:
    bare = Warranty(date(2025, 6, 1))
    assert comeback(bare, date(2025, 8, 30)) is not None
    assert comeback(bare, date(2025, 8, 31)) is None
    assert comeback(bare, date(2025, 8, 31), window_days=100) is not None
    read = Warranty(date(2025, 6, 1), start_reading=10_000, unit="km")
    assert comeback(read, date(2025, 6, 20), 15_000) is not None
    assert comeback(read, date(2025, 6, 20), 15_000.5) is None


def test_an_axle_is_both_of_its_sides_and_they_are_two() -> None:
    assert same_place("brake.pad", "LF", "front")
    assert not same_place("brake.pad", "LF", "RF")
    assert not same_place("brake.pad", "2R-inner", "2L")
    assert same_place("brake.pad", "2R-inner", "2")
    assert not same_place("brake.pad", "LF", "rear")
    assert not same_place("wheel.bearing", "LF", "RF")
    assert same_place("wheel.bearing", None, "RF")
