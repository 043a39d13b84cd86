"""The band of a total cost, against every outcome counted one by one."""

from itertools import product

import numpy as np
import pytest

from roadworn_plugins.totals import cost_band


def enumerated(chance: list[float], cost: list[float], q: float) -> float:
    """Return the quantile of the total over all 2^n outcomes."""
    outcomes = []
    for falls in product((0, 1), repeat=len(chance)):
        weight = np.prod([p if f else 1 - p for p, f in zip(chance, falls, strict=True)])
        outcomes.append((sum(c for c, f in zip(cost, falls, strict=True) if f), weight))
    outcomes.sort()
    reached = 0.0
    for total, weight in outcomes:
        reached += weight
        if reached >= q - 1e-12:
            return float(total)
    raise AssertionError


@pytest.mark.parametrize("seed", range(6))
def test_band_is_that_of_all_outcomes(seed: int) -> None:
    rng = np.random.default_rng(seed)
    chance, cost = rng.uniform(0.05, 0.7, 11).tolist(), rng.uniform(30, 900, 11).tolist()
    low, high = cost_band(np.array(chance), np.array(cost), 0.8)
    step = sum(cost) / 1998
    assert low == pytest.approx(enumerated(chance, cost, 0.1), abs=12 * step)
    assert high == pytest.approx(enumerated(chance, cost, 0.9), abs=12 * step)


def test_nothing_to_fail_costs_nothing() -> None:
    assert cost_band(np.zeros(0), np.zeros(0), 0.8) == (0.0, 0.0)
    assert cost_band(np.zeros(3), np.full(3, 100.0), 0.8) == (0.0, 0.0)


def test_what_is_certain_has_no_band() -> None:
    low, high = cost_band(np.ones(2), np.array([100.0, 250.0]), 0.8)
    assert low == pytest.approx(350.0, rel=2e-3)
    assert high == pytest.approx(350.0, rel=2e-3)
