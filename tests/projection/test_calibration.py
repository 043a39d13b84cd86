"""Scores of projections against their formulas, worked by hand, and against SciPy.

Formulas: Brier (1950); Spiegelhalter (1986), both from memory; exact binomial tails from
`scipy.stats`. The reliability table is that of `lifedata.scores`, tested there.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from roadworn_plugins.lifedata.checked import LifeDataError
from roadworn_plugins.projection.calibration import check_bands, score_projection


def test_worked_by_hand():
    # Squares .04 .09 .01 .36 = .5 against base .3: .49 .09 .09 .49 = 1.16.
    found = score_projection([0.8, 0.3, 0.1, 0.4], [1, 0, 0, 1], 0.3, bins=2)
    assert found.brier == pytest.approx(0.125)
    assert found.base == pytest.approx(0.29)
    assert found.hindsight == pytest.approx(0.25)
    assert found.skill == pytest.approx(1 - 0.5 / 1.16)
    top = 0.2 * -0.6 - 0.3 * 0.4 - 0.1 * 0.8 + 0.6 * 0.2
    below = 0.36 * 0.16 + 0.16 * 0.21 + 0.64 * 0.09 + 0.04 * 0.24
    assert found.z == pytest.approx(top / np.sqrt(below))
    assert found.p == pytest.approx(2 * stats.norm.sf(abs(found.z)))
    assert found.total.ratio[0] == pytest.approx(2 / 1.6)


def test_true_chances_pass_and_exaggerated_ones_fail():
    rng = np.random.default_rng(1)
    p = rng.beta(1.0, 4.0, 20_000)
    y = rng.random(p.size) < p
    good = score_projection(p, y, p.mean())
    assert abs(good.z) < 3.0
    assert good.skill == pytest.approx(np.var(p) / (p.mean() * (1 - p.mean())), abs=0.02)
    odds = np.exp(2.0 * np.log(p / (1 - p)))
    bad = score_projection(odds / (1 + odds), y, p.mean())
    assert bad.p < 1e-6
    assert bad.table.slope < 0.6
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


@given(st.integers(1, 60), st.integers(0, 60), st.floats(0.05, 0.95))
def test_band_check_is_an_exact_binomial(n, inside, nominal):
    inside = min(inside, n)
    came = np.where(np.arange(n) < inside, 5.0, 20.0)
    found = check_bands(np.zeros(n), np.full(n, 10.0), came, nominal)
    law = stats.binom(n, nominal)
    assert found.p == pytest.approx(
        min(1.0, 2 * min(law.cdf(inside), law.sf(inside - 1))), rel=1e-9
    )
    assert found.above == pytest.approx(1 - inside / n)
    assert found.below == 0.0


def test_degenerate_days_have_stated_answers():
    sure = score_projection([0.0, 1.0], [0, 1], [0.0, 1.0])
    assert np.isnan(sure.skill)
    assert np.isnan(sure.z)
    assert np.isnan(score_projection([0.2], [1], 0.1).skill_error)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: score_projection([0.2], [1, 0], 0.1),
        lambda: score_projection([1.2], [1], 0.1),
        lambda: score_projection([0.2], [1], 1.1),
        lambda: score_projection([], [], 0.1),
        lambda: score_projection([0.0, 0.0], [0, 1], 0.1),
        lambda: score_projection([0.2, 0.3], [1, 0], 0.1, cluster=[1]),
        lambda: check_bands([1.0], [0.0], [0.5], 0.8),
        lambda: check_bands([0.0], [1.0], [0.5], 1.0),
        lambda: check_bands([], [], [], 0.8),
    ],
)
def test_refusals(wrong):
    with pytest.raises(LifeDataError):
        wrong()
