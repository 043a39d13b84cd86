"""Weibull and lognormal fits against printed figures and against R, all sets in one batch.

READ values are printed in the source named beside them, RECOMPUTED ones are R's (survival
3.5-3); both are described in tests/reference/life_data/SOURCES_lives.md.
"""

import numpy as np
import pytest
from lifedata.life_sets import ALL, LATE, VALUES, lives, recomputed, rows, together
from scipy import optimize, stats

from roadworn_plugins.lifedata.fitting import fit_lognormal, fit_weibull
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.parametric import Status

FITS = {"weibull": fit_weibull, "lognormal": fit_lognormal}
WALD = {name: fit(together(*ALL), interval="wald") for name, fit in FITS.items()}
LR = fit_weibull(together(*ALL))


def place(key):
    return ALL.index(key)


@pytest.mark.parametrize("family", FITS)
@pytest.mark.parametrize("key", ALL)
def test_estimates_are_those_of_r(key, family):
    """RECOMPUTED: parameters to 1e-6, log likelihood, AIC and quantiles to 1e-6 and better."""
    fit, g, r = WALD[family], place(key), recomputed(key, family)
    assert fit.status[g] == Status.OK
    assert fit.mu[g] == pytest.approx(r["mu"], rel=1e-7)
    assert fit.sigma[g] == pytest.approx(r["sigma"], rel=1e-6)
    assert fit.loglik[g] == pytest.approx(r["loglik"], rel=1e-9)
    assert fit.aic[g] == pytest.approx(r["aic"], rel=1e-9)
    assert fit.quantiles[0.1][g] == pytest.approx(r["B10"], rel=1e-6)
    assert fit.quantiles[0.5][g] == pytest.approx(r["B50"], rel=1e-6)
    if family == "weibull":
        assert fit.shape[g] == pytest.approx(r["shape"], rel=1e-6)
        assert fit.scale[g] == pytest.approx(r["scale"], rel=1e-6)
        if "mean" in r:
            assert fit.mean()[g] == pytest.approx(r["mean"], rel=1e-6)


@pytest.mark.parametrize("family", FITS)
@pytest.mark.parametrize("key", [key for key in ALL if not key.startswith("o05")])
def test_wald_limits_are_those_of_r(key, family):
    """RECOMPUTED: log-Wald limits; for o05 the file's are not at the maximum, see below."""
    fit, g, r = WALD[family], place(key), recomputed(key, family)
    assert np.sqrt(fit.cov[g, 0, 0]) == pytest.approx(r["se_mu"], rel=1e-6)
    assert np.sqrt(fit.cov[g, 1, 1]) == pytest.approx(r["se_logsigma"], rel=1e-6)
    assert fit.quantile_ci[0.1][g] == pytest.approx(r["B10_ci"], rel=1e-5)
    assert fit.quantile_ci[0.5][g] == pytest.approx(r["B50_ci"], rel=1e-5)
    if "cov_mu_logsigma" in r:
        assert fit.cov[g, 0, 1] == pytest.approx(r["cov_mu_logsigma"], rel=1e-5, abs=1e-9)
        assert fit.sigma_ci[g] == pytest.approx(r["sigma_ci"], rel=1e-6)
    if family == "weibull":
        assert fit.shape_ci[g] == pytest.approx(r["shape_ci"], rel=1e-6)
        assert fit.scale_ci[g] == pytest.approx(r["scale_ci"], rel=1e-6)


@pytest.mark.parametrize("key", LATE)
def test_late_entry_errors_are_those_of_automatic_derivatives(key):
    """RECOMPUTED: lifelines 0.30.3 takes second derivatives by automatic differentiation."""
    fit, g, peer = WALD["weibull"], place(key), VALUES["python"][key]["lifelines"]
    se_scale = fit.scale[g] * np.sqrt(fit.cov[g, 0, 0])
    se_shape = fit.shape[g] * np.sqrt(fit.cov[g, 1, 1])
    assert se_scale == pytest.approx(peer["se_scale"], rel=1e-4)
    assert se_shape == pytest.approx(peer["se_shape"], rel=1e-4)


@pytest.mark.parametrize("family", FITS)
@pytest.mark.parametrize("key", LATE)
def test_late_entry_errors_are_those_of_scipys_density(key, family):
    """Central differences of SciPy's log density, in parameters scaled to the estimate."""
    fit, g, data = WALD[family], place(key), lives(key)

    def loss(mu, log_sigma):
        sigma = np.exp(log_sigma)
        if family == "weibull":
            law = stats.weibull_min(1.0 / sigma, scale=np.exp(mu))
        else:
            law = stats.lognorm(sigma, scale=np.exp(mu))
        failed = law.logpdf(data.exit[data.exact]).sum()
        running = law.logsf(data.exit[data.running]).sum()
        return -(failed + running - law.logsf(data.entry[data.entry > 0]).sum())

    at = np.array([fit.mu[g], np.log(fit.sigma[g])])
    step = 0.02 * np.sqrt(np.diag(fit.cov[g]))
    information = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            a, b = np.eye(2)[i] * step, np.eye(2)[j] * step
            four = loss(*(at + a + b)) - loss(*(at + a - b)) - loss(*(at - a + b))
            information[i, j] = (four + loss(*(at - a - b))) / (4.0 * step[i] * step[j])
    assert np.linalg.inv(information) == pytest.approx(fit.cov[g], rel=2e-3)


@pytest.mark.parametrize("key", ["o01", "o02", "o03", "o04", "o21"])
def test_likelihood_ratio_limits_are_those_of_r(key):
    """RECOMPUTED: profile limits of shape, scale and B10."""
    g, r = place(key), VALUES["R"][key]["profile"]
    assert LR.shape_ci[g] == pytest.approx(r["shape_ci_lr"], rel=1e-6)
    assert LR.scale_ci[g] == pytest.approx(r["scale_ci_lr"], rel=1e-6)
    assert LR.quantile_ci[0.1][g] == pytest.approx(r["B10_ci_lr"], rel=1e-6)


@pytest.mark.parametrize("family", FITS)
@pytest.mark.parametrize("key", ["o05_Male", "o06_radiotherapy", "o06_radio_chemo", "o07", "o22"])
def test_likelihood_ratio_limits_lie_on_the_contour(key, family):
    """At a limit of mu the best likelihood is chi2 / 2 below the top: by SciPy's optimiser."""
    fit, data = FITS[family](lives(key)), lives(key)

    def loglik(mu, sigma):
        if family == "weibull":
            law = stats.weibull_min(1.0 / sigma, scale=np.exp(mu))
        else:
            law = stats.lognorm(sigma, scale=np.exp(mu))
        each = -law.logsf(data.entry)
        each[data.exact] += law.logpdf(data.lower[data.exact])
        rest = ~data.exact
        share = law.sf(data.lower[rest]) - law.sf(data.upper[rest])
        each[rest] += np.log(np.maximum(share, 1e-300))
        return float(data.count @ each)

    for end in fit.mu_ci[0]:
        best = optimize.minimize_scalar(
            lambda log_sigma, mu=end: -loglik(mu, np.exp(log_sigma)),
            bounds=np.log(fit.sigma[0]) + np.array([-2.0, 2.0]),
            method="bounded",
            options={"xatol": 1e-8},
        )
        drop = 2.0 * (fit.loglik[0] + best.fun)
        assert drop == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-5)


def test_printed_weibull_of_shock_absorbers():
    """READ in the weibulltools 2.1.0 test snapshot; its optimiser stopped early (see SOURCES)."""
    fit = fit_weibull(lives("o01"), level=0.90, interval="wald")
    assert fit.mu[0] == pytest.approx(10.2298631, abs=2e-7)
    assert fit.sigma[0] == pytest.approx(0.3164092, rel=3e-6)
    assert round(float(fit.loglik[0]), 4) == -123.9954
    sigma = fit.sigma[0]
    assert fit.cov[0, 0, 0] == pytest.approx(0.012075836, rel=3e-5)
    assert fit.cov[0, 0, 1] * sigma == pytest.approx(0.003990396, rel=3e-5)
    assert fit.cov[0, 1, 1] * sigma**2 == pytest.approx(0.005353183, rel=3e-5)
    assert fit.mu_ci[0] == pytest.approx([10.0491099, 10.4106162], abs=1e-6)
    assert fit.sigma_ci[0] == pytest.approx([0.2163041, 0.4628426], rel=1e-5)


def test_printed_lognormal_of_shock_absorbers():
    """READ in the weibulltools 2.1.0 test snapshot."""
    fit = fit_lognormal(lives("o01"), level=0.90, interval="wald")
    assert fit.mu[0] == pytest.approx(10.1447710, abs=5e-7)
    assert fit.sigma[0] == pytest.approx(0.5300683, abs=5e-7)
    assert round(float(fit.loglik[0]), 4) == -124.6085
    assert fit.mu_ci[0] == pytest.approx([9.9076238, 10.3819182], abs=2e-6)
    assert fit.sigma_ci[0] == pytest.approx([0.3736577, 0.7519514], abs=2e-6)


def test_printed_weibull_of_the_nist_handbook():
    """READ: NIST/SEMATECH e-Handbook 8.4.1.3, minus signs of the copy put back."""
    fit, log = fit_weibull(lives("o03")), fit_lognormal(lives("o03"))
    assert fit.scale[0] == pytest.approx(606.5280, abs=5e-4)
    assert round(float(fit.shape[0]), 4) == 1.7208
    assert round(float(fit.loglik[0]), 3) == -75.135
    assert round(float(fit.aic[0]), 2) == 154.27
    assert round(float(log.aic[0]), 2) == 154.39
    assert round(float(fit.mean()[0]), 3) == 540.737
    law = stats.weibull_min(fit.shape[0], scale=fit.scale[0])
    assert round(float(law.std()), 3) == 323.806


@pytest.mark.parametrize(
    ("key", "family", "location", "spread", "digits"),
    [
        # All from MEMORY of the books named in SOURCES_lives.md.
        ("o01", "weibull", 10.23, 0.3164, (2, 4)),
        ("o02", "lognormal", 2.2223 * np.log(10), 0.3064 * np.log(10), (3, 3)),
        ("o04", "weibull", np.log(81.88), 1 / 2.102, (3, 3)),
        ("o04", "lognormal", 4.150, 0.522, (3, 3)),
    ],
)
def test_figures_of_the_books(key, family, location, spread, digits):
    fit, g = WALD[family], place(key)
    assert fit.mu[g] == pytest.approx(location, abs=10.0 ** -digits[0])
    assert fit.sigma[g] == pytest.approx(spread, abs=10.0 ** -digits[1])


@pytest.mark.parametrize(("mode", "key"), [("mode_1", "o01_mode_1"), ("mode_2", "o01_mode_2")])
def test_one_failure_mode_with_the_other_censored(mode, key):
    """RECOMPUTED by R: each failure mode of the shock absorbers on its own."""
    table = rows("o01_shock_absorber_km.csv")
    own = Lives.from_ages(
        [float(r["distance_km"]) for r in table], [r["failure_mode"] == mode for r in table]
    )
    for family, fit in FITS.items():
        found, r = fit(own, interval="wald"), recomputed(key, family)
        assert found.mu[0] == pytest.approx(r["mu"], rel=1e-6)
        assert found.sigma[0] == pytest.approx(r["sigma"], rel=1e-6)
        assert found.loglik[0] == pytest.approx(r["loglik"], rel=1e-9)


@pytest.mark.parametrize("key", LATE)
def test_ignoring_late_entry_gives_the_wrong_answer_on_record(key):
    """RECOMPUTED: the naive fit, which must differ from the one that counts entry."""
    data = lives(key)
    naive = fit_weibull(Lives.from_ages(data.exit, data.exact), interval="wald")
    wrong = VALUES["R"][key]["naive_weibull"]
    assert naive.shape[0] == pytest.approx(wrong["shape"], rel=1e-6)
    assert naive.scale[0] == pytest.approx(wrong["scale"], rel=1e-6)
    assert naive.scale[0] > 1.03 * WALD["weibull"].scale[place(key)]


def test_synthetic_truth_lies_inside_the_limits():
    """The o19 lives were drawn with shape 2.2 and scale 90,000 km."""
    g = place("o19")
    for fit in (WALD["weibull"], LR):
        assert fit.shape_ci[g, 0] < 2.2 < fit.shape_ci[g, 1]
        assert fit.scale_ci[g, 0] < 90_000 < fit.scale_ci[g, 1]


def test_miles_change_the_log_likelihood_but_not_the_difference_of_aic():
    """1 mi = 1.609344 km: loglik shifts by failures x ln 1.609344, shape and AIC gaps stay."""
    data = lives("o01")
    miles = Lives.from_ages(data.exit / 1.609344, data.exact, count=data.count)
    km, mi = [
        (fit_weibull(d, interval="wald"), fit_lognormal(d, interval="wald")) for d in (data, miles)
    ]
    assert mi[0].scale[0] == pytest.approx(27718.7181 / 1.609344, rel=1e-8)
    assert mi[0].shape[0] == pytest.approx(km[0].shape[0], rel=1e-9)
    shift = data.exact.sum() * np.log(1.609344)
    assert mi[0].loglik[0] - km[0].loglik[0] == pytest.approx(shift, rel=1e-9)
    gap = km[0].aic[0] - km[1].aic[0]
    assert mi[0].aic[0] - mi[1].aic[0] == pytest.approx(gap, rel=1e-9)
