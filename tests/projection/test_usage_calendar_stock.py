"""Distance ahead, month by month, and parts on the shelf.

Against SciPy's lognormal and count laws, adaptive quadrature, and plain simulation. A Poisson
process with a Gamma rate has negative binomial counts (any handbook).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from projection.made import moments_at, over_distances
from projection.simulated import counts
from scipy import integrate, stats

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.projection.belief import LifeBelief, distance_ahead
from roadworn_plugins.projection.count_law import stock
from roadworn_plugins.projection.renewal import calendar, count_moments, over_usage

BELIEF = LifeBelief.gamma([2.5, 1.0, 3.0], [6.0, 4.0, 30.0], [6e4, 400.0, 30 * 3.0**3])


@settings(max_examples=50)
@given(st.floats(0.1, 10), st.floats(0, 0.5), st.floats(0, 1.5), st.floats(1, 60))
def test_distance_has_its_mean_and_spread(pace, lasting, monthly, months):
    ahead = distance_ahead([pace], months, sd_pace=lasting * pace, sd_month=monthly * pace, nodes=9)
    mean = ahead.mean()[0]
    second = ahead.weight @ ahead.distance[:, 0] ** 2
    assert mean == pytest.approx(pace * months, rel=1e-12)
    wanted = pace**2 * (lasting**2 * months**2 + monthly**2 * months)
    assert second - mean**2 == pytest.approx(wanted, rel=2e-2, abs=1e-9)


def test_chance_is_averaged_over_the_lognormal_distance():
    ahead = distance_ahead([1.5], 36.0, sd_pace=0.4, nodes=7)
    found = over_distances(BELIEF, [0], [30.0], [0], ahead)
    sigma = np.sqrt(np.log1p((0.4 / 1.5) ** 2))
    law = stats.lognorm(sigma, scale=54.0 * np.exp(-(sigma**2) / 2))

    def weighted(km):
        return law.pdf(km) * BELIEF.chance(0, 30.0, km)

    assert found.chance[0] == pytest.approx(integrate.quad(weighted, 0, 400)[0], abs=2e-5)
    assert found.chance[0] != pytest.approx(BELIEF.chance(0, 30.0, 54.0), abs=1e-3)


def test_without_spread_all_nodes_are_the_mean():
    ahead = distance_ahead([0.0, 2.0], [12.0, 24.0])
    assert ahead.distance == pytest.approx(np.broadcast_to([[0, 0], [24, 48]], (5, 2, 2)))


def fleet():
    rng = np.random.default_rng(5)
    vehicle, group = np.repeat(np.arange(8), 3), np.tile([0, 1, 2], 8)
    age = rng.uniform(0, 40, 24) * np.where(group == 2, 0.05, 1.0)
    cost = rng.uniform(50, 500, 24)
    return vehicle, group, age, cost


def test_calendar_adds_up_to_the_expected_failures():
    vehicle, group, age, cost = fleet()
    months = np.arange(1.0, 13.0)
    ahead = distance_ahead(np.linspace(0.5, 3.0, 8), months, sd_pace=0.2, nodes=3)
    found = calendar(BELIEF, group, age, vehicle, ahead, cost)
    alone = over_distances(BELIEF, group, age, vehicle, ahead)
    for v in range(8):
        of = vehicle == v
        each = np.diff(alone.number[of], prepend=0.0, axis=1)
        assert found.number[v] == pytest.approx(each.sum(axis=0), abs=2e-4)
        assert found.cost[v] == pytest.approx(cost[of] @ each, rel=2e-3, abs=0.1)
    assert found.chance == pytest.approx(alone.chance[:, -1], rel=1e-12)
    by_part = calendar(BELIEF, group, age, vehicle, ahead, cost, row=group)
    assert by_part.number.sum() == pytest.approx(found.number.sum())


def test_a_part_that_lives_two_months_fails_evenly_in_the_end():
    # Elementary renewal theorem: in each month distance / mean life failures.
    ahead = distance_ahead([1.5], np.arange(1.0, 37.0), nodes=1)
    belief = LifeBelief.known(3.0, 3.0)
    found = calendar(belief, [0], [0.0], [0], ahead, [100.0])
    mean = 3.0 * 0.8929795115692493  # Gamma(4/3), any table
    assert found.number[0, -6:] == pytest.approx(1.5 / mean, rel=1e-3)
    assert found.number[0, 0] == pytest.approx(1 - np.exp(-((1.5 / 3) ** 3)), abs=2e-3)


def test_missing_price_counts_but_costs_nothing():
    ahead = distance_ahead([1.5], [12.0])
    found = calendar(BELIEF, [0], [40.0], [0], ahead, [np.nan])
    assert found.number[0, 0] > 0.01
    assert found.cost[0, 0] == 0.0


def test_stock_of_random_parts_is_negative_binomial():
    for places in (40, 400):  # below and above the number from which sums are matched
        belief = LifeBelief.gamma(1.0, 6.0, 6.0 * 100.0)
        new, ahead = np.zeros(places), np.full(places, 20.0)
        moments = count_moments(belief, np.zeros(places, int), new, ahead, nodes=25)
        held = stock(moments)
        law = stats.nbinom(6.0, 6.0 / (6.0 + places * 0.2))
        assert held.expected == pytest.approx(places * 0.2, rel=1e-3)
        for service in (0.5, 0.8, 0.9, 0.95, 0.99):
            assert abs(held.to_hold(service) - law.ppf(service)) <= max(1, 0.03 * law.ppf(service))


@pytest.mark.parametrize("places", [12, 150])
def test_stock_of_wearing_parts_equals_simulation(places):
    rng = np.random.default_rng(6)
    age = rng.uniform(0.0, 60.0, places)
    moments = count_moments(
        LifeBelief.known(2.5, 70.0), np.zeros(places, int), age, np.full(places, 25)
    )
    draws = 20_000
    needed = sum(counts(rng, 2.5, 70.0, a, 25.0, draws) for a in age)
    held = stock(moments)
    size = max(held.chance.size, needed.max() + 1)
    reached = np.cumsum(np.pad(held.chance, (0, size - held.chance.size)))
    drawn = np.cumsum(np.bincount(needed, minlength=size)) / draws
    assert np.abs(reached - drawn).max() < 0.015
    pairs = stock(moments, pieces=np.full(places, 2.0))
    assert pairs.to_hold(0.9) == 2 * held.to_hold(0.9)


def test_stock_over_usage_and_without_places():
    ahead = distance_ahead([1.0, 2.0], 12.0, sd_pace=0.3)
    moments = moments_at(BELIEF, [0, 2], [20.0, 1.0], [0, 1], ahead)
    averaged = over_usage(moments, ahead.weight)
    wanted = ahead.weight @ np.array([m.mean() for m in moments])
    assert averaged.mean() == pytest.approx(wanted)
    assert stock(averaged).expected == pytest.approx(wanted.sum())
    nothing = stock(count_moments(BELIEF, [], [], []))
    assert nothing.to_hold(0.99) == 0
    assert nothing.expected == 0.0


def test_refusals():
    ahead = distance_ahead([1.0], [12.0, 24.0])
    falling = distance_ahead([1.0], [24.0, 12.0])
    moments = count_moments(BELIEF, [0], [1.0], [5.0])
    for wrong in (
        lambda: distance_ahead([-1.0], 12.0),
        lambda: distance_ahead([1.0], 12.0, sd_pace=9.0),
        lambda: distance_ahead([1.0], 12.0, nodes=0),
        lambda: calendar(BELIEF, [0], [1.0], [0], falling, [1.0]),
        lambda: calendar(BELIEF, [0], [1.0], [0], ahead, [-1.0]),
        lambda: calendar(BELIEF, [0], [1.0], [0], ahead, [1.0, 2.0]),
        lambda: stock(moments, pieces=[0.5]),
        lambda: stock(moments).to_hold(1.0),
        lambda: count_moments(BELIEF, [3], [1.0], [1.0]),
    ):
        with pytest.raises(LifeDataError):
            wrong()
