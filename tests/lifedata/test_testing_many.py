"""SciPy's adjustment for many tests against the worked example of its paper."""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import false_discovery_control

DATA = Path(__file__).parents[1] / "reference" / "life_data" / "o16_bh1995_pvalues.csv"
# R p.adjust, statsmodels and SciPy agree to 1e-13 on these (VALUES o16, recomputed).
BH = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.06385714285714286, 0.06385714285714286, 0.0645]
BH += [0.0765, 0.486, 0.5811818181818182, 0.714875, 0.7532307692307693, 0.8132142857142857, 1.0]


def test_worked_example_rejects_the_four_smallest():
    # Benjamini and Hochberg (1995), section 4: at 0.05 the four smallest are rejected (read).
    with DATA.open(encoding="utf-8") as file:
        p = np.array([float(row["p_value"]) for row in csv.DictReader(file)])
    adjusted = false_discovery_control(p)
    assert (adjusted <= 0.05).tolist() == [True] * 4 + [False] * 11
    assert adjusted == pytest.approx(BH, rel=1e-12)
