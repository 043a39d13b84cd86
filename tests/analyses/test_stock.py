"""What to hold: quantiles against SciPy, expectations those of next-repairs, depots apart."""

import random
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from builders import enrolled, usd
from scipy import stats

from roadworn import NewEvent
from roadworn.columns.view import LedgerView
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.ahead import NEXT_REPAIRS
from roadworn_plugins.stock import STOCK, reorder_point


@pytest.mark.parametrize("service", [0.9, 0.95, 0.99])
@pytest.mark.parametrize("mean", [0.04, 1.4, 37.0])
def test_the_reorder_point_is_the_quantile(mean: float, service: float) -> None:
    """Poisson, and negative binomial of the same mean and a given variance, by SciPy."""
    assert reorder_point(mean, mean, service) == stats.poisson.ppf(service, mean)
    variance = mean + 0.3 * mean**2
    law = stats.nbinom(mean**2 / (variance - mean), mean / variance)
    assert law.var() == pytest.approx(variance)
    assert reorder_point(mean, variance, service) == law.ppf(service)


def fleet() -> Iterator[NewEvent]:
    """Thirty vans at two depots, 24,000 km a year, batteries and shoes by Weibull laws."""
    dice = random.Random(9)
    for number in range(30):
        van = f"van-{number}"
        depot = "North" if number < 20 else "South"
        yield enrolled(van, "2021-01-01", odometer=5, unit="km", vehicle_class="van", depot=depot)
        for component, mean in (("brake.shoe", 30_000), ("electrical.battery", 60_000)):
            km = 0.0
            while (km := km + dice.weibullvariate(mean, 2.5)) < 84_000:
                on = date(2021, 1, 1) + timedelta(days=km / 24_000 * 365.25)
                place = {"position": "rear"} if component == "brake.shoe" else {}
                yield event(van, "replacement", on.isoformat(), odometer=km, unit="km",
                            component=component, reason="failed",
                            parts_cost=usd("90.00"), **place)  # fmt: skip
        yield event(van, "odometer_reading", "2024-07-02", odometer=84_000.0, unit="km")


@pytest.fixture(scope="module")
def view(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LedgerView]:
    with view_of(fleet(), tmp_path_factory.mktemp("stock"), as_of="2024-07-03") as opened:
        yield opened


def test_what_is_expected_is_what_next_repairs_expects(view: LedgerView) -> None:
    year = check_analysis(STOCK, view, {"lead_time": 365.25 - 0.25, "service": 0.95})
    said = check_analysis(NEXT_REPAIRS, view, {"months": 365 / 365.25 * 12, "past_days": 0})
    wanted = {row["component"]: row["expected"] for row in said.table("stock").records()}
    got = {row["component"]: row["expected"] for row in year.table("stock").records()}
    assert set(got) == {"brake.shoe", "electrical.battery"}
    for component, expected in got.items():
        assert expected == pytest.approx(wanted[component], abs=0.006)


def test_a_longer_lead_time_and_more_certainty_take_more(view: LedgerView) -> None:
    def held(days: float, service: float) -> int:
        found = check_analysis(STOCK, view, {"lead_time": days, "service": service})
        return sum(int(str(row["reorder"])) for row in found.table("stock").records())

    assert held(7, 0.95) < held(60, 0.95) < held(60, 0.995)


def test_depots_apart_take_more_than_one_place(view: LedgerView) -> None:
    whole = check_analysis(STOCK, view, {"lead_time": 30})
    found = check_analysis(STOCK, view, {"lead_time": 30, "by": "depot"})
    rows = [row for row in found.table("stock").records() if row["component"] == "brake.shoe"]
    assert {row["depot"]: row["fitted"] for row in rows} == {"North": 20, "South": 10}
    one = next(r for r in whole.table("stock").records() if r["component"] == "brake.shoe")
    assert sum(row["expected"] for row in rows) == pytest.approx(one["expected"], abs=0.02)
    assert sum(row["reorder"] for row in rows) > one["reorder"]
    assert any("one place" in str(caveat) for caveat in found.caveats)


def test_an_empty_ledger_is_told_so(tmp_path: Path) -> None:
    with view_of([enrolled("van-1", "2022-01-01")], tmp_path, as_of="2024-06-02") as empty:
        assert check_analysis(STOCK, empty).tables == ()
