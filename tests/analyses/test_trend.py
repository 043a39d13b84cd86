"""Getting worse or better: later half against earlier, by hand and against SciPy's binomial."""

from collections.abc import Sequence

import numpy as np
import pytest
from scipy import stats

from roadworn_plugins.repeats.along_time import DatedLives, judged


def lives(ages: Sequence[float], ends: Sequence[float], failed: Sequence[bool]) -> DatedLives:
    """Return lives from new that cover one unit of distance a day."""
    leaving, last = np.array(ages), np.array(ends)
    return DatedLives(np.zeros(leaving.size), leaving, np.array(failed), last - leaving, last)


def test_chance_is_the_exact_binomial_one() -> None:
    """Constant hazard, so exposure is days: 8 lives of 100 days, 10 failures late, 2 early."""
    ages = [50.0] * 16
    ends = [50.0 + 100.0 * (i % 2) for i in range(16)]
    failed = [True, True] + [bool(i % 2) for i in range(14)]
    found = judged(lives(ages, ends, failed), middle=75.0, shape=1.0)
    # Odd ones run from day 100 to 150, all after day 75; even ones before it.
    later = sum(failed[i] for i in range(16) if i % 2)
    assert found.later == later
    assert found.expected == pytest.approx(sum(failed) / 2)
    assert found.p == pytest.approx(stats.binomtest(later, sum(failed), 0.5).pvalue)
    assert found.words == "getting worse"


def test_a_life_across_the_middle_is_shared_out_by_its_clock() -> None:
    """Shape 2: of a life of 100 cut at 50 a quarter of the exposure is early."""
    found = judged(lives([100.0] * 8, [100.0] * 8, [True] * 8), middle=50.0, shape=2.0)
    assert found.expected == pytest.approx(6.0)
    assert found.words == "no clear change"


def test_wear_alone_is_no_trend() -> None:
    """Parts that all wear out late in the record have their exposure there too."""
    rng = np.random.default_rng(4)
    named = 0
    for _ in range(200):
        age = 900.0 * rng.weibull(3.0, 30)
        end = np.minimum(age, 1000.0)
        found = judged(lives(end, end, age <= 1000.0), middle=500.0, shape=3.0)
        named += found.words != "no clear change"
    # 5 % of 200 are 10; 18 or more has a chance of about 1 %.
    assert named < 18


def test_all_on_one_side_cannot_be_told() -> None:
    found = judged(lives([10.0] * 8, [10.0] * 8, [True] * 8), middle=20.0, shape=1.0)
    assert (found.words, found.p) == ("too few to tell", 1.0)
