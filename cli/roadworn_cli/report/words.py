"""The words of a sheet, from one file a language, so that a translation is one file.

What the analyses themselves say comes in English. Titles, headings, states and names of parts
are looked up in the language file, and sentences by their templates; one without a template is
shown as it is and marked as English, so that a screen reader speaks it right.
"""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from pathlib import Path

from roadworn.catalogue import catalogue
from roadworn_cli.output import escape
from roadworn_cli.report.look import Look, ordered
from roadworn_cli.report.model import Phrase
from roadworn_cli.report.sentences import Templates

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
