"""What a mistyped day may have been: a hint for the eye, never put in by itself."""

import re
from calendar import month_name, monthrange
from datetime import date

_ISO = re.compile(r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})", re.ASCII)
_YEAR_LAST = re.compile(r"(\d{1,2})[-./](\d{1,2})[-./](\d{4})", re.ASCII)
_NO_YEAR = re.compile(r"(\d{1,2})[-./](\d{1,2})(?:[-./](\d{2}))?\.?", re.ASCII)
#: A year that is meant lies no further back than this.
_BACK = 40


def day_hint(text: str) -> str:
    """Return what a text that is no ISO day of the calendar may mean, or an empty text.

    Args:
        text: as typed, for instance ``13/25/2024``, ``2026-02-31`` or ``31.02``.
    """
    text = text.strip()[:40]
    iso, last = _ISO.fullmatch(text), _YEAR_LAST.fullmatch(text)
    if iso is not None:
        year, first, second = map(int, iso.groups())
        readings = _valid((year, first, second), (year, second, first))
    elif last is not None:
        first, second, year = map(int, last.groups())
        readings = _valid((year, second, first), (year, first, second))
    else:
        short = _NO_YEAR.fullmatch(text)
        if short is None:
            return ""
        missing = "has no year" if short[3] is None else "has a year of two digits"
        return f"it {missing}: write it in full, as in 2026-05-04{_too_long(2024, *short.groups())}"
    if readings:
        return f"did you mean {' or '.join(readings)}?"
    return _no_such_day(year, first, second)


def year_meant(day: str, latest: str) -> str:
    """Return the day with the year that was meant, or an empty text.

    Two neighbouring digits of the year exchanged (2204 for 2024), or another century (1926).

    Args:
        day: an ISO day whose year cannot be.
        latest: the ISO day it cannot lie after.
    """
    year, rest = day[:4], day[4:10]
    exchanged = [year[:at] + year[at + 1] + year[at] + year[at + 2 :] for at in range(3)]
    for meant in (*exchanged, f"{latest[:2]}{year[2:]}"):
        near = int(latest[:4]) - _BACK <= int(meant) <= int(latest[:4])
        if near and meant + rest <= latest[:10] and _valid((int(meant), *_month_and_day(rest))):
            return meant + rest
    return ""


def _month_and_day(rest: str) -> tuple[int, int]:
    return int(rest[1:3]), int(rest[4:6])


def _valid(*readings: tuple[int, int, int]) -> list[str]:
    """Return those of (year, month, day) that are days of the calendar, each once, as ISO days."""
    found = []
    for year, month, day in readings:
        if year and 1 <= month <= 12 and 1 <= day <= monthrange(year, month)[1]:
            found.append(date(year, month, day).isoformat())
    return list(dict.fromkeys(found))


def _no_such_day(year: int, one: int, other: int) -> str:
    """Say how many days the month has, when one of the two numbers can only be the day."""
    month, day = (one, other) if one <= 12 else (other, one)
    if not (year and 1 <= month <= 12 and 12 < day <= 31):
        return "no month has such a number"
    return f"{month_name[month]} {year} has {monthrange(year, month)[1]} days"


def _too_long(year: int, one: str, other: str, _year: str | None) -> str:
    """Return the most days of a month, where a day without its year is beyond them."""
    month, day = sorted((int(one), int(other)))
    if 1 <= month <= 12 and monthrange(year, month)[1] < day <= 31:
        return f"; {month_name[month]} has at most {monthrange(year, month)[1]} days"
    return ""
