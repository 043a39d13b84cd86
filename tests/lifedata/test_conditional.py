"""Conditional limits: exact in complete samples, and equal to a quadrature written apart."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lifedata.life_sets import lives as published
from scipy import integrate, optimize, stats

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.conditional import Conditional
from roadworn_plugins.lifedata.fitting import fit_weibull
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.small_samples import fit_small


def test_five_failures_hold_the_level_where_likelihood_ratio_limits_do_not():
    """The truth is the reference; exact by Lawless (1978) Technometrics 20:355-364.

    3,000 complete samples of five: two simulation errors are 0.8 %.
    """
    rng = np.random.default_rng(5)
    runs, n = 3000, 5
    lives = Lives.from_ages(
        rng.weibull(1.7, (runs, n)).ravel(), np.ones(runs * n), group=np.repeat(np.arange(runs), n)
    )
    fit, chosen = fit_small(lives)
    plain = fit_weibull(lives)
    assert chosen.all()
    for p in (0.1, 0.5):
        true = (-np.log1p(-p)) ** (1.0 / 1.7)
        covered = [
            np.mean((ends[:, 0] <= true) & (true <= ends[:, 1]))
            for ends in (fit.quantile_ci[p], plain.quantile_ci[p])
        ]
        assert covered[0] == pytest.approx(0.95, abs=0.008)
        assert covered[1] < 0.92
    assert np.mean((fit.shape_ci[:, 0] <= 1.7) & (fit.shape_ci[:, 1] >= 1.7)) == pytest.approx(
        0.95, abs=0.008
    )


def by_quadrature(age, failed, p, level=0.95):
    """Limits of log B_p under the prior dmu dsigma / sigma, integrated with scipy.

    Nothing is shared with the code under test: densities are scipy's smallest extreme value
    distribution, the parameters log age quantile and log sigma.
    """
    y = np.log(age)
    w = np.log(-np.log1p(-p))
    centre = stats.gumbel_l.fit(y[failed])

    def log_density(x, s):
        sigma = np.exp(s)
        mu = x - w * sigma
        dead, alive = (part.reshape(-1, 1, 1) for part in (y[failed], y[~failed]))
        return np.squeeze(
            stats.gumbel_l.logpdf(dead, mu, sigma).sum(axis=0)
            + stats.gumbel_l.logsf(alive, mu, sigma).sum(axis=0)
        )

    best = optimize.minimize(
        lambda t: -float(log_density(*t)), (centre[0], np.log(centre[1])), method="Nelder-Mead"
    )
    spread = np.exp(best.x[1])
    xs = np.linspace(best.x[0] - 12 * spread, best.x[0] + 12 * spread, 401)
    ss = np.linspace(best.x[1] - 2.5, best.x[1] + 2.5, 161)
    grid = log_density(xs[:, None], ss[None, :])
    density = integrate.simpson(np.exp(grid - grid.max()), x=ss, axis=1)
    reached = integrate.cumulative_simpson(density, x=xs, initial=0.0)
    side = (1.0 - level) / 2.0
    return [float(np.interp(q, reached / reached[-1], xs)) for q in (side, 1.0 - side)]


@pytest.mark.parametrize("p", [0.1, 0.5])
def test_limits_are_those_of_a_quadrature_written_apart(p):
    rng = np.random.default_rng(8)
    age = rng.weibull(2.2, 9) * 70.0
    failed = np.array([True, True, False, True, True, False, True, False, True])
    age[~failed] *= 0.6
    found = np.log(Conditional.of(Lives.from_ages(age, failed)).quantile_limits(p)[0])
    width = found[1] - found[0]
    assert found == pytest.approx(by_quadrature(age, failed, p), abs=0.003 * width)


@given(
    st.floats(1e-3, 1e5), st.floats(0.2, 4.0), st.integers(0, 2**31 - 1), st.booleans()
)  # the limits of a location-scale family move with the data
def test_limits_move_with_the_unit_and_with_powers_of_age(unit, power, seed, late):
    rng = np.random.default_rng(seed)
    age = np.sort(rng.weibull(2.0, 8)) + 0.05
    entry = np.where(np.arange(8) % 2 == 0, 0.5 * age, 0.0) if late else np.zeros(8)
    failed = np.array([1, 1, 0, 1, 1, 0, 1, 0])
    here = Conditional.of(Lives.from_ages(age, failed, entry=entry))
    there = Conditional.of(Lives.from_ages(unit * age**power, failed, entry=unit * entry**power))
    moved = unit * here.quantile_limits(0.1) ** power
    assert there.quantile_limits(0.1) == pytest.approx(moved, rel=1e-5)
    assert there.shape_limits() == pytest.approx(here.shape_limits() / power, rel=1e-5)


def test_narrow_intervals_have_the_limits_of_exact_ages():
    rng = np.random.default_rng(3)
    age = rng.weibull(2.0, 8)
    exact, _ = fit_small(Lives.from_ages(age, np.ones(8)))
    looked, chosen = fit_small(Lives.from_intervals(age * 0.9999, age * 1.0001))
    assert chosen.all()
    for p in (0.1, 0.5):
        assert looked.quantile_ci[p] == pytest.approx(exact.quantile_ci[p], rel=1e-4)
    assert looked.shape_ci == pytest.approx(exact.shape_ci, rel=1e-4)


def test_estimates_stay_those_of_maximum_likelihood():
    lives = published("o01")
    small, plain = fit_small(lives)[0], fit_weibull(lives)
    assert small.shape == pytest.approx(plain.shape)
    assert small.interval == "conditional"
    # Few failures: wider than likelihood-ratio limits, upwards of the median above all.
    assert small.quantile_ci[0.5][0, 1] > plain.quantile_ci[0.5][0, 1]


def test_many_failures_keep_likelihood_ratio_limits():
    rng = np.random.default_rng(2)
    lives = Lives.from_ages(rng.weibull(2.0, 400), np.ones(400))
    fit, chosen = fit_small(lives)
    assert not chosen.any()
    assert fit.quantile_ci[0.1] == pytest.approx(fit_weibull(lives).quantile_ci[0.1])


@pytest.mark.parametrize(
    ("lower", "upper", "words"),
    [
        ([1.0, 2.0, 3.0], [1.0, 2.5, np.inf], "exact failure ages"),
        ([1.0, 2.0, 3.0], [1.0, np.inf, np.inf], "two failures"),
        ([3.0, 2.0, 3.0], [3.0, np.inf, 3.0], "largest age"),
    ],
)
def test_what_has_no_conditional_limits_is_refused(lower, upper, words):
    with pytest.raises(LifeDataError, match=words):
        Conditional.of(Lives.from_intervals(np.array(lower), np.array(upper)))


def test_groups_without_figures_are_left_as_they_are():
    lives = Lives.from_ages([1.0, 2.0, 1.0, 2.0, 3.0], [0, 0, 1, 1, 0], group=[0, 0, 1, 1, 1])
    fit, chosen = fit_small(lives)
    assert chosen.tolist() == [False, True]
    assert np.isnan(fit.quantile_ci[0.1][0]).all()
