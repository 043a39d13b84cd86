"""Bands of total cost against plain simulation and closed forms.

Closed forms: a total of Poisson many costs has cumulants rate x E[X^j] (compound Poisson; Feller,
An Introduction to Probability Theory I, 1968, ch. XII, from memory); moments of the lognormal and
of simple laws from SciPy.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from projection.made import fixed_cost, lognormal_cost, moments_at, taken
from projection.part_by_part import generating, grid
from projection.simulated import counts
from scipy import stats

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.projection.belief import CostSpread, LifeBelief, distance_ahead
from roadworn_plugins.projection.count_law import CountLaw, masses_of, two_moment_count
from roadworn_plugins.projection.renewal import CountMoments, count_moments
from roadworn_plugins.projection.totals import (
    compound,
    from_raw,
    grid_total,
    grid_totals,
    mixed,
    to_raw,
    totals,
)

PACE, MONTHS = 1.5, 36.0


def made_up(parts, groups, seed, *, short=0):
    """Beliefs, ages and costs of invented parts, some of which last two months."""
    rng = np.random.default_rng(seed)
    shape = rng.choice([0.8, 1.1, 2.5, 2.5, 3.5], groups)
    scale = rng.uniform(40.0, 250.0, groups)
    scale[:short] = 3.0
    a = rng.choice([1.5, 4.0, 10.0, 40.0], groups)
    belief = LifeBelief.gamma(shape, a, a * scale**shape)
    group = np.concatenate([np.arange(groups), rng.integers(0, groups, parts - groups)])
    age = rng.uniform(0.0, 1.0, parts) * scale[group]
    cost = lognormal_cost(rng.lognormal(5.3, 0.8, parts), 0.3)
    return belief, group, age, cost


def simulated(belief, group, age, cost, seed, draws, spread):
    """Totals drawn with a rate for each group and a distance for the vehicle."""
    rng = np.random.default_rng(seed)
    rate = rng.gamma(belief.a[:, None], 1.0 / belief.b[:, None], (belief.a.size, draws))
    sigma = np.sqrt(np.log1p((spread / PACE) ** 2))
    ahead = PACE * MONTHS * np.exp(sigma * rng.standard_normal(draws) - sigma**2 / 2)
    total = np.zeros(draws)
    for i, g in enumerate(group):
        shape = belief.shape[g]
        number = counts(rng, shape, rate[g] ** (-1 / shape), age[i], ahead, draws)
        for j in range(number.max()):
            due = np.flatnonzero(number > j)
            noise = rng.standard_normal(due.size)
            total[due] += cost.median[i] * np.exp(cost.below[i] * noise)
    return total


# parts, groups, seed, groups that last two months, spread of the monthly distance, draws
FLEETS = [(60, 60, 1, 0, 0.0), (60, 40, 4, 2, 0.0), (60, 40, 5, 0, 0.3), (150, 30, 6, 0, 0.3)]


@pytest.mark.parametrize(("parts", "groups", "seed", "short", "spread"), FLEETS)
def test_band_ends_are_within_one_and_a_half_percent_of_simulation(
    parts, groups, seed, short, spread
):
    belief, group, age, cost = made_up(parts, groups, seed, short=short)
    ahead = distance_ahead([PACE], MONTHS, sd_pace=spread, nodes=5 if spread else 1)
    moments = moments_at(belief, group, age, np.zeros(parts, int), ahead)
    found = totals(moments, cost, usage_weight=ahead.weight)
    drawn = simulated(belief, group, age, cost, seed, 60_000, spread)
    assert found.expected[0] == pytest.approx(drawn.mean(), rel=0.006)
    assert found.sd[0] == pytest.approx(drawn.std(), rel=0.015)
    wanted = np.quantile(drawn, [0.1, 0.9])
    assert found.bands[0.8][:, 0] == pytest.approx(wanted, rel=0.015)
    assert found.bands[0.95][1, 0] == pytest.approx(np.quantile(drawn, 0.975), rel=0.02)
    if parts <= 60:
        grid = grid_total(moments, cost, usage_weight=ahead.weight)
        assert grid.expected == pytest.approx(found.expected[0])
        assert grid.band(0.8) == pytest.approx(tuple(wanted), rel=0.015)


@pytest.mark.parametrize("prices", ["one a group", "one a part"])
def test_totals_of_many_vehicles_at_once_are_those_made_part_by_part(prices):
    """Parts counted together, and vehicles together, change no chance by more than 1e-9."""
    parts, groups = 40, 12
    belief, group, age, cost = made_up(parts, groups, 3, short=1)
    if prices == "one a group":
        cost = CostSpread(
            cost.median[np.unique(group, return_index=True)[1]][group], cost.below, cost.above
        )
    car = np.arange(parts) % 4
    ahead = distance_ahead(np.array([0.3, 1.0, 1.5, 4.0]), 12.0, sd_pace=0.2, nodes=3)
    moments = moments_at(belief, group, age, car, ahead)
    found = grid_totals(moments, cost, usage_weight=ahead.weight, total=car, cells=256)
    for number, one in enumerate(found):
        rows = np.flatnonzero(car == number)
        own = [taken(c, rows) for c in moments]
        step, chance = grid(own, cost.take(rows), ahead.weight, 256)
        assert one.step == pytest.approx(step, rel=1e-12)
        assert one.chance == pytest.approx(chance, abs=1e-9)


def test_prices_near_each_other_are_taken_as_one_at_their_mean():
    """Within 5 % of each other, against part by part, each at its own price."""
    belief, group, age, cost = made_up(12, 2, 7)
    spread = np.random.default_rng(7).uniform(0.98, 1.02, 12)
    cost = CostSpread(cost.median[group] * spread, cost.below[group], cost.above[group])
    ahead = distance_ahead([PACE], MONTHS, sd_pace=0.0, nodes=1)
    moments = moments_at(belief, group, age, np.zeros(12, int), ahead)
    found = grid_total(moments, cost)
    step, chance = grid(moments, cost, np.ones(1), found.chance.size)
    apart = replace(found, step=step, chance=chance)
    assert found.expected == pytest.approx(float(totals(moments, cost).expected[0]), rel=1e-12)
    places = np.arange(found.chance.size)
    assert float(found.chance @ places) == pytest.approx(float(chance @ places), rel=1e-6)
    for level in (0.5, 0.8, 0.95):
        assert found.band(level) == pytest.approx(apart.band(level), rel=2e-3, abs=step / 2)


@settings(max_examples=60)
@given(st.floats(1e-6, 40.0), st.floats(-0.999, 3.0))
def test_chances_of_a_count_are_those_of_its_generating_function(mean, more):
    # A count of mean m has a variance of at least f (1 - f), f the fraction of m.
    least = (mean % 1.0) * (1.0 - mean % 1.0) / mean - 1.0
    m, e = np.array([mean]), np.array([max(least, more)])
    masses = masses_of(m, e)[0]
    assert masses.sum() == pytest.approx(1.0)
    for angle in (0.0, 0.4, 1.7, 3.1):
        z = np.exp(1j * angle)
        wanted = two_moment_count(np.array([z]), m, e)[0]
        assert masses @ z ** np.arange(masses.size) == pytest.approx(wanted, abs=1e-7)


def test_chances_of_a_count_are_those_of_the_three_laws():
    mean = 3.0
    pairs = [
        (0.0, stats.poisson(mean)),
        (0.5, stats.nbinom(mean / 0.5, 1 / 1.5)),
        (-0.5, stats.binom(6, 0.5)),
    ]
    for dispersion, law in pairs:
        masses = masses_of(np.array([mean]), np.array([dispersion]))[0]
        assert masses == pytest.approx(law.pmf(np.arange(masses.size)), abs=1e-9)


def test_lumpy_total_of_few_parts_follows_the_simulation_on_the_grid():
    belief, group, age, cost = made_up(4, 4, 9)
    moments = count_moments(belief, group, age, np.full(4, PACE * MONTHS))
    drawn = simulated(belief, group, age, cost, 9, 400_000, 0.0)
    grid = grid_total(moments, cost)
    for amount in (1.0, 300.0, 1_000.0, 2_500.0):
        assert grid.chance_above(amount) == pytest.approx(np.mean(drawn > amount), abs=0.006)
    assert totals(moments, cost).nothing[0] == pytest.approx(np.mean(drawn == 0.0), abs=0.003)


def test_poisson_many_fixed_costs():
    # Exponential lives of mean 10 over 40: 4 failures of cost 100, a Poisson count.
    moments = count_moments(LifeBelief.known(1.0, 10.0), [0], [5.0], [40.0])
    found = totals(moments, fixed_cost([100.0]))
    assert found.expected[0] == pytest.approx(400.0, abs=0.1)
    assert found.sd[0] == pytest.approx(200.0, rel=1e-3)
    assert found.skewness[0] == pytest.approx(0.5, abs=0.01)
    assert found.nothing[0] == pytest.approx(np.exp(-4.0), rel=1e-6)
    grid = grid_total(moments, fixed_cost([100.0]))
    for number in range(9):
        above = grid.chance_above(100.0 * number + 50.0)
        assert above == pytest.approx(stats.poisson(4.0).sf(number), abs=0.003)


def test_shared_rate_widens_the_total_of_a_fleet():
    # Negative binomial counts share their rate: variance grows with the square of the fleet.
    belief, places = LifeBelief.gamma(1.0, 4.0, 400.0), 500
    moments = count_moments(belief, np.zeros(places, int), np.zeros(places), np.full(places, 10.0))
    found = totals(moments, fixed_cost(np.ones(places)))
    mean = places * 10.0 * 4.0 / 400.0
    law = stats.nbinom(4.0, 4.0 / (4.0 + mean))
    assert found.expected[0] == pytest.approx(mean, rel=1e-3)
    assert found.sd[0] == pytest.approx(law.std(), rel=2e-3)
    assert found.skewness[0] == pytest.approx(float(law.stats("s")), rel=0.01)
    assert found.bands[0.8][:, 0] == pytest.approx([law.ppf(0.1), law.ppf(0.9)], rel=0.015)


def test_many_totals_at_once_equal_each_alone():
    belief, group, age, cost = made_up(90, 30, 12)
    ahead = distance_ahead([1.0, 2.0, 1.5], 24.0, sd_pace=0.3, nodes=3)
    vehicle = np.arange(90) % 3
    moments = moments_at(belief, group, age, vehicle, ahead)
    found = totals(moments, cost, usage_weight=ahead.weight, total=vehicle)
    for v in range(3):
        of = np.flatnonzero(vehicle == v)
        own = moments_at(belief, group[of], age[of], vehicle[of], ahead)
        mine = CostSpread(cost.median[of], cost.below[of], cost.above[of])
        alone = totals(own, mine, usage_weight=ahead.weight)
        assert found.expected[v] == pytest.approx(alone.expected[0], rel=1e-3)
        assert found.bands[0.8][:, v] == pytest.approx(alone.bands[0.8][:, 0], rel=2e-3)


def test_no_parts_and_nothing_ahead():
    belief = LifeBelief.known(2.0, 10.0)
    none = count_moments(belief, [], [], [])
    assert totals(none, fixed_cost([])).expected.size == 0
    assert grid_total(none, fixed_cost([])).band(0.8) == (0.0, 0.0)
    still = count_moments(belief, [0], [5.0], [0.0])
    assert totals(still, fixed_cost([100.0])).bands[0.8].tolist() == [[0.0], [0.0]]
    assert grid_total(still, fixed_cost([100.0])).band(0.8) == (0.0, 0.0)


@pytest.mark.parametrize(("low", "middle", "high"), [(50.0, 80.0, 200.0), (70.0, 70.0, 70.0)])
def test_costs_meet_their_three_figures(low, middle, high):
    cost = CostSpread.quantiles([low], [middle], [high])
    points = np.sort(cost.points(4_000)[0])
    assert np.quantile(points, [0.1, 0.5, 0.9]) == pytest.approx([low, middle, high], rel=2e-3)
    assert points.mean() == pytest.approx(cost.mean()[0], rel=1e-9)
    assert np.mean(points**2) == pytest.approx(cost.moments()[1, 0], rel=1e-3)


def test_lognormal_cost_has_its_mean_and_moments():
    cost = lognormal_cost([200.0], 0.4)
    sigma = np.sqrt(np.log1p(0.16))
    law = stats.lognorm(sigma, scale=200.0 * np.exp(-(sigma**2) / 2))
    wanted = [law.moment(j) for j in range(1, 4)]
    assert cost.moments()[:, 0] == pytest.approx(wanted, rel=1e-9)


@settings(max_examples=60)
@given(st.floats(0.01, 1.0), st.integers(1, 12), st.floats(0.05, 0.95))
def test_count_law_recovers_a_law_of_its_own_class(first, trials, share):
    # N = 0 with 1 - first, else 1 + binomial(trials, share).
    r = np.arange(trials + 1)
    chance = stats.binom(trials, share).pmf(r)
    number = first * np.sum(chance * (1 + r))
    pairs = first * np.sum(chance * (1 + r) * r)
    law = CountLaw.matching(*(np.array([x]) for x in (first, number, pairs, 0.0)))
    assume(number < 2.0)
    turn = np.exp(-2j * np.pi * np.arange(trials + 2) / (trials + 2))
    found = np.fft.ifft(generating(law, turn)).real
    assert found == pytest.approx(np.concatenate([[1 - first], first * chance]), abs=1e-6)
    falling = np.array([np.prod([1 + r - j for j in range(m)], axis=0) for m in range(1, 4)])
    wanted = first * falling @ chance
    assert law.factorial_moments()[:, 0] == pytest.approx(wanted, rel=1e-6, abs=1e-9)


@settings(max_examples=60)
@given(st.floats(0, 1), st.floats(0, 30), st.floats(0, 2_000), st.floats(0, 6.28))
def test_generating_function_stays_within_the_unit_circle(chance, more, pairs, angle):
    law = CountLaw.matching(*(np.array([x]) for x in (chance, chance + more * chance, pairs, -0.3)))
    z = np.exp(1j * np.array([angle]))
    assert abs(generating(law, z)[0]) <= 1.0 + 1e-9
    assert generating(law, np.array([1.0 + 0j]))[0] == pytest.approx(1.0)


def test_compound_moments_of_a_single_chance():
    one, share = np.ones((1, 1)), np.full((1, 1), 0.3)
    moments = CountMoments(np.array([0]), np.ones(1), one, share, share, 0.0 * one)
    cost = lognormal_cost([50.0], 0.5)
    assert compound(moments, cost)[:, 0, 0] == pytest.approx(0.3 * cost.moments()[:, 0], rel=1e-9)


@given(st.lists(st.floats(-5, 5), min_size=3, max_size=3))
def test_cumulants_and_moments_are_inverse(values):
    k = np.array(values)[:, None]
    assert from_raw(to_raw(k)) == pytest.approx(k, abs=1e-8)


def test_mixture_of_two_poissons():
    # Poisson cumulants all equal the rate; mixture moments from the two laws.
    rates = np.array([[[2.0, 6.0]]] * 3)
    found = mixed(rates, np.array([[0.25, 0.75]]))
    x = np.arange(60)
    chance = 0.25 * stats.poisson(2).pmf(x) + 0.75 * stats.poisson(6).pmf(x)
    raw = np.array([[np.sum(chance * x**j)] for j in range(1, 4)])
    assert found == pytest.approx(from_raw(raw), rel=1e-8)


def test_refusals():
    belief = LifeBelief.known(2.0, 10.0)
    moments = count_moments(belief, [0, 0], [1.0, 2.0], [5.0, 5.0])
    cost = fixed_cost([10.0, 20.0])
    for wrong in (
        lambda: totals(moments, fixed_cost([1.0])),
        lambda: totals(moments, cost, usage_weight=[0.5, 0.5]),
        lambda: totals(moments, cost, total=[0, -1]),
        lambda: totals(moments, cost, levels=(1.5,)),
        lambda: CostSpread.quantiles([5.0], [4.0], [9.0]),
        lambda: CostSpread.quantiles([0.0], [4.0], [9.0]),
    ):
        with pytest.raises(LifeDataError):
            wrong()
