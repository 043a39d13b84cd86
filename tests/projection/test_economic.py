"""Economic life and keep-or-replace against closed forms.

Closed forms derived here: with running cost a t + b t^2 / 2 and no resale, c(t) = P / t + a +
b t / 2 is lowest at sqrt(2 P / b), where it is a + sqrt(2 P b) (calculus). Minimal repair with
power-law intensity: Barlow and Hunter, Operations Research 8 (1960) 90-100, optimum at
(P / (c l (k - 1)))^(1/k), from memory and checked by setting the derivative to zero. The annuity
is checked against discounting payment by payment.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn_plugins.lifedata.checked import LifeDataError
from roadworn_plugins.projection.economic import (
    best_month_to_replace,
    economic_life,
    going_on,
    level_monthly,
    monthly_factor,
    present_value,
)


@given(st.floats(1e3, 1e5), st.floats(0.0, 1.0), st.floats(1e-6, 1e-3))
def test_linear_growth_of_running_cost(price, a, b):
    best = np.sqrt(2 * price / b)
    age = np.linspace(best / 50, best * 3, 400)
    found = economic_life(age, a * age + b * age**2 / 2, price, np.zeros(400))
    assert found.inside
    assert found.best == pytest.approx(best, rel=1e-3)
    assert found.lowest == pytest.approx(a + np.sqrt(2 * price * b), rel=1e-4)
    low, high = found.within
    assert low < best < high


@pytest.mark.parametrize("k", [1.5, 2.0, 3.5])
def test_minimal_repair_with_power_law_failures(k):
    price, each, rate = 20_000.0, 300.0, 1e-3
    best = (price / (each * rate * (k - 1))) ** (1 / k)
    age = np.linspace(best * 0.02, best * 2, 500)
    found = economic_life(age, each * rate * age**k, price, np.zeros(500))
    assert found.best == pytest.approx(best, rel=1e-3)
    assert found.lowest == pytest.approx(price * k / (k - 1) / best, rel=1e-5)


def test_even_running_cost_has_no_best_age():
    age = np.arange(1.0, 11.0)
    found = economic_life(age, 100.0 * age, 5_000.0, np.zeros(10))
    assert not found.inside
    assert found.best == 10.0
    assert found.within == (10.0, 10.0)


def test_flat_range_is_the_run_around_the_minimum_only():
    # Averages 10, 5, 10, 5.05, 9: the second dip is not part of the range around the first.
    age = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    average = np.array([10.0, 5.0, 10.0, 5.05, 9.0])
    found = economic_life(age, average * age, 0.0, np.zeros(5))
    assert found.within == (2.0, 2.0)


@given(st.floats(-0.5, 0.5), st.integers(1, 200), st.floats(-1e4, 1e4))
def test_level_amount_has_the_present_value_it_stands_for(rate, months, value):
    level = float(level_monthly(value, rate, months))
    factor = (1 + rate) ** (1 / 12)
    paid = sum(level / factor**m for m in range(1, months + 1))
    assert paid == pytest.approx(value, rel=1e-6, abs=1e-6)


def test_twelve_months_make_a_year():
    assert monthly_factor(0.05) ** 12 == pytest.approx(1.05, rel=1e-14)
    assert present_value([105.0], 0.05, months=[12.0]) == pytest.approx(100.0, rel=1e-13)
    assert level_monthly(1200.0, 0.0, 12) == 100.0


def test_keeping_and_replacing_without_interest():
    keep = going_on(3_000.0, np.full(24, 150.0), 1_800.0, 0.0)
    assert keep.monthly == pytest.approx((3_000 + 24 * 150 - 1_800) / 24)
    assert keep.present == pytest.approx(4_800.0)


def test_repeating_a_way_of_going_on_does_not_change_its_monthly_cost():
    one = going_on(9_000.0, np.full(36, 80.0), 4_000.0, 0.07)
    costs = np.full(72, 80.0)
    costs[35] += 9_000.0 - 4_000.0
    assert going_on(9_000.0, costs, 4_000.0, 0.07).monthly == pytest.approx(one.monthly, rel=1e-12)


def test_replace_when_another_month_costs_more_than_the_other_vehicle():
    # Running cost 10, 20, 30, ...; value fixed, no interest: keep while the cost is below 55.
    month, saving = best_month_to_replace(10.0 * np.arange(1, 13), np.full(13, 500.0), 55.0, 0.0)
    assert month == 5
    assert saving[5] == pytest.approx(5 * 55 - 150)
    never, _ = best_month_to_replace(np.full(12, 90.0), np.full(13, 500.0), 55.0, 0.0)
    assert never == 0


def test_saving_equals_the_difference_of_two_infinite_streams():
    rate, other = 0.06, 210.0
    costs, value = np.linspace(50, 400, 24), np.linspace(4_000, 2_500, 25)
    _, saving = best_month_to_replace(costs, value, other, rate)
    factor = monthly_factor(rate)
    months = np.arange(1, 4_001)

    def total(m):
        stream = np.where(months <= m, np.concatenate([costs, np.zeros(3_976)]), other)
        return np.sum(stream / factor**months) - value[m] / factor**m

    for m in (1, 10, 24):
        assert saving[m] == pytest.approx(total(0) - total(m), rel=1e-9, abs=1e-6)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: economic_life([1, 2], [1, 2], 1, [1, 1]),
        lambda: economic_life([0, 1, 2], [1, 2, 3], 1, [1, 1, 1]),
        lambda: economic_life([1, 3, 2], [1, 2, 3], 1, [1, 1, 1]),
        lambda: economic_life([1, 2, 3], [1, np.nan, 3], 1, [1, 1, 1]),
        lambda: going_on(1.0, [], 1.0, 0.05),
        lambda: going_on(1.0, [1.0], 1.0, -1.0),
        lambda: level_monthly(1.0, 0.05, 0),
        lambda: present_value([1.0, 2.0], 0.05, months=[1.0]),
        lambda: best_month_to_replace([1.0], [1.0], 1.0, 0.05),
    ],
)
def test_refusals(wrong):
    with pytest.raises(LifeDataError):
        wrong()
