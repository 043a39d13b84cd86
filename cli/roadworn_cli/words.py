"""How an answer is to look, on a report or a screen, and what turns a value into text on it."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Annotated, Final

import typer

from roadworn.model import in_use
from roadworn.model.errors import UnknownName
from roadworn.model.messages import Joined, PlaceName
from roadworn.model.units import KM_PER_MILE
from roadworn.say import DATES, SOURCE, Said, Speaker, languages, packaged_languages
from roadworn_cli.output import escape

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView


PAPERS: Final = {"a4": "A4", "letter": "Letter"}
UNITS: Final = ("mi", "km")
#: More of a text than this is not shown on a report; the ledger keeps it whole.
LONGEST = 2000
#: More of a cell than this is not shown.
LONGEST_CELL = 300

Language = Annotated[
    str,
    typer.Option(
        "--language", envvar="ROADWORN_LANGUAGE", metavar="CODE", help="Language: en, es."
    ),
]
Unit = Annotated[
    str,
    typer.Option(
        "--unit", envvar="ROADWORN_UNIT", metavar="mi|km", help="Unit; else as most readings."
    ),
]
Currency = Annotated[
    str,
    typer.Option(
        "--currency", metavar="CODE", help="Only amounts in this currency; none is converted."
    ),
]
Dates = Annotated[
    str,
    typer.Option(
        "--dates", envvar="ROADWORN_DATES", metavar="ymd|dmy|mdy", help="Order of a date."
    ),
]
Paper = Annotated[
    str,
    typer.Option(
        "--paper", envvar="ROADWORN_PAPER", metavar="a4|letter", help="Paper to print on."
    ),
]


@dataclass(frozen=True, slots=True)
class Look:
    """The settings of a report.

    Attributes:
        language: code of a language file.
        unit: ``mi`` or ``km``; empty takes the one that the readings are in.
        currency: only amounts in this currency are shown; empty shows all.
        dates: ``ymd``, ``dmy`` or ``mdy``.
        paper: ``a4`` or ``letter``.
    """

    language: str = SOURCE
    unit: str = ""
    currency: str = ""
    dates: str = "ymd"
    paper: str = "a4"

    def settled(self, view: "LedgerView", vehicle_id: str = "") -> "Look":
        """Return the look with a unit: the one in which most readings were written."""
        if self.unit:
            return self
        return replace(self, unit=view.usual_unit(vehicle_id))

    def distance(self, km: float) -> float:
        """Return kilometres in the unit of this look."""
        return km / KM_PER_MILE if self.unit == "mi" else km


def look_of(
    language: str = SOURCE,
    unit: str = "",
    currency: str = "",
    dates: str = "ymd",
    paper: str = "a4",
) -> Look:
    """Check the options and keep them.

    Raises:
        UsageError: one of them is no such thing, with what there is.
    """
    look = Look(
        language=language.casefold(),
        unit=unit.casefold(),
        currency=currency.upper(),
        dates=dates.casefold(),
        paper=paper.casefold(),
    )
    # Plugins need not be asked for a language that ships.
    spoken = packaged_languages()
    for option, value, known in (
        ("--language", look.language, spoken if look.language in spoken else languages()),
        ("--unit", look.unit, ("", *UNITS)),
        ("--dates", look.dates, tuple(DATES)),
        ("--paper", look.paper, tuple(PAPERS)),
    ):
        if value not in known:
            there = ", ".join(word for word in known if word)
            left_out = in_use().left_out() if option == "--language" else {}
            raise UnknownName(f"{option} is one of {there}, not {value!r}.", left_out=left_out)
    return look


def screen_speaker(look: Look, fmt: str) -> Speaker | None:
    """Return what says a screen in another language; None for English, and for data."""
    if fmt != "table" or look.language == SOURCE:
        return None
    return Speaker(look.language, look.dates, escape)


class Words:
    """Everything that turns a value or a sentence into text on one report.

    Attributes:
        look: the settings of the report.
    """

    def __init__(self, look: Look, *, spelled: bool = False) -> None:
        """Make the words of one report.

        Args:
            look: its settings.
            spelled: say places in words, as "left front", for who does not know LF.
        """
        self.look = look
        self._speaker = Speaker(look.language, look.dates, shown, spelled=spelled)
        self._cells = Speaker(
            look.language, look.dates, lambda text: shown(text, LONGEST_CELL), spelled=spelled
        )
        self.day = self._speaker.day
        self.number = self._speaker.number

    def __call__(self, key: str, **values: object) -> Said:
        """Return a sentence of the report with its places filled."""
        return self._cells.fill(self._cells.strings.report[key], values)

    def spoken(self) -> tuple[Said, ...]:
        """Return a word about what was typed and has no translation; nothing in English."""
        return () if self.look.language == SOURCE else (self("spoken"),)

    def said(self, text: object) -> Said:
        """Return what an analysis says."""
        return self._speaker.say(text)

    def sentences(self, texts: Iterable[str]) -> Said:
        """Return what an analysis says in several sentences as one running text."""
        return self._speaker.say(Joined(texts, " "))

    def word(self, text: object) -> Said:
        """Return a state, a unit, a name or a short text that somebody typed."""
        return self._cells.say(text)

    def joined(self, parts: Iterable[object], by: str) -> Said:
        """Return several of them one after the other."""
        return self._cells.say(Joined(parts, by))

    def part(self, component: object, position: object = "") -> Said:
        """Return the name of a part with its place, from a row."""
        return self._cells.part(str(component), str(position or ""))

    def place(self, position: object, component: object = None) -> Said:
        """Return a place from a row, or whatever else stands there."""
        if type(position) is str:
            position = PlaceName(position, str(component))
        return self._cells.say(position)

    def km(self, km: float) -> Said:
        """Return a distance in the unit of the report."""
        return Said(f"{self.number(f'{self.look.distance(km):,.0f}')} {self.look.unit}")

    def plain(self, value: object) -> Said:
        """Return any value as text."""
        if isinstance(value, bool):
            return self("yes") if value else self("no")
        if isinstance(value, int | float):
            return Said(self.number(f"{value:,d}" if isinstance(value, int) else f"{value:,.6g}"))
        if value is None or isinstance(value, date | Said):
            return self._cells.say(value)
        return Said(shown(str(value), LONGEST_CELL))


def shown(text: str, longest: int = LONGEST) -> str:
    """Return a text fit to show: controls and direction marks visible, never endless."""
    cut = text if len(text) <= longest else f"{text[: longest - 1]}…"
    return escape(cut)
