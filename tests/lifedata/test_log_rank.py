"""Log-rank test and hazard ratio against R, lifelines and the partial likelihood."""

import csv
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.counts import log_rank

DATA = Path(__file__).parents[1] / "reference" / "life_data"


def remission():
    with (DATA / "o15_leukemia_remission_weeks.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    age = [float(r["time_weeks"]) for r in rows]
    drug, relapsed = [r["group"] == "6-MP" for r in rows], [int(r["relapsed"]) for r in rows]
    return drug, np.zeros(len(age)), age, relapsed


def residents():
    """Channing House rows with an exit above the entry, men first in the comparison."""
    with (DATA / "o05_channing_house_months.csv").open(encoding="utf-8") as file:
        rows = [list(r.values()) for r in csv.DictReader(file)]
    entry, stop = (np.array([float(r[i]) for r in rows]) for i in (1, 2))
    kept = stop > entry
    men, died = np.array([r[0] == "Male" for r in rows]), np.array([int(r[3]) for r in rows])
    return men[kept], entry[kept], stop[kept], died[kept]


def simulated(seed, n=80, strata=3):
    rng = np.random.default_rng(seed)
    entry, one = rng.integers(0, 6, n).astype(float), rng.random(n) < 0.5
    stop = entry + np.ceil(rng.exponential(np.where(one, 4.0, 7.0)))
    return one, entry, stop, rng.random(n) < 0.7, rng.integers(0, strata, n)


def partial_log_likelihood(beta, one, entry, stop, failed, stratum):
    """Cox's partial likelihood with Efron's ties, risk set by risk set: JASA 72 (1977) 557."""
    total = 0.0
    for s in np.unique(stratum):
        for age in np.unique(stop[(stratum == s) & failed]):
            risk = np.exp(beta * one[(stratum == s) & (entry < age) & (age <= stop)]).sum()
            tied = beta * one[(stratum == s) & failed & (stop == age)]
            share = np.arange(tied.size) / tied.size
            total += tied.sum() - np.log(risk - share * np.exp(tied).sum()).sum()
    return total


def test_remission_example():
    # Freireich et al. (1963), Gehan (1965): chi-square 16.79, expected 19.25 and 10.75 from
    # memory of many texts; digits recomputed with R survdiff, lifelines, SciPy, statsmodels.
    got = log_rank(*remission())
    assert got.chi_square == pytest.approx(16.792940989217, rel=1e-12)
    assert got.p == pytest.approx(4.168809109335e-05, rel=1e-10)
    assert got.observed == (9, 21)
    assert got.expected == pytest.approx((19.250500948031, 10.749499051969), rel=1e-12)


def test_late_entry_example():
    # Channing House (Hyde 1980), men against women: R coxph, score test with exact ties, and
    # coefficient with Efron ties (recomputed).
    got = log_rank(*residents())
    assert got.chi_square == pytest.approx(3.492051086886, rel=1e-10)
    assert got.p == pytest.approx(0.0616641395352, rel=1e-9)
    assert np.log(got.hazard_ratio) == pytest.approx(0.3219035618248, rel=1e-7)


@pytest.mark.parametrize("seed", range(4))
def test_ratio_and_limits_equal_lifelines_with_entry_and_strata(seed):
    one, entry, stop, failed, stratum = simulated(seed)
    got = log_rank(one, entry, stop, failed, stratum=stratum)
    frame = pd.DataFrame(
        {"one": one.astype(float), "entry": entry, "stop": stop, "failed": failed, "s": stratum}
    )
    peer = lifelines.CoxPHFitter().fit(frame, "stop", "failed", entry_col="entry", strata=["s"])
    assert np.log(got.hazard_ratio) == pytest.approx(peer.params_["one"], abs=1e-6)
    limits = peer.confidence_intervals_.loc["one"].to_numpy()
    # Those of lifelines are Wald's: near, where the likelihood is near a parabola.
    assert np.log([got.lower, got.upper]) == pytest.approx(limits, abs=0.05)
    # Ours are where twice the partial likelihood has fallen by the quantile of chi-square.
    data = one, entry, stop, failed, stratum
    top = partial_log_likelihood(np.log(got.hazard_ratio), *data)
    assert top == pytest.approx(peer.log_likelihood_, abs=1e-8)
    for limit in np.log([got.lower, got.upper]):
        fallen = 2 * (top - partial_log_likelihood(limit, *data))
        assert fallen == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_likelihood_ratio_limits_drop_by_the_quantile(seed):
    one, entry, stop, failed, _ = simulated(seed, n=25)
    got = log_rank(one, entry, stop, failed)
    assert got.lower < got.hazard_ratio < got.upper
    # A level that just reaches equal hazards has the p-value of the likelihood-ratio test.
    p = stats.chi2.sf(2 * got.log_likelihood_gain, 1)
    edge = log_rank(one, entry, stop, failed, level=1 - p)
    assert min(abs(np.log(edge.lower)), abs(np.log(edge.upper))) < 1e-6


@settings(max_examples=60)
@given(st.integers(0, 10**6))
def test_swapping_groups_inverts_and_doubling_strata_doubles(seed):
    one, entry, stop, failed, _ = simulated(seed, n=40)
    got = log_rank(one, entry, stop, failed)
    back = log_rank(~one, entry, stop, failed)
    assert back.chi_square == pytest.approx(got.chi_square, rel=1e-9, abs=1e-12)
    assert back.hazard_ratio == pytest.approx(1 / got.hazard_ratio, rel=1e-7)
    assert back.upper == pytest.approx(1 / got.lower, rel=1e-6)
    twice = [np.concatenate([x, x]) for x in (one, entry, stop, failed)]
    both = log_rank(*twice, stratum=np.repeat([0, 1], 40))
    assert both.chi_square == pytest.approx(2 * got.chi_square, rel=1e-9, abs=1e-12)
    assert both.hazard_ratio == pytest.approx(got.hazard_ratio, rel=1e-7)


def test_a_group_without_failures_has_a_one_sided_ratio():
    one = [True] * 6 + [False] * 6
    failed = [0] * 6 + [1] * 6
    stop = [10.0] * 6 + [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    got = log_rank(one, np.zeros(12), stop, failed)
    assert (got.hazard_ratio, got.lower) == (0.0, 0.0)
    assert 0 < got.upper < 1
    back = log_rank(np.logical_not(one), np.zeros(12), stop, failed)
    assert back.hazard_ratio == np.inf
    assert back.lower == pytest.approx(1 / got.upper)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (([1, 1], [0, 0], [1, 2], [1, 1]), "empty"),
        (([1, 2], [0, 0], [1, 2], [1, 1]), "true or false"),
        (([1, 0], [0, 0], [1, 2], [0, 0]), "never at risk together"),
        (([1, 0], [0, 5], [1, 9], [1, 1]), "never at risk together"),
        (([1, 0], [0, 2], [1, 2], [1, 1]), "no later than"),
        (([1, 0], [0, 0], [1, np.inf], [1, 1]), "not finite"),
    ],
)
def test_refusals_name_the_remedy(arguments, words):
    with pytest.raises(LifeDataError, match=words):
        log_rank(*arguments)
