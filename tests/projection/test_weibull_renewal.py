"""The renewal function against closed forms, an exact power series and asymptotes.

Sources. Exponential, gamma and fixed lives: Cox, Renewal Theory (1962), sections 4.2 to 4.5.
Weibull series: Smith and Leadbetter, "On the renewal function for the Weibull distribution",
Technometrics 5 (1963) 393-396. Both recalled from memory; the series is summed here in 60-digit
decimals, and derived anew from M = F + F * M by comparing powers of t^k.
"""

from decimal import Decimal, localcontext
from functools import cache
from math import factorial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.projection.excess import (
    SHAPES,
    forward_substitution,
    on_even_mesh,
    solve,
    tabulate,
)

PI = Decimal("3.14159265358979323846264338327950288419716939937510582097494459230781640628621")
TERMS = 160


def gamma_of_half(twice):
    """Gamma(1 + twice / 2) in decimals."""
    if twice % 2 == 0:
        return Decimal(factorial(twice // 2))
    m = (twice + 1) // 2
    return Decimal(factorial(2 * m)) / (4**m * factorial(m)) * PI.sqrt()


@cache
def coefficients(twice_shape):
    """A_r of M(t) = sum (-1)^(r-1) A_r t^(kr) / Gamma(1 + kr), and the same of M * M."""
    with localcontext() as context:
        context.prec = 75
        g = [gamma_of_half(twice_shape * r) / factorial(r) for r in range(TERMS)]
        a = [Decimal(0)] * TERMS
        for n in range(1, TERMS):
            a[n] = g[n] - sum((g[j] * a[n - j] for j in range(1, n)), Decimal(0))
        twice = [-sum((a[j] * a[n - j] for j in range(1, n)), Decimal(0)) for n in range(TERMS)]
        return a, twice


def series(twice_shape, t, which):
    with localcontext() as context:
        context.prec = 75
        terms = coefficients(twice_shape)[which]
        power = (Decimal(t).ln() * twice_shape / 2).exp()
        total = Decimal(0)
        for r in range(1, TERMS):
            total += (-1) ** (r - 1) * terms[r] * power**r / gamma_of_half(twice_shape * r)
        return float(total)


CASES = [(1, 0.05), (1, 1), (1, 4), (3, 0.02), (3, 0.5), (3, 2), (3, 4), (4, 0.5), (4, 1), (4, 2.5)]
CASES += [(4, 4), (5, 0.9), (5, 2), (6, 0.5), (6, 1.1), (6, 2.4), (8, 1.1), (8, 2)]


@pytest.mark.parametrize(("twice_shape", "t"), CASES)
def test_weibull_renewals_equal_the_exact_series(twice_shape, t):
    m, k = solve(twice_shape / 2, 5.0)(np.array([float(t)]))
    assert m[0] == pytest.approx(series(twice_shape, t, 0), abs=3e-5)
    assert k[0] - m[0] == pytest.approx(series(twice_shape, t, 1), abs=2e-4)


def test_the_series_itself_is_right_where_a_closed_form_exists():
    # k = 1: M = t and M * M = t^2 / 2.
    assert series(2, 1.7, 0) == pytest.approx(1.7, abs=1e-12)
    assert series(2, 1.7, 1) == pytest.approx(1.7**2 / 2, abs=1e-12)


def test_exponential_lives_renew_evenly():
    t = np.array([0.0, 0.3, 2.0, 8.0, 50.0])
    m, k = solve(1.0, 60.0)(t)
    assert m == pytest.approx(t, abs=2e-6)
    assert k == pytest.approx(t + t**2 / 2, rel=5e-6)


@pytest.mark.parametrize("cells", [200, 400])
def test_the_scheme_on_gamma_lives_of_order_two(cells):
    # Life = sum of two exponentials of mean 1/2: M(t) = t - (1 - exp(-4 t)) / 4.
    t = np.linspace(0.0, 6.0, cells + 1)
    first = 1.0 - np.exp(-2.0 * t) * (1.0 + 2.0 * t)
    integral = t - (1.0 - np.exp(-2.0 * t)) + t * np.exp(-2.0 * t)
    m = on_even_mesh(first, np.diff(integral) / t[1])[0]
    closed = t - (1.0 - np.exp(-4.0 * t)) / 4.0
    assert np.abs(m - closed).max() < 40.0 / cells**2
    assert np.abs(m - closed).max() < 1e-3


@pytest.mark.parametrize("cells", [1, 2, 25, 400])
def test_an_even_mesh_is_solved_as_by_going_forward(cells):
    t = np.linspace(0.0, 9.0, cells + 1)
    first = -np.expm1(-(t**3.3))
    means = (first[1:] + first[:-1]) / 2.0
    turned = means[::-1]
    going = forward_substitution(first, lambda i: turned[turned.size - i :])
    assert on_even_mesh(first, means) == pytest.approx(going, rel=1e-11, abs=1e-12)


def test_nearly_fixed_lives_fail_once_a_life():
    # Lives between 0.80 and 1.11 of the scale with 97 %: after 1.45 mean lives just one failure.
    renewal = solve(SHAPES[1], 6.0)
    m, _ = renewal(renewal.mean * np.array([0.5, 1.45, 2.45]))
    assert m == pytest.approx([0.0, 1.0, 2.0], abs=0.01)


@pytest.mark.parametrize("shape", [0.5, 0.8, 1.1, 1.5, 2.5, 5.0, 9.0])
def test_mesh_and_asymptote_meet(shape):
    # Elementary expansion M(t) -> t / mu + (sigma^2 / mu^2 - 1) / 2 (Cox 1962, section 4.2).
    renewal = solve(shape, 3000.0)
    before, after = (renewal(np.array([renewal.end * (1.0 + e)])) for e in (-1e-9, 1e-9))
    assert renewal.end < 3000.0
    assert before[0] == pytest.approx(after[0], rel=2e-5)
    assert before[1] == pytest.approx(after[1], rel=2e-4)


@settings(max_examples=60)
@given(st.floats(*SHAPES), st.floats(0.01, 12.0))
def test_renewals_lie_within_their_bounds(shape, until):
    renewal = solve(shape, until)
    t = np.linspace(0.0, until, 60)
    m, k = renewal(t)
    first = -np.expm1(-(t**shape))
    assert np.all(m >= first - 2e-5)
    # M - t/mu + 1 is the mean remaining life over mu (Wald), hence at least t/mu - 1.
    assert np.all(m >= t / renewal.mean - 1.0 - 1e-4)
    assert np.all(np.diff(m) >= -2e-5)
    assert np.all(k >= m - 2e-4)
    assert renewal.error < 1e-4


def test_nothing_has_failed_at_the_start():
    m, k = solve(2.0, 1.0)(np.array([0.0, -1.0]))
    assert m.tolist() == [0.0, 0.0]
    assert k.tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("shape", "until", "words"),
    [
        (0.1, 1, "clip"),
        (40, 1, "clip"),
        (np.nan, 1, "clip"),
        (2, 0, "above zero"),
        (2, np.inf, "finite"),
    ],
)
def test_refusals(shape, until, words):
    with pytest.raises(LifeDataError, match=words):
        solve(shape, until)


@pytest.mark.parametrize("shape", [0.7, 1.0, 2.3])
@pytest.mark.parametrize(("ages", "times"), [(1, 1), (9, 5), (120, 90)])
def test_many_scales_at_once_are_as_each_alone(shape, ages, times):
    table = tabulate(shape, 3.0, 4.0)
    age, time = np.linspace(0.0, 1.0, ages), np.linspace(0.0, 1.3, times)
    scales = np.array([0.4, 1.0, 2.2])
    for moments in (1, 2):
        found = list(table.at_scales(age, time, scales, moments=moments))
        each = [table.at(age * s, time * s, moments=moments) for s in scales]
        assert np.array_equal(found, each)
