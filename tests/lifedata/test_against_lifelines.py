"""Fits against lifelines on random mixtures of exact, running, interval and late rows.

lifelines' optimiser needs a tenth of a second for each, so all 500 mixtures are judged by
lifelines' own likelihood (one Newton step of it from our optimum must not move), and 60 also
by its own fit. ``ROADWORN_LIFELINES_FITS=500`` fits them all: a minute or two.
"""

import os
import warnings

import numpy as np
import pytest
from autograd import grad, hessian
from hypothesis import example, given, settings
from hypothesis import strategies as st
from lifelines import LogNormalFitter, WeibullFitter
from lifelines.exceptions import ConvergenceError
from scipy.stats import norm

from roadworn_plugins.lifedata.fitting import fit_lognormal, fit_weibull
from roadworn_plugins.lifedata.lives import Lives

FITS = int(os.environ.get("ROADWORN_LIFELINES_FITS", "60"))
TIGHT = {"ftol": 1e-15, "gtol": 1e-10, "maxiter": 1000}
EQUAL = 1e-5

mixtures = st.tuples(
    st.integers(0, 2**32 - 1),
    st.integers(6, 60),
    st.sampled_from([0.0, 0.3, 0.7]),
    st.sampled_from([0.0, 0.3, 0.6]),
    st.sampled_from([0.0, 0.4, 1.0]),
    st.sampled_from(["weibull", "lognormal"]),
)


def mixture(seed, size, late, running, between):
    """Draw lives near 1: shares of late entries, of running parts, of intervals among the rest."""
    rng = np.random.default_rng(seed)
    life = rng.weibull(rng.uniform(0.6, 4.0), size)
    entry = np.where(rng.random(size) < late, rng.uniform(0.0, 0.9, size) * life, 0.0)
    lower, upper = life.copy(), life.copy()
    still = rng.random(size) < running
    upper[still] = np.inf
    seen = (rng.random(size) < between) & ~still
    width = rng.uniform(0.1, 0.9, size)
    lower[seen] = np.maximum(entry, life * (1.0 - width))[seen]
    upper[seen] = (life * (1.0 + width))[seen]
    return lower, upper, entry


def ours(lower, upper, entry, family):
    """Return the fit and its parameters as lifelines names them."""
    data = Lives.from_intervals(lower, upper, entry=entry)
    if family == "weibull":
        fit = fit_weibull(data, interval="wald")
        return fit, np.array([fit.scale[0], fit.shape[0]])
    fit = fit_lognormal(data, interval="wald")
    return fit, np.array([fit.mu[0], fit.sigma[0]])


def distance(found, wanted, family):
    """Largest relative difference; mu of a lognormal may be 0, so it is scaled by sigma."""
    scale = np.abs(wanted) if family == "weibull" else np.full(2, abs(wanted[1]))
    return float(np.max(np.abs(found - wanted) / scale))


def beyond_its_end(at, lower, upper, family):
    """What lifelines counts too little: to it a part that runs on fails by 1e25 at the latest."""
    running = lower[np.isinf(upper)]
    if family == "weibull":
        # The end may be past what a float holds; nothing is left alive there then.
        with np.errstate(over="ignore"):
            share = np.exp((running / at[0]) ** at[1] - np.power(1e25 / at[0], at[1]))
    else:
        share = norm.sf((np.log(1e25) - at[0]) / at[1]) / norm.sf((np.log(running) - at[0]) / at[1])
    return float(-np.sum(np.log1p(-share)))


@settings(max_examples=500)
@given(mixtures)
@example((15496, 6, 0.0, 0.6, 0.0, "lognormal"))
@example((9, 6, 0.0, 0.0, 0.0, "weibull"))
def test_lifelines_likelihood_would_not_move_from_our_optimum(drawn):
    *shape, family = drawn
    lower, upper, entry = mixture(*shape)
    fit, at = ours(lower, upper, entry, family)
    if not fit.fitted[0]:
        return
    peer = (WeibullFitter if family == "weibull" else LogNormalFitter)()
    loss = peer._negative_log_likelihood_interval_censoring
    ends = (np.clip(lower, 1e-20, 1e25), np.clip(upper, 1e-20, 1e25))
    rest = (ends, lower == upper, entry, np.ones(lower.size))
    beyond = beyond_its_end(at, lower, upper, family)
    theirs = -loss(at, *rest) * lower.size + beyond
    assert theirs == pytest.approx(fit.loglik[0], rel=1e-9, abs=1e-9)
    if beyond > 1e-9:
        return  # Its likelihood is another one then, and so is its optimum.
    bend = hessian(loss)(at, *rest)
    assert np.linalg.eigvalsh((bend + bend.T) / 2.0)[0] > 0.0
    step = np.linalg.solve(bend, grad(loss)(at, *rest))
    assert distance(at - step, at, family) < EQUAL


@pytest.mark.slow
@settings(max_examples=FITS)
@given(mixtures)
def test_lifelines_fits_the_same(drawn):
    *shape, family = drawn
    lower, upper, entry = mixture(*shape)
    fit, at = ours(lower, upper, entry, family)
    peer = (WeibullFitter if family == "weibull" else LogNormalFitter)()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            peer.fit_interval_censoring(lower, upper, entry=entry, fit_options=TIGHT)
    except ConvergenceError:
        return
    # It cuts the share of an interval off at 1e-25, so that with late entry its likelihood
    # grows without bound far from the data; there it has no optimum.
    ran_away = peer.log_likelihood_ > 1e6
    if ran_away or not fit.fitted[0]:
        return
    theirs = np.array([peer.lambda_, peer.rho_] if family == "weibull" else [peer.mu_, peer.sigma_])
    assert peer.log_likelihood_ <= fit.loglik[0] + 1e-9 * max(1.0, abs(fit.loglik[0]))
    # Where lifelines stopped early its likelihood is lower; elsewhere the estimates agree.
    if fit.loglik[0] - peer.log_likelihood_ < 1e-11 * max(1.0, abs(fit.loglik[0])):
        assert distance(theirs, at, family) < EQUAL
    else:
        assert distance(theirs, at, family) < 1e-3 or peer.log_likelihood_ < fit.loglik[0] - 1e-6
