"""Kaplan-Meier and cumulative incidence against R, lifelines and each other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lifedata.life_sets import AGES, VALUES, at, lives, rows, together
from lifelines import KaplanMeierFitter

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.cumulative_incidence import cumulative_incidence
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.survival import at_risk, kaplan_meier

CURVED = (*AGES, "o05_Male", "o05_Female", "o19")
CURVES = kaplan_meier(together(*CURVED))


def figures_at(curve, g, times):
    """Survival, its standard error and its limits at these ages."""
    return [
        at(curve, g, times, *column) for column in (("s",), ("se", 0.0), ("lower",), ("upper",))
    ]


def same(found, wanted):
    """Compare with R's figures; what R prints as NA is nan here."""
    wanted = np.array([np.nan if w is None else w for w in wanted], dtype=float)
    assert np.asarray(found) == pytest.approx(wanted, rel=1e-9, abs=1e-12, nan_ok=True)


@pytest.mark.parametrize("key", CURVED)
def test_survival_is_that_of_r(key):
    """RECOMPUTED: R survfit; Greenwood standard errors, log-log limits, numbers at risk."""
    r, g = VALUES["R"][key]["km"], CURVED.index(key)
    times = np.array(r["times"], dtype=float)
    s, se, lower, upper = figures_at(CURVES, g, times)
    same(s, r["surv"])
    same(se, r["se_greenwood"])
    # Before the first failure R prints NA as limits; survival is 1 there and so are ours.
    reached = s < 1.0
    same(lower[reached], np.array(r["log-log"]["lower"])[reached])
    same(upper[reached], np.array(r["log-log"]["upper"])[reached])
    same(at_risk_as_in_r(lives(key), times), r["n_risk"])


def at_risk_as_in_r(data, times):
    """R counts at the next age at which anybody leaves, which late entries make larger."""
    return [at_risk(data, data.exit[data.exit >= t].min())[0] for t in times]


@pytest.mark.parametrize("key", CURVED)
def test_quantiles_are_those_of_r(key):
    """RECOMPUTED: R quantile.survfit with log-log limits; NA means not reached.

    Two lower limits of o05 women differ on purpose: the lower limit of the curve is 0.707 at
    804 months and rises to 0.724 at 822, so the ages whose limits enclose 0.9 (or 0.75) begin
    at 804; R sorts the limits first and names 822.
    """
    r, g = VALUES["R"][key]["km"]["quantiles"], CURVED.index(key)
    for i, p in enumerate(r["p"]):
        estimate, lower, upper = CURVES.quantile(p)
        first = 804 if key == "o05_Female" and p < 0.5 else r["lower"][i]
        same([estimate[g], lower[g], upper[g]], [r["est"][i], first, r["upper"][i]])


def test_remission_under_treatment():
    """RECOMPUTED by R; the first four rounded figures are very widely printed (MEMORY)."""
    table = [r for r in rows("o15_leukemia_remission_weeks.csv") if r["group"] == "6-MP"]
    curve = kaplan_meier(
        Lives.from_ages(
            [float(r["time_weeks"]) for r in table], [int(r["relapsed"]) for r in table]
        )
    )
    r = VALUES["R"]["o15"]["km_6mp"]
    s, se, lower, upper = figures_at(curve, 0, np.array(r["times"], dtype=float))
    same(s, r["surv"])
    same(se, r["se_greenwood"])
    same(lower, r["log-log"]["lower"])
    same(upper, r["log-log"]["upper"])
    assert np.round(s, 3).tolist() == [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]


def test_a_curve_that_hits_zero_early_stays_there_and_the_conditional_one_is_of_use():
    """RECOMPUTED: o05 men, risk set of 1 or 2 at 777 months; then given survival to 816."""
    men = lives("o05_Male")
    assert at(kaplan_meier(men), 0, 800.0) == 0.0
    r = VALUES["R"]["o05_Male_cond816"]
    seen = men.exit > 816.0
    later = Lives.from_ages(
        men.exit[seen], men.exact[seen], entry=np.maximum(men.entry[seen], 816.0)
    )
    times = np.array(r["times"], dtype=float)
    s, se, lower, upper = figures_at(kaplan_meier(later), 0, times)
    same(s, r["surv"])
    same(se, r["se"])
    same(lower, r["lower"])
    same(upper, r["upper"])
    same(at_risk_as_in_r(later, times), r["n_risk"])


@pytest.mark.parametrize("key", ["o05_Male", "o05_Female", "o19"])
def test_ignoring_late_entry_is_optimistic(key):
    """RECOMPUTED: the naive curve on record is well above the one that counts entry."""
    data, r = lives(key), VALUES["R"][key]
    times = np.array(r["km"]["times"], dtype=float)
    naive = at(kaplan_meier(Lives.from_ages(data.exit, data.exact)), 0, times)
    same(naive, r["naive_km"])
    assert naive[-1] > at(CURVES, CURVED.index(key), times)[-1] + 0.03


def test_a_group_without_failures_or_lives_has_an_empty_curve():
    curve = kaplan_meier(Lives.from_ages([5.0, 7.0], [0, 1], group=[0, 2], n_groups=4))
    assert [curve.group_slice(g) for g in range(4)] == [
        slice(0, 0),
        slice(0, 0),
        slice(0, 1),
        slice(1, 1),
    ]
    assert np.isnan(curve.quantile(0.5)[0][[0, 1, 3]]).all()


def test_intervals_are_refused_with_the_remedy():
    with pytest.raises(LifeDataError, match="Turnbull"):
        kaplan_meier(lives("o07"))


small_ages = st.lists(
    st.tuples(st.integers(1, 12), st.booleans(), st.integers(0, 11), st.integers(1, 3)),
    min_size=1,
    max_size=40,
)


@given(small_ages)
def test_counts_stand_for_rows_and_groups_do_not_touch(drawn):
    """A row with a count of 3 is three rows, and another group changes nothing."""
    drawn = [(a, f, e, c) for a, f, e, c in drawn if e < a]
    if not drawn:
        return
    age, failed, entry, count = map(np.array, zip(*drawn, strict=True))
    long = np.repeat(np.arange(age.size), count)
    counted = kaplan_meier(Lives.from_ages(age, failed, entry=entry, count=count))
    one_by_one = Lives.from_ages(
        np.concatenate(([3.0], age[long])),
        np.concatenate(([True], failed[long])),
        entry=np.concatenate(([1.0], entry[long])),
        group=np.concatenate(([1], np.zeros(long.size, dtype=int))),
    )
    both = kaplan_meier(one_by_one)
    at = both.group_slice(0)
    assert both.age[at].tolist() == counted.age.tolist()
    assert both.at_risk[at].tolist() == counted.at_risk.tolist()
    assert both.s[at] == pytest.approx(counted.s, abs=1e-15)
    assert np.diff(counted.s, prepend=1.0).max(initial=-1.0) <= 0.0


@given(st.integers(0, 2**32 - 1))
def test_survival_and_errors_are_those_of_lifelines(seed):
    """Entries from 0 for some parts, so that the early risk set does not die out."""
    rng = np.random.default_rng(seed)
    size = int(rng.integers(20, 60))
    age = rng.integers(6, 40, size).astype(float)
    entry = np.where(rng.random(size) < 0.4, rng.integers(0, 6, size), 0).astype(float)
    failed = rng.random(size) < 0.6
    curve = kaplan_meier(Lives.from_ages(age, failed, entry=entry))
    peer = KaplanMeierFitter().fit(age, failed, entry=entry)
    s = peer.survival_function_at_times(curve.age).to_numpy()
    assert curve.s == pytest.approx(s, abs=1e-12)
    limits = peer.confidence_interval_survival_function_.loc[curve.age].to_numpy()
    inside = curve.s > 0.0
    assert curve.lower[inside] == pytest.approx(limits[inside, 0], abs=1e-9)
    assert curve.upper[inside] == pytest.approx(limits[inside, 1], abs=1e-9)


def test_incidence_by_failure_mode_is_that_of_r():
    """RECOMPUTED: R survfit, multi-state; its errors are by the infinitesimal jackknife."""
    table, r = rows("o01_shock_absorber_km.csv"), VALUES["R"]["o01_cif"]
    number = {"mode_1": 0, "mode_2": 1, "censored": -1}
    mode = np.array([number[row["failure_mode"]] for row in table])
    data = Lives.from_ages([float(row["distance_km"]) for row in table], mode >= 0)
    found = cumulative_incidence(data, mode, n_reasons=2)
    times = np.array(r["times"], dtype=float)
    step = np.searchsorted(found.age, times, side="right") - 1
    assert found.incidence[step] == pytest.approx(np.array(r["pstate"])[:, 1:], rel=1e-9)
    assert found.s[step] == pytest.approx(np.array(r["pstate"])[:, 0], rel=1e-9)
    assert found.se[step] == pytest.approx(np.array(r["se"])[:, 1:], rel=1e-9)


@given(small_ages, st.integers(0, 2**32 - 1))
def test_incidences_and_survival_add_up_to_one(drawn, seed):
    drawn = [(a, f, e, c) for a, f, e, c in drawn if e < a]
    if not drawn:
        return
    age, failed, entry, count = map(np.array, zip(*drawn, strict=True))
    rng = np.random.default_rng(seed)
    data = Lives.from_ages(age, failed, entry=entry, count=count)
    found = cumulative_incidence(data, rng.integers(0, 3, age.size), n_reasons=3)
    whole = kaplan_meier(data)
    assert found.s == pytest.approx(whole.s, abs=1e-14)
    assert found.incidence.sum(axis=1) + found.s == pytest.approx(np.ones(found.s.size), abs=1e-12)
    assert (np.diff(found.incidence, axis=0) >= 0.0).all()
    # With a single reason the incidence is 1 - S, and its error Greenwood's.
    single = cumulative_incidence(data, np.zeros(age.size))
    alive = whole.s > 0.0
    assert single.incidence[:, 0] == pytest.approx(1.0 - whole.s, abs=1e-12)
    assert single.se[alive, 0] == pytest.approx(whole.se[alive], abs=1e-6)


def test_a_reason_out_of_range_is_refused():
    with pytest.raises(LifeDataError, match="number them from 0 to 1"):
        cumulative_incidence(Lives.from_ages([1.0, 2.0], [1, 1]), [0, 2], n_reasons=2)
