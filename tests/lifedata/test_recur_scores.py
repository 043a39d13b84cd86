"""Scores against riskRegression, scikit-survival figures and general optimisers."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from roadworn_plugins.lifedata.checked import LifeDataError
from roadworn_plugins.lifedata.scores import brier, brier_censored, calibration, coverage

DATA = Path(__file__).parents[1] / "reference" / "life_data" / "o17_scores_days.csv"


def veterans():
    with DATA.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    names = ("time_days", "event", "predicted_survival")
    return [np.array([float(r[name]) for r in rows]) for name in names]


@pytest.mark.parametrize(
    ("ties", "weight", "score"),
    # VALUES o17 (veterans' trial, fixed predictions), at 180 days: the first is what R
    # riskRegression prints, the second scikit-survival; the plain ones are recomputed.
    [
        ("events first", "left limit", 0.13222517196571676),
        ("events first", "at event", 0.1322713985060417),
        ("plain", "left limit", 0.1320757892699578),
        ("plain", "at event", 0.13212107094489534),
    ],
)
def test_four_conventions(ties, weight, score):
    got = brier_censored(*veterans(), 180, ties=ties, weight=weight)
    assert got.score == pytest.approx(score, rel=1e-12)
    assert ties in got.convention
    assert weight in got.convention


@pytest.mark.parametrize(
    ("ties", "weight", "reference"),
    [
        ("events first", "left limit", 0.17294457676),  # riskRegression, null model
        ("events first", "at event", 0.17297636561095317),  # scikit-survival
        ("plain", "left limit", 0.17275813326891626),
    ],
)
def test_base_rate_is_the_kaplan_meier_of_everyone(ties, weight, reference):
    got = brier_censored(*veterans(), 180, ties=ties, weight=weight)
    assert got.reference == pytest.approx(reference, rel=1e-10)
    assert got.skill == pytest.approx(1 - got.score / reference, rel=1e-9)


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=40))
def test_without_censoring_both_scores_are_the_mean_square(pairs):
    p, y = (np.array(x, dtype=float) for x in zip(*pairs, strict=True))
    plain = brier(p, y)
    assert plain.score == pytest.approx(np.mean((p - y) ** 2))
    assert 0 <= plain.score <= 1
    if y.all():
        assert np.isnan(plain.skill)
        return
    # Failed within 10 exactly where it happened; the others fail at 20.
    got = brier_censored(np.where(y == 1, 5.0, 20.0), np.ones(y.size), 1 - p, 10.0)
    assert got.score == pytest.approx(plain.score)
    assert got.reference == pytest.approx(plain.reference, abs=1e-12)


def test_score_shows_who_left_observation():
    got = brier_censored([5, 7, 20, 30], [0, 1, 0, 1], [0.5] * 4, 10)
    assert (got.used, got.running) == (3, 1)


@pytest.mark.parametrize("seed", range(3))
def test_calibration_slope_is_the_logistic_optimum(seed):
    rng = np.random.default_rng(seed)
    odds = rng.normal(-1, 1.2, 400)
    y = rng.random(400) < 1 / (1 + np.exp(-(0.2 + 0.7 * odds)))
    got = calibration(1 / (1 + np.exp(-odds)), y)

    def loss(x):
        z = x[0] + x[1] * odds
        return np.sum(np.logaddexp(0, z) - y * z)

    best = optimize.minimize(loss, [0.0, 1.0], method="BFGS")
    assert (got.intercept, got.slope) == pytest.approx(tuple(best.x), abs=1e-4)
    reach = stats.norm.ppf(0.975) * np.sqrt(best.hess_inv[1, 1])
    assert got.slope_ci[1] - got.slope == pytest.approx(reach, rel=0.05)
    assert got.slope < 1  # the predictions were made overconfident


@given(
    st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=60), st.integers(1, 12)
)
def test_calibration_table_holds_every_prediction_once(pairs, bins):
    p, y = (np.array(x, dtype=float) for x in zip(*pairs, strict=True))
    got = calibration(p, y, bins=bins)
    assert got.count.sum() == p.size
    assert len(got.count) <= bins
    assert np.all(np.diff(got.predicted) >= 0)
    assert (got.observed.share * got.count).sum() == pytest.approx(y.sum())
    assert (got.predicted * got.count).sum() == pytest.approx(got.expected_total)
    assert (got.expected_total, got.observed_total) == pytest.approx((p.sum(), y.sum()))


def test_separated_predictions_have_no_slope():
    assert np.isnan(calibration([0.1, 0.2, 0.8, 0.9], [0, 0, 1, 1]).slope)
    assert np.isnan(calibration([0.3, 0.3], [0, 1]).slope)


def test_coverage_counts_both_ends():
    got = coverage([0, 0, 0, 0], [1, 2, 3, np.inf], [1, 3, 0, 9])
    assert got.share == 0.75
    assert got.lower == pytest.approx(stats.beta.ppf(0.025, 3.5, 1.5))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: brier([], []), "at least one"),
        (lambda: brier([1.2], [1]), "between 0 and 1"),
        (lambda: brier([0.2], [2]), "true or false"),
        (lambda: brier_censored([5], [1], [0.5], 10), "earlier time"),
        (lambda: brier_censored([5, 20], [1, 1], [0.5, 7], 10), "between 0 and 1"),
        (lambda: brier_censored([5, 20], [1, 3], [0.5, 0.5], 10), "true or false"),
        (lambda: brier_censored([5, 20], [1, 1], [0.5, 0.5], 10, ties="any"), "must be one of"),
        (lambda: calibration([0.5], [1], bins=0), "at least one bin"),
        (lambda: coverage([2.0], [1.0], [1.5]), "lower limit first"),
    ],
)
def test_refusals_name_the_remedy(call, words):
    with pytest.raises(LifeDataError, match=words):
        call()
