"""Chances and quantiles of counts against SciPy's own distributions and tests."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, false_discovery_control, nbinom, poisson

from roadworn_plugins.lifedata.counts import (
    binomial_chance,
    false_discovery,
    negative_binomial_quantile,
    poisson_quantile,
)

MEANS = np.geomspace(1e-6, 1e5, 200)


@pytest.mark.parametrize("q", [0.005, 0.025, 0.1, 0.5, 0.9, 0.975, 0.995])
def test_a_poisson_quantile_is_that_of_scipy(q: float) -> None:
    assert poisson_quantile(q, MEANS).tolist() == poisson.ppf(q, MEANS).tolist()


@pytest.mark.parametrize("q", [0.025, 0.1, 0.5, 0.9, 0.975])
@pytest.mark.parametrize("variance", [1e-4, 0.01, 0.2, 1.0, 5.0])
def test_a_negative_binomial_quantile_is_that_of_scipy(q: float, variance: float) -> None:
    number = np.full(MEANS.shape, 1.0 / variance)
    share = 1.0 / (1.0 + variance * MEANS)
    found = np.nan_to_num(negative_binomial_quantile(q, number, share))
    assert found.tolist() == nbinom.ppf(q, number, share).tolist()


@given(trials=st.integers(1, 400), share=st.floats(0.001, 0.999), part=st.floats(0.0, 1.0))
def test_a_binomial_chance_is_that_of_scipy(trials: int, share: float, part: float) -> None:
    count = round(part * trials)
    expected = float(binomtest(count, trials, share).pvalue)
    assert binomial_chance(count, trials, share) == pytest.approx(expected, rel=1e-9, abs=1e-200)


@given(st.lists(st.floats(0.0, 1.0), max_size=50))
def test_the_false_discovery_rate_is_that_of_scipy(chances: list[float]) -> None:
    assert false_discovery(chances) == pytest.approx(false_discovery_control(chances), abs=1e-15)
