"""Failures between two horizons: exact cases, limits that hold for all, and a simulation.

Without wear failures are a Poisson process: number, pairs and chance in any stretch are its
own (any text, for instance Cox, Renewal Theory (1962), section 1.3). The simulation draws the
lives themselves and knows nothing of the formulas.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.projection.belief import LifeBelief
from roadworn_plugins.projection.renewal import CountMoments, count_moments, increments


def moments(shape: float, age: float, start: float, end: float) -> CountMoments:
    """Of one part whose characteristic life is 1."""
    belief = LifeBelief.known([shape], [1.0])
    earlier, later = (count_moments(belief, [0], [age], [t], nodes=1) for t in (start, end))
    return increments(earlier, later, belief, [end - start])


@pytest.mark.parametrize("age", [0.0, 0.7])
@pytest.mark.parametrize("stretch", [(0.1, 0.2), (0.5, 1.5), (3.0, 5.0)])
def test_without_wear_it_is_poisson(age: float, stretch: tuple[float, float]) -> None:
    found, mean = moments(1.0, age, *stretch), stretch[1] - stretch[0]
    assert found.number[0, 0] == pytest.approx(mean, rel=2e-3)
    assert found.pairs[0, 0] == pytest.approx(mean**2, rel=4e-3)
    assert found.chance[0, 0] == pytest.approx(-np.expm1(-mean), rel=2e-3)


def simulated(shape: float, age: float, start: float, end: float, n: int) -> np.ndarray:
    """Return how many times each of n such parts fails within the stretch."""
    draw = np.random.default_rng(20261120)
    at = (age**shape + draw.exponential(size=n)) ** (1.0 / shape) - age
    came = np.zeros(n)
    while np.any(at <= end):
        came += (at > start) & (at <= end)
        at = at + draw.exponential(size=n) ** (1.0 / shape)
    return came


@pytest.mark.parametrize("shape", [0.8, 1.5, 2.5, 4.0])
@pytest.mark.parametrize("age", [0.1, 0.8, 1.2])
@pytest.mark.parametrize("stretch", [(0.1, 0.2), (0.25, 0.5), (0.75, 1.0)])
def test_simulated_lives_agree(shape: float, age: float, stretch: tuple[float, float]) -> None:
    n = 60_000
    came = simulated(shape, age, *stretch, n)
    found = moments(shape, age, *stretch)
    number, chance, pairs = (float(x[0, 0]) for x in (found.number, found.chance, found.pairs))
    spread = 4.0 * came.std() / np.sqrt(n)  # four standard errors of a mean
    assert number == pytest.approx(came.mean(), abs=spread + 2e-3)
    assert chance == pytest.approx(np.mean(came > 0), abs=spread + 2e-3)
    variance = pairs + number - number**2
    assert variance == pytest.approx(came.var(), rel=0.03, abs=4.0 * np.sqrt(number / n))


@settings(max_examples=150)
@given(
    st.floats(0.6, 5.0), st.floats(0.0, 3.0), st.floats(0.01, 2.0), st.floats(0.001, 2.0)
)  # fmt: skip
def test_every_stretch_has_moments_of_a_count(
    shape: float, age: float, start: float, width: float
) -> None:
    found = moments(shape, age, start, start + width)
    number, chance, pairs = (float(x[0, 0]) for x in (found.number, found.chance, found.pairs))
    assert 0.0 <= chance <= min(number, 1.0) + 1e-12
    assert pairs >= -1e-12
    assert pairs + number - number**2 >= -0.02 * number  # a variance, but for interpolation


def test_horizons_of_other_parts_are_refused() -> None:
    belief = LifeBelief.known([2.0], [1.0])
    one = count_moments(belief, [0], [0.5], [0.1], nodes=1)
    two = count_moments(belief, [0, 0], [0.5, 0.5], [0.2, 0.2], nodes=1)
    with pytest.raises(LifeDataError, match="same parts"):
        increments(one, two, belief, [0.1])
