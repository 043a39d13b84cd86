"""Benjamini-Hochberg against the worked example of its paper and against SciPy."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from roadworn_plugins.lifedata.checked import LifeDataError
from roadworn_plugins.lifedata.counts import benjamini_hochberg, benjamini_yekutieli

DATA = Path(__file__).parents[1] / "reference" / "life_data" / "o16_bh1995_pvalues.csv"
P_LISTS = st.lists(st.floats(0, 1), min_size=1, max_size=40)
# R p.adjust, statsmodels and SciPy agree to 1e-13 on these (VALUES o16, recomputed).
BH = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.06385714285714286, 0.06385714285714286, 0.0645]
BH += [0.0765, 0.486, 0.5811818181818182, 0.714875, 0.7532307692307693, 0.8132142857142857, 1.0]
BY = [0.004977343489843491, 0.009954686979686982, 0.03152317543567544, 0.11821190788378289]
BY += [0.20008920829170831, 0.21189262285333715, 0.21189262285333715, 0.2140257700632701]
BY += [0.253844517982018, 1, 1, 1, 1, 1, 1]


def example():
    with DATA.open(encoding="utf-8") as file:
        return np.array([float(row["p_value"]) for row in csv.DictReader(file)])


def test_worked_example_rejects_the_four_smallest():
    # Benjamini and Hochberg (1995), section 4: at 0.05 the four smallest are rejected (read).
    adjusted = benjamini_hochberg(example())
    assert (adjusted <= 0.05).tolist() == [True] * 4 + [False] * 11
    assert adjusted == pytest.approx(BH, rel=1e-12)


def test_any_dependence_variant():
    assert benjamini_yekutieli(example()) == pytest.approx(BY, rel=1e-10)


@given(P_LISTS)
def test_equals_scipy_in_any_order(p):
    expected = stats.false_discovery_control(p, method="bh")
    assert benjamini_hochberg(p) == pytest.approx(expected, rel=1e-12, abs=1e-300)


@given(P_LISTS, st.randoms(use_true_random=False))
def test_monotone_and_follows_a_permutation(p, random):
    adjusted = benjamini_hochberg(p)
    order = np.argsort(p, kind="stable")
    assert np.all(np.diff(adjusted[order]) >= 0)
    assert np.all(adjusted >= np.asarray(p) * (1 - 1e-15))
    shuffle = list(range(len(p)))
    random.shuffle(shuffle)
    assert benjamini_hochberg(np.array(p)[shuffle]).tolist() == adjusted[shuffle].tolist()


def test_nothing_tested_gives_nothing():
    assert benjamini_hochberg([]).shape == (0,)


@pytest.mark.parametrize(
    ("p", "words"),
    [([np.nan], "finite"), ([1.1], "above 1"), ([-0.1], "at least 0"), (0.5, "flat")],
)
def test_refusals(p, words):
    with pytest.raises(LifeDataError, match=words):
        benjamini_hochberg(p)
