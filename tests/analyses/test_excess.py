"""Observed against expected failures: the comparison with the others, and its chance."""

import numpy as np
import pytest
from scipy import stats

from roadworn_plugins.repeats.levels import against_others
from roadworn_plugins.shared.grouped import GroupedLives, coded


def lives(failures: list[int], exposure: list[float]) -> tuple[GroupedLives, np.ndarray]:
    """Return lives of constant hazard: `failures[g]` of each group, equal shares of exposure."""
    group, failed, share = [], [], []
    for g, (count, total) in enumerate(zip(failures, exposure, strict=True)):
        n = count + 1
        group += [g] * n
        failed += [True] * count + [False]
        share += [total / n] * n
    ages = np.array(share)
    marks = np.array(failed)
    grouped = GroupedLives(
        by=("component", "class"),
        labels=[("brake.pad", f"class {g}") for g in range(len(failures))],
        group=np.array(group),
        entry=np.zeros(ages.size),
        lower=ages,
        upper=np.where(marks, ages, np.inf),
        failed=marks,
        running=~marks,
    )
    return grouped, ages


def test_the_chance_is_negative_binomial_and_leaves_own_failures_out() -> None:
    """With a Gamma belief Gamma(d + 1/2, E) of the others' rate, a count over exposure e is
    negative binomial (a textbook result: Gelman et al., Bayesian Data Analysis, section 2.6);
    scipy.stats.nbinom is the reference."""
    grouped, exposure = lives([9, 3, 2], [10.0, 12.0, 15.0])
    one_stratum = np.zeros(grouped.group.size, dtype=np.int64)
    found = against_others(grouped, grouped.group, one_stratum, exposure)
    for g, (count, own) in enumerate([(9, 10.0), (3, 12.0), (2, 15.0)]):
        others, rest = 14 - count, 37.0 - own
        assert found.others[g] == others
        assert found.expected[g] == pytest.approx((others + 0.5) / rest * own)
        expected = stats.nbinom.sf(count - 1, others + 0.5, rest / (rest + own))
        assert found.p[g] == pytest.approx(expected, rel=1e-9)


def test_limits_of_the_ratio_are_the_exact_poisson_ones() -> None:
    grouped, exposure = lives([9, 3], [10.0, 12.0])
    found = against_others(grouped, grouped.group, np.zeros(grouped.group.size, int), exposure)
    assert found.lower[0] * found.expected[0] == pytest.approx(stats.chi2.ppf(0.025, 18) / 2)
    assert found.upper[0] * found.expected[0] == pytest.approx(stats.chi2.ppf(0.975, 20) / 2)


def test_a_group_with_nobody_to_compare_with_is_not_tested() -> None:
    grouped, exposure = lives([9, 3], [10.0, 12.0])
    found = against_others(grouped, grouped.group, grouped.group, exposure)
    assert found.p.size == 0


def test_components_without_a_model_are_left_out() -> None:
    grouped, exposure = lives([9, 3], [10.0, 12.0])
    exposure = np.where(grouped.group == 0, np.nan, exposure)
    found = against_others(grouped, grouped.group, np.zeros(grouped.group.size, int), exposure)
    assert found.p.size == 0


def test_codes_are_dense_in_order_of_appearance() -> None:
    codes, labels = coded([("a", "x"), ("b", "x"), ("a", "y")], 0)
    assert (codes.tolist(), labels) == ([0, 1, 0], [("a",), ("b",)])


def test_a_fleet_with_nothing_planted_raises_few_alarms() -> None:
    """Constant-rate fleets with 80 places: the p-values must not be too small too often."""
    rng = np.random.default_rng(11)
    small = tested = 0
    for _ in range(60):
        exposure = rng.uniform(0.5, 3.0, 80)
        grouped, ages = lives(rng.poisson(0.8 * exposure).tolist(), exposure.tolist())
        found = against_others(grouped, grouped.group, np.zeros(grouped.group.size, int), ages)
        small += int(np.sum(found.p < 0.05))
        tested += found.p.size
    assert tested == 4800
    assert small / tested < 0.055
