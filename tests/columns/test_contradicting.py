"""Readings that contradict each other: which are used, and that the reader is told to settle it.

That a vehicle hardly goes 300 km a day for months: common practice, no source.
"""

import numpy as np
import pytest

from roadworn.columns.settling import settle


def used(days, km):
    n = len(km)
    verdicts = settle(np.array(days), np.array(km, float), np.zeros(n), np.full(n, np.nan), 2_500.0)
    return [km[i] for i in range(n) if verdicts.used[i]]


def test_of_two_sets_as_large_the_one_of_a_usual_pace_is_used():
    # 90,000 km in 170 days can be, but is hardly the true one; a good reading was blamed for it.
    assert used([0, 20, 200, 230], [512, 300, 90_000, 1_012]) == [512, 1_012]


@pytest.mark.parametrize(
    ("days", "km", "kept"),
    [
        ([0, 100, 200], [10_000, 14_000, 12_000], [10_000, 14_000]),  # both usual: the earlier
        ([0, 200, 230, 260], [512, 90_000, 1_012, 90_800], [512, 90_000, 90_800]),  # the larger
    ],
)
def test_what_was_settled_before_is_settled_as_before(days, km, kept):
    assert used(days, km) == kept
