"""The Weibull regression against R's survreg, lifelines and the likelihood written out."""

import csv
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.regression import weibull_aft

R = Path(__file__).parents[1] / "reference" / "r"


def rows(name):
    with (R / f"{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_the_lung_data_give_the_figures_of_r_survreg():
    data = rows("lung")
    x = [[float(row[key]) for key in ("age", "sex", "ph.ecog")] for row in data]
    time = np.array([float(row["time"]) for row in data])
    died = np.array([row["status"] == "1" for row in data])
    told = {}
    for row in rows("values"):
        if row["set"] == "lung":
            told.setdefault(row["name"], []).append(float(row["value"]))
    got = weibull_aft(np.zeros(time.size), time, died, x)
    assert got.coefficients == pytest.approx(told["coefficients"], rel=1e-8)
    assert got.sigma == pytest.approx(told["scale"][0], rel=1e-8)
    assert got.loglik == pytest.approx(told["loglik"][0], rel=1e-10)
    assert got.se == pytest.approx(told["se"], rel=1e-6)


def late_lives(seed, n=400):
    rng = np.random.default_rng(seed)
    x = np.stack([rng.integers(0, 2, n), rng.normal(3.0, 2.0, n)], axis=1).astype(float)
    scale = np.exp(4.0 - 0.5 * x[:, 0] + 0.1 * x[:, 1])
    entry = np.where(rng.random(n) < 0.5, rng.uniform(1.0, 30.0, n), 0.0)
    life = scale * ((entry / scale) ** 1.8 + rng.exponential(size=n)) ** (1 / 1.8)
    stop = entry + rng.uniform(5.0, 90.0, n)
    return entry, np.minimum(life, stop), life <= stop, x


@pytest.mark.parametrize("seed", range(3))
def test_late_entry_gives_the_fit_of_lifelines(seed):
    entry, leaving, failed, x = late_lives(seed)
    got = weibull_aft(entry, leaving, failed, x)
    frame = pd.DataFrame(
        {"in": entry, "out": leaving, "failed": failed, "a": x[:, 0], "b": x[:, 1]}
    )
    peer = lifelines.WeibullAFTFitter().fit(frame, "out", "failed", entry_col="in").summary
    names = [("lambda_", "Intercept"), ("lambda_", "a"), ("lambda_", "b")]
    for i, name in enumerate(names):
        assert got.coefficients[i] == pytest.approx(peer.loc[name, "coef"], rel=1e-3)
        assert got.se[i] == pytest.approx(peer.loc[name, "se(coef)"], rel=1e-3)
    assert np.log(got.shape) == pytest.approx(peer.loc[("rho_", "Intercept"), "coef"], rel=1e-3)


def test_proportional_hazards_are_the_same_model():
    entry, leaving, failed, x = late_lives(5)
    got = weibull_aft(entry, leaving, failed, x)

    def depth(q):
        """Weibull hazard k rate t^(k - 1) exp(x g), as a proportional hazard."""
        k, eta = np.exp(q[1]), q[0] + x @ q[2:]
        grown = np.exp(eta) * (leaving**k - entry**k)
        return -np.sum(failed * (q[1] + eta + (k - 1) * np.log(leaving)) - grown)

    start = [-4.0, 0.0, 0.0, 0.0]
    peer = optimize.minimize(depth, start, method="Nelder-Mead", options={"maxiter": 4000})
    peer = optimize.minimize(depth, peer.x, method="BFGS")
    assert got.loglik == pytest.approx(-peer.fun, abs=1e-5)
    assert np.log(got.hazard_ratios) == pytest.approx(peer.x[2:], abs=1e-3)
    assert got.hazard_multiplier([[1.0, 2.0]])[0] == pytest.approx(
        np.exp(peer.x[2] + 2 * peer.x[3]), rel=1e-3
    )


def test_counts_are_so_many_lives():
    entry, leaving, failed, x = late_lives(6, n=60)
    times = np.arange(60) % 3 + 1
    one = weibull_aft(entry, leaving, failed, x, count=times)
    each = weibull_aft(*(np.repeat(a, times, axis=0) for a in (entry, leaving, failed, x)))
    assert one.coefficients == pytest.approx(each.coefficients, rel=1e-6)
    assert one.loglik == pytest.approx(each.loglik, rel=1e-9)
    assert one.se == pytest.approx(each.se, rel=1e-5)


def test_a_depot_without_a_failure_needs_a_prior():
    leaving, failed = np.arange(1.0, 21.0), np.arange(20) % 2 == 0
    depot = np.zeros((20, 1))
    depot[[1, 3, 5]] = 1.0
    with pytest.raises(LifeDataError, match="no maximum"):
        weibull_aft(np.zeros(20), leaving, failed, depot)
    held = weibull_aft(np.zeros(20), leaving, failed, depot, usual=0.5)
    assert 0.3 < held.hazard_ratios[0] < 1.0


def test_what_cannot_be_fitted_says_the_remedy():
    with pytest.raises(LifeDataError, match="follows from the others"):
        weibull_aft([0, 0, 0], [1, 2, 3], [1, 1, 1], [[1, 2], [2, 4], [3, 6]])
    with pytest.raises(LifeDataError, match="two failures"):
        weibull_aft([0, 0], [1, 2], [1, 0], [[0], [1]])
    with pytest.raises(LifeDataError, match="one row of covariates"):
        weibull_aft([0, 0], [1, 2], [1, 1], [0, 1])
