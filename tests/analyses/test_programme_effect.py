"""Before and after a change: against lifelines and a published trial, found and not invented."""

import random
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from builders import enrolled
from lifelines import WeibullAFTFitter
from lifelines.statistics import logrank_test

from roadworn import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.programme_effect import PROGRAMME_EFFECT, compare, verdict

TRIAL = Path(__file__).parents[1] / "reference" / "life_data" / "o15_leukemia_remission_weeks.csv"


def test_a_published_trial_is_found_to_work() -> None:
    """Remission under 6-MP and without (Freireich et al. 1963; Gehan, Biometrika 52 (1965)
    203-223): chi-square 16.79, 19.25 expected under 6-MP where 9 relapsed. Test by lifelines and
    the ratio of lives by its Weibull regression."""
    rows = pd.read_csv(TRIAL, comment="#")
    after = (rows["group"] == "6-MP").to_numpy()
    weeks, failed = rows["time_weeks"].to_numpy(float), rows["relapsed"].to_numpy(bool)
    found = compare(np.zeros(len(rows)), weeks, failed, after, [""] * len(rows))
    assert found.test is not None
    assert found.ratio is not None
    wanted = logrank_test(weeks[after], weeks[~after], failed[after], failed[~after])
    assert found.test.chi_square == pytest.approx(wanted.test_statistic, rel=1e-6)
    assert found.test.chi_square == pytest.approx(16.79, abs=0.005)
    assert found.test.expected[0] == pytest.approx(19.25, abs=0.005)
    table = pd.DataFrame({"weeks": weeks, "failed": failed, "after": after.astype(float)})
    fit = WeibullAFTFitter().fit(table, "weeks", "failed").summary.loc[("lambda_", "after")]
    limits = ("coef", "coef lower 95%", "coef upper 95%")
    assert np.log(found.ratio) == pytest.approx([fit[name] for name in limits], rel=2e-3)
    assert verdict(found) == "works"


def test_late_entry_counts_as_lifelines_counts_it() -> None:
    dice = np.random.default_rng(4)
    life, entry = 20 * dice.weibull(2.0, 400), dice.uniform(0, 8, 400)
    leaving, after = np.minimum(life, 25.0), dice.uniform(size=400) < 0.5
    seen = leaving > entry
    entry, leaving, after = entry[seen], leaving[seen], after[seen]
    failed = leaving < 25.0
    found = compare(entry, leaving, failed, after, [""] * len(entry))
    table = pd.DataFrame({"t": leaving, "e": failed, "x": after.astype(float), "w": entry})
    fit = WeibullAFTFitter().fit(table, "t", "e", entry_col="w").summary.loc[("lambda_", "x")]
    assert found.ratio is not None
    assert np.log(found.ratio[0]) == pytest.approx(fit["coef"], abs=2e-3)


def test_without_an_effect_it_is_found_at_most_once_in_twenty() -> None:
    dice = np.random.default_rng(8)
    told = []
    for _ in range(300):
        life, after = 20 * dice.weibull(2.2, 120), np.arange(120) % 3 == 0
        # Parts fitted since have been watched for less time.
        end = np.where(after, dice.uniform(0, 18, 120), dice.uniform(5, 60, 120))
        found = compare(np.zeros(120), np.minimum(life, end), life <= end, after, [""] * 120)
        told.append(verdict(found))
    assert told.count("works") + told.count("worse") <= 22  # 15, and 1.9 standard errors


BEFORE, AFTER, SINCE = 17_860.0, 32_500.0, date(2022, 3, 1)


def fleet(before: float, after: float, seed: int = 1) -> Iterator[NewEvent]:
    """Sixty vans of 30,000 km a year, linings by a Weibull law of shape 3 with these means."""
    dice = random.Random(seed)
    for number in range(60):
        van = f"van-{number}"
        yield enrolled(van, "2019-01-01", odometer=5, unit="km", vehicle_class="van")
        km = 5.0
        while True:
            on = date(2019, 1, 1) + timedelta(days=km / 30_000 * 365.25)
            mean = after if on >= SINCE else before
            km += mean / 0.89298 * dice.weibullvariate(1.0, 3.0)  # Gamma(1 + 1/3) = 0.89298
            on = date(2019, 1, 1) + timedelta(days=km / 30_000 * 365.25)
            if on >= date(2024, 6, 1):
                break
            supplier = "Quay" if on >= SINCE else "Harbour"
            yield event(van, "replacement", on.isoformat(), odometer=km, unit="km",
                        component="brake.shoe", position="rear", reason="worn_out",
                        supplier=supplier)  # fmt: skip
        yield event(van, "odometer_reading", "2024-06-01", odometer=162_000.0, unit="km")


def test_a_lining_that_works_is_found_with_its_lives(tmp_path: Path) -> None:
    settings = {"component": "brake.shoe", "since": SINCE.isoformat()}
    with view_of(fleet(BEFORE, AFTER), tmp_path, as_of="2024-06-02") as view:
        found = check_analysis(PROGRAMME_EFFECT, view, settings)
    assert str(found.headline).startswith("It works")
    before, after = found.table("programme_effect").records()
    for row, mean in ((before, BEFORE), (after, AFTER)):
        assert row["low"] < mean < row["high"]
    ratio = found.estimates[0]
    assert ratio.low < AFTER / BEFORE < ratio.high
    # The supplier changed with it, which the ledger cannot tell apart.
    assert any("Quay" in str(caveat) for caveat in found.caveats)


def test_a_change_that_does_nothing_is_not_said_to_work(tmp_path: Path) -> None:
    settings = {"component": "brake.shoe", "since": SINCE.isoformat()}
    with view_of(fleet(BEFORE, BEFORE, 6), tmp_path, as_of="2024-06-02") as view:
        found = check_analysis(PROGRAMME_EFFECT, view, settings)
    assert "works" not in str(found.headline)


def test_it_asks_for_what_it_must_know_and_says_when_there_is_too_little(tmp_path: Path) -> None:
    with view_of([enrolled("van-1", "2022-01-01")], tmp_path, as_of="2024-06-02") as view:
        assert "since=" in str(check_analysis(PROGRAMME_EFFECT, view).headline)
        named = {"component": "brake.shoe", "since": "2023-01-01"}
        told = str(check_analysis(PROGRAMME_EFFECT, view, named).headline)
    assert told.startswith("Cannot be told yet")


def test_a_change_at_one_axle_is_held_against_that_axle(tmp_path: Path) -> None:
    """Rear linings that last longer since, front ones that do not: told apart by their place."""
    front = (
        one.model_copy(update={"payload": {**one.payload, "position": "front"}})
        for one in fleet(BEFORE, BEFORE, 5)
        if one.kind == "replacement"
    )
    since = {"component": "brake.shoe", "since": SINCE.isoformat()}
    with view_of([*fleet(BEFORE, AFTER, 4), *front], tmp_path, as_of="2024-06-02") as view:
        rear, unchanged = (
            check_analysis(PROGRAMME_EFFECT, view, {**since, "position": place}).estimates[0]
            for place in ("rear", "front")
        )
    assert rear.low is not None
    assert rear.high is not None
    assert rear.low < AFTER / BEFORE < rear.high
    assert unchanged.low is not None
    assert unchanged.high is not None
    assert unchanged.low < 1.0 < unchanged.high
