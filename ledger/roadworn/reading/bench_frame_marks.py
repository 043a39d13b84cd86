"""What the reading by clauses speaks in: marks on words, frames of findings, what is left open."""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from roadworn.model.catalogue import Component
from roadworn.model.errors import UsageError
from roadworn.model.payloads import Condition
from roadworn.reading.bench_frame_signs import packaged_signs

Has = Callable[[str, str | None], bool]
#: Kinds of words that say where something is.
PLACED = frozenset({"side", "end", "wheel", "axled", "country", "banked", "level", "depth"})
ASIDE = frozenset({"side", "end", "wheel", "axled", "country"})
_CUT = re.compile(
    r"[;!?\n]+|,(?!\d)|(?<=[a-z\d)\"'])\.(?=\s)|\s[-–—]+\s|\s?[()]\s?|:\s|\.$"
    r"|\s(?=needs? (?:an? |new )?(?:allign|align|rotat))"
    r"|\b(?:but|however|although|whereas|tho|though)\b",
    re.IGNORECASE,
)
#: Reasons for which a reading by other words is still free.
_LACKS = (
    "nothing told", "two parts", "which of", "no part", "figures", "sign first", "twice",
)  # fmt: skip
_FRONT = frozenset({"front", "frt", "fr", "fronts", "frnt", "f"})
_SIDED = frozenset(
    {"lf", "rf", "lr", "left", "right", "l", "r", "driver", "passenger", "pass"}
)  # fmt: skip
_LEVEL_HELD = {
    "inside": "inner",
    "outside": "outer",
    "inner": "inner",
    "outer": "outer",
    "upper": "upper",
    "lower": "lower",
}
_PLAIN_SOUND = frozenset({"ok", "good", "fine", "okay", "sound"})
#: Before a token of a figure in a note: it goes where the figure is kept.
FIGURE = "\0"
#: Before one of a place, likewise.
PLACE = "\1"


class Open(UsageError):
    """Something is left open.

    Attributes:
        why: in a word or two.
        lacks_words: no part or no sign was read, which leaves a reading by other words free.
    """

    def __init__(self, why: str) -> None:
        self.why = why
        self.lacks_words = why.startswith(_LACKS)
        super().__init__(
            f"The line may be read in more than one way ({why})",
            "write part, place and condition of one finding, with ; before the next one",
        )


class Symptom(Open):
    """What is told of a system as a whole, or a lamp that warns: no finding by itself."""


@dataclass(slots=True)
class Mark:
    """What some words of a clause are: a part, a sign, or where something is.

    Attributes:
        at: the first of the words.
        end: behind the last of them.
        kind: name, sign or where.
        owners: components that go by the name.
        place: words of a place that the name holds.
        key: the words.
        skipped: words of a place among those of a name; they stand for the place all the same.
        misspelt: a word of it was spelled otherwise.
    """

    at: int
    end: int
    kind: str
    owners: tuple[str, ...] = ()
    place: tuple[str, ...] = ()
    key: str = ""
    skipped: tuple[int, ...] = ()
    misspelt: bool = False

    @property
    def span(self) -> range:
        """The words, by their numbers."""
        return range(self.at, self.end)


class Sign(NamedTuple):
    """A sign read: its words, and what stands around them.

    Attributes:
        key: the words.
        denied: a denial stands before it.
        of_piece: a small piece of the part stands before it.
        slight: it is said to be little.
        elsewhere: it is told of something else in a clause that carries on.
    """

    key: str
    denied: bool
    of_piece: bool = False
    slight: bool = False
    elsewhere: bool = False


@dataclass(slots=True)
class Frame:
    """A finding in the making.

    Attributes:
        marks: its parts.
        text: the clause that names them.
        carried: the part is that of a clause before.
        stop: a full stop stands before it.
        keys: words of places and numbers.
        signs: in their order.
        figures: with units.
        bare: decimals without.
        unread: other words; ? before what doubts, ! before what is denied.
        before: such words just before the part.
        words: all words.
        raw: all tokens.
        note: tokens for the note.
        denied: "no" stands before the part.
        counts: something is counted, "310 cca".
        tail: it ends in a denial, "right one dont".
        symptoms: signs of what shows that it is bad.
        lead: clauses before the part that name none.
        rest: tokens that say that the others of it are sound.
    """

    marks: list[Mark]
    text: str = ""
    carried: bool = False
    stop: bool = False
    keys: list[str] = field(default_factory=list)
    signs: list[Sign] = field(default_factory=list)
    figures: list[dict[str, Any]] = field(default_factory=list)
    bare: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    before: list[str] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    raw: list[str] = field(default_factory=list)
    note: list[str] = field(default_factory=list)
    denied: bool = False
    counts: bool = False
    tail: bool = False
    symptoms: list[str] = field(default_factory=list)
    lead: list["Frame"] = field(default_factory=list)
    rest: list[str] = field(default_factory=list)

    @property
    def line(self) -> str:
        """What was typed, folded."""
        return " ".join(self.raw).casefold()

    @property
    def is_told(self) -> bool:
        """Whether it says how the part is."""
        return bool(self.signs or self.figures)

    def note_of(self, *, measured: bool, held: str | None) -> str:
        """Return the note, without a figure or a place that is kept elsewhere.

        Args:
            measured: the figure is kept.
            held: the places that are kept; None for none.
        """
        words = [
            one.lstrip(FIGURE + PLACE)
            for one in self.note
            if not (measured and one.startswith(FIGURE))
            and not (one.startswith(PLACE) and _is_held(one, held))
        ]
        bare = {word.strip(",.;").casefold() for word in words}
        return "" if bare <= _PLAIN_SOUND else " ".join(words).strip(" ,;")


def _is_held(token: str, held: str | None) -> bool:
    """Whether places hold a word of one: "wore inside" is told of no inner tire."""
    word = token.lstrip(PLACE).strip(".,;:()").casefold()
    level = _LEVEL_HELD.get(word)
    return held is not None and (level is None or level in held)


class Found(NamedTuple):
    """What a line says of one part at one place."""

    component: Component
    position: str | None
    condition: Condition | None
    figures: tuple[dict[str, Any], ...]
    note: str
    remark: str = ""
    name: str = ""


def clauses_of(text: str) -> list[tuple[str, str]]:
    """Return clauses, each with the mark that stands before it."""
    made, at, before = [], 0, ""
    for found in _CUT.finditer(text):
        piece = text[at : found.start()].strip()
        if piece:
            made.append((piece, before))
        before = found[0].strip()
        at = found.end()
    if text[at:].strip():
        made.append((text[at:].strip(), before))
    return made


def rewritten(text: str) -> str:
    """Return a line with what means one thing only written plainly.

    "rr" beside the front, and no wheel, is the rear.
    """
    for pattern, instead in packaged_signs().written:
        text = pattern.sub(instead, text)
    if re.search(r"pad|shoe|lining", text.casefold()):
        text = re.sub(r"(\d) ?mils?\b", r"\1 mm", text, flags=re.IGNORECASE)
    words = set(re.findall(r"[a-z]+", text.casefold()))
    if words & _FRONT and not words & _SIDED:
        text = re.sub(r"\bfr\b", "front", text, flags=re.IGNORECASE)
        return re.sub(r"\brr\b", "rear", text, flags=re.IGNORECASE)
    return text
