"""Turnbull's estimate against published masses and against the conditions of its optimum."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifedata.life_sets import INTERVALS, VALUES, together

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.survival import kaplan_meier
from roadworn_plugins.lifedata.turnbull import turnbull

MASSES = turnbull(together(*INTERVALS))


def survival(g, ages):
    """Survival at ages that lie at the end of a cell or between cells."""
    rows = MASSES.group_slice(g)
    step = np.searchsorted(MASSES.upper[rows], ages, side="right")
    assert np.all(np.append(MASSES.lower[rows], np.inf)[step] >= ages)
    return np.append(1.0, MASSES.s[rows])[step]


@pytest.mark.parametrize("key", INTERVALS)
def test_masses_are_the_published_ones(key):
    """RECOMPUTED: an EM run to 1e-13, with R npsurv agreeing to 8 digits on o06."""
    wanted = sorted(
        (low, np.inf if high is None else high, mass)
        for low, high, mass in VALUES["python"][key]["turnbull_em"]
    )
    at = MASSES.group_slice(tuple(INTERVALS).index(key))
    assert MASSES.lower[at].tolist() == [low for low, _, _ in wanted]
    assert MASSES.upper[at].tolist() == [high for _, high, _ in wanted]
    assert MASSES.mass[at] == pytest.approx([mass for _, _, mass in wanted], abs=1e-9)
    loglik = MASSES.loglik[tuple(INTERVALS).index(key)]
    assert loglik == pytest.approx(VALUES["python"][key]["turnbull_loglik"], abs=1e-9)


def test_radiotherapy_curve_of_the_book():
    """MEMORY (Klein & Moeschberger): but for the last, 0.467, where 0.4656 was recomputed."""
    s = survival(0, np.array([5.0, 7.0, 8.0, 12.0, 25.0, 34.0]))
    assert np.round(s, 3).tolist() == [0.954, 0.920, 0.832, 0.761, 0.668, 0.586]


def test_heat_exchanger_tubes_of_the_book():
    """MEMORY (Meeker & Escobar ch. 3), confirmed by the life table that was RECOMPUTED."""
    s = survival(2, np.array([1.0, 2.0, 3.0]))
    assert np.round(1.0 - s, 4).tolist() == [0.0133, 0.0384, 0.0582]
    assert 1.0 - s == pytest.approx(VALUES["python"]["o07"]["life_table"]["F"], abs=1e-9)


def test_with_exact_ages_it_is_kaplan_and_meiers():
    """Turnbull (1976): without intervals the two estimates are the same."""
    rng = np.random.default_rng(11)
    age, failed = rng.integers(1, 15, 60).astype(float), rng.random(60) < 0.7
    data = Lives.from_ages(age, failed, group=rng.integers(0, 3, 60))
    masses, curve = turnbull(data), kaplan_meier(data)
    for g in range(3):
        cells, steps = masses.group_slice(g), curve.group_slice(g)
        points = np.isfinite(masses.upper[cells])
        assert masses.upper[cells][points].tolist() == curve.age[steps].tolist()
        assert masses.s[cells][points] == pytest.approx(curve.s[steps], abs=1e-9)


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(st.integers(0, 9), st.integers(0, 5), st.booleans(), st.integers(1, 3)),
        min_size=1,
        max_size=25,
    )
)
def test_no_cell_would_raise_the_likelihood(drawn):
    """Gentleman & Geyer (1994): at the maximum no gradient exceeds n; ties on a small grid."""
    lower = np.array([a for a, _, _, _ in drawn], dtype=float)
    width = np.array([w for _, w, _, _ in drawn], dtype=float)
    running = np.array([r for _, _, r, _ in drawn])
    count = np.array([c for _, _, _, c in drawn], dtype=float)
    lower = np.where((lower == 0) & ((width == 0) | running), 1.0, lower)
    upper = np.where(running, np.inf, lower + width)
    found = turnbull(Lives.from_intervals(lower, upper, count=count))
    exact = lower == upper
    # Every point and every gap of the grid that could hold mass.
    points = np.arange(0, 16, dtype=float)
    starts = np.concatenate((points, points[:-1], [15.0]))
    ends = np.concatenate((points, points[1:], [np.inf]))

    def inside(low, high):
        gap = low < high
        within = (lower[:, None] <= low) & (high <= upper[:, None])
        point_in = (lower[:, None] < low) & (low <= upper[:, None])
        own_point = exact[:, None] & (lower[:, None] == low) & ~gap
        return np.where(gap, within & ~exact[:, None], point_in & ~exact[:, None] | own_point)

    share = inside(found.lower, found.upper) @ found.mass
    gradient = (count / share) @ inside(starts, ends)
    assert gradient.max() <= count.sum() * (1.0 + 1e-7)
    assert found.mass.sum() == pytest.approx(1.0, abs=1e-12)
    assert found.s[-1] == 0.0
    assert float(count @ np.log(share)) == pytest.approx(found.loglik[0], abs=1e-9)


def test_many_distinct_intervals_are_solved_from_a_few_cells():
    rng = np.random.default_rng(5)
    life = 50_000.0 * rng.weibull(2.0, 2_000)
    lower, upper = life * rng.uniform(0.3, 1.0, life.size), life * rng.uniform(1.0, 1.6, life.size)
    found = turnbull(Lives.from_intervals(lower, upper))
    inside = (lower[:, None] <= found.lower) & (found.upper <= upper[:, None])
    share = inside @ found.mass
    # The gradient over all gaps between neighbouring ends, found by brute force.
    ends = np.unique(np.concatenate((lower, upper)))
    gaps = (lower[:, None] <= ends[:-1]) & (ends[1:] <= upper[:, None])
    assert ((1.0 / share) @ gaps).max() <= life.size * (1.0 + 1e-7)


def test_late_entry_is_refused_with_the_remedy():
    with pytest.raises(LifeDataError, match="Weibull or lognormal"):
        turnbull(Lives.from_intervals([5.0], [9.0], entry=[2.0]))
