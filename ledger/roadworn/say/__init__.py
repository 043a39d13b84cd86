"""Says again in another language what was said in English: one file a language, no guessing.

A sentence is found by its code and filled with its arguments, a part by its component and its
place, a title or a state by its whole text. Nothing is matched or cut. What has no entry stays
as it was written and is marked, so that a screen reader speaks each piece in its own language.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import cached_property, lru_cache
from itertools import groupby
from pathlib import Path
from string import Formatter
from typing import TYPE_CHECKING, Any, Final, Self

from roadworn.model import in_use, reads
from roadworn.model.errors import UsageError
from roadworn.model.messages import RESHAPED, Joined, PartName, PlaceName, Sentence

if TYPE_CHECKING:
    from babel import Locale

    from roadworn.model.catalogue import Catalogue

#: What the code is written in.
SOURCE: Final = "en"
#: Orders of a date -> how it is written; a month is a word unless the date is ISO 8601.
DATES: Final = {"ymd": "", "dmy": "d MMM y", "mdy": "MMM d, y"}
_FOLDER = Path(__file__).parent / "languages"
_PARSED = Formatter()
_TABLES = ("report", "sentences", "texts", "components", "places", "page")
#: Spelling of a place (`roadworn.model.places`) -> the words it is made of.
_PLACES = (
    (re.compile(r"(?P<axle>[1-9])(?P<side>[LR])"), ("axle", "side")),
    (re.compile(r"B(?P<bank>[12])S(?P<sensor>[1-4])"), ("bank", "sensor")),
)
Piece = tuple[str, str]
"""A text, and its language where that is not the language of the page."""


class Said(str):
    """A text in the language of a page, pieces of which may be in another.

    Attributes:
        pieces: the same text with the language of each piece.
    """

    __slots__ = ("pieces",)
    pieces: tuple[Piece, ...]

    def __new__(cls, text: str = "", language: str = "") -> Self:
        """Keep a text of one language, that of the page unless another is named."""
        made = super().__new__(cls, text)
        made.pieces = ((text, language),) if text else ()
        return made

    @classmethod
    def of(cls, pieces: Iterable[Piece]) -> Self:
        """Put pieces one after the other."""
        runs = groupby((piece for piece in pieces if piece[0]), lambda piece: piece[1])
        joined = tuple(("".join(text for text, _ in run), language) for language, run in runs)
        made = cls("".join(text for text, _ in joined))
        made.pieces = joined
        return made


@dataclass(frozen=True, slots=True)
class Strings:
    """One language file.

    Attributes:
        locale: whose numbers, dates and plurals are written, as the Unicode CLDR names it.
        report: key -> sentence of a report, with places in braces.
        sentences: code -> template, or a template for each plural form with the place that it
            counts under ``by``.
        texts: English title, heading, state or unit -> the same.
        components: id of a component -> its name.
        places: canonical spelling of a place, or a word of one -> the same.
        page: English text of the page for the tablet -> the same; nothing in English.
    """

    locale: str
    report: Mapping[str, str]
    sentences: Mapping[str, str | Mapping[str, str]]
    texts: Mapping[str, str]
    components: Mapping[str, str]
    places: Mapping[str, str]
    page: Mapping[str, str]


_NO_STRINGS: Final = Strings("", {}, {}, {}, {}, {}, {})


@lru_cache
def packaged_languages() -> tuple[str, ...]:
    """Return the codes of the languages that ship."""
    return tuple(sorted(path.stem for path in _FOLDER.glob("*.toml")))


def languages() -> tuple[str, ...]:
    """Return the codes of the languages there are, those of the plugins in use among them."""
    return tuple(sorted({*packaged_languages(), *in_use().languages()}))


def strings(language: str) -> Strings:
    """Return the strings of one language, with what plugins add to it."""
    if language == SOURCE:
        return _packaged(SOURCE)
    brought = [language_of(text) for text in in_use().languages().get(language, ())]
    if language in packaged_languages():
        return _joined([_packaged(language), *brought])
    # The frame of a report is there in every language, in English where nothing else is.
    return _joined([*brought, replace(_NO_STRINGS, report=_packaged(SOURCE).report)])


@lru_cache
def _packaged(language: str) -> Strings:
    return language_of((_FOLDER / f"{language}.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=64)
def language_of(text: str) -> Strings:
    """Return what a language file says.

    Raises:
        ValueError: it is no TOML, names no locale, or something in it is no text.
    """
    import tomllib

    raw = tomllib.loads(text)
    if not isinstance(raw.get("locale"), str):
        raise ValueError('it says no locale, as in locale = "es"')  # noqa: TRY004  # of a text
    for table in raw:
        if table not in _TABLES and table not in ("codes", "locale"):
            raise ValueError(f"[{table}] is no section here: use {', '.join(_TABLES)}")
    for table, given in ((name, raw[name]) for name in raw if name != "locale"):
        odd = given if not isinstance(given, dict) else _no_template(given)
        if odd is not None:
            quoted = "; a code with a point stands in quotes" if isinstance(given, dict) else ""
            raise ValueError(f"in [{table}] {odd!r:.60} is no text{quoted}")
    codes = {f"code.{code}": meaning for code, meaning in raw.get("codes", {}).items()}
    raw["sentences"] = raw.get("sentences", {}) | codes
    return Strings(raw["locale"], *(raw.get(table, {}) for table in _TABLES))


def _no_template(given: Mapping[str, object]) -> str | None:
    """Return the first key whose value is no template that can be filled, None where all are."""
    for key, value in given.items():
        forms = value if isinstance(value, dict) else {"other": value}
        if not {"other"} <= forms.keys() or not all(isinstance(one, str) for one in forms.values()):
            return key
        try:
            for form in forms.values():
                places_of(form)
        except ValueError:
            return key
    return None


def check_language(name: str, text: str) -> None:
    """Refuse a text that is no language file.

    Raises:
        UsageError: says what does not fit.
    """
    from babel import Locale, UnknownLocaleError

    try:
        Locale.parse(language_of(text).locale)
    except (ValueError, UnknownLocaleError) as error:
        told = str(error).rstrip(".")
        raise UsageError(f"The language {name} cannot be used: {told}", "mend the file") from None


reads("language", check_language)


def _catalogue() -> "Catalogue":
    # Not every sentence names a part, and a reading of the odometer none.
    from roadworn.model.catalogue import catalogue

    return catalogue()


def _joined(several: Sequence[Strings]) -> Strings:
    """Return the strings of one language from several files; what came first holds."""
    merged = [
        {key: value for one in reversed(parts) for key, value in one.items()}
        for parts in zip(*(_tables_of(one) for one in several), strict=True)
    ]
    return Strings(several[0].locale, *merged)


def _tables_of(one: Strings) -> tuple[Mapping[str, Any], ...]:
    return one.report, one.sentences, one.texts, one.components, one.places, one.page


@lru_cache(maxsize=4096)
def places_of(template: str) -> frozenset[str]:
    """Return the names of the places of a template."""
    return frozenset(name for _text, name, _spec, _conversion in _PARSED.parse(template) if name)


class Speaker:
    """Says anything in one language.

    Args:
        language: code of a language file.
        dates: key of `DATES`.
        shown: makes a text that somebody typed fit to be seen where it is going.
        spelled: say places in words in English too, for who does not know LF.
    """

    def __init__(
        self,
        language: str = SOURCE,
        dates: str = "ymd",
        shown: Callable[[str], str] = str,
        *,
        spelled: bool = False,
    ) -> None:
        self.strings = strings(language)
        self._is_source = language == SOURCE
        self._spelled = spelled or not self._is_source
        self._dates, self._shown = DATES[dates], shown

    @cached_property
    def _locale(self) -> "Locale":
        # Only where something but plain English is written: it takes a while to load.
        from babel import Locale

        return Locale.parse(self.strings.locale)

    @cached_property
    def _marks(self) -> dict[int, str]:
        """What stands in a number of this language where English has comma and point."""
        from babel.numbers import get_decimal_symbol, get_group_symbol

        # ISO 80000-1, 7.3: thousands are apart by a small space that no line ends at.
        group = get_group_symbol(self._locale).replace("\xa0", "\u202f")
        return str.maketrans({",": group, ".": get_decimal_symbol(self._locale)})

    def say(self, value: object) -> Said:
        """Return a sentence, a name, a number, a day or a text in this language."""
        return Said.of(self._pieces(value))

    def fill(self, template: str, arguments: Mapping[str, object]) -> Said:
        """Return a template of this language with its places filled."""
        return Said.of(self._filled(template, arguments))

    def number(self, written: str) -> str:
        """Return a number, as `format` writes it with comma and point, in this language."""
        return written if self._is_source else written.translate(self._marks)

    def day(self, day: date) -> str:
        """Return a day in the order wanted."""
        if not self._dates:
            return day.isoformat()
        from babel.dates import format_date

        return format_date(day, self._dates, locale=self._locale)

    def weekday(self, day: date) -> str:
        """Return the name of a day of the week."""
        if self._is_source:
            return f"{day:%A}"
        from babel.dates import format_date

        return format_date(day, "EEEE", locale=self._locale)

    def part(self, component: str, position: str = "") -> Said:
        """Return the name of a part with its place."""
        return Said.of(self._part(component, position))

    def _pieces(self, value: object, spec: str = "") -> Iterator[Piece]:
        if isinstance(value, Said):
            yield from value.pieces
        elif isinstance(value, Sentence):
            yield from self._sentence(value)
        elif isinstance(value, PartName):
            # A part that goes by its id in data is called by its name.
            if not self._spelled and value != f"{value.component} {value.position}".strip():
                yield str(value), ""
            else:
                yield from self._part(value.component, value.position)
        elif isinstance(value, PlaceName):
            known = _catalogue().find(value.component)
            yield from self._place(value, "" if known is None else known.positions)
        elif isinstance(value, Joined):
            for number, part in enumerate(value.parts):
                if number:
                    yield value.by, ""
                yield from self._pieces(part)
        elif isinstance(value, str):
            yield from self._text(value)
        elif value is not None:
            yield self._figure(value, spec), ""

    def _figure(self, value: object, spec: str) -> str:
        if isinstance(value, date) and not spec:
            return self.day(value)
        told = format(value, spec)
        return self.number(told) if isinstance(value, int | float | Decimal) else told

    def _sentence(self, sentence: Sentence) -> Iterator[Piece]:
        if self._is_source:
            return self._filled(sentence.template, sentence.arguments)
        template = self.strings.sentences.get(sentence.code)
        for end, reshape in RESHAPED.items():
            if template is None and sentence.code.endswith(end):
                plain = self.strings.sentences.get(sentence.code.removesuffix(end))
                template = reshape(plain) if isinstance(plain, str) else None
        if isinstance(template, Mapping):
            counted = sentence.arguments.get(template["by"])
            form = self._locale.plural_form(counted if isinstance(counted, int | float) else 2)
            template = template.get(form, template["other"])
        # A plugin may use a code of ours for a sentence of its own.
        if template is None or not places_of(template) <= sentence.arguments.keys():
            return self._text(str(sentence))
        return self._filled(template, sentence.arguments)

    def _filled(self, template: str, arguments: Mapping[str, object]) -> Iterator[Piece]:
        before = ""
        for literal, name, spec, conversion in _PARSED.parse(template):
            # The point of an abbreviation ends a sentence too.
            is_ended = not self._is_source and before.endswith(".")
            yield literal.removeprefix(".") if is_ended else literal, ""
            if name is not None:
                value = arguments[name]
                if "|" in (spec or ""):
                    yield self._counted(value, spec or ""), ""
                    continue
                if conversion:
                    value = Said(self._shown(str(_PARSED.convert_field(value, conversion))))
                said = Said.of(self._pieces(value, spec or ""))
                yield from said.pieces
                before = said

    def _counted(self, value: object, forms: str) -> str:
        """Return the word of two that goes with a number: of one, and of several."""
        one, _, several = forms.partition("|")
        if self._is_source or not isinstance(value, int | float):
            return one if value == 1 else several
        return one if self._locale.plural_form(value) == "one" else several

    def _part(self, component: str, position: str) -> Iterator[Piece]:
        known = _catalogue().find(component)
        name = self.strings.components.get(component)
        if name is not None:
            yield name, ""
        else:
            # What is outside the catalogue goes by the words it was typed in.
            plain = component.removeprefix("other.").replace("_", " ")
            yield from self._text(plain if known is None else known.name)
        if position:
            yield " ", ""
            yield from self._place(position, "" if known is None else known.positions)

    def _place(self, position: str, scheme: str) -> Iterator[Piece]:
        told = self._placed(position, scheme) if self._spelled else None
        yield self._foreign(position) if told is None else (told, "")

    def _placed(self, position: str, scheme: str) -> str | None:
        """Return a place from its spelling, which is a code and no sentence; None if unknown."""
        words = self.strings.places
        if position in words:
            return words[position]
        for pattern, names in _PLACES:
            found = pattern.fullmatch(position)
            if found is not None:
                told = [words[name].format(words.get(found[name], found[name])) for name in names]
                return " ".join(told)
        if position.isdigit():
            return words[scheme].format(position) if scheme in words else position
        head, mark, tail = position.partition("-" if "-" in position else " ")
        # A bank stands before its cam, a wheel or an axle before its side of two.
        first = self._placed(head, "bank" if scheme == "bank+cam" else scheme) if mark else None
        second = self._placed(tail, scheme) if mark else None
        return None if first is None or second is None else f"{first} {second}"

    def _text(self, text: str) -> Iterator[Piece]:
        known = self._known(text)
        yield (self._foreign(text) if known is None else (known, ""))

    def _known(self, text: str) -> str | None:
        """Return a text of ours in this language: a state, a title, or a component by its id."""
        if not self._is_source and text in self._texts:
            return self._texts[text]
        component = _catalogue().find(text)
        if component is None:
            return None
        return self.strings.components.get(component.id, component.name)

    @cached_property
    def _texts(self) -> Mapping[str, str]:
        names = self.strings.components
        return {
            **{part.name: names[part.id] for part in _catalogue() if part.id in names},
            **self.strings.texts,
        }

    def _foreign(self, text: str) -> Piece:
        """Return a text as it was written, with its language where it is more than a name.

        A single word is taken for a name, a code or a figure. Success criterion 3.1.2 of the
        Web Content Accessibility Guidelines 2.2 leaves those out as well.
        """
        is_name = self._is_source or len(text.split(maxsplit=1)) < 2
        return self._shown(text), "" if is_name else SOURCE
