"""How a sheet is written: language, distance unit, currency, order of dates, paper.

These are settings of whoever hands the sheet out, so each has an option and an environment
variable; none of them changes a figure. Amounts are never converted: a currency only chooses
which amounts are shown.
"""

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any, Final

import typer

from roadworn.errors import UsageError
from roadworn.units import KM_PER_MILE

if TYPE_CHECKING:
    from roadworn.view import LedgerView

DATE_ORDERS: Final = ("ymd", "dmy", "mdy")
PAPERS: Final = {"a4": "A4", "letter": "Letter"}
UNITS: Final = ("mi", "km")


@dataclass(frozen=True, slots=True)
class Look:
    """The settings of a sheet.

    Attributes:
        language: code of a file of strings.
        unit: ``mi`` or ``km``; empty takes the one that the readings are in.
        currency: only amounts in this currency are shown; empty shows all.
        dates: ``ymd``, ``dmy`` or ``mdy``.
        paper: ``a4`` or ``letter``.
    """

    language: str = "en"
    unit: str = ""
    currency: str = ""
    dates: str = "ymd"
    paper: str = "a4"

    def settled(self, view: "LedgerView", vehicle_id: str = "") -> "Look":
        """Return the look with a unit: the one in which most readings were written."""
        from roadworn.outlook import usual_unit

        if self.unit:
            return self
        return replace(self, unit=usual_unit(view, vehicle_id))

    def distance(self, km: float) -> float:
        """Return kilometres in the unit of this look."""
        return km / KM_PER_MILE if self.unit == "mi" else km


def look_of(
    language: str = "en", unit: str = "", currency: str = "", dates: str = "ymd", paper: str = "a4"
) -> Look:
    """Check the options and keep them.

    Raises:
        UsageError: one of them is no such thing, with what there is.
    """
    from roadworn_cli.report.words import languages

    look = Look(
        language=language.casefold(),
        unit=unit.casefold(),
        currency=currency.upper(),
        dates=dates.casefold(),
        paper=paper.casefold(),
    )
    for option, value, known in (
        ("--language", look.language, languages()),
        ("--unit", look.unit, ("", *UNITS)),
        ("--dates", look.dates, DATE_ORDERS),
        ("--paper", look.paper, tuple(PAPERS)),
    ):
        if value not in known:
            there = ", ".join(word for word in known if word)
            raise UsageError(f"{option} is one of {there}, not {value!r}.")
    return look


def language_option() -> Any:  # noqa: ANN401  # what typer.Option says it returns
    """Return the `--language` option."""
    return typer.Option(
        "en", "--language", envvar="ROADWORN_LANGUAGE", metavar="CODE", help="Language: en, es."
    )


def unit_option() -> Any:  # noqa: ANN401
    """Return the `--unit` option."""
    return typer.Option(
        "", "--unit", envvar="ROADWORN_UNIT", metavar="mi|km", help="Unit; else as most readings."
    )


def currency_option() -> Any:  # noqa: ANN401
    """Return the `--currency` option."""
    return typer.Option(
        "", "--currency", metavar="CODE", help="Only amounts in this currency; none is converted."
    )


def dates_option() -> Any:  # noqa: ANN401
    """Return the `--dates` option."""
    return typer.Option(
        "ymd", "--dates", envvar="ROADWORN_DATES", metavar="ymd|dmy|mdy", help="Order of a date."
    )


def paper_option() -> Any:  # noqa: ANN401
    """Return the `--paper` option."""
    return typer.Option(
        "a4", "--paper", envvar="ROADWORN_PAPER", metavar="a4|letter", help="Paper to print on."
    )


def ordered(day: date, order: str, months: tuple[str, ...]) -> str:
    """Return a day in an order that cannot be misread: a month is a word unless it is ISO.

    >>> ordered(date(2026, 11, 20), "dmy", tuple("JFMAMJJASOND"))
    '20 N 2026'
    """
    month = months[day.month - 1]
    if order == "dmy":
        return f"{day.day} {month} {day.year}"
    if order == "mdy":
        return f"{month} {day.day}, {day.year}"
    return day.isoformat()
