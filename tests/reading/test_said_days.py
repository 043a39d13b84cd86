"""A day as people say it; the calendar is that of December 2026, which begins on a Tuesday."""

from datetime import date

import pytest

from roadworn.model.errors import UsageError
from roadworn.reading.said_days import SaidDay, month_of, read_said

TUESDAY = date(2026, 12, 1)


@pytest.mark.parametrize(
    ("said", "day", "clock"),
    [
        ("tomorrow", "2026-12-02", ""),
        ("mañana", "2026-12-02", ""),
        ("today 3pm", "2026-12-01", "15:00"),
        ("3pm", "2026-12-01", "15:00"),
        ("3 p.m.", "2026-12-01", "15:00"),
        ("noon", "2026-12-01", "12:00"),
        ("12am tomorrow", "2026-12-02", "00:00"),
        ("fri", "2026-12-04", ""),
        ("by Friday", "2026-12-04", ""),
        ("Fri.", "2026-12-04", ""),
        ("mon 4pm", "2026-12-07", "16:00"),
        ("mon at 16:30", "2026-12-07", "16:30"),
        ("lunes 16h30", "2026-12-07", "16:30"),
        ("in 3 days", "2026-12-04", ""),
        ("in a week", "2026-12-08", ""),
        ("2 weeks", "2026-12-15", ""),
        ("in 1 year", "2027-12-01", ""),
        ("in 3 months", "2027-03-01", ""),
        ("4 dec", "2026-12-04", ""),
        ("dec 4th", "2026-12-04", ""),
        ("4 de enero", "2027-01-04", ""),
        ("fri 4 dec 2026", "2026-12-04", ""),
        ("2026-12-04 16:00", "2026-12-04", "16:00"),
        ("yesterday", "2026-11-30", ""),
    ],
)
def test_a_day_that_lies_ahead(said: str, day: str, clock: str) -> None:
    assert read_said(said, TUESDAY, ahead=True) == SaidDay(day, clock)


@pytest.mark.parametrize(
    ("said", "day"),
    [
        ("yesterday", "2026-11-30"),
        ("ayer", "2026-11-30"),
        ("fri", "2026-11-27"),
        ("last fri", "2026-11-27"),
        ("last tue", "2026-11-24"),
        ("2 weeks ago", "2026-11-17"),
        ("hace 2 dias", "2026-11-29"),
        ("6 months ago", "2026-06-01"),
        ("4 dec", "2025-12-04"),
        ("20 nov", "2026-11-20"),
    ],
)
def test_a_day_that_is_past(said: str, day: str) -> None:
    assert read_said(said, TUESDAY) == SaidDay(day)


@pytest.mark.parametrize("said", ["tue", "next fri"])
def test_what_may_be_two_days_is_asked(said: str) -> None:
    with pytest.raises(UsageError, match="2026-12-0"):
        read_said(said, TUESDAY, ahead=True)


@pytest.mark.parametrize(
    "said",
    ["soon", "12/4", "13pm", "25:00", "fri mon", "fri 5 dec", "31 feb", "4", "may", "", "asap"],
)
def test_what_says_no_day_is_none(said: str) -> None:
    assert read_said(said, TUESDAY, ahead=True) is None


def test_a_month_by_its_beginning() -> None:
    assert [month_of(name) for name in ("jan", "Enero", "december", "xyz")] == [1, 1, 12, 0]
