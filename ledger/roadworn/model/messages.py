"""What is said, as data: sentences with a code and typed arguments, problems, remedies.

Code decides on codes, severities, places and arguments, and never on a text: a sentence is
made last, by language (`roadworn.say`) and by door. A `Sentence` is a text, so that it can be
handed to anything that prints one, and it remembers what it was made of, so that it can be said
again in another language. A list of names and sentences that follow each other are `Joined`. A
`Problem` is one finding about given or stored data, a value and no exception, so that an import
can show all of them at once and programs can compare them.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from string import Formatter
from typing import Any, Final, Self


class Severity(StrEnum):
    """What a message means for what it is about."""

    REFUSED = "refused"  #: it is not taken
    ODD = "odd"  #: it is taken, and worth a second look
    CAVEAT = "caveat"  #: a figure was computed with a reservation
    SAFETY = "safety"  #: somebody can get hurt


#: Ends the code of a sentence that is said as one of a list.
LISTED: Final = "-listed"
#: Ends the code of words that are said as a sentence of their own.
ENDED: Final = "-ended"


class _Counting(Formatter):
    """Fills a template in which ``{n:vehicle|vehicles}`` is the word that goes with a number."""

    def format_field(self, value: object, format_spec: str) -> str:
        one, several, other = format_spec.partition("|")
        return (one if value == 1 else other) if several else format(value, format_spec)


_COUNTING: Final = _Counting()


class Sentence(str):
    """A sentence in English that remembers its code, its template and its arguments.

    Attributes:
        code: short stable word by which another language finds its own template.
        template: the English text with places in braces, as `str.format` takes them.
        arguments: what stands in the places: numbers, dates, texts, other sentences. How a
            number is written stands in the template, ``{value:,.0f}``, and the words that go with
            one and with several, ``{n} {n:vehicle|vehicles}``.
    """

    __slots__ = ("arguments", "code", "template")
    code: str
    template: str
    arguments: Mapping[str, object]

    def __new__(cls, code: str, template: str, /, **arguments: object) -> Self:
        """Fill the places of a template."""
        told = template
        if arguments:
            # The plain way is several times as fast, and most sentences count nothing.
            fill = _COUNTING.format if "|" in template else str.format
            told = fill(template, **arguments)
        made = super().__new__(cls, told)
        made.code, made.template, made.arguments = code, template, arguments
        return made

    def __getnewargs_ex__(self) -> tuple[tuple[str, str], dict[str, object]]:
        """Return what pickle and copy make it from again."""
        return (self.code, self.template), dict(self.arguments)


class Joined(str):
    """Texts one after the other, each of which keeps what it is: a list, or running sentences.

    Attributes:
        parts: sentences, names of parts, numbers, dates, or texts as they were typed.
        by: what stands between two of them; punctuation and spaces alone, for it is not said.
    """

    __slots__ = ("by", "parts")
    parts: tuple[object, ...]
    by: str

    def __new__(cls, parts: Iterable[object], by: str = ", ") -> Self:
        """Join the parts that are not empty."""
        kept = tuple(part for part in parts if part not in (None, ""))
        made = super().__new__(cls, by.join(map(str, kept)))
        made.parts, made.by = kept, by
        return made

    def __getnewargs_ex__(self) -> tuple[tuple[tuple[object, ...], str], dict[str, object]]:
        """Return what pickle and copy make it from again."""
        return (self.parts, self.by), {}


def parts_of(text: object) -> Iterator[object]:
    """Yield a text and everything that it was made of, to the last piece."""
    yield text
    inside: Iterable[object] = ()
    if isinstance(text, Sentence):
        inside = text.arguments.values()
    elif isinstance(text, Joined):
        inside = text.parts
    for part in inside:
        yield from parts_of(part)


def as_sentence(words: str) -> Sentence:
    """Return words that stand in the place of a figure as a sentence, its code with a suffix."""
    if not isinstance(words, Sentence):
        return Sentence("sentence", "{words}.", words=words[:1].upper() + words[1:])
    template = f"{words.template[:1].upper()}{words.template[1:]}."
    return Sentence(f"{words.code}-sentence", template, **words.arguments)


def in_a_list(told: str) -> str:
    """Return a sentence as one of a list: it begins small, and has no full stop."""
    if isinstance(told, Sentence):
        return Sentence(f"{told.code}{LISTED}", listed(told.template), **told.arguments)
    return listed(str(told))


def listed(template: str) -> str:
    """Return a template as one of a list."""
    text = template.removesuffix(".")
    return text if text.startswith("{") else text[:1].lower() + text[1:]


def some_of(parts: Sequence[object], most: int) -> Joined | Sentence:
    """Return the first few of a list, and how many more there are."""
    shown = Joined(parts[:most])
    if len(parts) <= most:
        return shown
    return Sentence("some-of", "{shown} and {more} more", shown=shown, more=len(parts) - most)


#: Code -> template of every table of sentences that was imported.
_TEMPLATES: Final[dict[str, str]] = {}


def templates() -> Mapping[str, str]:
    """Return code -> English template of all that `Says` tables say which were imported."""
    return _TEMPLATES


class Says:
    """The sentences of one analysis: the English templates by their words.

    Attributes:
        analysis: its name, with which the codes of the sentences begin.
        templates: word -> English template, the general one of a plural.
        ones: word -> English template where ``n`` is 1.
    """

    def __init__(self, analysis: str, templates: Mapping[str, str | tuple[str, str]]) -> None:
        """Keep the templates; a pair says one thing and several, counted by ``n``."""
        self.analysis = analysis
        self.templates = {w: t if isinstance(t, str) else t[1] for w, t in templates.items()}
        self.ones = {w: t[0] for w, t in templates.items() if not isinstance(t, str)}
        _TEMPLATES.update((f"{analysis}.{word}", text) for word, text in self.templates.items())

    def __call__(self, word: str, /, **arguments: object) -> Sentence:
        """Return a sentence by its word, in the singular where it is of one."""
        template = self.templates[word]
        if arguments.get("n") == 1:
            template = self.ones.get(word, template)
        return Sentence(f"{self.analysis}.{word}", template, **arguments)

    def some(self, n: int, word: str, /, **arguments: object) -> str:
        """Return what is said of ``{n}`` things, an empty text where there are none."""
        return self(word, n=n, **arguments) if n > 0 else ""

    def when(self, holds: object, word: str, /, **arguments: object) -> str:
        """Return a sentence where something holds, else an empty text."""
        return self(word, **arguments) if holds else ""


class PlaceName(str):
    """A place as it is kept, which remembers of what component: a bare 3 may be a cylinder.

    Attributes:
        component: id of the component.
    """

    __slots__ = ("component",)
    component: str

    def __new__(cls, text: str, component: str) -> Self:
        """Keep what the place is of."""
        made = super().__new__(cls, text)
        made.component = component
        return made

    def __getnewargs_ex__(self) -> tuple[tuple[str, str], dict[str, object]]:
        """Return what pickle and copy make it from again."""
        return (str(self), self.component), {}


class PartName(str):
    """The English name of a part with its place, which remembers what it names.

    Made by `roadworn.model.catalogue.part_name`.

    Attributes:
        component: id of the component.
        position: its place as kept, or an empty text.
    """

    __slots__ = ("component", "position")
    component: str
    position: str

    def __new__(cls, text: str, component: str, position: str = "") -> Self:
        """Keep what a text names."""
        made = super().__new__(cls, text)
        made.component, made.position = component, position
        return made

    def __getnewargs_ex__(self) -> tuple[tuple[str, str, str], dict[str, object]]:
        """Return what pickle and copy make it from again."""
        return (str(self), self.component, self.position), {}


@dataclass(frozen=True, slots=True)
class Remedy:
    """What to do about it, as data; each door words it as its user would do it.

    Attributes:
        act: ``correct`` a field, ``retract`` the event, ``record`` another kind of event, or
            ``look`` again.
        field: the field or option it is about, or an empty text.
        value: what was probably meant, as one would type it, or an empty text.
    """

    act: str
    field: str = ""
    value: str = ""


@dataclass(frozen=True, slots=True)
class Problem:
    """One finding about given or stored data.

    Attributes:
        code: short stable word, for instance ``unknown-component``.
        message: one plain sentence.
        hint: what to do about it, or an empty text.
        file: file name as the user gave it, or an empty text.
        row: 1-based row or line in that file (or ledger ``seq``), 0 when it has none.
        column: column or field name, or an empty text.
        severity: whether it is refused, or kept and told.
        remedy: what to do about it as data, for a door that words it itself.
    """

    code: str
    message: str
    hint: str = ""
    file: str = ""
    row: int = 0
    column: str = ""
    severity: Severity = Severity.REFUSED
    remedy: Remedy | None = None

    def __str__(self) -> str:
        """Return ``file:row:column: message (hint) [code]`` with absent places left out."""
        place = ":".join(part for part in (self.file, str(self.row or ""), self.column) if part)
        hint = f" ({self.hint})" if self.hint else ""
        return f"{place + ': ' if place else ''}{self.message}{hint} [{self.code}]"

    @property
    def subject(self) -> str:
        """The field it is about, where its message does not name it; an empty text otherwise."""
        field = self.column.removeprefix("payload.")
        return "" if field in {"occurred_at", "odometer"} else field

    @classmethod
    def of(cls, code: str, what: str, hint: str = "", column: str = "", row: int = 0) -> Self:
        """Return a problem that says what is wrong, given without a full stop."""
        return cls(code, Sentence(code, "{what}.", what=what), hint, row=row, column=column)

    def joined(self, by: str = ": ") -> str:
        """Return what is wrong, of a problem made by `of`, and the hint as one sentence."""
        if not isinstance(self.message, Sentence) or "what" not in self.message.arguments:
            return f"{self.message} {self.hint}."
        return f"{self.message.arguments['what']}{by}{self.hint}."

    def at(self, row: int, file: str = "", column: str | None = None) -> "Problem":
        """Return the problem with the place it was met at."""
        return replace(
            self, row=row, file=file or self.file, column=self.column if column is None else column
        )

    def as_json(self) -> dict[str, Any]:
        """Return the problem as a plain dictionary: its place, code, message and hint."""
        made = asdict(self)
        del made["severity"], made["remedy"]
        return made


def ended(words: str) -> str:
    """Return words with a capital first and a point at their end, where they do not ask."""
    if isinstance(words, Sentence):
        return Sentence(f"{words.code}{ENDED}", _ended(words.template), **words.arguments)
    return _ended(words)


def _ended(template: str) -> str:
    return f"{template[:1].upper()}{template[1:]}{'' if template[-1:] in '.?' else '.'}"


#: What another language does to its own template of a sentence, by the end of the code.
RESHAPED: Final[Mapping[str, Callable[[str], str]]] = {LISTED: listed, ENDED: _ended}


def shown(value: object) -> str:
    """Return a given value for a message, shortened."""
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def left_out_said(left_out: Mapping[str, str]) -> str:
    """Return which plugins were not asked for a name, and why; an empty text where all were.

    Args:
        left_out: plugin -> what leaves it out, ``ROADWORN_PLUGINS=off``.
    """
    said = []
    for by in dict.fromkeys(left_out.values()):
        names = Joined(name for name, other in left_out.items() if other == by)
        said.append(Sentence("left-out-by", _LEFT_OUT, n=len(names.parts), plugins=names, by=by))
    return Joined(said, " ")


_LEFT_OUT: Final = (
    "{n:The plugin|The plugins} {plugins}, which may bring it, {n:is|are} left out by {by}."
)


def broken(plugin: str, what: str, why: str, row: int = 0) -> Problem:
    """Return the problem of a plugin that could not be used, or of a part of it.

    Args:
        plugin: its name.
        what: what it brings or does, for instance ``cannot be loaded``.
        why: the reason.
        row: number of the event at which it shows, 0 when it is none.
    """
    said = "The plugin {plugin!r} {what}: {why}"
    message = Sentence("broken-plugin", said, plugin=plugin, what=what, why=why)
    hint = "update or uninstall it; everything else goes on without it"
    return Problem("broken-plugin", message, hint, row=row)
