"""Past projections against what came: on a made fleet whose truth is known, and case by case."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from builders import replaced
from projection.part_by_part import grid
from simulations.made_fleet import START, Setting, Truth, play

from roadworn.analysis import Result
from roadworn.model.errors import UsageError
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.ahead.past import look_back
from roadworn_plugins.ahead.track import PastTotal, spread_of, track_record
from roadworn_plugins.backtest import PROJECTION_BACKTEST
from roadworn_plugins.projection.scores import bins_of
from roadworn_plugins.projection.totals import GridTotal
from roadworn_plugins.shared.costs_ahead import spread
from roadworn_plugins.shared.projected import taken

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
    assert result.headline.startswith("Costs came to")
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


@pytest.mark.parametrize(("end", "left", "lost"), [("sold", 1, 0), ("lost", 0, 1)])
def test_a_vehicle_counts_to_its_last_day(tmp_path: Path, end: str, left: int, lost: int) -> None:
    """Left or lost on 2024-06-01: projected for 164 of 366 days, and what came by then counts."""
    gone = "2024-06-01"
    last = event("van-7", "retirement", gone, reason="sold")
    if end == "lost":
        last = event("van-7", "odometer_reading", gone, odometer=108_000, unit="km")
    came = starter("van-7", "2024-02-01", "failed", "500")
    found = []
    for number, rows in enumerate((shop(), shop(last, came, gone=gone))):
        folder = tmp_path / str(number)
        folder.mkdir()
        with view_of(rows, folder, as_of="2024-12-20") as view:
            day = look_back(view, date(2023, 12, 20), 12.0)
            told = check_analysis(PROJECTION_BACKTEST, view, {"days": 1})
        assert day is not None
        found.append(day)
    whole, cut = found
    assert (len(cut.left), len(cut.lost), len(cut.vehicles)) == (left, lost, 8)
    times = "1 time" if left == 1 else f"{left} times"
    assert any(f"{times} a vehicle left within the time" in text for text in told.caveats)
    one = [day.parts.vehicle.index("van-7") for day in found]
    share = cut.found.number[one[1]] / whole.found.number[one[0]]
    assert share == pytest.approx(164 / 366, rel=0.1)
    assert cut.paid[cut.vehicles.index("van-7")] == 500.0


def test_one_vehicle_is_a_choice_of_the_pass_over_the_fleet(tmp_path: Path) -> None:
    with view_of(shop(), tmp_path, as_of="2024-12-20") as view:
        fleet = look_back(view, date(2023, 12, 20), 12.0)
        one = look_back(view, date(2023, 12, 20), 12.0, vehicle="van-3")
        assert look_back(view, date(2023, 12, 20), 12.0) is fleet
        assert look_back(view, date(2023, 12, 20), 12.0, vehicle="nobody") is None
    assert fleet is not None
    assert one is not None
    seat = fleet.vehicles.index("van-3")
    assert one.vehicles == ("van-3",)
    assert one.bands[:, 0] == pytest.approx(fleet.bands[:, seat])
    assert one.paid[0] == fleet.paid[seat]


def test_bands_of_all_vehicles_are_those_made_part_by_part(made: Made, tmp_path: Path) -> None:
    """To a millionth; the judge knows no polynomials and no vehicle beside its own."""
    with view_of(made[0], tmp_path, as_of=END) as view:
        day = look_back(view, date(2022, 12, 28), 12.0)
    assert day is not None
    for number in (0, 7):
        rows = np.flatnonzero(day.car == number)
        counts = [taken(one, rows) for one in day.found.counts]
        step, chance = grid(counts, spread(day.parts, rows), day.found.weight, 512)
        band = GridTotal(0.0, step, chance).band(0.8)
        assert day.bands[:, number] == pytest.approx(band, rel=1e-6)


def test_track_record_of_a_fleet_is_what_happened(made: Made, tmp_path: Path) -> None:
    """What came is the truth to the cent; three years of 90 failures come to within a fifth."""
    with view_of(made[0], tmp_path, as_of=END) as view:
        record = track_record(view)
    assert record is not None
    truth = made[1]
    assert len(record.days) == 3
    for one in record.days:
        first, last = (one.on - START).days, (one.until - START).days
        came = [cost for key in truth.failures for cost in truth.within(key, first, last)]
        assert one.failures_came == len(came)
        assert one.cost_came == pytest.approx(sum(came), abs=0.005 * len(came))
        assert one.low < one.cost < one.high
    assert record.ratio == pytest.approx(
        sum(one.cost_came for one in record.days) / sum(one.cost for one in record.days)
    )
    assert record.low is not None
    assert record.high is not None
    assert record.low < record.ratio < record.high
    assert record.ratio == pytest.approx(1.0, abs=0.2)
    assert 0.0 <= record.spread < 0.25


def test_track_record_counts_what_was_not_projected(tmp_path: Path) -> None:
    """A failure of a component nobody had seen counts among what came, at what it cost."""
    pump = replaced("van-6", "2024-05-01", "cooling.water_pump", "700", reason="failed")
    records = []
    for number, more in enumerate(((), (pump,))):
        folder = tmp_path / str(number)
        folder.mkdir()
        with view_of(shop(*more), folder, as_of="2024-12-20") as view:
            records.append(track_record(view, days=1))
    without, with_it = records
    assert without is not None
    assert with_it is not None
    assert with_it.days[0].cost_came == pytest.approx(without.days[0].cost_came + 700.0)
    assert with_it.days[0].failures_came == without.days[0].failures_came + 1


def test_a_ledger_of_a_few_months_has_no_track_record(tmp_path: Path) -> None:
    rows = [e for e in shop() if e.occurred_at < "2019-12"]
    with view_of(rows, tmp_path, as_of="2019-12-01") as view:
        assert track_record(view) is None


def test_spread_is_what_the_bands_did_not_allow() -> None:
    """Always 125 % of the projection with bands of +-2 %: about log 1.25, less the bands' own."""
    day = date(2022, 1, 1)
    sure = PastTotal(day, day, 9, 90.0, 110, 1000.0, 980.0, 1020.0, 1250.0)
    wide = PastTotal(day, day, 9, 90.0, 110, 1000.0, 600.0, 1500.0, 1250.0)
    assert spread_of([sure, sure]) == pytest.approx(
        np.sqrt(np.log(1.25) ** 2 - (np.log(1.02) / 1.28155) ** 2), rel=1e-4
    )
    assert spread_of([wide]) == 0.0
    assert spread_of([]) == 0.0


def test_a_part_replaced_beforehand_is_projected_to_that_day(tmp_path: Path) -> None:
    half = starter("van-5", "2024-06-19", "preventive", "380")
    chances = []
    for number, more in enumerate(((), (half,))):
        folder = tmp_path / str(number)
        folder.mkdir()
        with view_of(shop(*more), folder, as_of="2024-12-20") as view:
            found = look_back(view, date(2023, 12, 20), 12.0, known_by="occurred")
        assert found is not None
        assert found.cuts.sum() == number
        assert np.any(found.successor > 0.0) == bool(number)
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
