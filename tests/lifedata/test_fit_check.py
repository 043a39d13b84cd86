"""The check of a fit, against tabulated points of its statistic and by its simulated size."""

import numpy as np
import pytest

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.fit_check import _BRIDGE, LEAST, _tail, fit_check
from roadworn_plugins.lifedata.fitting import fit_weibull
from roadworn_plugins.lifedata.lives import Lives


@pytest.mark.parametrize(
    ("point", "chance"), [(1.248, 0.25), (1.933, 0.1), (2.492, 0.05), (3.857, 0.01)]
)
def test_the_tail_is_the_tabulated_one_where_nothing_was_fitted(point, chance):
    # Percentage points of A-squared, law fully known: Stephens, JASA 69 (1974) 730-737, table 1,
    # case 0, from memory.
    assert _tail(point, _BRIDGE) == pytest.approx(chance, rel=0.1)  # three moments only


def test_the_statistic_is_near_the_definition_of_anderson_and_darling():
    # Of complete exponential lives the times on test are uniform: their statistic by its sum.
    age = np.random.default_rng(2).exponential(size=60)
    got = fit_check(np.zeros(60), age, np.ones(60), fitted_shape=False)
    by_age = np.sort(age)
    on_test = np.cumsum(np.diff(by_age, prepend=0.0) * np.arange(60, 0, -1))
    u = on_test[:-1] / on_test[-1]
    rank = np.arange(1, 60)
    peer = -59 - np.mean((2 * rank - 1) * (np.log(u) + np.log1p(-u[::-1])))
    assert got.statistic[0] == pytest.approx(peer, rel=0.1)


def test_p_keeps_its_level_where_the_law_holds_with_late_entry_and_running_parts():
    runs, size = 600, 40
    rng = np.random.default_rng(6)
    group = np.repeat(np.arange(runs), size)
    entry = np.where(rng.random(group.size) < 0.5, rng.uniform(0, 0.8, group.size), 0.0)
    life = np.sqrt(entry**2 + rng.exponential(size=group.size))
    stop = entry + rng.uniform(0, 2.2, group.size)
    leaving, failed = np.minimum(life, stop), life <= stop
    fit = fit_weibull(Lives.from_ages(leaving, failed, entry=entry, group=group), interval="wald")
    shape, scale = fit.shape[group], np.exp(fit.mu)[group]
    found = fit_check((entry / scale) ** shape, (leaving / scale) ** shape, failed, group=group)
    assert np.mean(found.p < 0.2) == pytest.approx(0.2, abs=0.05)
    assert np.mean(found.p < 0.05) == pytest.approx(0.05, abs=0.03)
    assert found.bend.std() == pytest.approx(1.0, abs=0.1)


def test_early_failures_beside_wear_bend_up_and_a_free_time_bends_down():
    rng = np.random.default_rng(9)
    wear = rng.weibull(2.0, 200)
    early = np.where(rng.random(200) < 0.15, rng.exponential(0.05, 200), np.inf)
    for life, sign in ((np.minimum(wear, early), 1), (0.6 + 0.4 * rng.weibull(1.2, 200), -1)):
        fit = fit_weibull(Lives.from_ages(life, np.ones(200)))
        found = fit_check(np.zeros(200), (life / np.exp(fit.mu)) ** fit.shape, np.ones(200))
        assert found.p[0] < 0.01
        assert found.bend[0] * sign > 3.0


def test_the_hazard_of_a_vehicle_counts_as_its_multiplier():
    rng = np.random.default_rng(4)
    z = rng.choice([0.2, 5.0], 400)
    life = rng.exponential(size=400) / z
    blind = fit_check(np.zeros(400), life, np.ones(400))
    seeing = fit_check(np.zeros(400), life, np.ones(400), multiplier=z, fitted_shape=False)
    assert blind.p[0] < 0.001
    assert seeing.p[0] > 0.05


def test_few_failures_tell_nothing_and_bad_input_says_the_remedy():
    few = np.arange(1.0, LEAST)
    assert np.isnan(fit_check(np.zeros(few.size), few, np.ones(few.size)).p).all()
    assert fit_check([0.0] * 8, np.arange(1.0, 9.0), [1] * 8, group=[1] * 8, n_groups=3).p.size == 3
    with pytest.raises(LifeDataError, match="exchange"):
        fit_check([2.0], [1.0], [1])
