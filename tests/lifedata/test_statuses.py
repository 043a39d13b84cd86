"""Groups that cannot be fitted say so, and fits keep their promises on whatever data.

pytest turns every NumPy warning into an error, so these tests also show that none is raised.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.fitting import fit_lognormal, fit_weibull
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.parametric import Status

FITS = {"weibull": fit_weibull, "lognormal": fit_lognormal}
INF = np.inf

# Rows of entry, lower, upper.
DEGENERATE = {
    "no lives": ([], Status.NO_FAILURES),
    "none failed": ([(0, 5, INF), (2, 9, INF)], Status.NO_FAILURES),
    "one failed and nothing else": ([(0, 5, 5)], Status.ONE_AGE),
    "one failed, the oldest": ([(0, 5, 5), (0, 3, INF)], Status.ONE_AGE),
    "all failed at one age": ([(0, 5, 5), (1, 5, 5), (0, 5, 5), (0, 4, INF)], Status.ONE_AGE),
    "intervals that share an age": ([(0, 2, 6), (0, 4, 9), (0, 5, INF)], Status.ONE_AGE),
    "neighbouring intervals": ([(0, 2, 4), (0, 4, 6)], Status.ONE_AGE),
    "failed before the first look": ([(0, 0, 3), (0, 0, 8)], Status.NO_OPTIMUM),
    "never seen to work after entry": ([(2, 2, 3), (5, 5, 8)], Status.NO_OPTIMUM),
    "one age, or at once after a later entry": ([(0, 4, 6), (8, 8, 9)], Status.ONE_AGE),
    "one failed, others outlived it": ([(0, 5, 5), (0, 8, INF)], Status.ONE_FAILURE),
    "two failed": ([(0, 5, 5), (0, 7, 7)], Status.OK),
}


@pytest.mark.parametrize("family", FITS)
@pytest.mark.parametrize("interval", ["lr", "wald"])
def test_degenerate_groups_have_a_stated_status(family, interval):
    cases = list(DEGENERATE.values())
    flat = [(g, *row) for g, (rows, _) in enumerate(cases) for row in rows]
    group, entry, lower, upper = map(np.array, zip(*flat, strict=True))
    data = Lives.from_intervals(lower, upper, entry=entry, group=group, n_groups=len(cases))
    fit = FITS[family](data, interval=interval)
    assert [Status(s) for s in fit.status] == [status for _, status in cases]
    values = np.column_stack(
        [fit.mu, fit.sigma, fit.mu_ci, fit.sigma_ci, fit.loglik, fit.aic, fit.quantiles[0.1]]
    )
    assert np.isnan(values[~fit.fitted]).all()
    assert not np.isnan(values[fit.fitted]).any()
    assert all(fit.status_word(g) for g in range(len(cases)))


def test_late_entry_for_every_part_may_leave_no_weibull_optimum():
    """With hazards falling faster than 1/t the best shape would be below 0: a profile shows it."""
    entry = np.array([1.0, 1.0, 1.0, 1.0, 1.0])
    age = np.array([1.1, 1.15, 1.2, 40.0, 60.0])
    failed = np.array([1, 1, 1, 0, 0])
    fit = fit_weibull(Lives.from_ages(age, failed, entry=entry))
    assert fit.status[0] == Status.NO_OPTIMUM

    def profile(shape):
        total = (age**shape - entry**shape).sum()
        return 3 * np.log(3 * shape / total) + (shape - 1) * np.log(age[:3]).sum() - 3

    shapes = np.geomspace(1e-4, 10.0, 60)
    assert (np.diff([profile(k) for k in shapes]) < 0).all()
    # One part from new is enough to bring the optimum back.
    late = np.append(entry[:4], 0.0)
    assert fit_weibull(Lives.from_ages(age, failed, entry=late)).status[0] == Status.OK


def test_open_limits_are_open_ends_not_nan():
    """All entered late: the profile levels off as the shape falls to 0, above the contour."""
    data = Lives.from_ages([2.0, 3.0, 5.0, 6.0], [1, 0, 1, 0], entry=[1.0, 1.0, 2.0, 2.5])
    fit = fit_weibull(data)
    assert fit.status[0] == Status.OK
    assert fit.shape_ci[0, 0] == 0.0
    assert fit.scale_ci[0, 0] == 0.0
    assert fit.quantile_ci[0.1][0, 0] == 0.0
    assert np.isfinite(fit.shape_ci[0, 1])


def test_a_profile_with_two_branches_is_followed_to_the_end():
    """One failure, all entered late: a lower mu is as likely at a far larger sigma."""
    entry = np.array([136.4, 214.9, 13.1, 296.4, 25.6, 4.7])
    age = np.array([566.4, 490.0, 404.1, 364.8, 393.5, 333.8])
    failed = np.array([0, 0, 0, 0, 1, 0])
    for family, fit in FITS.items():
        found = fit(Lives.from_ages(age, failed, entry=entry))

        def loglik(mu, sigma, family=family):
            law = stats.weibull_min(1 / sigma, scale=np.exp(mu))
            if family == "lognormal":
                law = stats.lognorm(sigma, scale=np.exp(mu))
            each = np.where(failed, law.logpdf(age), law.logsf(age)) - law.logsf(entry)
            return each.sum()

        floor = found.loglik[0] - 0.5 * stats.chi2.ppf(0.95, 1)
        likely = [
            mu
            for mu in found.mu[0] - np.linspace(0.0, 3.0, 31)
            if max(loglik(mu, s) for s in found.sigma[0] * np.geomspace(0.5, 20.0, 60)) > floor
        ]
        assert found.mu_ci[0, 0] <= min(likely) + 1e-6


wild_row = st.tuples(
    st.floats(1e-3, 1e6),
    st.floats(0.0, 0.999),
    st.sampled_from(["failed", "running", "between", "before"]),
    st.floats(0.01, 3.0),
    st.integers(0, 2),
)


@settings(max_examples=80)
@given(st.lists(wild_row, min_size=1, max_size=30), st.sampled_from(sorted(FITS)))
def test_whatever_the_rows_estimates_lie_inside_their_limits(drawn, family):
    age = np.array([a for a, *_ in drawn])
    entry = np.array([a * e for a, e, *_ in drawn])
    kind = np.array([k for _, _, k, _, _ in drawn])
    width = np.array([w for *_, w, _ in drawn])
    group = np.array([g for *_, g in drawn])
    lower = np.where(kind == "before", entry, age)
    upper = np.where(kind == "failed", age, np.where(kind == "running", INF, age * (1.0 + width)))
    data = Lives.from_intervals(lower, upper, entry=entry, group=group, n_groups=3)
    for interval in ("lr", "wald"):
        fit = FITS[family](data, interval=interval)
        good = fit.fitted
        assert np.isfinite(fit.mu[good]).all()
        assert (fit.sigma[good] > 0.0).all()
        slack = 1e-6 * (1.0 + np.abs(fit.mu[good]))
        assert (fit.mu_ci[good, 0] <= fit.mu[good] + slack).all()
        assert (fit.mu_ci[good, 1] >= fit.mu[good] - slack).all()
        assert (fit.sigma_ci[good, 0] <= fit.sigma[good] * (1.0 + 1e-6)).all()
        assert (fit.sigma_ci[good, 1] >= fit.sigma[good] * (1.0 - 1e-6)).all()
        assert np.isnan(fit.mu[~good]).all()


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1), st.floats(1e-6, 1e9), st.sampled_from(sorted(FITS)))
def test_the_unit_changes_nothing_but_the_scale(seed, unit, family):
    rng = np.random.default_rng(seed)
    life = rng.weibull(2.0, 25)
    end = rng.uniform(0.2, 1.5, 25)
    entry = np.where(rng.random(25) < 0.3, 0.5 * np.minimum(life, end), 0.0)
    one, other = [
        FITS[family](Lives.from_ages(np.minimum(life, end) * u, life <= end, entry=entry * u))
        for u in (1.0, unit)
    ]
    assert one.status.tolist() == other.status.tolist()
    if one.fitted[0]:
        assert other.sigma[0] == pytest.approx(one.sigma[0], rel=1e-7)
        assert other.mu[0] == pytest.approx(one.mu[0] + np.log(unit), abs=1e-7 * one.sigma[0])
        assert other.sigma_ci[0] == pytest.approx(one.sigma_ci[0], rel=1e-6)


@pytest.mark.parametrize("family", FITS)
def test_limits_hold_their_level(family):
    """Drawn lives, 400 groups of 12 failures or so: 90 % limits cover 84 to 95 % of truths."""
    rng = np.random.default_rng(8)
    groups, size = 400, 20
    group = np.repeat(np.arange(groups), size)
    if family == "weibull":
        life = 100.0 * rng.weibull(1.8, group.size)
        truth = (np.log(100.0), 1 / 1.8, 100.0 * (-np.log(0.9)) ** (1 / 1.8))
    else:
        life = np.exp(4.0 + 0.6 * rng.standard_normal(group.size))
        truth = (4.0, 0.6, stats.lognorm(0.6, scale=np.exp(4.0)).ppf(0.1))
    end = rng.uniform(40.0, 160.0, group.size)
    data = Lives.from_ages(np.minimum(life, end), life <= end, group=group)
    fit = FITS[family](data, level=0.90)
    limits = (fit.mu_ci, fit.sigma_ci, fit.quantile_ci[0.1])
    for value, ends in zip(truth, limits, strict=True):
        covered = np.mean((ends[:, 0] <= value) & (value <= ends[:, 1]))
        assert 0.84 < covered < 0.95


def test_mean_life_is_scipys():
    fit = fit_weibull(
        Lives.from_ages([3, 5, 8, 2, 4, 9.5], [1, 1, 0, 1, 1, 1], group=[0, 0, 0, 1, 1, 1])
    )
    law = stats.weibull_min(fit.shape, scale=fit.scale)
    assert fit.mean() == pytest.approx(law.mean(), rel=1e-9)


def test_settings_out_of_range_are_refused():
    data = Lives.from_ages([1.0, 2.0], [1, 1])
    with pytest.raises(LifeDataError, match="level"):
        fit_weibull(data, level=95)
    with pytest.raises(LifeDataError, match="'lr' or 'wald'"):
        fit_weibull(data, interval="exact")
    with pytest.raises(LifeDataError, match="quantile"):
        fit_weibull(data, quantiles=(10,))
