"""The pooled shape against lifelines, with and without late entry."""

import csv
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.common_shape import common_shape, shape_heterogeneity

DATA = Path(__file__).parents[1] / "reference" / "life_data"


def weibull_lives(rng, groups=5, size=30, shape=2.2, late=True):
    group = np.repeat(np.arange(groups), size)
    scale = rng.uniform(4e4, 1.2e5, groups)[group]
    entry = np.where(rng.random(group.size) < (0.4 if late else 0.0), rng.uniform(0, 3e4), 0.0)
    cumulative = (entry / scale) ** shape + rng.exponential(1.0, group.size)
    life = scale * cumulative ** (1 / shape)
    stop = entry + rng.uniform(1e3, 1.2e5, group.size)
    return group, entry, np.minimum(life, stop), life <= stop


@pytest.mark.parametrize("seed", range(3))
def test_one_group_is_the_weibull_fit_of_lifelines(seed):
    group, entry, stop, failed = weibull_lives(np.random.default_rng(seed), groups=1, size=120)
    got = common_shape(group, entry, stop, failed)
    peer = lifelines.WeibullFitter().fit(stop / 1e5, failed, entry=entry / 1e5)
    assert got.shape == pytest.approx(peer.rho_, rel=5e-5)  # lifelines stops early
    failures = failed.sum()
    assert got.loglik == pytest.approx(peer.log_likelihood_ - failures * np.log(1e5), rel=1e-8)


def test_several_groups_are_the_weibull_regression_of_lifelines():
    group, entry, stop, failed = weibull_lives(np.random.default_rng(8), late=False)
    got = common_shape(group, entry, stop, failed)
    frame = pd.get_dummies(pd.Series(group, name="g"), prefix="g", drop_first=True, dtype=float)
    frame = frame.assign(stop=stop / 1e5, failed=failed)
    peer = lifelines.WeibullAFTFitter().fit(frame, "stop", "failed")
    row = peer.summary.loc[("rho_", "Intercept")]
    assert np.log(got.shape) == pytest.approx(row["coef"], abs=2e-5)
    reach = row["coef upper 95%"] - row["coef"]
    assert np.log(got.upper / got.shape) == pytest.approx(reach, rel=1e-3)


def test_remission_data_share_the_shape_printed_for_the_weibull_regression():
    # Gehan (1965) data, o15. From memory of the printed regression: scale 0.732, loglik -106.6.
    with (DATA / "o15_leukemia_remission_weeks.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    group = [row["group"] for row in rows]
    age = np.array([float(row["time_weeks"]) for row in rows])
    failed = np.array([float(row["relapsed"]) for row in rows])
    got = common_shape(group, np.zeros(42), age, failed)
    assert 1 / got.shape == pytest.approx(0.732, abs=5e-4)
    assert got.loglik == pytest.approx(-106.6, abs=0.05)
    assert (got.failures, got.groups) == (30, 2)
    assert shape_heterogeneity(group, np.zeros(42), age, failed).p > 0.05


def test_the_shape_is_the_optimum_of_the_profile_likelihood():
    group, entry, stop, failed = weibull_lives(np.random.default_rng(3))
    got = common_shape(group, entry, stop, failed)

    def loglik(k):
        total = 0.0
        for g in np.unique(group):
            m = group == g
            d, e = failed[m].sum(), (stop[m] ** k - entry[m] ** k).sum()
            total += d * (np.log(d) - np.log(e) - 1)
        return total + failed.sum() * np.log(k) + (k - 1) * np.log(stop[failed]).sum()

    assert got.loglik == pytest.approx(loglik(got.shape), rel=1e-10)
    best = optimize.minimize_scalar(lambda k: -loglik(k), bounds=(0.5, 6), method="bounded")
    assert got.shape == pytest.approx(best.x, rel=1e-4)


@settings(max_examples=50)
@given(st.integers(0, 10**6), st.floats(1e-4, 1e4))
def test_rescaling_and_relabelling_leave_the_shape_alone(seed, factor):
    group, entry, stop, failed = weibull_lives(np.random.default_rng(seed))
    one = common_shape(group, entry, stop, failed)
    other = common_shape(7 - group, entry * factor, stop * factor, failed)
    assert other.shape == pytest.approx(one.shape, rel=1e-8)
    doubled = common_shape(group, entry, stop, failed, count=np.full(group.size, 2))
    assert doubled.shape == pytest.approx(one.shape, rel=1e-8)
    assert doubled.failures == 2 * one.failures


def test_different_shapes_are_noticed_and_equal_ones_left_in_peace():
    rng = np.random.default_rng(4)
    flat, steep = weibull_lives(rng, 3, 60, 1.0), weibull_lives(rng, 3, 60, 3.0)
    mixed = [np.concatenate([a, b]) for a, b in zip(flat, steep, strict=True)]
    mixed[0] = np.concatenate([flat[0], steep[0] + 3])
    assert shape_heterogeneity(*mixed).p < 1e-4
    # Simulated, seeded: the 5 % level is kept roughly, thanks to the Bartlett factor.
    rejected = [
        shape_heterogeneity(*weibull_lives(np.random.default_rng(s), 8, 30)).p < 0.05
        for s in range(150)
    ]
    assert 0.005 < np.mean(rejected) < 0.09


def test_too_few_failures_leave_the_question_open():
    got = shape_heterogeneity([0, 0, 1, 1], [0] * 4, [1, 2, 3, 4], [1, 1, 1, 1])
    assert (got.groups, got.left_out, got.p) == (0, 2, 1.0)


@pytest.mark.parametrize(
    ("stop", "failed", "words"),
    [
        ([1.0, 2.0], [0, 0], "Without a failure"),
        ([2.0, 1.0], [1, 0], "no maximum"),
        ([2.0, 2.0], [1, 1], "no maximum"),
        ([2.0, np.nan], [1, 1], "not finite"),
    ],
)
def test_no_shape_without_evidence(stop, failed, words):
    with pytest.raises(LifeDataError, match=words):
        common_shape([0, 0], [0.0, 0.0], stop, failed)
