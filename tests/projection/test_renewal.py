"""Failures of fitted parts against closed forms and against plain simulation.

Closed forms: Cox, Renewal Theory (1962), from memory: exponential lives (Poisson process),
section 4.3; equilibrium process E[N(t)] = t / mean, section 4.1; its first life has density
S(t) / mean, section 5.3. Gamma-mixed Poisson counts are negative binomial (any handbook).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from projection.made import expected
from projection.simulated import counts
from scipy import integrate, stats
from scipy.special import gamma, gammaincinv

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.projection.belief import LifeBelief
from roadworn_plugins.projection.renewal import count_moments

DRAWS = 1_000_000


def one(belief, age, ahead):
    return expected(belief, [0], [age], [ahead])


@pytest.mark.parametrize("age", [0.0, 40.0])
def test_exponential_lives_forget_their_age(age):
    belief = LifeBelief.known(1.0, 50.0)
    moments = count_moments(belief, [0], [age], [120.0])
    assert moments.mean()[0] == pytest.approx(2.4, abs=1e-4)
    assert moments.variance()[0] == pytest.approx(2.4, abs=3e-4)
    assert one(belief, age, 120.0).chance[0] == pytest.approx(1 - np.exp(-2.4), rel=1e-12)


def test_uncertain_exponential_rate_gives_negative_binomial_counts():
    belief = LifeBelief.gamma(1.0, 4.0, 200.0)
    counted = stats.nbinom(4.0, 200.0 / 300.0)
    moments = count_moments(belief, [0], [30.0], [100.0])
    assert moments.mean()[0] == pytest.approx(counted.mean(), abs=2e-4)
    assert moments.variance()[0] == pytest.approx(counted.var(), abs=5e-4)
    assert one(belief, 30.0, 100.0).chance[0] == pytest.approx(1 - counted.pmf(0), rel=1e-12)
    assert moments.at_least_one()[0] == pytest.approx(1 - counted.pmf(0), abs=1e-4)


@pytest.mark.parametrize("shape", [0.6, 1.0, 2.5, 7.0])
def test_ages_of_a_process_long_under_way_fail_at_the_mean_rate(shape):
    # Ages with the density S(t) / mean, taken at the middles of 2,000 equal shares.
    share = (np.arange(2_000) + 0.5) / 2_000
    age = 80.0 * gammaincinv(1.0 / shape, share) ** (1.0 / shape)
    mean = 80.0 * gamma(1.0 + 1.0 / shape)
    ahead = np.full(age.size, 130.0)
    found = expected(LifeBelief.known(shape, 80.0), np.zeros(age.size, int), age, ahead)
    assert found.number.mean() == pytest.approx(130.0 / mean, rel=2e-3)
    first = integrate.quad(lambda t: np.exp(-((t / 80.0) ** shape)) / mean, 0, 130.0, epsabs=1e-11)
    assert found.chance.mean() == pytest.approx(first[0], rel=2e-3)


# shape, scale, age, ahead: wear-out, many lives within the horizon, infant, random, sharp.
SIMULATED = [
    (2.5, 100.0, 60.0, 80.0),
    (2.5, 5.0, 2.0, 60.0),
    (0.7, 100.0, 0.0, 150.0),
    (0.7, 100.0, 90.0, 150.0),
    (1.2, 40.0, 55.0, 90.0),
    (6.0, 50.0, 48.0, 120.0),
    (3.0, 50.0, 150.0, 60.0),
]


@pytest.mark.parametrize(("shape", "scale", "age", "ahead"), SIMULATED)
def test_moments_equal_a_million_simulated_places(shape, scale, age, ahead):
    number = counts(np.random.default_rng(7), shape, scale, age, ahead, DRAWS)
    moments = count_moments(LifeBelief.known(shape, scale), [0], [age], [ahead])
    pairs = number * (number - 1)
    for found, drawn in (
        (moments.mean()[0], number),
        (moments.at_least_one()[0], number > 0),
        (moments.pairs[0] @ moments.weight[0], pairs),
    ):
        error = drawn.std() / np.sqrt(DRAWS)
        assert found == pytest.approx(drawn.mean(), abs=4.0 * error + 1e-4)


def test_rate_uncertainty_equals_simulation_with_a_rate_for_each_place():
    rng = np.random.default_rng(8)
    shape, a, b = 2.0, 5.0, 5.0 * 60.0**2
    scale = (rng.gamma(a, 1.0 / b, DRAWS)) ** (-1.0 / shape)
    number = counts(rng, shape, scale, 0.0, 140.0, DRAWS)
    belief = LifeBelief.gamma(shape, a, b)
    moments = count_moments(belief, [0], [0.0], [140.0])
    assert moments.mean()[0] == pytest.approx(number.mean(), abs=4 * number.std() / 1e3)
    assert moments.variance()[0] == pytest.approx(number.var(), rel=0.01)
    assert one(belief, 0.0, 140.0).number[0] == pytest.approx(number.mean(), abs=0.005)


def test_chance_is_the_closed_form_of_the_life_model():
    belief = LifeBelief.gamma([2.5, 1.1], [3.5, 12.0], [1e5, 900.0])
    age, ahead = np.array([30.0, 10.0]), np.array([20.0, 44.0])
    found = expected(belief, [0, 1], age, ahead)
    for g in range(2):
        rate = stats.gamma(belief.a[g], scale=1 / belief.b[g])
        growth = (age[g] + ahead[g]) ** belief.shape[g] - age[g] ** belief.shape[g]
        high = rate.ppf(1 - 1e-15)

        def weighted(r, rate=rate, growth=growth):
            return -np.expm1(-r * growth) * rate.pdf(r)

        wanted = integrate.quad(weighted, 0.0, high, epsabs=0.0, epsrel=1e-11)[0]
        assert found.chance[g] == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("shape", [0.6, 1.3, 2.5, 6.0])
def test_many_parts_at_once_equal_each_alone(shape):
    rng = np.random.default_rng(3)
    belief = LifeBelief.gamma([shape, shape], [8.0, 30.0], [8.0 * 50.0**shape, 30 * 9.0**shape])
    group = rng.integers(0, 2, 6_000)
    age = rng.uniform(0, 70, 6_000)
    ahead = rng.lognormal(0.3, 0.4, 6_000)[:, None] * np.arange(1, 13)
    found = expected(belief, group, age, ahead)
    moments = count_moments(belief, group, age, ahead[:, -1])
    for i in rng.integers(0, 6_000, 25):
        alone = expected(belief, group[[i]], age[[i]], ahead[[i]])
        assert found.number[i] == pytest.approx(alone.number[0], rel=1e-4, abs=1e-4)
        assert found.chance[i] == pytest.approx(alone.chance[0], rel=1e-12)
        assert moments.mean()[i] == pytest.approx(alone.number[0, -1], rel=2e-4, abs=2e-4)


@settings(max_examples=50)
@given(st.floats(0.5, 8.0), st.floats(0.0, 3.0), st.floats(0.01, 6.0), st.floats(1e-3, 1e6))
def test_the_unit_of_age_does_not_matter(shape, age, ahead, unit):
    plain = one(LifeBelief.known(shape, 1.0), age, ahead)
    other = one(LifeBelief.known(shape, unit), age * unit, ahead * unit)
    assert other.number[0] == pytest.approx(plain.number[0], rel=1e-6, abs=1e-9)
    assert plain.number[0] >= plain.chance[0] - 1e-12


@settings(max_examples=50)
@given(st.floats(0.5, 8.0), st.floats(0.5, 60.0), st.floats(0.0, 2.0), st.floats(0.05, 4.0))
def test_expectation_grows_with_the_horizon(shape, a, age, ahead):
    belief = LifeBelief.gamma(shape, a, a)
    found = expected(belief, [0], [age], [np.linspace(0.0, ahead, 20)])
    assert found.number[0, 0] == 0.0
    assert np.all(np.diff(found.number[0]) >= -2e-5)


def test_the_last_bit_of_an_age_does_not_choose_how_it_is_computed():
    """Two engines sum a distance in different orders; few ages are exact, many interpolated."""
    age = np.repeat(np.linspace(100.0, 90_000.0, 60), 3)
    ahead = np.tile(np.linspace(9_000.0, 30_000.0, 5), 36)
    other, farther = age.copy(), ahead.copy()
    other[::3] = np.nextafter(age[::3], np.inf)
    other[1::3] = np.nextafter(age[1::3], 0.0)
    farther[::2] = np.nextafter(ahead[::2], np.inf)
    belief = LifeBelief.gamma([2.3], [4.0], [4.0 * 60_000.0**2.3])
    group = np.zeros(age.size, dtype=int)
    one = count_moments(belief, group, age, ahead)
    two = count_moments(belief, group, other, farther)
    for name in ("chance", "number", "pairs"):
        np.testing.assert_allclose(getattr(two, name), getattr(one, name), rtol=1e-9)


def test_nothing_ahead_and_no_parts():
    belief = LifeBelief.gamma(2.0, 3.0, 100.0)
    assert one(belief, 5.0, 0.0).number.tolist() == [0.0]
    assert count_moments(belief, [0], [5.0], [0.0]).variance().tolist() == [0.0]
    assert count_moments(belief, [], [], []).mean().shape == (0,)


def test_rates_reproduce_the_moments_of_the_belief():
    belief = LifeBelief.gamma([1.0, 1.0, 1.0], [0.5, 3.0, 2e4], [2.0, 7.0, 1e3])
    rate, weight = belief.rates(5)
    assert weight.sum(axis=1) == pytest.approx(1.0)
    for power in range(1, 10):
        held = np.sum(weight * rate**power, axis=1)
        log_closed = stats.gamma(belief.a, scale=1 / belief.b)
        assert held == pytest.approx([d.moment(power) for d in _each(log_closed, 3)], rel=1e-8)


def _each(frozen, n):
    a, scale = frozen.args[0], frozen.kwds["scale"]
    return [stats.gamma(a[i], scale=scale[i]) for i in range(n)]


@pytest.mark.parametrize(
    ("group", "age", "ahead", "words"),
    [
        ([1], [1.0], [1.0], "from 0 to 0"),
        ([0.5], [1.0], [1.0], "whole numbers"),
        ([0], [-1.0], [1.0], "ages"),
        ([0], [np.inf], [1.0], "ages"),
        ([0], [np.nan], [1.0], "ages"),
        ([0], [1.0], [np.nan], "distances"),
        ([0], [1.0], [-1.0], "distances"),
        ([0, 0], [1.0], [1.0], "each part"),
    ],
)
def test_refusals(group, age, ahead, words):
    with pytest.raises(LifeDataError, match=words):
        count_moments(LifeBelief.known(2.0, 10.0), group, age, ahead)


def test_belief_refuses_what_is_no_belief():
    for values in ((0.0, 1.0, 1.0), (2.0, -1.0, 1.0), (2.0, 1.0, np.nan)):
        with pytest.raises(LifeDataError, match="must be"):
            LifeBelief.gamma(*values)
    with pytest.raises(LifeDataError, match="1 or more"):
        LifeBelief.known(2.0, 1.0).rates(0)
    with pytest.raises(LifeDataError, match="clip"):
        count_moments(LifeBelief.known(20.0, 1.0), [0], [0.0], [1.0])


@pytest.mark.parametrize("shape", [0.4, 1.0, 2.5, 15.0])
@pytest.mark.parametrize("a", [0.01, 30.0, np.inf])
def test_extreme_ages_and_horizons_stay_finite(shape, a):
    known = LifeBelief.known(shape, 50.0)
    belief = known if np.isinf(a) else LifeBelief.gamma(shape, a, a * 50.0**shape)
    age, ahead = (x.ravel() for x in np.meshgrid([0, 1e-9, 5_000.0], [1e-12, 10, 5_000.0]))
    group = np.zeros(age.size, int)
    found = expected(belief, group, age, ahead)
    moments = count_moments(belief, group, age, ahead)
    assert np.all(np.isfinite(found.number))
    assert np.all(found.number >= found.chance - 1e-12)
    assert np.all(moments.variance() >= -1e-3 * np.maximum(1.0, moments.mean() ** 2))
