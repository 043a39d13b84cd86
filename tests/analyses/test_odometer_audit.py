"""Doubtful odometer readings, against the disclosure rule's own examples and planted slips."""

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from roadworn.analysis import Result
from roadworn.columns.settling import settle
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.odometer_audit import ODOMETER_AUDIT
from roadworn_plugins.odometer_audit.readings import (
    Reading,
    causes_of,
    exempt_by_age,
    jumps,
    other_unit,
    slip,
    usual_km_per_day,
)

START = date(2025, 1, 1)


def history(
    *figures: float, unit: str = "mi", start: date = START, **profile: Any
) -> list[NewEvent]:
    """Return an enrolment and a reading a month."""
    first = start.isoformat()
    events = [event("car", "enrolment", first, odometer=figures[0], unit=unit, **profile)]
    for n, figure in enumerate(figures[1:], start=1):
        day = (start + timedelta(days=30 * n)).isoformat()
        events.append(event("car", "odometer_reading", day, odometer=figure, unit=unit))
    return events


def audit(events: list[NewEvent], tmp_path: Path, **chosen: Any) -> Result:
    with view_of(events, tmp_path, as_of="2026-06-30") as view:
        return check_analysis(ODOMETER_AUDIT, view, chosen)


def doubts(result: Result) -> list[tuple[Any, Any]]:
    return [(row["reading"], row["kind"]) for row in result.table("doubtful_readings").records()]


def status(result: Result) -> str:
    return str(result.table("odometers").records()[0]["status"])


@pytest.mark.parametrize(
    ("model_year", "on", "exempt"),
    [
        # The two examples printed in 49 CFR 580.17(a)(3).
        (2010, date(2020, 1, 1), True),
        (2011, date(2031, 1, 1), True),
        (2010, date(2019, 12, 31), False),
        (2011, date(2030, 12, 31), False),
        (2011, date(2021, 6, 1), False),
    ],
)
def test_who_is_exempt_by_age(model_year: int, on: date, exempt: bool) -> None:
    assert exempt_by_age(model_year, on) is exempt


def test_five_digits_roll_over_at_ninety_nine_thousand_nine_hundred_ninety_nine(
    tmp_path: Path,
) -> None:
    """By hand: 00,400 after 99,000 on five digits is 100,400 true."""
    result = audit(history(97_500, 98_250, 99_000, 400, 1_200, odometer_digits=5), tmp_path)
    assert doubts(result) == [("400 mi", "rolled over")]
    assert status(result) == "exceeds mechanical limits"
    assert result.table("odometers").records()[0]["true_distance"] == 101_200


def test_a_lower_reading_between_two_that_agree_is_a_slip(tmp_path: Path) -> None:
    result = audit(history(60_000, 61_000, 51_500, 63_000, 64_000), tmp_path)
    assert doubts(result) == [("51,500 mi", "lower")]
    row = result.table("doubtful_readings").records()[0]
    assert "slip" in str(row["words"])
    assert "61,000 mi" in str(row["words"])
    assert status(result) == "actual"
    assert len(result.table("doubtful_readings").evidence[0]) == 3


def test_a_lower_reading_at_the_end_leaves_it_unknown(tmp_path: Path) -> None:
    result = audit(history(60_000, 61_000, 62_000, 51_500), tmp_path)
    assert doubts(result) == [("51,500 mi", "lower")]
    assert status(result) == "unknown"


def test_kilometres_typed_as_miles_are_named(tmp_path: Path) -> None:
    """60,000 mi = 96,560.64 km exactly by the definition of the mile."""
    middle = audit(history(58_000, 59_000, 60_000, 98_170, 62_000, 63_000), tmp_path / "a")
    assert doubts(middle) == [("98,170 mi", "mixed units")]
    assert "once read as km" in str(middle.table("doubtful_readings").records()[0]["words"])
    last = audit(history(58_000, 59_000, 60_000, 98_170), tmp_path / "b")
    assert doubts(last) == [("98,170 mi", "mixed units")]
    assert status(last) == "unknown"


def test_miles_typed_as_kilometres_are_named(tmp_path: Path) -> None:
    result = audit(history(96_000, 97_500, 99_000, 62_450, 102_000, unit="km"), tmp_path)
    assert doubts(result) == [("62,450 km", "mixed units")]
    assert "once read as mi" in str(result.table("doubtful_readings").records()[0]["words"])


@pytest.fixture(autouse=True)
def _folders(tmp_path: Path) -> None:
    for name in "ab":
        (tmp_path / name).mkdir()


def test_a_jump_that_no_day_explains(tmp_path: Path) -> None:
    result = audit(history(60_000, 61_000, 62_000, 92_000, 93_000, 94_000), tmp_path)
    assert doubts(result) == [("92,000 mi", "jump")]


def test_an_exchanged_instrument_does_not_show_the_distance(tmp_path: Path) -> None:
    events = history(60_000, 61_000)
    swap = {"old_reading": 61_500.0, "new_reading": 12.0, "unit": "mi"}
    exchange = event("car", "odometer_exchange", "2025-02-10")
    events.append(exchange.model_copy(update={"payload": swap}))
    events.append(event("car", "odometer_reading", "2025-03-10", odometer=1_012))
    result = audit(events, tmp_path)
    assert doubts(result) == [("12 mi", "exchanged")]
    assert status(result) == "not actual"
    assert result.table("odometers").records()[0]["true_distance"] == 62_500


def test_one_reading_supports_nothing(tmp_path: Path) -> None:
    assert status(audit(history(60_000), tmp_path)) == "unknown"


def test_a_vin_of_another_model_year_is_for_a_person_to_settle(tmp_path: Path) -> None:
    """1J9RP1A36A1644345: position 10 is A and position 7 a letter: 2010 (49 CFR 565.15)."""
    profile = {"vin": "1J9RP1A36A1644345", "weight_class": "light"}
    wrong = audit(history(10_000, 11_000, model_year=2012, **profile), tmp_path / "a")
    assert [kind for _, kind in doubts(wrong)] == ["identity"]
    assert "2010" in str(wrong.table("doubtful_readings").records()[0]["words"])
    assert any("VIN" in text for text in wrong.caveats)
    right = audit(history(10_000, 11_000, model_year=2010, **profile), tmp_path / "b")
    assert doubts(right) == []


def series(steps: list[float], unit: str = "km") -> list[Reading]:
    km, found = 40_000.0, []
    for n, step in enumerate(steps):
        km += step
        day = START + timedelta(days=30 * n)
        found.append(Reading(f"e{n}", day, km, km, unit, "", True))
    return found


@settings(max_examples=150)
@given(st.lists(st.floats(300, 3_000), min_size=4, max_size=20))
def test_ordinary_use_raises_no_doubt(steps: list[float]) -> None:
    readings = series(steps)
    assert other_unit(readings) == {}
    assert jumps(readings, 1_000.0) == set()


@settings(max_examples=150)
@given(
    st.lists(st.floats(1_000, 2_000), min_size=6, max_size=20),
    st.integers(3, 19),
    st.sampled_from([1.609344, 1 / 1.609344]),
)
def test_one_figure_in_the_other_unit_is_found(steps: list[float], at: int, factor: float) -> None:
    readings = series(steps)
    at = min(at, len(readings) - 1)
    good = readings[at]
    readings[at] = Reading(
        good.event, good.on, good.shown_km * factor, good.true_km, "km", "implausible", False
    )
    assert list(other_unit(readings)) == [good.event]


def test_pace_is_the_usual_one_and_not_the_mean() -> None:
    readings = series([0, 900, 900, 900, 30_000])
    assert usual_km_per_day(readings) == pytest.approx(30.0)
    assert usual_km_per_day(readings[:2]) is None


def test_a_roll_back_is_one_row_and_the_first(tmp_path: Path) -> None:
    """31,000 mi turned back and 46 readings since: one cause, told with its day and its remedy."""
    before = [100_000 + 1_000 * n for n in range(12)]
    after = [before[-1] + 1_000 * (n + 1) - 31_000 for n in range(46)]
    start = date(2021, 1, 1)
    events = history(*before[:5], before[5] - 7_000, *before[6:], *after, start=start)
    result = audit_as_of(events, tmp_path, "2026-01-01")
    rows = result.table("doubtful_readings").records()
    assert [(row["kind"], row["readings"]) for row in map(covering, rows)] == [
        ("stepped down", 46),
        ("lower", 1),
    ]
    step = rows[0]
    assert step["on"] == start + timedelta(days=360)
    assert abs(float(str(step["size"])) - 31_000) <= 1_100
    words = str(step["words"])
    assert "exchanged or turned back?" in words
    assert "111,000 mi on 2021-11-27 before it" in words
    assert "roadworn record exchange car --old '111,000 mi' --new '81,000 mi'" in words
    # All that it explains stand behind it.
    assert len(result.table("doubtful_readings").evidence[0]) == 47
    odometer = result.table("odometers").records()[0]
    assert odometer["status"] == "not actual"
    assert odometer["true_distance"] == pytest.approx(157_000, abs=1_500)
    assert odometer["per_month"] == pytest.approx(1_015, rel=0.05)


def audit_as_of(events: list[NewEvent], tmp_path: Path, day: str) -> Result:
    with view_of(events, tmp_path, as_of=day) as view:
        return check_analysis(ODOMETER_AUDIT, view, {})


def covering(row: Any) -> dict[str, Any]:
    return {"kind": row["kind"], "readings": row["covers"]}


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("61520", 61_250),  # two digits exchanged
        ("71250", 61_250),  # one wrong
        ("6125", 61_250),  # one left out
        ("612250", 61_250),  # one too many
        ("18", None),
    ],
)
def test_the_figure_that_was_meant(typed: str, meant: float | None) -> None:
    def at(n: int, miles: float, *, used: bool = True) -> Reading:
        km = miles * 1.609344
        return Reading(f"e{n}", START + timedelta(days=30 * n), km, km, "mi", "", used)

    found = slip(at(1, float(typed), used=False), at(0, 61_150), at(2, 61_350))
    assert found == pytest.approx(meant) if meant else found is None


CAUSES = ("slip", "down", "up", "miles", "kilometres", "none")


@settings(max_examples=200)
@given(
    st.lists(st.integers(600, 2_500), min_size=16, max_size=50),
    st.sampled_from(CAUSES),
    st.integers(4, 11),
    st.integers(20_000, 60_000),
)
# A month of three times the usual distance, in which the figures in miles begin.
@example([600] * 4 + [2061] + [600] * 11, "miles", 4, 20_000)
# One figure after those in kilometres, which is lower than they are.
@example([600] * 16, "kilometres", 11, 20_000)
def test_each_planted_cause_is_one_row_of_its_kind_and_day(
    steps: list[int], planted: str, at: int, size: int
) -> None:
    true = 70_000.0 + np.cumsum(np.array(steps, float))
    shown = true.copy()
    if planted == "slip":
        shown[at] += size if size % 2 else -size
    elif planted in ("down", "up"):
        shown[at:] += -size if planted == "down" else size + 80_000
    elif planted in ("miles", "kilometres"):
        shown[at : at + 4] *= 1 / 1.609344 if planted == "miles" else 1.609344
    # A figure off by just the ratio of the two units could be either.
    for factor in (1.609344, 1 / 1.609344):
        assume(planted in ("miles", "kilometres") or abs(shown[at] * factor / true[at] - 1) > 0.1)
    days = np.arange(len(true), dtype=np.int64) * 30
    nothing, unknown = np.zeros(len(true)), np.full(len(true), np.nan)
    verdict = settle(days, shown, nothing, unknown, 2_500.0)
    readings = [
        Reading(
            f"e{n}", START + timedelta(days=int(days[n])), float(shown[n]),
            float(shown[n] + verdict.rolled_km[n]), "km", verdict.flag[n], bool(verdict.used[n]),
        )
        for n in range(len(true))
    ]  # fmt: skip
    causes = [(cause.kind, cause.at) for cause in causes_of(readings, 2_500.0)]
    kinds = {
        "slip": "implausible" if size % 2 else "lower", "down": "stepped down", "up": "stepped up",
        "miles": "mixed units", "kilometres": "mixed units",
    }  # fmt: skip
    assert causes == ([] if planted == "none" else [(kinds[planted], at)])
