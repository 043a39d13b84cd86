"""A day as people say it: "tomorrow", "fri", "mon 4pm", "in 3 days", "4 dec".

What may mean two days is not guessed: both are named, and asked for. Which way a day without a
year or week lies is told by what it is for: work was done on the last Friday, a vehicle is
promised for the next one.
"""

import re
import unicodedata
from calendar import monthrange
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Final, NamedTuple

from roadworn.model.errors import UsageError

#: Fields that say a day which lies ahead; every other day is past.
AHEAD: Final = frozenset({"promised", "until", "valid_until", "due_date"})
#: Beginnings of the names of months, number -> in several languages (general knowledge).
_MONTHS: Mapping[int, str] = {
    1: "jan ene janv gen januar enero janvier",
    2: "feb fev fév févr febr",
    3: "mar mär mrz mars märz maart marzo mrt",
    4: "apr abr avr april abril avril",
    5: "may mai mayo mei mag maj",
    6: "jun juin giu juni",
    7: "jul juil lug juli",
    8: "aug ago août aout aou",
    9: "sep sept set",
    10: "oct okt ott out",
    11: "nov",
    12: "dec dez dic déc des",
}
_NUMBER_OF = {name: number for number, names in _MONTHS.items() for name in names.split()}
#: Weekdays by how they are said in English and Spanish; "mar" is March as well, so it is none.
_WEEKDAYS = {
    name: number
    for number, names in enumerate((
        "mon monday lun lunes", "tue tues tuesday martes", "wed weds wednesday mie miercoles",
        "thu thur thurs thursday jue jueves", "fri friday vie viernes",
        "sat saturday sab sabado", "sun sunday dom domingo",
    ))
    for name in names.split()
}  # fmt: skip
_NEAR = {
    **dict.fromkeys(("today", "tonight", "now", "hoy"), 0),
    **dict.fromkeys(("tomorrow", "tmrw", "tmw", "tomorow", "tommorow", "manana"), 1),
    **dict.fromkeys(("yesterday", "yday", "ayer"), -1),
}
_STEPS = {"day": 1, "days": 1, "dia": 1, "dias": 1, "week": 7, "weeks": 7, "wk": 7, "wks": 7,
          "semana": 7, "semanas": 7}  # fmt: skip
#: Counted by the calendar: the same day of another month.
_MONTHS_IN = {"month": 1, "months": 1, "mo": 1, "mes": 1, "meses": 1, "year": 12, "years": 12,
              "yr": 12, "yrs": 12, "ano": 12, "anos": 12}  # fmt: skip
_ONES = {"a": 1, "one": 1, "un": 1, "una": 1, "two": 2, "dos": 2, "three": 3, "tres": 3}
_FILL = frozenset(
    {"on", "by", "at", "for", "the", "this", "coming", *["el", "la", "las", "los", "para", "de"]}
)
_CLOCK = re.compile(
    r"(?<![\d:/.-])(?:(?P<noon>noon|midday|mediodia)"
    r"|(?P<h>\d{1,2})(?::(?P<m>\d{2}))?\s*(?P<half>[ap])\.?m?\.?(?![\w])"
    r"|(?P<h24>\d{1,2})(?::|h)(?P<m24>\d{2})(?!\d))"
)


class SaidDay(NamedTuple):
    """What was said.

    Attributes:
        day: ISO day.
        clock: time of day as 16:00, by the clock on the wall, or an empty text.
    """

    day: str
    clock: str = ""


def month_of(name: str) -> int:
    """Return the number of a month by its name or what it begins with, 0 for none."""
    key = name.casefold()
    for length in (len(key), 5, 4, 3):
        if key[:length] in _NUMBER_OF:
            return _NUMBER_OF[key[:length]]
    return 0


def read_said(text: str, today: date, *, ahead: bool = False) -> SaidDay | None:
    """Return the day that a text says, or None where it says none.

    Args:
        text: as typed.
        today: by the calendar on the wall.
        ahead: it lies ahead, where it does not say so itself.

    Raises:
        UsageError: it may be two days; names both.
    """
    plain = "".join(
        letter
        for letter in unicodedata.normalize("NFKD", text.casefold())
        if not unicodedata.combining(letter)
    )
    clock = _CLOCK.search(plain)
    said = "" if clock is None else _clock_of(clock)
    if clock is not None:
        if not said:
            return None
        plain = f"{plain[: clock.start()]} {plain[clock.end() :]}"
    words = [word for word in re.split(r"[\s,]+", plain.strip(" .")) if word not in (*_FILL, "")]
    if not words:
        return SaidDay(today.isoformat(), said) if said else None
    found = _day(words, today, text, ahead=ahead)
    return None if found is None else SaidDay(found.isoformat(), said)


def _clock_of(found: re.Match[str]) -> str:
    if found["noon"]:
        return "12:00"
    hour, minute = int(found["h"] or found["h24"]), int(found["m"] or found["m24"] or 0)
    if found["half"]:
        if not 1 <= hour <= 12:
            return ""
        hour = hour % 12 + (12 if found["half"] == "p" else 0)
    return f"{hour:02}:{minute:02}" if hour < 24 and minute < 60 else ""


def _day(words: list[str], today: date, text: str, *, ahead: bool) -> date | None:
    if len(words) == 1:
        if words[0] in _NEAR:
            return today + timedelta(days=_NEAR[words[0]])
        try:
            return date.fromisoformat(words[0])
        except ValueError:
            pass
    weekdays = [word.strip(".") for word in words if word.strip(".") in _WEEKDAYS]
    others = [word for word in words if word.strip(".") not in _WEEKDAYS]
    if len(weekdays) == 1 and not {*others} - {"next", "last"} and len(others) < 2:
        return _weekday(_WEEKDAYS[weekdays[0]], "".join(others), today, text, ahead=ahead)
    if weekdays:
        # "fri 4 dec": what was said besides must be that day.
        named = _day(others, today, text, ahead=ahead) if others else None
        fits = named is not None and named.weekday() == _WEEKDAYS[weekdays[0]]
        return named if fits else None
    return _counted(words, today, ahead=ahead) or _named(words, today, ahead=ahead)


def _weekday(number: int, which: str, today: date, text: str, *, ahead: bool) -> date:
    on = (number - today.weekday()) % 7
    if which == "last":
        return today + timedelta(days=on - 7)
    if on == 0 and not which:
        other = today + timedelta(days=7 if ahead else -7)
        _ask(text, today, other)
    if which == "next" and on:
        _ask(text, today + timedelta(days=on), today + timedelta(days=on + 7))
    return today + timedelta(days=(on or 7) if ahead or which else on - 7)


def _ask(text: str, one: date, other: date) -> None:
    raise UsageError(
        f"{text!r} may be {one.isoformat()} or {other.isoformat()}: write which of the two."
    )


def _counted(words: list[str], today: date, *, ahead: bool) -> date | None:
    """Read "in 3 days", "2 weeks ago", "hace 2 dias", and "2 weeks" of what lies ahead."""
    back = "ago" in words or "hace" in words
    left = [word for word in words if word not in ("in", "en", "ago", "hace")]
    said = len(left) < len(words) or ahead
    if len(left) != 2 or not said or left[1] not in {**_STEPS, **_MONTHS_IN}:
        return None
    many = int(left[0]) if left[0].isdecimal() and len(left[0]) < 4 else _ONES.get(left[0], 0)
    if left[1] in _MONTHS_IN:
        return _months_on(
            today, -many * _MONTHS_IN[left[1]] if back else many * _MONTHS_IN[left[1]]
        )
    days = many * _STEPS[left[1]]
    return today + timedelta(days=-days if back else days) if days else None


def _months_on(day: date, months: int) -> date | None:
    """Return the same day so many months on, or the last of that month."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    if not months or not 1 <= year <= 9999:
        return None
    last = monthrange(year, month + 1)[1]
    return date(year, month + 1, min(day.day, last))


def _named(words: list[str], today: date, *, ahead: bool) -> date | None:
    """Read "4 dec", "dec 4th" and "4 dec 2026"; without a year the nearest that way."""
    months = [month_of(word.strip(".")) for word in words if word[0].isalpha()]
    numbers = [re.sub(r"(?<=\d)(?:st|nd|rd|th)$", "", word) for word in words if word[0].isdigit()]
    if len(months) != 1 or not months[0] or not all(number.isdecimal() for number in numbers):
        return None
    years = [int(number) for number in numbers if len(number) == 4]
    days = [int(number) for number in numbers if len(number) < 3]
    if len(days) != 1 or len(days) + len(years) != len(numbers) or len(years) > 1:
        return None
    for year in years or (today.year, today.year + (1 if ahead else -1)):
        try:
            found = date(year, months[0], days[0])
        except ValueError:
            continue
        if years or (found >= today if ahead else found <= today):
            return found
    return None
