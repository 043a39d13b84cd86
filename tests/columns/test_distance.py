"""True distance across exchanges, roll-overs and slips, and exact conversion of units."""

from fractions import Fraction
from functools import partial
from typing import Any

import builders
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from roadworn.columns.settling import settle
from roadworn.testing import event

# The international mile of 1959, NIST Special Publication 811 (2008), appendix B.8: exactly
# 1.609 344 km.
MILE_KM = Fraction(1_609_344, 1_000_000)


enrol = partial(builders.enrolled, "bus-1", unit="km")


def reading(day: str, figure: float | None, unit: str = "km"):
    return builders.reading("bus-1", day, figure, unit)


def distances(view) -> list[tuple[Any, ...]]:
    return view.sql("SELECT true_km, flag, basis FROM true_distance ORDER BY occurred_at, seq").rows


@pytest.mark.parametrize("miles", [1.0, 50_000.0, 60_000.0, 99_999.0, 123_456.7])
def test_miles_become_kilometres_exactly(view_of, miles):
    view = view_of([enrol(odometer=miles, unit="mi")])
    (row,) = view.sql("SELECT odometer_km, odometer_mi, true_km FROM readings").rows
    exact = Fraction(str(miles)) * MILE_KM
    assert row[0] == float(exact)
    assert row[1] == miles
    assert row[2] == float(exact)


def test_the_worked_example_of_the_standards_page(view_of):
    # 60,000 mi = 96,560.64 km, computed from the exact factor.
    view = view_of([enrol(odometer=60_000, unit="mi")])
    assert view.sql("SELECT odometer_km FROM readings").rows == [(96_560.64,)]


def test_units_may_be_mixed_as_entered(view_of):
    view = view_of([enrol(odometer=62_000, unit="mi"), reading("2026-02-01", 100_779.328)])
    rows = view.sql("SELECT true_km, unit FROM readings ORDER BY seq").rows
    # 62,000 mi = 99,779.328 km
    assert rows == [(99_779.328, "mi"), (100_779.328, "km")]


def test_a_five_digit_odometer_rolls_over(view_of):
    # 49 CFR 580.5(e): it may exceed its mechanical limits. A five-digit odometer shows 99,999
    # at most, so 100,400 true miles may read 00,400.
    view = view_of(
        [
            enrol(odometer=99_100, unit="mi", odometer_digits=5),
            reading("2026-02-01", 99_800, "mi"),
            reading("2026-03-01", 400, "mi"),
            reading("2026-04-01", 1_200, "mi"),
        ]
    )
    found = distances(view)
    assert [round(km / float(MILE_KM), 6) for km, _, _ in found] == [
        99_100,
        99_800,
        100_400,
        101_200,
    ]
    assert [flag for _, flag, _ in found] == ["", "", "rolled_over", ""]


def test_a_roll_over_is_never_guessed_without_the_number_of_digits(view_of):
    view = view_of([enrol(odometer=99_800, unit="mi"), reading("2026-03-01", 400, "mi")])
    assert distances(view)[1][1] == "lower"


def test_the_lost_digit_may_be_written_down(view_of):
    view = view_of(
        [
            enrol(odometer=99_800, unit="km", odometer_digits=5),
            reading("2026-02-01", 100_400),
            reading("2026-03-01", 900),
        ]
    )
    assert [km for km, _, _ in distances(view)] == [99_800, 100_400, 100_900]


def test_one_low_figure_between_high_ones_is_a_slip_and_no_roll_over(view_of):
    view = view_of(
        [
            enrol(odometer=99_000, odometer_digits=5),
            reading("2026-02-01", 991),
            reading("2026-03-01", 99_200),
        ]
    )
    assert [(km, flag) for km, flag, _ in distances(view)][1:] == [
        (pytest.approx(99_000 + 200 * 31 / 59), "lower"),
        (99_200, ""),
    ]


def test_an_exchanged_odometer_goes_on_from_the_old_one(view_of):
    figures = {"old_reading": 120_000.0, "new_reading": 50.0, "unit": "km"}
    exchange = event("bus-1", "odometer_exchange", "2026-02-01").model_copy(
        update={"payload": figures}
    )
    view = view_of([enrol(odometer=119_000), exchange, reading("2026-03-01", 1_050)])
    assert distances(view) == [
        (119_000, "", "read"),
        (120_000, "exchanged", "read"),
        (121_000, "", "read"),
    ]
    assert view.sql("SELECT old_km, new_km, true_km FROM exchanges").rows == [
        (120_000, 50, 120_000)
    ]


def test_one_figure_typed_too_high_leaves_the_later_ones_alone(view_of):
    view = view_of(
        [
            enrol(odometer=60_000),
            reading("2026-02-01", 610_000),
            reading("2026-03-01", 62_000),
            reading("2026-04-01", 63_000),
        ]
    )
    assert [flag for _, flag, _ in distances(view)] == ["", "implausible", "", ""]
    assert distances(view)[1][0] == pytest.approx(60_000 + 2_000 * 31 / 59)


def test_a_last_reading_too_far_ahead_is_doubted(view_of):
    view = view_of([enrol(odometer=60_000), reading("2026-01-11", 600_000)])
    assert distances(view)[1] == (60_000, "implausible", "after_last")


def test_a_lower_reading_is_flagged_and_not_used(view_of):
    view = view_of(
        [
            enrol(odometer=60_000),
            reading("2026-02-01", 61_000),
            reading("2026-03-01", 60_500),
            reading("2026-04-01", 62_000),
        ]
    )
    assert [flag for _, flag, _ in distances(view)] == ["", "", "lower", ""]
    assert view.sql("SELECT flag, used FROM readings WHERE NOT used").rows == [("lower", False)]


def test_a_missing_reading_is_interpolated_or_clamped_and_marked(view_of):
    view = view_of(
        [
            enrol(),
            reading("2026-01-11", 1_000),
            event("bus-1", "complaint", "2026-01-16", complaint="it hums"),
            reading("2026-01-21", 2_000),
            event("bus-1", "complaint", "2026-02-01", complaint="still"),
        ]
    )
    assert distances(view) == [
        (1_000, "", "before_first"),
        (1_000, "", "read"),
        (1_500, "", "interpolated"),
        (2_000, "", "read"),
        (2_000, "", "after_last"),
    ]
    assert view.sql("SELECT true_km_estimated FROM complaints").rows == [(True,), (True,)]


def test_usage_comes_from_the_readings(view_of):
    view = view_of([enrol(odometer=0), reading("2026-01-31", 3_000), reading("2026-03-02", 6_000)])
    (row,) = view.sql(
        "SELECT km_per_day, km_per_month, sd_km_per_month, readings FROM usage_rates"
    ).rows
    # 30 days with 3,000 km each: 100 km a day, 100 x 365.25 / 12 a month, no spread.
    assert row == (100, pytest.approx(3_043.75), pytest.approx(0, abs=1e-6), 3)


@pytest.mark.parametrize(
    ("day", "tells"), [("2026-01-02", 0), ("2026-01-14", 0), ("2026-01-15", 1)]
)
def test_a_pace_needs_two_weeks_of_readings(view_of, day, tells):
    """A drive home is no month (common practice, no source)."""
    view = view_of([enrol(odometer=0), reading(day, 900)])
    assert len(view.sql("SELECT * FROM usage_rates").rows) == tells


@given(
    st.lists(st.integers(0, 3_000), min_size=2, max_size=60),
    st.data(),
)
def test_a_clean_history_with_one_slip_loses_only_the_slip(steps, data):
    """One figure multiplied by ten among consistent ones is dropped, and nothing else."""
    km = 60_000 + np.cumsum(np.array(steps, dtype=float))
    day = np.arange(len(km), dtype=np.int64) * 30
    at = data.draw(st.integers(0, len(km) - 2))
    typed = km.copy()
    typed[at] *= 10
    nothing, unknown = np.zeros(len(km)), np.full(len(km), np.nan)
    verdict = settle(day, typed, nothing, unknown, 2_500.0)
    # With two readings only nobody can tell which of them is the slip.
    if len(km) > 2:
        assert list(np.flatnonzero(~verdict.used)) == [at]


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=40))
def test_the_distance_never_falls_and_every_reading_is_told(figures):
    km = np.array(figures)
    day = np.arange(len(km), dtype=np.int64) * 7
    verdict = settle(day, km, np.zeros(len(km)), np.full(len(km), np.nan), 2_500.0)
    used = (km + verdict.rolled_km)[verdict.used]
    assert len(used) >= 1
    assert (np.diff(used) >= -1e-6).all()
    for flag, kept in zip(verdict.flag, verdict.used, strict=True):
        assert flag in (("", "stepped", "other_unit") if kept else ("lower", "implausible"))


MONTH = 30
PLAIN = st.lists(st.integers(500, 3_000), min_size=14, max_size=40)


def settled(km):
    km = np.array(km, dtype=float)
    day = np.arange(len(km), dtype=np.int64) * MONTH
    return settle(day, km, np.zeros(len(km)), np.full(len(km), np.nan), 2_500.0)


def driven(steps, start=60_000.0):
    return start + np.cumsum(np.array(steps, dtype=float))


@given(PLAIN, st.integers(20_000, 50_000), st.integers(3, 10))
def test_a_roll_back_is_one_step_and_the_distance_goes_on(steps, back, from_the_end):
    """Readings before and after it are all believed; what was driven since is counted."""
    true = driven(steps)
    at = len(true) - from_the_end
    shown = true.copy()
    shown[at:] -= back
    # One by just the ratio of mile and kilometre could as well be the other unit.
    assume(abs(shown[at] * 1.609344 - true[at]) > 0.1 * true[at])
    verdict = settled(shown)
    assert verdict.used.all()
    assert [i for i, flag in enumerate(verdict.flag) if flag == "stepped"] == [at]
    gone = (shown + verdict.rolled_km) - true
    # Only what was driven between the two readings around the step is not known.
    assert np.allclose(gone[at:], gone[at])
    assert abs(gone[at]) <= 3_000
    assert np.allclose(gone[:at], 0)


@given(PLAIN, st.integers(90_000, 200_000), st.integers(3, 10))
def test_a_step_up_that_nobody_drives_is_one_step(steps, up, at):
    true = driven(steps)
    shown = true.copy()
    shown[at:] += up
    verdict = settled(shown)
    assert verdict.used.all()
    assert [i for i, flag in enumerate(verdict.flag) if flag == "stepped"] == [at]
    assert abs((shown + verdict.rolled_km - true)[-1]) <= 3_000


@given(PLAIN, st.integers(3, 6), st.integers(4, 6), st.sampled_from(["miles", "kilometres"]))
def test_a_run_in_the_other_unit_is_one_run_and_counted_so(steps, at, long, read_in):
    true = driven(steps)
    shown = true.copy()
    shown[at : at + long] *= 1 / 1.609344 if read_in == "miles" else 1.609344
    verdict = settled(shown)
    odd = [i for i, flag in enumerate(verdict.flag) if flag]
    assert odd == list(range(at, at + long))
    used = verdict.used
    assert np.allclose((shown + verdict.rolled_km)[used], true[used], atol=3_000)


@given(st.lists(st.integers(2_700, 3_300), min_size=30, max_size=40), st.integers(-1_500, 1_500))
def test_a_roll_back_near_the_ratio_of_the_units_is_told_by_the_pace_after_it(steps, off):
    """Figures in the other unit would rise slower from there on; these rise as before."""
    true = driven(steps, 100_000.0)
    at, shown = len(true) // 2, true.copy()
    shown[at:] -= true[at] * (1.0 - 1.0 / 1.609344) + off
    verdict = settled(shown)
    assert [flag for flag in verdict.flag if flag] == ["stepped"]
    assert np.allclose((shown + verdict.rolled_km)[:at], true[:at])


@given(st.lists(st.integers(2_000, 4_000), min_size=30, max_size=40))
def test_a_long_run_in_the_other_unit_is_still_one(steps):
    true = driven(steps, 100_000.0)
    at, shown = len(true) // 2, true.copy()
    shown[at:] /= 1.609344
    odd = {flag for flag in settled(shown).flag if flag}
    assert odd == {"other_unit"}
