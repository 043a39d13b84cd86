"""Shop arithmetic and warranty terms.

Worked by hand from the rules stated beside each check; the rules themselves (half up by
line, through the last day and mile, the end of a short month) are common practice, no source.
"""

import calendar
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.errors import UsageError
from roadworn.trade import estimating as money
from roadworn.trade.warranty import Warranty, add_months


def d(figure):
    return Decimal(str(figure))


LINES = [
    money.labour_line(d("1.8"), d("140.00")),
    money.parts_line(d("96.00")),
    money.parts_line(money.price_at_margin(d("40.00"), d(45))),
    money.PricedLine("core", d("20.00")),
    money.supplies_line(d("252.00"), d(7), d("25.00")),
    money.sublet_line(d("80.00"), d(15)),
    money.PricedLine("fee", d("4.00")),
]


def test_lines_of_the_worked_estimate():
    amounts = ["252.00", "96.00", "72.73", "20.00", "17.64", "92.00", "4.00"]
    assert [line.amount for line in LINES] == [d(a) for a in amounts]


def test_worked_estimate():
    found = money.add_up(LINES, d("8.25"))
    assert (found.taxed, found.tax, found.total) == (
        d("186.37"),
        d("15.38"),
        d("569.75"),
    )
    assert found.after_core_return == d("549.75")


def test_worked_estimate_with_labour_taxed():
    found = money.add_up(LINES, d("8.25"), frozenset({"parts", "supplies", "labour"}))
    assert (found.taxed, found.tax, found.total) == (
        d("438.37"),
        d("36.17"),
        d("590.54"),
    )


def test_supplies_are_capped():
    assert money.supplies_line(d(600), d(7), d(25)).amount == d("25.00")
    assert money.supplies_line(d(600), d(7), None).amount == d("42.00")


@pytest.mark.parametrize(
    ("amount", "rounded"),
    [
        ("15.375525", "15.38"),
        ("0.005", "0.01"),
        ("0.015", "0.02"),
        ("-0.005", "-0.01"),
        ("2.675", "2.68"),
    ],
)
def test_half_goes_up(amount, rounded):
    assert money.round_money(d(amount)) == d(rounded)

    assert money.price_at_margin(d(40), d(50)) == money.price_at_markup(d(40), d(100)) == d(80)
    with pytest.raises(UsageError):
        money.price_at_margin(d(40), d(100))


def test_the_edges_of_a_price_matrix():
    matrix = money.PriceMatrix([(d("5.00"), d(200)), (d("50.00"), d(100)), (None, d(40))])
    edges = [("5.00", "15.00"), ("5.01", "10.02"), ("50.00", "100.00"), ("50.01", "70.01")]
    for cost, price in edges:
        assert matrix.price(d(cost)) == d(price)


ONE = Decimal(1)


@pytest.mark.parametrize(
    "bands",
    [[], [(ONE, ONE)], [(ONE, ONE), (ONE, ONE), (None, ONE)], [(None, ONE), (None, ONE)]],
)
def test_a_matrix_with_gaps_is_refused(bands):
    with pytest.raises(UsageError):
        money.PriceMatrix(bands)


@given(st.lists(st.decimals(0, 10_000, places=3), max_size=20))
def test_a_sheet_adds_up_by_hand(prices):
    lines = [money.parts_line(price) for price in prices]
    found = money.add_up(lines, d(0))
    assert found.total == sum((line.amount for line in lines), d(0))
    assert all(line.amount == round(line.amount, 2) for line in lines)


TERMS = Warranty(date(2025, 1, 31), 12, 12_000, 50_000)


@pytest.mark.parametrize(
    ("on", "reading", "in_force", "ended_by"),
    [
        (date(2026, 1, 31), 62_000, True, None),
        (date(2026, 2, 1), 62_000, False, "time"),
        (date(2026, 1, 31), 62_001, False, "distance"),
        (date(2026, 1, 31), None, None, None),
        (date(2026, 2, 1), None, False, "time"),
        (date(2025, 1, 30), 50_000, False, None),
    ],
)
def test_whichever_ends_first_through_the_last_day_and_mile(on, reading, in_force, ended_by):
    found = TERMS.status(on, reading)
    assert (found.in_force, found.ended_by) == (in_force, ended_by)
    assert (found.last_day, found.last_reading) == (date(2026, 1, 31), 62_000)


def test_a_reading_in_the_other_unit_is_compared_exactly():
    # 62,000 mi = 99,779.328 km.
    assert TERMS.status(date(2025, 6, 1), d("99779.328"), "km").in_force
    assert not TERMS.status(date(2025, 6, 1), d("99779.329"), "km").in_force


def test_terms_of_one_kind_only():
    assert Warranty(date(2025, 1, 1), months=1).status(date(2025, 2, 1)).in_force
    far = Warranty(date(2025, 1, 1), distance=100, start_reading=0, unit="km")
    assert far.status(date(2045, 1, 1), 100).in_force
    assert Warranty(date(2025, 1, 1), distance=100).status(date(2025, 1, 1), 10).in_force is None
    assert Warranty(date(2025, 1, 1)).status(date(2025, 1, 1)).in_force is False


@pytest.mark.parametrize(
    ("start", "months", "end"),
    [
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
        (date(2024, 2, 29), 48, date(2028, 2, 29)),
        (date(2025, 1, 31), 1, date(2025, 2, 28)),
        (date(2025, 1, 31), 12, date(2026, 1, 31)),
        (date(2025, 3, 15), 12, date(2026, 3, 15)),  # 49 CFR 396.17: at least once in 12 months
        (date(2025, 3, 15), 14, date(2026, 5, 15)),  # 396.21: keep for 14 months
    ],
)
def test_months_of_different_length(start, months, end):
    assert add_months(start, months) == end


@given(st.dates(date(1990, 1, 1), date(2080, 1, 1)), st.integers(0, 240))
def test_months_later_is_the_same_day_or_the_months_last(start, months):
    end = add_months(start, months)
    last = calendar.monthrange(end.year, end.month)[1]
    assert (end.year - start.year) * 12 + end.month - start.month == months
    assert end.day == min(start.day, last)
    assert add_months(start, months + 1) > end
