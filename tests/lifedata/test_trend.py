"""Power law and trend tests against handbook figures, recomputed digits and simulation."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.power_law import laplace, military_handbook, power_law
from roadworn_plugins.lifedata.repair_history import RepairHistory

DATA = Path(__file__).parents[1] / "reference" / "life_data"
VALUES = json.loads((DATA / "recurrence_values.json").read_text(encoding="utf-8"))


def on(estimator):
    """The estimator on what a history is made of; the level goes to the estimator."""

    def call(*args, level=None, **kwargs):
        options = {} if level is None else {"level": level}
        return estimator(RepairHistory.of(*args, **kwargs), **options)

    return call


law_of, laplace_of, handbook_of = on(power_law), on(laplace), on(military_handbook)


def intensity(law, age):
    """Repairs per unit of age, and its inverse the mean between repairs."""
    return law.beta / age * (age / law.scale) ** law.beta


def rows(name):
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.reader(file))[1:]


def engine(name):
    mine = [
        (float(a), e) for u, a, e in rows("o25_submarine_diesel_thousand_hours.csv") if u == name
    ]
    return [a for a, e in mine if e == "repair"], next(a for a, e in mine if e == "end")


def system(name):
    return [float(a) for s, a in rows("o24_three_systems_hours.csv") if s == name], 200.0


CASES = {
    # Sources: o12 NIST/SEMATECH e-Handbook 8.2.2.3; o13 MIL-HDBK-189 (1981) Appendix C;
    # o24 Crow (1974), AMSAA TR 138; o25 Lee, Technometrics 22 (1980) 195-199.
    "o12": ([float(r[0]) for r in rows("o12_nist_repairs_hours.csv")], 1500.0),
    "o13": ([float(r[0]) for r in rows("o13_milhdbk189_times_hours.csv")], 300.0),
    "o24_S1": system("S1"),
    "o24_S2": system("S2"),
    "o24_S3": system("S3"),
    "o25_Grampus": engine("Grampus"),
    "o25_Halfbeak": engine("Halfbeak"),
}


@pytest.mark.parametrize("name", CASES)
def test_recomputed_digits(name):
    ages, end = CASES[name]
    v, level = VALUES[name], 0.90 if name == "o13" else 0.95
    law = law_of(ages, end, level=level)
    found = {
        "beta_mle": law.beta,
        "lambda_mle": law.rate,
        "theta": law.scale,
        "beta_unbiased": law.beta_unbiased,
        "mtbf_cumulative": end / (end / law.scale) ** law.beta,
        "mtbf_instant_mle": 1.0 / intensity(law, end),
        "intensity_mle": intensity(law, end),
        "milhdbk_chi2": handbook_of(ages, end).statistic,
        "milhdbk_df": handbook_of(ages, end).df,
        "milhdbk_p_two_sided": handbook_of(ages, end).p,
        "laplace_U": laplace_of(ages, end).statistic,
        "laplace_p_two_sided": laplace_of(ages, end).p,
    }
    for key, value in found.items():
        assert value == pytest.approx(v[key], rel=1e-8), key
    assert law.beta_ci == pytest.approx(v["beta_ci"], rel=1e-8)
    assert law.limits == "exact"


def test_nist_printed_figures():
    # NIST/SEMATECH e-Handbook 8.2.2.3 and 8.4.5.2, printed output of its script (read).
    law = law_of(*CASES["o12"])
    assert law.beta_unbiased == pytest.approx(0.483506, abs=5e-7)
    assert 1 - law.beta_unbiased == pytest.approx(0.516494, abs=5e-7)
    ages, end = CASES["o12"]
    # With the corrected exponent the process expects as many repairs by the end as were seen.
    assert len(ages) / end**law.beta_unbiased == pytest.approx(0.2913003, abs=5e-8)
    assert end / (law.beta_unbiased * len(ages)) == pytest.approx(310.234, abs=5e-4)


def test_nist_tests_disagree():
    # Military-handbook chi-square 37.23 on 20 degrees from memory of e-Handbook 8.2.3.4.
    handbook, centroid = handbook_of(*CASES["o12"]), laplace_of(*CASES["o12"])
    assert handbook.statistic == pytest.approx(37.23, abs=5e-3)
    assert handbook.p < 0.05 < centroid.p
    assert handbook.statistic > handbook.df  # further apart


def test_military_handbook_appendix_figures():
    # MIL-HDBK-189 (1981) Appendix C as quoted in a public test file (read, 10 digits).
    law = law_of(*CASES["o13"])
    assert law.beta == pytest.approx(0.7163392624, abs=5e-11)
    assert law.rate == pytest.approx(0.4538418614, abs=5e-11)
    assert intensity(law, 300.0) == pytest.approx(0.0644705336, abs=5e-11)
    assert 1.0 / intensity(law, 300.0) == pytest.approx(15.5109620, abs=5e-8)
    assert law.beta_unbiased == pytest.approx(0.6898081786, abs=5e-11)


def test_halfbeak_wears_out_and_grampus_does_not():
    # From memory of the literature on these engines: Halfbeak beta 2.76, theta 5.45.
    law = law_of(*CASES["o25_Halfbeak"])
    assert (law.beta, law.scale) == (pytest.approx(2.76, abs=5e-3), pytest.approx(5.45, abs=5e-3))
    centroid, handbook = laplace_of(*CASES["o25_Halfbeak"]), handbook_of(*CASES["o25_Halfbeak"])
    assert (centroid.statistic > 0, handbook.statistic < handbook.df) == (True, True)  # closer
    assert max(centroid.p, handbook.p) < 0.05 < laplace_of(*CASES["o25_Grampus"]).p


def test_three_systems_pooled():
    # o24, Crow (1974): recomputed; beta 0.615 and lambda 0.461 from memory of the report.
    table = rows("o24_three_systems_hours.csv")
    ages, unit = [float(a) for _, a in table], [int(s[1]) - 1 for s, _ in table]
    ends = [200.0] * 3
    law = law_of(ages, ends, unit=unit)
    assert (law.beta, law.rate) == (pytest.approx(0.615, abs=5e-4), pytest.approx(0.461, abs=5e-4))
    assert law.beta == pytest.approx(0.6153362527, rel=1e-9)
    assert law.rate == pytest.approx(0.4605471204, rel=1e-9)
    assert law.scale == pytest.approx(3.525515596, rel=1e-9)
    assert law.beta_unbiased == pytest.approx(0.598243579, rel=1e-9)
    assert law.beta_ci == pytest.approx((0.43097395, 0.832012), rel=1e-7)
    handbook = handbook_of(ages, ends, unit=unit)
    assert (handbook.statistic, handbook.df) == (pytest.approx(117.0091957), 72)
    assert laplace_of(ages, ends, unit=unit).statistic == pytest.approx(-3.012036354, rel=1e-9)


def test_ten_vehicles_stopped_at_different_ages():
    # o11, recomputed with an optimiser that stopped at 4e-8 in beta, hence 2e-6 in lambda.
    table = rows("o11_vehicle_repairs_exact_miles.csv")
    ages = [float(a) for _, a, e in table if e == "fail"]
    unit = [int(v[1:]) - 1 for v, _, e in table if e == "fail"]
    ends = [float(a) for _, a, e in table if e == "end"]
    law = law_of(ages, ends, unit=unit)
    assert law.beta == pytest.approx(2.6170122, rel=1e-6)
    assert law.scale == pytest.approx(5063.0703, rel=1e-6)
    assert law.rate == pytest.approx(2.02071e-10, rel=3e-6)
    assert law.loglik == pytest.approx(-4605.539812755, rel=1e-12)
    assert law.limits == "fisher"


def test_late_and_split_observation_is_the_optimum_of_the_likelihood():
    start, stop = np.array([0.0, 3.0, 8.0]), np.array([5.0, 7.0, 20.0])
    ages, unit = np.array([1.0, 4.5, 3.5, 6.0, 9.0, 15.0, 19.0]), np.array([0, 0, 1, 1, 2, 2, 2])

    def loss(x):
        b, log_rate = np.exp(x[0]), x[1]
        mean = np.exp(log_rate) * np.sum(stop**b - start**b)
        return mean - np.sum(log_rate + np.log(b) + (b - 1) * np.log(ages))

    best = optimize.minimize(loss, [0.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9})
    law = law_of(ages, stop, unit=unit, starts=start)
    assert law.beta == pytest.approx(np.exp(best.x[0]), rel=1e-5)
    assert law.loglik == pytest.approx(-best.fun, rel=1e-9)


@given(
    st.lists(st.floats(0.01, 0.999), min_size=2, max_size=40),
    st.floats(1e-6, 1e6),
    st.sampled_from(["time", "failure"]),
)
def test_rescaling_time_changes_nothing_but_the_scale(shares, unit, stopped):
    shares = np.array(shares)
    end = shares.max() if stopped == "failure" else 1.0
    if np.all(shares == end):
        return
    one, other = law_of(shares, end, stopped), law_of(shares * unit, end * unit, stopped)
    assert other.beta == pytest.approx(one.beta, rel=1e-9)
    assert other.scale == pytest.approx(one.scale * unit, rel=1e-9)
    assert other.beta_ci == pytest.approx(one.beta_ci, rel=1e-9)
    for test in (laplace_of, handbook_of):
        a, b = test(shares, end, stopped), test(shares * unit, end * unit, stopped)
        assert b.statistic == pytest.approx(a.statistic, rel=1e-7, abs=1e-9)


@given(st.lists(st.floats(0.01, 0.99), min_size=3, max_size=30))
def test_stopping_rule_changes_what_the_handbooks_say(shares):
    n, end = len(shares), max(shares)
    at_time, at_failure = law_of(shares, 1.0), None
    assert at_time.beta_unbiased == pytest.approx((n - 1) / n * at_time.beta)
    assert handbook_of(shares, 1.0).df == 2 * n
    if min(shares) < end:
        at_failure = law_of(shares, end, "failure")
        assert at_failure.beta_unbiased == pytest.approx((n - 2) / n * at_failure.beta)
        low = at_failure.beta * stats.chi2.ppf(0.025, 2 * (n - 1)) / (2 * n)
        assert at_failure.beta_ci[0] == pytest.approx(low)
        assert handbook_of(shares, end, "failure").df == 2 * (n - 1)


@pytest.mark.parametrize("stopped", ["time", "failure"])
def test_exact_limits_cover_and_estimate_is_unbiased(stopped):
    # Simulated, seeded: 3,000 processes of 8 repairs, beta 1.6; binomial noise 0.4 points.
    rng, hits, guess = np.random.default_rng(21), 0, []
    for _ in range(3000):
        clock = np.cumsum(rng.exponential(1.0, 8))
        share = clock / clock[-1] if stopped == "failure" else rng.random(8)
        law = law_of(share ** (1 / 1.6), 1.0, stopped)
        hits += law.beta_ci[0] <= 1.6 <= law.beta_ci[1]
        guess.append(law.beta_unbiased)
    assert 0.938 < hits / 3000 < 0.962
    assert np.mean(guess) == pytest.approx(1.6, abs=0.05)


def test_one_repair_has_limits_and_no_corrected_exponent():
    law = law_of([5.0], 10.0)
    assert np.isnan(law.beta_unbiased)
    assert np.isfinite(law.beta_ci[1])


def test_repairs_crowded_at_the_end_do_not_overflow():
    law = law_of([99999.999], 1e5)
    assert law.beta > 1e7
    assert 1.0 / intensity(law, 1e5) == pytest.approx(1e5 / law.beta)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: law_of([], 10.0), "Without a repair"),
        (lambda: law_of([10.0], 10.0), "very end|at the end"),
        (lambda: law_of([11.0], 10.0), "outside"),
        (lambda: law_of([0.0], 10.0), "outside"),
        (lambda: law_of([5.0], 10.0, "failure"), "last repair"),
        (lambda: law_of([5.0], 10.0, "sometime"), "time or failure"),
        (lambda: law_of([5.0], [10.0, 10.0]), "which unit"),
        (lambda: law_of([5.0], [10.0, 10.0], unit=[2]), "0 to 1"),
        (lambda: law_of([5.0], [10.0], starts=[10.0]), "no later than it starts"),
        (lambda: laplace_of([10.0], 10.0, "failure"), "No repair is left"),
        (lambda: handbook_of([], 10.0), "No repair is left"),
    ],
)
def test_refusals_name_the_remedy(call, words):
    with pytest.raises(LifeDataError, match=words):
        call()
