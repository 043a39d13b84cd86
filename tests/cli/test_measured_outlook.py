"""Measured wear in the outlook, whether or not a price is known."""

import pytest
from commandline import Run


def test_measured_wear_stands_in_the_outlook_without_a_price(run: Run) -> None:
    """Worked by hand: 8, 6, 4 mm each 6,000 mi; the limit of 49 CFR 570.9(a), 2/32 in, is

    1.5875 mm: 2.4125 mm left at 1 mm in 3,000 mi are 7,237 mi. 12,000 mi in the 365 days between
    the first and the last reading are 1,000.7 mi in a month of 365.25 / 12 days: 7.2 months.
    """
    run("create")
    run("enrol", "w", "--class", "car", "--odometer", "60,000 mi", "--on", "2025-01-01")
    for day, miles, depth in (
        ("2025-01-01", "60,000", "8"), ("2025-07-02", "66,000", "6"), ("2026-01-01", "72,000", "4"),
    ):  # fmt: skip
        done = run(
            "record", "inspection", "w", f"tire LF {depth} mm sound", "--odometer", f"{miles} mi",
            "--on", day,
        )  # fmt: skip
        assert done.code == 0
    told = run("outlook", "w", "--format", "json").json()
    assert isinstance(told, dict)
    (row,) = told["wear"]["tables"][0]["rows"]
    assert row["left"] == pytest.approx(7_200)
    assert row["months"] == pytest.approx(7.2, abs=0.1)
    screen = run("outlook", "w", "--months", "24", "--more")
    assert "Measured parts, the nearest to its limit first" in screen.out
    assert "7,200" in screen.out


def test_where_no_inspection_is_asked_for_the_screen_judges_by_none(run: Run) -> None:
    run("create")
    run(
        "enrol", "w", "--class", "car", "--odometer", "60,000 mi", "--use", "errands",
        "--inspected-by", "none",
    )  # fmt: skip
    run("record", "inspection", "w", "tie rod end outer L failed loose", "--odometer", "60,100 mi")
    screen = run("outlook", "w").out
    assert "none is asked for here" in screen
    assert "would fail" not in screen
