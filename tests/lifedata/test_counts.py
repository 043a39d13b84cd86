"""Exact count limits against printed values and the distributions' own definitions."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.counts import (
    jeffreys_interval,
    poisson_limits,
    poisson_ratio,
)


def test_constant_rate_limits_of_the_handbook_example():
    # NIST/SEMATECH e-Handbook 8.4.5.1, formula read; numbers 127 and 2251 h from memory,
    # recomputed digits from VALUES o20: 800 h, 2 failures, 90 %.
    lower, upper = poisson_limits(2, 0.90)
    assert 800 / upper == pytest.approx(127.068968, rel=1e-8)
    assert 800 / lower == pytest.approx(2251.22861, rel=1e-8)
    assert lower / 2 == pytest.approx(1 / 5.62807153, rel=1e-8)
    assert upper / 2 == pytest.approx(1 / 0.317672421, rel=1e-8)


def test_no_failure_gives_only_the_one_sided_bound():
    # VALUES o20: 800 h without a failure, lower 95 % limit of the mean life 267.046561 h;
    # -ln 0.05 = 2.996 (the "rule of three" to three decimals). One-sided 95 % is two-sided 90 %.
    lower, upper = poisson_limits(0, 0.90)
    assert 800 / upper == pytest.approx(267.046561, rel=1e-8)
    assert upper == pytest.approx(2.996, abs=5e-4)
    assert lower == 0.0


def test_fan_exposure_limits():
    # o21, Nelson (1982) p. 133: 12 failures in 344,440 h, recomputed chi-square limits.
    lower, upper = poisson_limits(12)
    assert 344440.0 / upper == pytest.approx(16431.9635, rel=1e-8)
    assert 344440.0 / lower == pytest.approx(55549.686, rel=1e-8)


@pytest.mark.parametrize(
    ("count", "lower", "upper"),
    # Garwood (1936), 95 %; values from memory, printed to these digits in many tables.
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)],
)
def test_garwood_limits(count, lower, upper):
    low, high = poisson_limits(count)
    assert low == pytest.approx(lower, abs=6e-4)
    assert high == pytest.approx(upper, abs=6e-4)


@given(st.integers(0, 5000), st.floats(0.5, 0.999))
def test_limits_are_where_the_poisson_tails_equal_half_alpha(count, level):
    low, high = poisson_limits(count, level)
    side = (1 - level) / 2
    assert stats.poisson.cdf(count, high) == pytest.approx(side, rel=1e-6)
    assert high == pytest.approx(stats.chi2.ppf(1 - side, 2 * count + 2) / 2, rel=1e-9)
    if count:
        assert stats.poisson.sf(count - 1, low) == pytest.approx(side, rel=1e-6)
        assert low == pytest.approx(stats.chi2.ppf(side, 2 * count) / 2, rel=1e-9)


@given(st.lists(st.tuples(st.integers(0, 200), st.floats(1e-3, 1e3)), min_size=1, max_size=20))
def test_ratio_in_arrays_equals_one_by_one_and_scipy(pairs):
    observed, expected = (np.array(x) for x in zip(*pairs, strict=True))
    many = poisson_ratio(observed, expected)
    assert np.all((many.lower <= many.value) & (many.value <= many.upper))
    for i, (o, e) in enumerate(pairs):
        one = poisson_ratio(o, e)
        assert (one.value, one.lower, one.upper) == (many.value[i], many.lower[i], many.upper[i])


@given(st.integers(1, 300), st.data())
def test_jeffreys_is_the_beta_interval_and_mirrors(trials, data):
    hits = data.draw(st.integers(0, trials))
    got, mirrored = jeffreys_interval(hits, trials), jeffreys_interval(trials - hits, trials)
    assert got.lower == pytest.approx(1 - mirrored.upper, abs=1e-9)
    assert got.lower <= got.value <= got.upper
    if hits > 0:
        assert got.lower == pytest.approx(stats.beta.ppf(0.025, hits + 0.5, trials - hits + 0.5))
    else:
        assert got.lower == 0.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: poisson_ratio(-1, 2.0), "finite and at least 0"),
        (lambda: poisson_ratio(1.5, 2.0), "whole numbers"),
        (lambda: poisson_ratio(1, np.nan), "expected counts"),
        (lambda: poisson_ratio([0], [0.0]), "without exposure"),
        (lambda: poisson_ratio(1, 1.0, level=95), "between 0 and 1"),
        (lambda: jeffreys_interval(3, 2), "no more successes"),
        (lambda: jeffreys_interval(0, 0), "at least one trial"),
        (lambda: poisson_limits(["many"]), "must be numbers"),
    ],
)
def test_refusals_name_the_remedy(call, words):
    with pytest.raises(LifeDataError, match=words):
        call()
