"""Borrowed strength against numerical integration, SciPy's distributions and simulation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.shrinkage import (
    fit_prior,
    posterior,
    prior_from_range,
    sufficient,
)
from roadworn_plugins.projection.belief import LifeBelief


def marginal(a, mean, d, e):
    """The negative binomial log-likelihood as SciPy has it."""
    return stats.nbinom.logpmf(d, a, a / (a + mean * e)).sum()


@pytest.mark.parametrize("seed", range(4))
def test_prior_is_the_optimum_of_scipys_negative_binomial(seed):
    rng = np.random.default_rng(seed)
    e = rng.uniform(0.2, 9.0, 60)
    d = rng.poisson(rng.gamma(1.5, 0.4, 60) * e)
    prior = fit_prior(d, e)

    def loss(x):
        return -marginal(np.exp(x[0]), np.exp(x[1]), d, e)

    best = optimize.minimize(loss, [0.0, -1.0], method="Nelder-Mead", options={"xatol": 1e-9})
    assert prior.status == "fitted"
    # The mean moves little with the spread, and doubt about both only takes weight away.
    assert prior.a / prior.b == pytest.approx(np.exp(best.x[1]), rel=0.01)
    assert 0.4 * np.exp(best.x[0]) < prior.a < np.exp(best.x[0])


def test_prior_does_not_depend_on_the_unit_of_age():
    rng = np.random.default_rng(5)
    e = rng.uniform(0.2, 9.0, 30)
    d = rng.poisson(rng.gamma(1.5, 0.4, 30) * e)
    one, other = fit_prior(d, e), fit_prior(d, e * 1e15)
    assert other.a == pytest.approx(one.a, rel=1e-9)
    assert other.b == pytest.approx(one.b * 1e15, rel=1e-9)


@pytest.mark.parametrize(
    ("d", "e", "status", "a", "b"),
    [
        ([2, 2, 2, 2], [1.0, 1.0, 1.0, 1.0], "fitted", None, None),
        ([0, 0, 0], [1.0, 2.0, 3.0], "no failures", 0.5, 6.0),
        ([3], [2.0], "too few groups", 0.5, 0.0),
        ([], [], "too few groups", 0.5, 0.0),
        ([3, 0], [2.0, 0.0], "too few groups", 0.5, 0.0),
    ],
)
def test_degenerate_groups_have_a_stated_prior(d, e, status, a, b):
    prior = fit_prior(d, e)
    assert prior.status == status
    if a is None:  # equal groups: about the pooled rate 2, and less than the 8 failures
        assert prior.a / prior.b == pytest.approx(2.0)
        assert 1.0 < prior.a < 8.0
    else:
        assert (prior.a, prior.b) == pytest.approx((a, b))


def test_one_wild_group_and_nothing_else_still_gives_a_proper_prior():
    prior = fit_prior([5, 0, 0, 0], [1.0, 1.0, 1.0, 1e6])
    assert prior.status == "fitted"
    assert 0 < prior.a < 1
    assert 0 < prior.b < np.inf


@given(st.integers(1, 10_000), st.floats(0.5, 6), st.floats(1.2, 9))
def test_range_prior_is_weak_and_has_its_median_inside_the_range(low, shape, ratio):
    prior = prior_from_range(low, low * ratio, shape)
    assert prior.status == "trade range, no source"
    assert prior.a <= 3.0 + 1e-9
    lives = (np.log(2) / stats.gamma.ppf([0.1, 0.5, 0.9], prior.a, scale=1 / prior.b)) ** (
        1 / shape
    )
    assert lives[1] == pytest.approx(low * np.sqrt(ratio), rel=1e-6)
    if prior.a < 3.0 - 1e-9:
        assert lives[0] / lives[2] == pytest.approx(ratio, rel=1e-6)
    else:  # capped: vaguer than the range says
        assert lives[0] / lives[2] >= ratio * (1 - 1e-6)


def test_a_short_stretch_keeps_its_digits():
    # Differencing the powers directly loses all but five digits here.
    seen = sufficient([0], [1.0], [1.0 + 2.0**-36], [1], 2.0)
    assert seen.exposure[0] == pytest.approx(2.0**-35, rel=1e-9)


def test_figures_of_two_shops_add_up():
    rng = np.random.default_rng(2)
    group, entry = rng.integers(0, 4, 80), rng.uniform(0, 2, 80)
    stop, failed = entry + rng.uniform(0.1, 5, 80), rng.random(80) < 0.4
    whole = sufficient(group, entry, stop, failed, 1.7, n_groups=6)
    left, right = (
        sufficient(group[s], entry[s], stop[s], failed[s], 1.7, n_groups=6)
        for s in (slice(0, 30), slice(30, 80))
    )
    assert (left.failures + right.failures).tolist() == whole.failures.tolist()
    assert left.exposure + right.exposure == pytest.approx(whole.exposure)
    assert whole.failures[4:].tolist() == [0, 0]
    direct = [(stop[group == g] ** 1.7 - entry[group == g] ** 1.7).sum() for g in range(4)]
    assert whole.exposure[:4] == pytest.approx(direct)


def test_shrunken_predictions_beat_unshrunken_ones_in_small_groups():
    # Simulated, seeded: 40 groups of a true Gamma spread, a few failures each.
    rng = np.random.default_rng(11)
    shape, shrunk, own = 2.0, [], []
    for _ in range(40):
        rates = rng.gamma(4.0, 0.25, 40)
        group = np.repeat(np.arange(40), 6)
        life = (rng.exponential(1.0, 240) / rates[group]) ** (1 / shape)
        stop = rng.uniform(0.3, 1.5, 240)
        data = sufficient(group, np.zeros(240), np.minimum(life, stop), life <= stop, shape)
        prior = fit_prior(data.failures, data.exposure)
        truth = -np.expm1(-rates * (1.3**shape - 1))
        belief = posterior(data.failures, data.exposure, prior)
        ahead = LifeBelief.gamma(np.full(40, shape), belief.a, belief.b)
        guess = ahead.chance(np.arange(40), 1.0, 0.3)
        alone = -np.expm1(-data.failures / data.exposure * (1.3**shape - 1))
        shrunk.append(np.mean((guess - truth) ** 2))
        own.append(np.mean((alone - truth) ** 2))
    assert np.mean(shrunk) < 0.5 * np.mean(own)


def test_credible_limits_cover_the_true_rate():
    # Simulated, seeded: nominal 95 %; the docstring of fit_prior says what is reached.
    rng = np.random.default_rng(12)
    hits = []
    for _ in range(100):
        rates, e = rng.gamma(2.0, 0.5, 40), rng.uniform(0.5, 4.0, 40)
        d = rng.poisson(rates * e)
        belief = posterior(d, e, fit_prior(d, e))
        lower, upper = stats.gamma.ppf([[0.025], [0.975]], belief.a, scale=1 / belief.b)
        hits.append(np.mean((lower <= rates) & (rates <= upper)))
    assert 0.92 < np.mean(hits) < 0.97


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: sufficient([0], [5.0], [5.0], [1], 2.0), "no later than"),
        (lambda: sufficient([0], [0.0], [5.0], [2], 2.0), "true and false"),
        (lambda: sufficient([-1], [0.0], [5.0], [1], 2.0), "group number"),
        (lambda: sufficient([0.5], [0.0], [5.0], [1], 2.0), "recode"),
        (lambda: sufficient([0], [0.0], [5.0], [1], -2.0), "above zero"),
        (lambda: sufficient([0], [0.0], [1e300], [1], 2.0), "larger unit"),
        (lambda: sufficient([0, 1], [0.0], [5.0], [1], 2.0), "differ in length"),
        (lambda: sufficient([], [], [], [], 2.0), "no lives"),
        (lambda: fit_prior([1, 0], [0.0, 2.0]), "no exposure"),
        (lambda: posterior([0], [0.0], fit_prior([], [])), "trade range"),
        (lambda: prior_from_range(5, 5, 2.0), "low < high"),
    ],
)
def test_refusals_name_the_remedy(call, words):
    with pytest.raises(LifeDataError, match=words):
        call()
