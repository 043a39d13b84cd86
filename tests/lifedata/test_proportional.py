"""Cox's regression against R survival and lifelines: late entry, ties, and what has no answer."""

import csv
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd
import pytest

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.proportional import cox
from roadworn_plugins.lifedata.regression import weibull_aft

DATA = Path(__file__).parents[1] / "reference" / "life_data"


def test_the_residents_of_channing_house_give_the_coefficient_of_r():
    """RECOMPUTED with R survival 3.5-3, coxph with late entry and Efron's ties: 0.3219036."""
    with (DATA / "o05_channing_house_months.csv").open(encoding="utf-8") as file:
        rows = [
            row
            for row in csv.DictReader(file)
            if float(row["exit_age_months"]) > float(row["entry_age_months"])
        ]
    entry, leaving, died = (
        np.array([float(row[name]) for row in rows])
        for name in ("entry_age_months", "exit_age_months", "died")
    )
    man = np.array([[float(row["sex"].lower().startswith("m"))] for row in rows])
    got = cox(entry, leaving, died, man)
    assert got.coefficients[0] == pytest.approx(0.3219036, abs=1e-7)


def drawn(seed, n=300):
    """Lives in whole units, so that many fail at one age, half of them entered late."""
    rng = np.random.default_rng(seed)
    x = np.stack([rng.integers(0, 2, n), rng.normal(3.0, 2.0, n)], axis=1).astype(float)
    entry = np.where(rng.random(n) < 0.5, rng.integers(1, 15, n), 0).astype(float)
    scale = np.exp(3.5 - 0.6 * x[:, 0] + 0.1 * x[:, 1])
    life = np.ceil(scale * ((entry / scale) ** 1.8 + rng.exponential(size=n)) ** (1 / 1.8)) + 1
    stop = entry + rng.integers(5, 60, n)
    return entry, np.minimum(life, stop), life <= stop, x


@pytest.mark.parametrize("seed", range(3))
def test_late_entry_and_ties_give_the_fit_of_lifelines(seed):
    entry, leaving, failed, x = drawn(seed)
    got = cox(entry, leaving, failed, x)
    frame = pd.DataFrame({"i": entry, "o": leaving, "f": failed, "a": x[:, 0], "b": x[:, 1]})
    peer = lifelines.CoxPHFitter().fit(frame, "o", "f", entry_col="i")
    # It stops its own climb early, at about five digits.
    assert got.coefficients == pytest.approx(peer.params_.to_numpy(), abs=1e-4)
    assert got.se == pytest.approx(peer.standard_errors_.to_numpy(), rel=1e-4)
    assert got.loglik == pytest.approx(peer.log_likelihood_, abs=1e-6)
    assert got.loglik >= peer.log_likelihood_ - 1e-9
    limits = np.exp(peer.confidence_intervals_.to_numpy())
    assert got.limits() == pytest.approx(limits, rel=1e-3)
    assert got.null_loglik < got.loglik


def test_what_has_no_answer_is_refused():
    with pytest.raises(LifeDataError, match="no maximum"):
        cox([0] * 6, [1, 2, 3, 4, 5, 6], [1, 1, 1, 0, 0, 0], [[1.0]] * 3 + [[0.0]] * 3)
    with pytest.raises(LifeDataError, match="needs failures"):
        cox([0, 0], [1, 2], [0, 0], [[1.0], [0.0]])
    with pytest.raises(LifeDataError, match="follows from the others"):
        cox([0, 0, 0], [1, 2, 3], [1, 1, 1], [[1, 2], [2, 4], [3, 6]])


def test_intervals_give_the_fit_of_lifelines():
    """Breast cosmesis, two treatments: interval-censored, open ends included."""
    with (DATA / "o06_breast_cosmesis_months.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    low = np.array([float(row["lower_months"] or 0) for row in rows])
    high = np.array([float(row["upper_months"] or "inf") for row in rows])
    treated = np.array([[float(row["group"] != "radiotherapy")] for row in rows])
    got = weibull_aft(np.zeros(low.size), low, np.isfinite(high), treated, upper=high)
    frame = pd.DataFrame({"l": low, "u": high, "x": treated[:, 0]})
    peer = lifelines.WeibullAFTFitter()
    peer.fit_interval_censoring(frame, "l", "u")
    told = peer.summary["coef"]
    assert got.coefficients == pytest.approx(
        [told["lambda_", "Intercept"], told["lambda_", "x"]], rel=1e-4
    )
    assert np.log(got.shape) == pytest.approx(told["rho_", "Intercept"], abs=1e-4)
    assert got.loglik == pytest.approx(peer.log_likelihood_, abs=1e-5)


@pytest.mark.parametrize("seed", range(2))
def test_narrow_intervals_with_late_entry_are_nearly_the_ages(seed):
    entry, leaving, failed, x = drawn(seed)
    upper = np.where(failed, leaving * (1 + 1e-7), np.inf)
    near = weibull_aft(entry, leaving, failed, x, upper=upper)
    exact = weibull_aft(entry, leaving, failed, x)
    assert near.coefficients == pytest.approx(exact.coefficients, rel=1e-4)
    assert near.se == pytest.approx(exact.se, rel=1e-3)
