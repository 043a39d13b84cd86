"""Scores of projections against worked figures, general optimisers and SciPy.

Brier (1950) from memory.
"""

import numpy as np
import pytest
from scipy import optimize, stats

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.projection.scores import calibration_slope, coverage, score_projection


def test_worked_by_hand():
    # Squares .04 .09 .01 .36 = .5 against base .3: .49 .09 .09 .49 = 1.16.
    found = score_projection([0.8, 0.3, 0.1, 0.4], [1, 0, 0, 1], 0.3)
    assert found.brier == pytest.approx(0.125)
    assert found.base == pytest.approx(0.29)
    assert found.skill == pytest.approx(1 - 0.5 / 1.16)


def test_true_chances_pass_and_exaggerated_ones_fail():
    rng = np.random.default_rng(1)
    p = rng.beta(1.0, 4.0, 20_000)
    y = rng.random(p.size) < p
    good = score_projection(p, y, p.mean())
    assert good.slope == pytest.approx(1.0, abs=0.05)
    assert good.skill == pytest.approx(np.var(p) / (p.mean() * (1 - p.mean())), abs=0.02)
    odds = np.exp(2.0 * np.log(p / (1 - p)))
    bad = score_projection(odds / (1 + odds), y, p.mean())
    assert bad.slope < 0.6
    assert bad.skill < good.skill


def test_error_of_the_skill_equals_its_spread_over_repeated_days():
    rng = np.random.default_rng(2)
    skills, errors = [], []
    for _ in range(150):
        p = rng.beta(1.0, 4.0, 300)
        y = rng.random(300) < p
        found = score_projection(p, y, 0.2)
        skills.append(found.skill)
        errors.append(found.skill_error)
    assert np.mean(errors) == pytest.approx(np.std(skills), rel=0.15)


def test_parts_of_one_vehicle_count_as_one_when_they_fail_together():
    rng = np.random.default_rng(3)
    p, y = np.full(100, 0.3), np.repeat(rng.random(100) < 0.3, 10)
    cluster = np.repeat(np.arange(100), 10)
    base = np.full(1_000, 0.45)
    apart = score_projection(np.repeat(p, 10), y, base)
    joint = score_projection(np.repeat(p, 10), y, base, cluster=cluster)
    assert joint.skill == apart.skill
    assert joint.skill_error == pytest.approx(apart.skill_error * np.sqrt(10), rel=0.05)


def test_degenerate_days_have_stated_answers():
    assert np.isnan(score_projection([0.0, 1.0], [0, 1], [0.0, 1.0]).skill)
    assert np.isnan(score_projection([0.2], [1], 0.1).skill_error)
    # Separated predictions have no slope, nor have equal ones.
    assert np.isnan(calibration_slope([0.1, 0.2, 0.8, 0.9], [0, 0, 1, 1])[0])
    assert np.isnan(calibration_slope([0.3, 0.3], [0, 1])[0])


@pytest.mark.parametrize("seed", range(3))
def test_calibration_slope_is_the_logistic_optimum(seed):
    rng = np.random.default_rng(seed)
    odds = rng.normal(-1, 1.2, 400)
    y = rng.random(400) < 1 / (1 + np.exp(-(0.2 + 0.7 * odds)))
    slope, intercept, error = calibration_slope(1 / (1 + np.exp(-odds)), y)

    def loss(x):
        z = x[0] + x[1] * odds
        return np.sum(np.logaddexp(0, z) - y * z)

    best = optimize.minimize(loss, [0.0, 1.0], method="BFGS")
    assert (intercept, slope) == pytest.approx(tuple(best.x), abs=1e-4)
    assert error == pytest.approx(np.sqrt(best.hess_inv[1, 1]), rel=0.05)
    assert slope < 1  # the predictions were made overconfident


def test_coverage_counts_both_ends():
    got = coverage([0, 0, 0, 0], [1, 2, 3, np.inf], [1, 3, 0, 9])
    assert got.value == 0.75
    assert got.lower == pytest.approx(stats.beta.ppf(0.025, 3.5, 1.5))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: score_projection([0.2], [1, 0], 0.1), "common length"),
        (lambda: score_projection([1.2], [1], 0.1), "between 0 and 1"),
        (lambda: score_projection([0.2], [2], 0.1), "true or false"),
        (lambda: score_projection([0.2], [1], 1.1), "fraction"),
        (lambda: score_projection([], [], 0.1), "at least one"),
        (lambda: score_projection([0.0, 0.0], [0, 1], 0.1), "project further"),
        (lambda: score_projection([0.2, 0.3], [1, 0], 0.1, cluster=[1]), "common length"),
        (lambda: coverage([2.0], [1.0], [1.5]), "lower limit first"),
        (lambda: coverage([], [], []), "at least one"),
    ],
)
def test_refusals_name_the_remedy(call, words):
    with pytest.raises(LifeDataError, match=words):
        call()
