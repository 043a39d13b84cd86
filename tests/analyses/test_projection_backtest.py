"""Past projections against what came: on a made fleet whose truth is known, and case by case."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from builders import replaced
from simulations.made_fleet import START, Setting, Truth, play

from roadworn.analysis import Result
from roadworn.model.errors import UsageError
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.backtest import PROJECTION_BACKTEST
from roadworn_plugins.backtest.day import bins_of, look_back

END = "2023-12-28"
Made = tuple[list[NewEvent], Truth]


@pytest.fixture(scope="module")
def made() -> Made:
    events, truth = play(np.random.default_rng(8), Setting(vehicles=24, years=8))
    return [e for e in events if e.occurred_at[:10] <= END], truth


@pytest.fixture(scope="module")
def result(made: Made, tmp_path_factory: pytest.TempPathFactory) -> Result:
    with view_of(made[0], tmp_path_factory.mktemp("made"), as_of=END) as view:
        return PROJECTION_BACKTEST.run(view, PROJECTION_BACKTEST.settings(days=2))


def test_what_came_is_what_happened(made: Made, result: Result) -> None:
    """Failures and money of each year are those of the truth, to the cent."""
    _events, truth = made
    rows = result.table("by_day").records()
    assert len(rows) == 2
    for row in rows:
        day = row["day"]
        assert isinstance(day, date)
        first = (day - START).days
        until = (day + timedelta(days=365) - START).days
        came = [cost for key in truth.failures for cost in truth.within(key, first, until)]
        assert row["failures_came"] == len(came)
        assert row["cost_came"] == pytest.approx(sum(came), abs=0.005 * len(came))
        assert row["vehicles"] == 24


def test_projected_is_near_what_came(result: Result) -> None:
    """A fleet of 24 sees some 90 failures a year: two years are right to about a sixth."""
    costs, inside, gain = result.estimates
    assert costs.value == pytest.approx(1.0, abs=0.2)
    assert costs.low < 1.0 < costs.high
    assert 0.6 < inside.value < 0.95
    assert gain.value > 0.05
    assert "costs came to" in result.headline
    assert "came" in result.headline


def test_every_part_is_in_one_bin(result: Result) -> None:
    parts = sum(int(row["parts"]) for row in result.table("reliability").records())
    assert parts == sum(int(row["parts"]) for row in result.table("by_day").records())
    (chart,) = result.charts
    assert len(chart.series[1].x) == len(result.table("reliability").rows)


def test_surprises_were_given_hardly_a_chance_and_name_their_event(
    made: Made, result: Result
) -> None:
    table = result.table("surprises")
    assert 0 < len(table.rows) <= 25
    assert all(row["given"] < 0.05 for row in table.records())
    assert all(len(ids) == 1 for ids in table.evidence)


def test_bins_against_counting_by_hand() -> None:
    chance = np.array([0.01, 0.03, 0.04, 0.3, 0.3, 1.0])
    found = bins_of(chance, np.array([0, 0, 1, 1, 0, 1.0]))
    assert [(b.low, b.parts) for b in found] == [(0.0, 1), (0.02, 2), (0.2, 2), (0.8, 1)]
    assert [b.given for b in found] == pytest.approx([0.01, 0.035, 0.3, 1.0])
    assert [b.came for b in found] == [0.0, 0.5, 0.5, 1.0]
    assert all(b.came_low <= b.came <= b.came_high for b in found)


def shop(*more: NewEvent, gone: str | None = None) -> list[NewEvent]:
    """Eight vans from 2019 on, 20,000 km a year; starters fail on some."""
    rows = []
    for number in range(8):
        name = f"van-{number}"
        rows.append(
            event(
                name,
                "enrolment",
                "2019-01-01",
                odometer=0,
                unit="km",
                vehicle_class="van",
                parts="original",
                in_service_date="2019-01-01",
            )
        )
        for quarter in range(1, 25):
            day = date(2019, 1, 1) + timedelta(days=91 * quarter)
            if gone and name == "van-7" and day.isoformat() > gone:
                break
            km = 5000 * quarter
            rows.append(event(name, "odometer_reading", day.isoformat(), odometer=km, unit="km"))
    for number, (day, cost) in enumerate(
        (("2021-03-01", "400"), ("2022-05-01", "420"), ("2023-02-01", "410"))
    ):
        rows.append(starter(f"van-{number}", day, "failed", cost))
    return sorted([*rows, *more], key=lambda e: (e.occurred_at, e.vehicle_id))


def starter(name: str, day: str, reason: str, cost: str, **more: str) -> NewEvent:
    return replaced(name, day, "electrical.starter", cost, reason=reason, **more)


def test_a_vehicle_that_leaves_is_left_out_and_counted(tmp_path: Path) -> None:
    rows = shop(event("van-7", "retirement", "2024-06-01", reason="sold"), gone="2024-06-01")
    with view_of(rows, tmp_path, as_of="2024-12-20") as view:
        found = look_back(view, date(2023, 12, 20), 12.0, known_by="occurred")
        told = check_analysis(PROJECTION_BACKTEST, view, {"days": 1})
    assert found is not None
    assert (found.left, found.lost, len(found.vehicles)) == (1, 0, 7)
    assert any("Left out: 1 times a vehicle that left" in caveat for caveat in told.caveats)


def test_a_vehicle_lost_from_sight_is_left_out_and_counted(tmp_path: Path) -> None:
    with view_of(shop(gone="2024-03-20"), tmp_path, as_of="2024-12-20") as view:
        found = look_back(view, date(2023, 12, 20), 12.0, known_by="occurred")
    assert found is not None
    assert (found.left, found.lost) == (0, 1)


def test_a_part_replaced_beforehand_is_projected_to_that_day(tmp_path: Path) -> None:
    half = starter("van-5", "2024-06-19", "preventive", "380")
    chances = []
    for number, more in enumerate(((), (half,))):
        folder = tmp_path / str(number)
        folder.mkdir()
        with view_of(shop(*more), folder, as_of="2024-12-20") as view:
            found = look_back(view, date(2023, 12, 20), 12.0, known_by="occurred")
        assert found is not None
        assert found.cut == number
        chances.append(float(found.chance[found.parts.vehicle.index("van-5")]))
    # 182 of 366 days; the chance is small, so about in proportion.
    assert chances[1] == pytest.approx(chances[0] / 2, rel=0.1)


def test_what_was_open_on_the_day_is_neither_projected_nor_a_surprise(tmp_path: Path) -> None:
    finding = {"component": "electrical.starter", "condition": "failed"}
    rows = shop(
        event("van-6", "inspection", "2023-12-10", findings=[finding]),
        starter("van-6", "2024-01-15", "failed", "430"),
        starter("van-5", "2024-01-16", "failed", "430"),
    )
    with view_of(rows, tmp_path, as_of="2024-12-20") as view:
        found = look_back(view, date(2023, 12, 20), 12.0, known_by="occurred")
    assert found is not None
    assert "van-6" not in found.parts.vehicle
    assert found.unforeseen == ()
    assert found.came.sum() == 1
    assert found.paid.sum() == pytest.approx(430.0)


def test_a_failure_without_a_price_counts_at_the_projected_one(tmp_path: Path) -> None:
    bare = event(
        "van-5", "replacement", "2024-01-16", component="electrical.starter", reason="failed"
    )
    with view_of(shop(bare), tmp_path, as_of="2024-12-20") as view:
        found = look_back(view, date(2023, 12, 20), 12.0, known_by="occurred")
    assert found is not None
    assert found.unpriced == 1
    assert found.paid.sum() == pytest.approx(410.0, rel=0.02)  # the mean of 400, 420 and 410


@pytest.mark.slow
def test_the_place_of_an_import_decides_by_what_was_recorded(tmp_path: Path) -> None:
    """Written down in one go at the end: nothing was on record on any past day."""
    rows = [e.model_copy(update={"recorded_at": "2024-12-26T10:00:00Z"}) for e in shop()]
    with view_of(rows, tmp_path, as_of="2024-12-27") as view:
        blind = check_analysis(PROJECTION_BACKTEST, view, {"known_by": "recorded"})
        seeing = check_analysis(PROJECTION_BACKTEST, view, {"known_by": "occurred", "days": 2})
    assert "nothing can be compared yet" in blind.headline
    assert seeing.table("by_day").rows


def test_a_ledger_of_a_few_months_says_that_it_is_too_early(tmp_path: Path) -> None:
    rows = [e for e in shop() if e.occurred_at < "2019-12"]
    with view_of(rows, tmp_path, as_of="2019-12-01") as view:
        assert "nothing can be compared yet" in check_analysis(PROJECTION_BACKTEST, view).headline


def test_a_view_set_back_knows_no_more_than_the_one_it_came_from(tmp_path: Path) -> None:
    late = starter("van-5", "2022-01-16", "failed", "430").model_copy(
        update={"recorded_at": "2024-06-01T10:00:00Z"}
    )
    count = "SELECT count(*) FROM replacements"
    with view_of(shop(late), tmp_path, as_of="2023-12-20") as view:
        assert view.sql(count).rows == [(3,)]
        with view.set_back("2022-12-20", known_by="occurred") as then:
            assert then.today == date(2022, 12, 20)
            assert then.sql(count).rows == [(2,)]
        with pytest.raises(UsageError, match="earlier day"):
            view.set_back("2024-01-01")
