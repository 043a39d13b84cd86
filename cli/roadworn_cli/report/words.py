"""The words of a sheet, from one file a language, so that a translation is one file.

What the analyses themselves say comes in English. Titles, headings, states and names of parts
are looked up in the language file, and sentences by their templates; one without a template is
shown as it is and marked as English, so that a screen reader speaks it right.
"""

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import typer

from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn.model.units import KM_PER_MILE
from roadworn_cli.output import escape
from roadworn_cli.report.model import Phrase

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView


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
        from roadworn.analysis.outlook import usual_unit

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


_PLACE = re.compile(r"\{(\w+)\}")
#: What a place may hold, by its name; any other holds any text.
_COUNT, _FIGURE, _DAY = r"[\d,]+", r"[\d,.]+%?", r"\d{4}-\d\d-\d\d"
_HOLDS = {
    **dict.fromkeys(
        ("n", "every", "months", "days", "due", "soon", "year", "done", "lost"), _COUNT
    ),
    **dict.fromkeys(("value", "low", "high", "share", "usual", "given", "came"), _FIGURE),
    "day": _DAY,
}
_PART = re.compile("; ")
_END = re.compile(r"(?<=[.]) (?=[A-Z0-9])")


class Templates:
    """The templates of one language.

    Args:
        given: English template -> template of the language, with the same places.
        tell: writes what stands in a place in the language.
    """

    def __init__(self, given: Mapping[str, str], tell: Callable[[str], str]) -> None:
        self._tell = tell
        self._templates = [(_pattern(source), target) for source, target in given.items()]

    def say(self, text: str) -> str | None:
        """Return a text in the language, None where no template fits all of it."""
        for end, joint in ((_END, " "), (_PART, "; ")):
            parts = end.split(text)
            told = [self._one(part) for part in parts] if len(parts) > 1 else [None]
            found = [part for part in told if part is not None]
            if len(found) == len(told):
                return joint.join(found)
        return self._one(text)

    def _one(self, text: str) -> str | None:
        for pattern, target in self._templates:
            match = pattern.fullmatch(text)
            if match is not None:
                places = {name: self._tell(value) for name, value in match.groupdict().items()}
                return target.format(**places)
        return None


def _pattern(source: str) -> re.Pattern[str]:
    """Return what a template matches; a place is at least one character, and never a line."""
    parts = _PLACE.split(source)
    text = "".join(
        f"(?P<{part}>{_HOLDS.get(part, '.+?')})" if number % 2 else re.escape(part)
        for number, part in enumerate(parts)
    )
    return re.compile(text)


_FOLDER = Path(__file__).parent / "strings"
SOURCE = "en"
#: More of a text than this is not shown on a sheet; the ledger keeps it whole.
LONGEST = 300
_LONGEST_SENTENCE = 2000
_ID = re.compile(r"\b[a-z]+\.[a-z_]+\b")
_NUMBER = re.compile(r"(?<![\w.,])\d{1,3}(?:,\d{3})*(?:\.\d+)?(?![\w,.]*\d)")
_WITH_UNIT = re.compile(r"(.+) \((.+)\)")
_SWAPPED = str.maketrans({",": "\u202f", ".": ","})


@dataclass(frozen=True, slots=True)
class Strings:
    """One language file.

    Attributes:
        sheet: key -> sentence of the sheet itself, with places in braces.
        analysis: English title, heading, state or unit of an analysis -> the same.
        sentences: English template of an analysis' sentence -> the same.
        components: id of a component -> its name.
        months: short names of the twelve months.
        comma: decimals stand after a comma and thousands apart by a narrow space.
    """

    sheet: Mapping[str, str]
    analysis: Mapping[str, str]
    sentences: Mapping[str, str]
    components: Mapping[str, str]
    months: tuple[str, ...]
    comma: bool


@lru_cache
def languages() -> tuple[str, ...]:
    """Return the codes of the languages there are."""
    return tuple(sorted(path.stem for path in _FOLDER.glob("*.toml")))


@lru_cache
def strings(language: str) -> Strings:
    """Return the strings of one language."""
    raw = tomllib.loads((_FOLDER / f"{language}.toml").read_text(encoding="utf-8"))
    return Strings(
        sheet=raw["sheet"],
        analysis=raw.get("analysis", {}),
        sentences=raw.get("sentences", {}),
        components=raw.get("components", {}),
        months=tuple(raw["months"]),
        comma=raw["comma"],
    )


class Words:
    """Everything that turns a value or a sentence into text on one sheet.

    Attributes:
        look: the settings of the sheet.
    """

    def __init__(self, look: Look) -> None:
        self.look = look
        self._strings = strings(look.language)
        self._names = {
            part.name: self._strings.components[part.id]
            for part in catalogue()
            if part.id in self._strings.components
        }
        self._templates = Templates(self._strings.sentences, self._told)
        # Sentences of the sheet itself, some of which come back as titles of tables and charts.
        self._own: set[str] = set()

    def __call__(self, key: str, **values: object) -> str:
        """Return a sentence of the sheet with its places filled."""
        text = self._strings.sheet[key].format(
            **{name: self.plain(value) for name, value in values.items()}
        )
        if self.look.language != SOURCE:
            self._own.add(text)
        return text

    def phrase(self, key: str, **values: object) -> Phrase:
        """Return a sentence of the sheet as a phrase."""
        return Phrase(self(key, **values))

    def spoken(self) -> tuple[Phrase, ...]:
        """Return a word about what stays in English; nothing on an English sheet."""
        return () if self.look.language == SOURCE else (self.phrase("spoken"),)

    def said(self, text: str) -> Phrase:
        """Return what an analysis says, translated where the language file knows it."""
        known = self._known(text)
        if known is not None:
            return Phrase(known)
        text = _ID.sub(lambda found: self._part(found[0]), shown(text, _LONGEST_SENTENCE))
        return Phrase(text, "" if self.look.language == SOURCE else SOURCE)

    def sentences(self, texts: Sequence[str]) -> Phrase:
        """Return what an analysis says in several sentences as one running text."""
        told = [self.said(text) for text in texts]
        spoken = next((phrase.language for phrase in told if phrase.language), "")
        return Phrase(" ".join(phrase.text for phrase in told), spoken)

    def word(self, text: str) -> str:
        """Return a state, unit or name of a part in this language; anything else as it is."""
        told = self._worded(text)
        if self.look.language != SOURCE:
            self._own.add(told)
        return told

    def _worded(self, text: str) -> str:
        text = shown(text)
        known = self._known(text) or self._names.get(text)
        if known is not None:
            return known
        part = self._part(text)
        if part != text:
            return part
        if "; " in text and self.look.language != SOURCE:
            # What was seen, what was put off and so on, told one after the other.
            return "; ".join(self._worded(piece) for piece in text.split("; "))
        return self._named(text) or self._grouped(text)

    def _known(self, text: str) -> str | None:
        """Return a text in the language of the sheet, None where it is not known in it."""
        if self.look.language == SOURCE:
            return None
        if text in self._own or self._is_named_with_unit(text):
            return text
        known = self._strings.analysis.get(text)
        return known if known is not None else self._templates.say(shown(text, _LONGEST_SENTENCE))

    def _is_named_with_unit(self, text: str) -> bool:
        """Say whether a text is a name of ours with a unit of ours, as titles of axes are."""
        found = _WITH_UNIT.fullmatch(text)
        return found is not None and {found[1], found[2]} <= self._own

    def _told(self, text: str) -> str:
        """Tell what stands in a place of a sentence: a day, a part, names, else its numbers."""
        try:
            return self.day(date.fromisoformat(text))
        except ValueError:
            pass
        if ", " not in text:
            return _NUMBER.sub(lambda found: self.number(found[0]), self.word(text))
        names, told, start = text.split(", "), [], 0
        while start < len(names):
            # The longest run of pieces that is one name: `door latch, lock and regulator LF`.
            for stop in range(len(names), start, -1):
                piece = ", ".join(names[start:stop])
                name = self.word(piece) if stop == start + 1 else self._listed(piece)
                if name is not None:
                    told.append(name)
                    start = stop
                    break
        return _NUMBER.sub(lambda found: self.number(found[0]), ", ".join(told))

    def _part(self, identifier: str) -> str:
        part = catalogue().find(identifier)
        return identifier if part is None else self._strings.components.get(part.id, part.name)

    def _listed(self, text: str) -> str | None:
        """Translate what is known as a whole though it has a comma in it."""
        return self._strings.analysis.get(text) or self._named(text)

    def _named(self, text: str) -> str | None:
        """Translate `disc brake pads front`: a part's name, followed by its place or not."""
        if text in self._names:
            return self._names[text]
        words = text.split(" ")
        for cut in range(len(words) - 1, 0, -1):
            name, place = " ".join(words[:cut]), " ".join(words[cut:])
            if name in self._names and ", " not in place:
                return f"{self._names[name]} {self._strings.analysis.get(place, place)}"
        return None

    def _grouped(self, text: str) -> str:
        """Translate the name of a group: `wheel.tire, delivery van`."""
        if ", " not in text:
            return text
        head, _, rest = text.partition(", ")
        return f"{self._part(head)}, {self._strings.analysis.get(rest, rest)}"

    def number(self, text: str) -> str:
        """Return a number as written with comma and point in the manner of this language."""
        return text.translate(_SWAPPED) if self._strings.comma else text

    def day(self, day: date) -> str:
        """Return a day in the order of the sheet."""
        return ordered(day, self.look.dates, self._strings.months)

    def km(self, km: float) -> str:
        """Return a distance in the unit of the sheet."""
        return f"{self.number(f'{self.look.distance(km):,.0f}')} {self.look.unit}"

    def plain(self, value: object) -> str:
        """Return any value as text."""
        if value is None:
            return ""
        if isinstance(value, date):
            return self.day(value)
        if isinstance(value, bool):
            return self("yes") if value else self("no")
        if isinstance(value, int):
            return self.number(f"{value:,d}")
        if isinstance(value, float):
            return self.number(f"{value:,.6g}")
        return shown(str(value))


def shown(text: str, longest: int = LONGEST) -> str:
    """Return a text fit to show: controls and direction marks visible, never endless."""
    cut = text if len(text) <= longest else f"{text[: longest - 1]}…"
    return escape(cut)
