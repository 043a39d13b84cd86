"""The measured wear of a vehicle as a table and as charts, worked out by hand.

Limits: 49 CFR 570.9(a), 2/32 in of tread; 49 CFR 570.5, 1/32 in of bonded lining. 1 mi =
1.609344 km exactly (NIST SP 811, appendix B.8).
"""

from pathlib import Path

import numpy as np
import pytest
from builders import found, looked

from roadworn.analysis import Chart, Result, Series
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.wear import MEASURED_WEAR
from roadworn_plugins.wear.measured import measured_wear


def look(
    vehicle: str, day: str, miles: float, value: float, position: str, **more: str
) -> NewEvent:
    figure = (value, more.get("unit", "32nds"))
    finding = found(more.get("component", "wheel.tire"), "sound", position, figure)
    return looked(vehicle, day, finding, odometer=miles)


def car(vehicle: str = "car") -> list[NewEvent]:
    """LF loses 2/32 each 10,000 mi from 10/32 and is at 6/32; RR barely wears."""
    rows = [event(vehicle, "enrolment", "2025-01-01", odometer=0, parts="original")]
    days = ("2025-01-01", "2025-06-01", "2026-01-01")
    for day, miles, left, rear in zip(
        days, (0, 10_000, 20_000), (10, 8, 6), (10, 10, 9.5), strict=True
    ):
        rows.append(look(vehicle, day, miles, float(left), "LF"))
        rows.append(look(vehicle, day, miles, float(rear), "RR"))
    return rows


def asked(rows: list[NewEvent], folder: Path, **settings: object) -> Result:
    with view_of(rows, folder, as_of="2026-02-01") as view:
        return check_analysis(MEASURED_WEAR, view, settings)


def of(chart: Chart, place: str, name: str) -> Series | None:
    found = [one for one in chart.series if (one.of, one.name) == (place, name)]
    return found[0] if found else None


def along(series: Series) -> list[float]:
    return [float(x) for x in series.x if isinstance(x, float)]


def test_the_worked_tire(tmp_path: Path) -> None:
    result = asked(car(), tmp_path, vehicle="car", unit="mi")
    first, second = result.table("measured_wear").records()
    assert (first["position"], first["measured"], first["limit"]) == ("LF", 6.0, 2.0)
    assert first["left"] == 20_000
    assert first["left_low"] < 20_000 < first["left_high"]
    assert first["wear"] == pytest.approx(0.2)  # 2/32 in 10,000 mi
    assert first["citation"] == "49 CFR 570.9(a)"
    assert second["position"] == "RR"
    assert "tire LF, about 20,000 mi left" in result.headline


def test_the_chart_holds_points_line_limit_and_crossing(tmp_path: Path) -> None:
    (chart,) = asked(car(), tmp_path, vehicle="car", unit="mi").charts
    assert chart.name == "wear-wheel.tire"
    assert (chart.x_title, chart.y_title) == ("distance (mi)", "tire tread (32nds)")
    points = of(chart, "", "LF")
    assert points is not None
    assert points.x == pytest.approx((0.0, 10_000.0, 20_000.0))
    assert points.y == pytest.approx((10.0, 8.0, 6.0))
    line, limit, meets = (of(chart, "LF", name) for name in ("fitted", "limit", "meets the limit"))
    assert line is not None
    assert limit is not None
    assert meets is not None
    assert line.y == pytest.approx([max(10.0 - 0.0002 * x, 0.0) for x in along(line)])
    assert set(limit.y) == {2.0}
    low, middle, high = along(meets)
    assert middle == pytest.approx(40_000.0)
    # The crossing is where the line and its band meet the limit.
    for at, band in ((low, line.low), (high, line.high)):
        assert np.interp(at, along(line), band) == pytest.approx(2.0, abs=0.05)


def test_what_lies_far_off_is_said_and_not_drawn(tmp_path: Path) -> None:
    (chart,) = asked(car(), tmp_path, vehicle="car", unit="mi").charts
    line = of(chart, "RR", "fitted")
    assert line is not None
    assert of(chart, "RR", "meets the limit") is None
    # Measured over 20,000 mi: drawn to twice as far beyond.
    assert line.x[-1] == pytest.approx(60_000.0)
    assert "no end that is sure" in chart.alternative


def test_nothing_is_thinner_than_gone(tmp_path: Path) -> None:
    (chart,) = asked(car(), tmp_path, vehicle="car").charts
    assert all(value >= 0.0 for one in chart.series for value in (*one.y, *one.low, *one.high))


def test_kilometres_and_miles_tell_the_same(tmp_path: Path) -> None:
    with view_of(car(), tmp_path, as_of="2026-02-01") as view:
        miles, km = (
            check_analysis(MEASURED_WEAR, view, {"vehicle": "car", "unit": unit})
            for unit in ("mi", "km")
        )
    a, b = (r.table("measured_wear").records()[0] for r in (miles, km))
    assert b["left"] == pytest.approx(round(20_000 * 1.609344, -2))
    assert b["wear"] == pytest.approx(float(a["wear"]) / 1.609344, abs=5e-4)
    assert b["measured"] == a["measured"]
    assert " mi" not in km.headline + "".join(chart.title for chart in km.charts)


def test_a_place_in_mm_stands_beside_one_in_32nds(tmp_path: Path) -> None:
    """All panels share their axis: 6/32 in is 4.7625 mm."""
    rows = [event("car", "enrolment", "2025-01-01", odometer=0)]
    for day, miles, left, right in (
        ("2025-01-01", 0, 10.0, 7.9375), ("2026-01-01", 10_000, 6.0, 4.7625),
    ):  # fmt: skip
        rows.append(look("car", day, miles, left, "LF"))
        rows.append(look("car", day, miles, right, "RF", unit="mm"))
    (chart,) = asked(rows, tmp_path, vehicle="car").charts
    left, right = of(chart, "", "LF"), of(chart, "", "RF")
    assert left is not None
    assert right is not None
    assert left.y == pytest.approx(right.y)


def test_a_fleet_is_told_by_vehicle_and_without_charts(tmp_path: Path) -> None:
    result = asked([*car(), *car("van")], tmp_path, unit="mi", most=3)
    rows = result.table("measured_wear").records()
    assert [row["vehicle"] for row in rows] == ["car", "van", "car"]
    assert result.charts == ()
    assert "of car" in result.headline
    assert any("not shown" in caveat for caveat in result.caveats)


def test_at_its_limit_is_said_so(tmp_path: Path) -> None:
    rows = [event("car", "enrolment", "2025-01-01", odometer=0)]
    for day, miles, value in (("2025-01-01", 0, 6.0), ("2026-01-01", 10_000, 2.0)):
        rows.append(look("car", day, miles, value, "LF"))
    result = asked(rows, tmp_path, vehicle="car")
    assert "at its limit" in result.headline
    assert result.table("measured_wear").records()[0]["left"] == 0


@pytest.mark.parametrize("settings", [{}, {"vehicle": "car"}])
def test_nothing_measured_twice_is_said_plainly(tmp_path: Path, settings: dict[str, str]) -> None:
    result = asked(car()[:2], tmp_path, **settings)
    assert "was measured at two distances" in result.headline
    assert not result.tables
    assert not result.charts


def test_the_points_are_those_of_the_line(tmp_path: Path) -> None:
    with view_of(car(), tmp_path, as_of="2026-02-01") as view:
        for wear in measured_wear(view):
            assert len(wear.points) == wear.number
            kms, mms = zip(*wear.points, strict=True)
            assert float(np.mean(mms)) == pytest.approx(wear.line.mean_y)
            assert float(np.mean(kms)) == pytest.approx(wear.line.mean_x)
