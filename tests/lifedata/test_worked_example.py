"""Part life with parts still running: a worked example of the trade's arithmetic.

Failed at 42,000, 55,000 and 61,000 miles; still running at 30,000 and 70,000. The figures were
computed by hand for the shop-arithmetic notes; every step can be followed on paper.
"""

import numpy as np
import pytest

from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.shrinkage import sufficient
from roadworn_plugins.lifedata.survival import kaplan_meier

AGES = np.array([30_000.0, 42_000.0, 55_000.0, 61_000.0, 70_000.0])
FAILED = np.array([False, True, True, True, False])


def test_survival_after_each_failure_is_three_two_and_one_in_four() -> None:
    curve = kaplan_meier(Lives.from_ages(AGES, FAILED))
    assert curve.age.tolist() == [42_000.0, 55_000.0, 61_000.0]
    assert curve.s == pytest.approx([0.75, 0.50, 0.25])


def test_half_are_gone_between_55000_and_61000_miles() -> None:
    """The curve runs level at one half from 55,000 on, where the trade reads its median."""
    curve = kaplan_meier(Lives.from_ages(AGES, FAILED))
    assert curve.age[np.argmax(curve.s <= 0.5)] == 55_000.0
    assert 55_000.0 <= curve.quantile(0.5)[0][0] <= 61_000.0


def test_the_mean_of_the_failed_alone_is_too_low() -> None:
    """258,000 miles in all over 3 failures: 86,000 a failure, not the 52,667 of the failed."""
    assert AGES[FAILED].mean() == pytest.approx(52_667, abs=0.5)
    seen = sufficient(np.zeros(5), np.zeros(5), AGES, FAILED, 1.0)
    assert seen.exposure / seen.failures == pytest.approx([86_000.0])
