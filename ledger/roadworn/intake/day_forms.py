"""Forms in which a day is written, and reading one by them; what fits two forms is not guessed.

A form is written with the parts of a day and whatever stands between them: ``d/m/y``,
``d-mon-yy``, ``mon d, y``, ``d. month y``, ``yyyymmdd``; ``serial`` is the number of days that a
spreadsheet counts from 1899-12-30. ``y`` is a year of four digits, ``yy`` one of two: 69 to 99 are
1969 to 1999, 00 to 68 are 2000 to 2068 (POSIX, strptime, %y).
"""

import re
from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from functools import lru_cache

from roadworn.model.errors import UsageError
from roadworn.reading.said_days import month_of

_PARTS = re.compile(r"yyyymmdd|ddmmyyyy|mmddyyyy|ddmmyy|yymmdd|month|mon|yyyy|yy|y|mm|m|dd|d")
_FIXED = {
    "yyyymmdd": r"(?P<y>\d{4})(?P<m>\d{2})(?P<d>\d{2})",
    "ddmmyyyy": r"(?P<d>\d{2})(?P<m>\d{2})(?P<y>\d{4})",
    "mmddyyyy": r"(?P<m>\d{2})(?P<d>\d{2})(?P<y>\d{4})",
    "ddmmyy": r"(?P<d>\d{2})(?P<m>\d{2})(?P<yy>\d{2})",
    "yymmdd": r"(?P<yy>\d{2})(?P<m>\d{2})(?P<d>\d{2})",
    "y": r"(?P<y>\d{4})",
    "yyyy": r"(?P<y>\d{4})",
    "yy": r"(?P<yy>\d{2})",
    "m": r"(?P<m>\d{1,2})",
    "mm": r"(?P<m>\d{1,2})",
    "d": r"(?P<d>\d{1,2})",
    "dd": r"(?P<d>\d{1,2})",
    "mon": r"(?P<mon>[^\W\d_]{3,12})\.?",
    "month": r"(?P<mon>[^\W\d_]{3,12})\.?",
}
#: A time of day behind the day is left out: its zone would have to be guessed.
_TIME = r"(?:[ T,]+\d{1,2}[:.h]\d{2}(?:[:.]\d{2}(?:[.,]\d{1,9})?)?(?:\s*[ap]\.?m\.?)?)?"
SERIAL = "serial"
_FIRST_SERIAL, _LAST_SERIAL = 10_000, 80_000


@lru_cache(maxsize=256)
def _reader(form: str) -> re.Pattern[str] | None:
    """Return what reads a form, or None where the form is none."""
    at, made = 0, ""
    text = form.casefold().strip()
    for found in _PARTS.finditer(text):
        made += re.escape(text[at : found.start()]).replace("\\ ", r"\s+") + _FIXED[found[0]]
        at = found.end()
    made += re.escape(text[at:])
    try:
        reader = re.compile(made + _TIME, re.IGNORECASE)
    except re.error:  # a part stands in it twice
        return None
    named = set(reader.groupindex)
    whole = "d" in named and len(named & {"m", "mon"}) == 1 and len(named & {"y", "yy"}) == 1
    return reader if whole and len(named) == 3 else None  # day, month, year


def check_forms(name: str, forms: Iterable[str]) -> None:
    """Refuse what is no form of a day.

    Raises:
        UsageError: names it.
    """
    for form in forms:
        if form.casefold() != SERIAL and _reader(form) is None:
            raise UsageError(
                f"In the map {name}, {form!r} is no form of a day: write it as 'd/m/y', 'd-mon-yy' "
                "or 'mon d, y', with y for four digits of a year and yy for two."
            )


def days_by(text: str, forms: Iterable[str]) -> Iterator[tuple[str, date]]:
    """Yield (form, day) for each of some forms that a text is a day of the calendar in."""
    for form in forms:
        found = day_by(text, form)
        if found is not None:
            yield form, found


def day_by(text: str, form: str) -> date | None:
    """Return the day that a text is in one form, or None."""
    if form.casefold() == SERIAL:
        whole = text.partition(".")[0]
        if whole.isdecimal() and _FIRST_SERIAL <= int(whole) <= _LAST_SERIAL:
            return date(1899, 12, 30) + timedelta(days=int(whole))
        return None
    reader = _reader(form)
    found = reader.fullmatch(text.strip()) if reader is not None else None
    if found is None:
        return None
    parts = found.groupdict()
    year = int(parts.get("y") or parts["yy"])
    if parts.get("yy"):
        year += 1900 if year >= 69 else 2000  # POSIX
    month = int(parts["m"]) if parts.get("m") else month_of(parts["mon"])
    try:
        return date(year, month, int(parts["d"]))
    except ValueError:
        return None
