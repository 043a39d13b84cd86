"""Wear by repeated measurements: the line against published figures, then the ledger's parts."""

from pathlib import Path

import numpy as np
import pytest
from builders import found, looked
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from roadworn.testing import event, view_of
from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.wear.line import line_through
from roadworn_plugins.wear.measured import measured_wear

# NIST Statistical Reference Datasets, "Norris" (linear regression, lower difficulty), typed in
# from memory; that the certified values come out to ten digits shows that it is right.
NORRIS_X = [
    *(0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4),
    *(0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3),
    *(0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5),
]
NORRIS_Y = [
    *(0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3),
    *(0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3),
    *(0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2),
]
# Ezekiel, Methods of Correlation Analysis (1930): speed and stopping distance, the data set
# `cars` of R. Typed in from memory, checked by the coefficients below.
SPEED = [
    *(4, 4, 7, 7, 8, 9, 10, 10, 10, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14),
    *(15, 15, 15, 16, 16, 17, 17, 17, 18, 18, 18, 18, 19, 19, 19, 20, 20, 20, 20, 20, 22),
    *(23, 24, 24, 24, 24, 25),
]
STOPPING = [
    *(2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36, 60, 80),
    *(20, 26, 54, 32, 40, 32, 40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52, 56, 64, 66),
    *(54, 70, 92, 93, 120, 85),
]


def test_line_gives_the_certified_values() -> None:
    line = line_through(NORRIS_X, NORRIS_Y)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-11)
    assert line.at(0.0) == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.spread == pytest.approx(0.884796396144373, rel=1e-11)
    assert line.spread / np.sqrt(line.sxx) == pytest.approx(0.429796848199937e-3, rel=1e-9)


@pytest.mark.parametrize(
    ("speed", "fit", "low", "high"),
    [(12, 29.6, -1.75, 61.0), (19, 57.1, 25.76, 88.5), (24, 76.8, 44.75, 108.8)],
)
def test_prediction_limits_are_those_r_prints(speed: int, fit: float, low: float, high: float):
    """predict(lm(dist ~ speed, cars), interval = "prediction") in R; output from memory."""
    line = line_through(SPEED, STOPPING)
    assert line.slope == pytest.approx(3.9324, abs=5e-5)
    assert line.at(speed) == pytest.approx(fit, abs=0.051)
    assert line.limits(speed, 0.95) == pytest.approx((low, high), abs=0.06)


def test_slope_limits_agree_with_scipy() -> None:
    found = stats.linregress(SPEED, STOPPING)
    half = stats.t.ppf(0.95, 48) * found.stderr
    line = line_through(SPEED, STOPPING)
    assert line.slope_limits(0.9) == pytest.approx((found.slope - half, found.slope + half))


@settings(max_examples=120)
@given(
    st.lists(st.floats(-0.5, 0.5), min_size=3, max_size=8),
    st.floats(-3.0, -0.1),
    st.floats(0.5, 0.95),
)
def test_limits_of_the_distance_are_where_the_prediction_limits_meet_it(
    noise: list[float], slope: float, level: float
) -> None:
    x = [float(i) for i in range(len(noise))]
    y = [20.0 + slope * a + b for a, b in zip(x, noise, strict=True)]
    line = line_through(x, y, borrowed_spread=0.3, borrowed_freedom=4.0)
    low, middle, high = line.falls_to(2.0, level)
    if np.isfinite(middle):
        assert line.at(middle) == pytest.approx(2.0, abs=1e-9)
        assert low <= middle <= high
    if np.isfinite(high):
        assert line.limits(low, level)[0] == pytest.approx(2.0, abs=1e-6)
        assert line.limits(high, level)[1] == pytest.approx(2.0, abs=1e-6)
        assert line.chance_not_above(2.0, high) == pytest.approx((1 + level) / 2, abs=1e-9)


def test_a_part_that_does_not_wear_never_reaches_its_limit() -> None:
    line = line_through([0, 10, 20], [8.0, 8.0, 8.1], borrowed_spread=0.2, borrowed_freedom=4)
    low, middle, high = line.falls_to(2.0, 0.8)
    assert (middle, high) == (np.inf, np.inf)
    assert low > 20
    assert line.limits(low, 0.8)[0] == pytest.approx(2.0)


def test_limits_hold_what_they_promise() -> None:
    """Of simulated straight wear with known scatter, 80 % limits hold about 80 % of crossings."""
    rng = np.random.default_rng(3)
    x = np.array([0.0, 8.0, 17.0, 24.0])
    held = 0
    for _ in range(1500):
        y = 10.0 - 0.2 * x + rng.normal(0, 0.3, 4)
        line = line_through(x.tolist(), y.tolist(), borrowed_spread=0.3, borrowed_freedom=30)
        further = 10.0 - 0.2 * 30.0 + rng.normal(0, 0.3)
        low, high = line.limits(30.0, 0.8)
        held += low <= further <= high
    assert 0.77 < held / 1500 < 0.84


def test_two_measurements_need_scatter_from_elsewhere() -> None:
    with pytest.raises(LifeDataError, match="third"):
        line_through([1, 2], [3, 4])
    with pytest.raises(LifeDataError, match="different"):
        line_through([1, 1], [3, 4])


def look(day: str, miles: float, value: float, unit: str = "32nds", **more: object):
    component, place = more.get("component", "wheel.tire"), more.get("position", "LF")
    return looked(
        "car", day, found(str(component), "sound", str(place), (value, unit)), odometer=miles
    )


def test_the_worked_tire(tmp_path: Path) -> None:
    """By hand: 10/32, 8/32 and 6/32 at 0, 10,000 and 20,000 mi lose 2/32 each 10,000 mi, so
    the limit of 2/32 (49 CFR 570.9(a)) is 20,000 mi after the last."""
    rows = [
        event("car", "enrolment", "2025-01-01", odometer=0, parts="original"),
        look("2025-01-01", 0, 10.0),
        look("2025-06-01", 10_000, 8.0),
        look("2026-01-01", 20_000, 6.0),
    ]
    with view_of(rows, tmp_path, as_of="2026-02-01") as view:
        (wear,) = measured_wear(view)
    assert (wear.component, wear.position, wear.number) == ("wheel.tire", "LF", 3)
    assert (wear.limit, wear.unit, wear.citation) == (2.0, "32nds", "49 CFR 570.9(a)")
    assert wear.middle_km == pytest.approx(20_000 * 1.609344)
    assert wear.per_1000_km == pytest.approx(2 / 16.09344)
    assert wear.low_km < wear.middle_km < wear.high_km
    assert wear.chance_within(wear.middle_km) == pytest.approx(0.5)
    assert len(wear.evidence) == 3


def test_two_measurements_give_a_wider_answer_than_four(tmp_path: Path) -> None:
    rows = [event("car", "enrolment", "2025-01-01", odometer=0)]
    for k, day in enumerate(("2025-01-01", "2025-04-01", "2025-07-01", "2025-10-01")):
        rows.append(look(day, 8000 * k, 10.0 - k))
        if k in (0, 3):
            rows.append(look(day, 8000 * k, 10.0 - k, position="RF"))
    with view_of(rows, tmp_path, as_of="2026-02-01") as view:
        four, two = measured_wear(view)
    assert (four.number, two.number) == (4, 2)
    assert two.middle_km == pytest.approx(four.middle_km)
    assert two.low_km < four.low_km
    assert two.high_km > four.high_km


def test_the_line_starts_anew_with_a_new_part_recorded_or_not(tmp_path: Path) -> None:
    rows = [
        event("car", "enrolment", "2025-01-01", odometer=0),
        look("2025-01-02", 0, 4.0),
        event(
            "car",
            "replacement",
            "2025-02-01",
            odometer=1000,
            component="wheel.tire",
            position="LF",
            reason="worn_out",
        ),
        look("2025-02-02", 1000, 10.0),
        look("2025-08-01", 9000, 9.0),
        look("2025-01-02", 0, 3.0, position="RF"),
        look("2025-02-02", 1000, 10.0, position="RF"),  # fitted elsewhere, never written down
        look("2025-08-01", 9000, 9.0, position="RF"),
    ]
    with view_of(rows, tmp_path, as_of="2026-02-01") as view:
        recorded, unrecorded = measured_wear(view)
    assert (recorded.number, recorded.left_out) == (2, 0)
    assert (unrecorded.number, unrecorded.left_out) == (2, 1)
    assert unrecorded.middle_km == pytest.approx(recorded.middle_km)


def test_pads_are_judged_by_the_thinner_side_of_the_axle(tmp_path: Path) -> None:
    rows = [event("car", "enrolment", "2025-01-01", odometer=0)]
    for day, miles, left, right in (("2025-01-05", 0, 10, 9.5), ("2025-07-05", 9000, 7, 6.0)):
        for position, value in (("LF", left), ("RF", right)):
            finding = {
                "component": "brake.pad",
                "position": position,
                "condition": "sound",
                "measurements": [{"value": float(value), "unit": "mm"}],
            }
            rows.append(event("car", "inspection", day, odometer=miles, findings=[finding]))
    with view_of(rows, tmp_path, as_of="2026-02-01") as view:
        (wear,) = measured_wear(view)
    assert (wear.position, wear.current, wear.unit) == ("front", 6.0, "mm")
    assert wear.limit == pytest.approx(0.79375)  # 1/32 in, 49 CFR 570.5 (from memory, check)


def test_a_heavy_vehicle_has_the_front_tread_limit_of_the_rule(tmp_path: Path) -> None:
    """49 CFR 570.62(a) and 393.75(b): front 4/32, others 2/32."""
    rows = [event("car", "enrolment", "2025-01-01", odometer=0, weight_class="26,000 lb")]
    for place in ("1L", "2L-inner"):
        rows += [
            look("2025-01-02", 0, 12.0, position=place),
            look("2025-07-02", 9000, 9.0, position=place),
        ]
    with view_of(rows, tmp_path, as_of="2026-02-01") as view:
        front, rear = measured_wear(view)
    assert (front.limit, rear.limit) == (4.0, 2.0)
