"""Seasons: the score test against SciPy, exposure against days counted, a planted wave found.

The wave and its size are planted here; nothing published says how a fleet's batteries fail.
"""

import random
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from builders import enrolled
from scipy import stats

from roadworn import NewEvent
from roadworn.columns.view import LedgerView
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.seasons import SEASONS, watched_by_month, wave_chance


def test_the_chance_is_that_of_two_independent_waves() -> None:
    """With even exposure the score is that of a mean cosine and sine: chi square with 2 degrees."""
    failures = np.array([9.0, 7, 5, 3, 2, 2, 1, 3, 4, 5, 7, 8])
    angle = 2 * np.pi * (np.arange(12) + 0.5) / 12
    n = failures.sum()
    statistic = 2.0 / n * ((failures @ np.cos(angle)) ** 2 + (failures @ np.sin(angle)) ** 2)
    assert wave_chance(failures, np.full(12, 30.0)) == pytest.approx(stats.chi2.sf(statistic, 2))


def test_where_there_is_no_wave_the_chance_is_even() -> None:
    dice = np.random.default_rng(5)
    exposure = np.linspace(10.0, 60.0, 12)
    chances = [wave_chance(dice.poisson(exposure / 8).astype(float), exposure) for _ in range(400)]
    assert stats.kstest(chances, "uniform").pvalue > 0.01


def test_days_are_counted_by_month() -> None:
    start, end = date(2020, 5, 20), date(2022, 11, 3)
    counted = np.zeros(12)
    for n in range((end - start).days):
        counted[(start + timedelta(days=n)).month - 1] += 1
    ends = (np.array([float((day - date(1970, 1, 1)).days)]) for day in (start, end))
    found = watched_by_month(*ends)
    assert found.sum() == pytest.approx(counted.sum())
    assert (
        np.abs(found - counted).max() < 6.0
    )  # months are twelfths here: February is two days short


def fleet() -> Iterator[NewEvent]:
    """Batteries that fail with 1 + 0.8 cos of the year, alternators that know no season."""
    dice = random.Random(4)
    for number in range(80):
        van = f"van-{number}"
        yield enrolled(
            van,
            "2018-01-01",
            odometer=5,
            unit="km",
            vehicle_class="van",
            parts="original",
            in_service_date="2018-01-01",
        )
        for component, size in (("electrical.battery", 0.8), ("electrical.alternator", 0.0)):
            for days in range(1, 6 * 365):
                turn = 2 * np.pi * (days - 15) / 365.25
                if dice.random() < (1 + size * np.cos(turn)) / (3 * 365):
                    on = date(2018, 1, 1) + timedelta(days=days)
                    yield event(van, "replacement", on.isoformat(), odometer=50.0 * days, unit="km",
                                component=component, reason="failed")  # fmt: skip
        yield event(van, "odometer_reading", "2024-01-02", odometer=110_000.0, unit="km")


@pytest.fixture(scope="module")
def view(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LedgerView]:
    with view_of(fleet(), tmp_path_factory.mktemp("seasons"), as_of="2024-01-03") as opened:
        yield opened


def test_a_planted_season_is_found_and_no_other(view: LedgerView) -> None:
    found = check_analysis(SEASONS, view, {})
    battery, alternator = found.table("seasons").records()
    assert battery["component"] == "electrical.battery"
    assert battery["month"] in {"December", "January", "February"}
    assert float(str(battery["low"])) < 1.8 < float(str(battery["high"]))
    assert str(battery["words"]).startswith("by the season")
    assert str(alternator["words"]).startswith("no season")
    assert "battery" in str(found.headline)


def test_too_few_failures_show_no_season(tmp_path: Path) -> None:
    with view_of([enrolled("van-1", "2022-01-01")], tmp_path, as_of="2024-06-02") as empty:
        found = check_analysis(SEASONS, empty, {})
    assert found.tables == ()
    assert "no season can be seen yet" in str(found.headline)
