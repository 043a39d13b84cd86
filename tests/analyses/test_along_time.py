"""Observed and expected failures along the calendar.

The limits are checked against Poisson and negative binomial laws of SciPy and one printed
table; that the curves end at the figures of the table, on an invented shop, checks the wiring.
"""

from collections.abc import Iterator
from datetime import date
from typing import Any

import numpy as np
import pytest
from analyses import small_shop
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from roadworn import LedgerView
from roadworn.analysis import Result
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.repeats import REPEAT_FAILURES
from roadworn_plugins.repeats.along_time import (
    CHARTED,
    Counted,
    Places,
    chart_of,
    count_band,
    cusum,
    expected_by,
    renewals,
)
from roadworn_plugins.repeats.levels import Law


# Exact central 95 % ranges of a Poisson count: from cumulative Poisson tables (any handbook;
# typed in from memory): mean 4: P(X <= 0) = .0183, P(X <= 8) = .9786; mean 10: P(X <= 3) =
# .0103, P(X <= 4) = .0293, P(X <= 16) = .9730, P(X <= 17) = .9857.
@pytest.mark.parametrize(("mean", "low", "high"), [(4.0, 1, 8), (10.0, 4, 17)])
def test_a_sure_rate_gives_the_limits_of_poisson_tables(mean: float, low: int, high: int) -> None:
    ends = count_band(np.array([mean]), np.array([0.0]), 0.95)
    assert (ends[0][0], ends[1][0]) == (low, high)


@settings(max_examples=60)
@given(st.floats(0.05, 80.0), st.floats(0.5, 300.0), st.floats(0.6, 0.99))
def test_an_unsure_rate_gives_the_mixture(mean: float, others: float, level: float) -> None:
    """A Poisson count whose mean is Gamma, added up numerically over the Gamma's quantiles."""
    variance = mean**2 / others
    low, high = (float(end[0]) for end in count_band(np.array([mean]), np.array([variance]), level))
    q = (np.arange(4000) + 0.5) / 4000
    means = stats.gamma.ppf(q, others, scale=mean / others)
    for end, tail in ((low, (1 - level) / 2), (high, (1 + level) / 2)):
        assert np.mean(stats.poisson.cdf(end, means)) >= tail - 2e-3
        if end > 0:
            assert np.mean(stats.poisson.cdf(end - 1, means)) < tail + 2e-3


def test_what_would_be_usual_is_laid_along_the_days_of_each_stretch() -> None:
    """Two stretches by hand: 1 failure over days 0 to 100, 2 over days 50 to 250."""
    places = Places(np.array([1.0, 2.0]), np.array([0.0, 50.0]), np.array([100.0, 250.0]), 3.0)
    row = Counted("hub", 1, 3.0, np.array([90.0]), places, 0.04)
    mean, variance = expected_by(row, np.array([0.0, 50.0, 150.0, 250.0, 400.0]))
    assert mean == pytest.approx([0.0, 0.5, 2.0, 3.0, 3.0])
    assert variance == pytest.approx(0.04 * mean**2)


def test_a_cusum_by_hand() -> None:
    """W = max(0, W + failed log 2 - expected), Biswas and Kalbfleisch (2008), from memory.

    Expected 0.5 a month; failed 0, 1, 0, 0, 2, 1, 2. log 2 is 0.6931.
    """
    found = cusum(np.array([0.0, 1, 0, 0, 2, 1, 2]), np.full(7, 0.5), 2.0)
    assert found.score == pytest.approx([0.0, 0.1931, 0.0, 0.0, 0.8863, 1.0794, 1.9657], abs=5e-5)
    # Zero for the last time after the fourth month: it began with the fifth.
    assert found.began == 4


def test_renewals_of_a_constant_hazard_are_its_integral() -> None:
    """A Poisson process: rate 0.02 over 300 gives 6 whatever the age (any text)."""
    law = Law(0, True, 1.0, np.array([0.0, 1e6]), np.array([0.0, 2e4]))
    found = renewals(law, 1.0, np.array([0.0, 70.0]), np.array([300.0, 300.0]))
    assert found == pytest.approx([6.0, 6.0], rel=0.01)


def test_renewals_of_wear_are_those_of_played_lives() -> None:
    """Weibull lives of shape 2, scale 100, played over 250 from new and from an age of 60."""
    law = Law(0, True, 2.0, np.array([0.0, 1e8]), np.array([0.0, 1e4]))
    rng = np.random.default_rng(3)
    for age in (0.0, 60.0):
        count, runs = 0, 20_000
        first = 100.0 * np.sqrt((age / 100.0) ** 2 + rng.exponential(size=runs)) - age
        at = first
        while np.any(at <= 250.0):
            count += int(np.sum(at <= 250.0))
            at = at + 100.0 * rng.weibull(2.0, runs)
        found = renewals(law, 1.0, np.array([age]), np.array([250.0]))
        assert found[0] == pytest.approx(count / runs, rel=0.015)


def test_a_long_curve_is_thinned_and_stays_right_where_it_is_drawn() -> None:
    n = 1000
    places = Places(np.array([5.0]), np.array([0.0]), np.array([n * 1.0]), 5.0)
    row = Counted("hub", n, 5.0, np.arange(n) + 0.5, places, 0.0)
    ((chart,), start) = chart_of([row]), date(1970, 1, 1)
    steps = chart.series[0]
    assert len(steps.x) <= 242
    assert steps.y[-1] == n
    for day, height in zip(steps.x[1:-1], steps.y[1:-1], strict=True):
        assert isinstance(day, date)
        assert abs((day - start).days - height) <= 1  # one fails a day


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LedgerView]:
    with view_of(
        small_shop.events(), tmp_path_factory.mktemp("shop"), as_of=small_shop.TODAY
    ) as view:
        yield view


@pytest.fixture(scope="module")
def found(shop: LedgerView) -> Result:
    return check_analysis(REPEAT_FAILURES, shop)


def test_the_curves_end_at_the_figures_of_the_table(found: Result) -> None:
    (chart,) = found.charts
    rows = found.table("repeat_failures").records()[:CHARTED]
    observed = [one for one in chart.series if not one.of]
    expected = {one.of: one for one in chart.series if one.of}
    assert len(observed) == len(rows) > 1
    for row, one in zip(rows, observed, strict=True):
        usual = expected[one.name]
        assert one.y[-1] == row["failed"]
        assert usual.y[-1] == pytest.approx(row["expected"], abs=0.0051)  # the table's rounding
        assert one.y[-1] > usual.y[-1]  # it would not be listed otherwise
        days = [day for day in one.x if isinstance(day, date)]
        assert days == sorted(days)
        assert days[-1] <= date.fromisoformat(small_shop.TODAY)


def test_the_curves_only_rise(found: Result) -> None:
    for one in found.charts[0].series:
        assert np.all(np.diff(one.y) >= -1e-9)
        assert all(low <= high for low, high in zip(one.low, one.high, strict=True))


def test_nothing_listed_is_no_chart(tmp_path: Any) -> None:
    events = [event("van-1", "enrolment", "2024-01-01", odometer=0, parts="original")]
    with view_of(events, tmp_path, as_of="2025-01-01") as view:
        assert check_analysis(REPEAT_FAILURES, view).charts == ()
