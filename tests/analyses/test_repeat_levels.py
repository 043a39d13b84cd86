"""What is compared with what, how unlikely a count is, and that one fact is one row."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from roadworn import LedgerView, PluginHost
from roadworn_demo import FEATURED, TRUTH
from roadworn_plugins.repeats.chances import Reach, dispersion, lift, tail
from roadworn_plugins.repeats.levels import Law, Years, by_year, numbered, of_others, of_past
from roadworn_plugins.repeats.rows import limits
from roadworn_plugins.repeats.search import Search


@pytest.fixture(scope="module")
def simulation() -> ModuleType:
    path = Path(__file__).parents[1] / "simulations" / "repeat_failures.py"
    spec = importlib.util.spec_from_file_location("simulated_repeat_failures", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@settings(max_examples=50)
@given(st.integers(1, 60), st.floats(0.05, 40.0), st.floats(0.01, 2.0))
def test_the_chance_is_scipys_negative_binomial(count: int, mean: float, share: float) -> None:
    """Gelman et al., Bayesian Data Analysis, section 2.6: Gamma rate, Poisson count."""
    variance = share * mean**2
    a, b = 1.0 / share, 1.0 / (share * mean)
    found = tail(np.array([count]), np.array([mean]), np.array([variance]))[0]
    assert found == pytest.approx(stats.nbinom.sf(count - 1, a, b / (b + 1)), rel=1e-8)


def test_the_rate_of_the_others_by_hand() -> None:
    """Own 3 in 2, its class 8 in 10, the component 20 in 40; classes alike, then not at all.

    Alike: the other classes' 12 failures in 30 are a Gamma of 12.5 and 30, the rest of the class
    adds 5 in 8: 17.5 / 38 a unit. As unlike as can be they say nothing: 5 / 8.
    """
    own, lived = np.array([3.0]), np.array([2.0])
    kind, every = (np.array([8.0]), np.array([10.0])), (20.0, 40.0)
    mean, doubt = of_others(own, lived, kind, every, 0.0)
    assert mean[0] == pytest.approx(2.0 * 17.5 / 38.0)
    assert doubt[0] == pytest.approx(4.0 * 17.5 / 38.0**2)
    mean, _doubt = of_others(own, lived, kind, every, 1e9)
    assert mean[0] == pytest.approx(2.0 * 5.0 / 8.0)


def test_nobody_to_compare_with_is_no_expectation() -> None:
    one = np.array([3.0]), np.array([2.0])
    mean, _doubt = of_others(*one, one, (3.0, 2.0), 0.0)
    assert np.isnan(mean[0])


def test_the_rate_of_the_past_by_hand() -> None:
    """4 failures in 8 before, half a one added; 6 units since."""
    mean, doubt = of_past(np.array([6.0]), np.array([4.0]), np.array([8.0]))
    assert mean[0] == pytest.approx(6.0 * 4.5 / 8.0)
    assert doubt[0] == pytest.approx(36.0 * 4.5 / 64.0)
    few, _doubt = of_past(np.array([6.0]), np.array([2.0]), np.array([8.0]))
    assert np.isnan(few[0])


@settings(max_examples=50)
@given(st.integers(0, 60), st.floats(0.05, 40.0), st.floats(0.01, 2.0), st.floats(1.2, 16.0))
def test_what_a_count_says_for_a_fault_is_scipys_ratio(
    count: int, mean: float, share: float, times: float
) -> None:
    """The negative binomial law of a Gamma rate (Gelman et al., section 2.6), times so much."""
    a, b = 1.0 / share, 1.0 / (share * mean)
    with_fault, without = (
        stats.nbinom.logpmf(count, a, b / (b + more)) for more in (times, 1.0)
    )  # fmt: skip
    figures = np.array([count * 1.0]), np.array([mean]), np.array([share * mean**2])
    assert lift(*figures, (times,))[0] == pytest.approx(with_fault - without, rel=1e-6, abs=1e-6)


def test_what_can_be_reached_is_counted_one_by_one() -> None:
    """Each comparison is charged with the chance of its first count that says enough."""
    mean, variance = np.array([0.3, 4.0, 0.02, 50.0]), np.array([0.02, 1.0, 1e-5, 30.0])
    times = (2.0, 5.0)
    reach = Reach(mean, variance, 2, times)
    counts = np.arange(2.0, 400.0)
    for said in (0.0, 2.0, 5.0, 12.0):
        expected = 0.0
        for m, v in zip(mean, variance, strict=True):
            one = np.full(counts.size, m), np.full(counts.size, v)
            first = counts[lift(counts, *one, times) >= said][0]
            expected += float(stats.nbinom.sf(first - 1, m**2 / v, (m / v) / (m / v + 1)))
        assert reach.expected(said) == pytest.approx(expected, rel=1e-6)


def test_a_year_in_which_all_fails_more_is_expected_by_hand() -> None:
    """90 failed where 60 were usual, drawn to one by 25: 115 / 85; a whole life in it has that."""
    edges = np.array([0.0, 100.0, 200.0])
    years = Years.of(edges, np.array([90.0, 45.0]), np.array([60.0, 60.0]))
    first, last = np.array([100.0, 50.0, 0.0, np.nan]), np.array([200.0, 150.0, 100.0, 9.0])
    early, late = 115.0 / 85.0, 70.0 / 85.0
    assert years.over(first, last) == pytest.approx([late, (early + late) / 2, early, 1.0])


def test_what_is_usual_in_each_year_is_by_age_and_as_many_in_all() -> None:
    """Hazard of the square of the age: of a life over two years three quarters in the second."""
    law = Law(0, True, 2.0, np.array([0.0, 100.0]), np.array([0.0, 100.0]))
    zero, two = np.zeros(4), np.full(4, 2.0)
    days = np.zeros(4), np.full(4, 200.0)
    failed = np.array([True, True, True, False])
    died, usual = by_year(np.array([0.0, 100.0, 201.0]), law, (zero, two), days, failed)
    assert died.tolist() == [0.0, 3.0]
    assert usual == pytest.approx([0.75, 2.25])


def test_limits_of_a_ratio_are_clopper_and_pearsons() -> None:
    """Of 9 among 9 + 12, by scipy.stats.binomtest, as odds times what 12 stand for."""
    exact = stats.binomtest(9, 21).proportion_ci(0.95, method="exact")
    low, high = limits(9, 4.0, 12.0)
    assert low == pytest.approx(exact.low / (1 - exact.low) * 12.0 / 4.0)
    # The upper limit counts one failure of the others less, as Clopper and Pearson do.
    upper = stats.beta.ppf(0.975, 10, 12)
    assert high == pytest.approx(upper / (1 - upper) * 12.0 / 4.0)
    sure = limits(9, 4.0, 1e9)
    assert sure[0] == pytest.approx(stats.chi2.ppf(0.025, 18) / 2 / 4.0, rel=1e-4)


def test_limits_hold_where_the_expectation_is_itself_counted() -> None:
    """Ratio 2, 8 failures where 4 are expected from 12: at least 95 % of 400 hold it."""
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(400):
        others = int(rng.poisson(12.0))
        if others:
            low, high = limits(int(rng.poisson(8.0)), others / 3.0, float(others))
            held += low <= 2.0 <= high
        else:
            held += 1
    assert held >= 380 - 9


def test_how_much_rates_differ_is_found_and_single_ones_do_not_make_it() -> None:
    rng = np.random.default_rng(8)
    mean, doubt = np.full(150, 8.0), np.full(150, 0.2)
    alike, mixed = [], []
    for _ in range(10):
        count = rng.poisson(mean)
        count[:3] = 45  # three vehicles that are clearly out
        alike.append(dispersion(count * 1.0, mean, doubt))
        rates = rng.gamma(1 / 0.25, 0.25, 150)
        mixed.append(dispersion(rng.poisson(mean * rates) * 1.0, mean, doubt))
    assert np.mean(alike) < 0.04
    assert 0.15 < np.mean(mixed) < 0.4


def test_with_nothing_planted_few_fleets_have_any_row(simulation: ModuleType) -> None:
    """30 fleets: more than 5 with a row would have a chance of 1 % at 5 % false alarms.

    The share over many more fleets stands in plugins/roadworn_plugins/repeats/README.md.
    """
    assert simulation.alarms(30, simulation.Fleet(30), 21).any_row <= 5 / 30


def test_a_vehicle_whose_parts_all_fail_is_one_row(simulation: ModuleType) -> None:
    """Three times the failures on one vehicle: it is named as a whole, not place by place."""
    fleet = simulation.Fleet(60, planted="vehicle", times=5.0)
    named = rows = 0
    for seed in range(6):
        lives = simulation.play(np.random.default_rng(seed), fleet)
        found, _aside = Search(lives).findings(0.05)
        named += simulation.named(fleet, lives, found) is not None
        rows += len(found)
    assert named >= 5
    assert rows <= 9


def test_a_bad_batch_is_one_row_with_its_month(simulation: ModuleType) -> None:
    """Five times the failures since three years: one finding of its origin, near its day."""
    fleet = simulation.Fleet(150, planted="batch", times=6.0, months=36.0)
    near = rows = 0
    for seed in range(4):
        lives = simulation.play(np.random.default_rng(seed), fleet)
        found, _aside = Search(lives).findings(0.05)
        one = simulation.named(fleet, lives, found)
        near += one is not None and abs((one.since or 0.0) - fleet.since) <= 183.0
        rows += len(found)
    assert near >= 3
    assert rows <= 6


def test_what_would_have_failed_anyway_is_known_by_construction(simulation: ModuleType) -> None:
    """The same fleet played without the fault: so many fail at the places of the batch.

    Parts that fail early are followed by others, so that what is expected at their ages (a part of
    the truth) is not what good parts in their place would have needed.
    """
    faulty = simulation.Fleet(150, planted="class", times=8.0, component="brake.pad")
    sound = simulation.Fleet(150)
    told, true, failed = 0.0, 0.0, 0.0
    for seed in range(3):
        lives = simulation.play(np.random.default_rng(seed), faulty)
        found, _aside = Search(lives).findings(0.05)
        one = simulation.named(faulty, lives, found)
        assert one is not None
        told, failed = told + one.usual, failed + one.observed
        other = simulation.play(np.random.default_rng(seed + 100), sound)
        rows = other.codes["component"] == other.names["component"].index("brake.pad")
        rows &= other.codes["class"] == other.names["class"].index("class 0")
        true += float((rows & other.failed & ~other.came_back).sum())
    assert failed > 1.5 * true
    assert told == pytest.approx(true, rel=0.2)


def test_the_longer_the_list_the_more_of_its_places_may_be_chance(
    demo_view: LedgerView, host: PluginHost
) -> None:
    """Benjamini and Hochberg (1995): held to the limit of a first row, a place was not named."""
    listed = host.run("repeat-failures", demo_view, {}).result.table("repeat_failures").records()
    shares = {row["where"]: row["adjusted"] for row in listed}
    assert shares[TRUTH.eater.vehicle] < 0.05 / len(shares)
    # The coil of the vehicle in the scene, under a cover that leaks.
    assert 0.05 / len(shares) < shares[f"{FEATURED} 3"] <= 0.05


def test_a_place_and_a_batch_that_come_back_are_rows(simulation: ModuleType) -> None:
    """Work that comes back is a finding of its own, apart from wear."""
    for fleet in (
        simulation.Fleet(60, planted="comebacks", times=18.0, component="brake.pad"),
        simulation.Fleet(150, planted="batch comebacks", times=8.0, months=48.0),
    ):
        named = 0
        for seed in range(4):
            lives = simulation.play(np.random.default_rng(seed), fleet)
            found, _aside = Search(lives).findings(0.05)
            named += simulation.named(fleet, lives, found) is not None
        assert named >= 2


def test_codes_are_numbered_alike_by_counting_and_by_sorting() -> None:
    """`np.unique` says what is to come out; a pair of a large fleet has a code in the millions."""
    for far in (40, 4_000_000):
        codes = np.random.default_rng(far).integers(0, far, 1_000)
        idents, number = numbered(codes)
        expected = np.unique(codes, return_inverse=True)
        np.testing.assert_array_equal(idents, expected[0])
        np.testing.assert_array_equal(number, expected[1])
    # What it takes hangs on how many there are, not on how high they count: no table of 8 TB.
    assert numbered(np.array([3, 10**12, 3]))[1].tolist() == [0, 1, 0]
    assert numbered(np.zeros(0, dtype=np.int64))[0].size == 0
