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

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.projection.economic import (
    economic_life,
    going_on,
    level_monthly,
    monthly_factor,
)


@given(st.floats(1e3, 1e5), st.floats(0.0, 1.0), st.floats(1e-6, 1e-3))
def test_linear_growth_of_running_cost(price, a, b):
    best = np.sqrt(2 * price / b)
    age = np.linspace(best / 50, best * 3, 400)
    found = economic_life(age, a * age + b * age**2 / 2, price, np.zeros(400))
    assert found.inside
    assert found.best == pytest.approx(best, rel=1e-3)
    assert found.lowest == pytest.approx(a + np.sqrt(2 * price * b), rel=1e-4)


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


@given(st.floats(-0.5, 0.5), st.integers(1, 200), st.floats(-1e4, 1e4))
def test_level_amount_has_the_present_value_it_stands_for(rate, months, value):
    level = float(level_monthly(value, rate, months))
    factor = (1 + rate) ** (1 / 12)
    paid = sum(level / factor**m for m in range(1, months + 1))
    assert paid == pytest.approx(value, rel=1e-6, abs=1e-6)


def test_money_due_in_a_year_is_discounted_by_the_yearly_rate():
    # 105 less 105 / 1.05 at the end: a present value of 5.
    found = going_on(105.0, np.zeros(12), 105.0, 0.05)
    assert found == pytest.approx(float(level_monthly(5.0, 0.05, 12)), rel=1e-12)


def test_twelve_months_make_a_year():
    assert monthly_factor(0.05) ** 12 == pytest.approx(1.05, rel=1e-14)
    assert level_monthly(1200.0, 0.0, 12) == 100.0


def test_keeping_and_replacing_without_interest():
    keep = going_on(3_000.0, np.full(24, 150.0), 1_800.0, 0.0)
    assert keep == pytest.approx((3_000 + 24 * 150 - 1_800) / 24)


def test_repeating_a_way_of_going_on_does_not_change_its_monthly_cost():
    one = going_on(9_000.0, np.full(36, 80.0), 4_000.0, 0.07)
    costs = np.full(72, 80.0)
    costs[35] += 9_000.0 - 4_000.0
    assert going_on(9_000.0, costs, 4_000.0, 0.07) == pytest.approx(one, rel=1e-12)


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
    ],
)
def test_refusals(wrong):
    with pytest.raises(LifeDataError):
        wrong()
