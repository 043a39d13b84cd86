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
    DatedLives,
    Rate,
    chart_of,
    count_band,
    expected_by,
)


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


def test_exposure_is_laid_along_the_days_it_came_from() -> None:
    """Two lives by hand, shape 2: one from 0 to 10 thousand km in 100 days, failed; one from 5
    to 15 in 200 days, still running. Rates 0.01 and 0.02 a squared thousand km."""
    lives = DatedLives(
        vehicle_class=np.array(["bus", "van"]),
        entry=np.array([0.0, 5.0]),
        lower=np.array([10.0, 15.0]),
        leaving=np.array([10.0, 15.0]),
        failed=np.array([True, False]),
        first=np.array([0.0, 50.0]),
        last=np.array([100.0, 250.0]),
    )
    rates = {"bus": Rate(0.01, 1000.0), "van": Rate(0.02, 500.0)}
    row = Counted("hub", 1, 5.0, lives, rates, 2.0)
    mean, variance = expected_by(row, np.array([0.0, 50.0, 150.0, 250.0, 400.0]))
    bus = np.array([0.0, 25.0, 100.0, 100.0, 100.0])
    van = np.array([0.0, 0.0, 75.0, 200.0, 200.0])
    assert mean == pytest.approx(0.01 * bus + 0.02 * van)
    assert variance == pytest.approx(bus**2 * 0.01 / 1000.0 + van**2 * 0.02 / 500.0)


def test_a_long_curve_is_thinned_and_stays_right_where_it_is_drawn() -> None:
    n = 1000
    lives = DatedLives(
        vehicle_class=np.full(n, "bus"),
        entry=np.zeros(n),
        lower=np.ones(n),
        leaving=np.ones(n),
        failed=np.ones(n, dtype=bool),
        first=np.arange(n) - 0.5,
        last=np.arange(n) + 0.5,
    )
    row = Counted("hub", n, 5.0, lives, {"bus": Rate(0.01, 1000.0)}, 2.0)
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
        assert one.y[-1] > usual.high[-1]  # it would not be listed otherwise
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
