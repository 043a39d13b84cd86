"""What a report is made of, apart from how it looks: sections of sentences, tables and pictures.

The page is rendered from these values alone, so that another form of output (another template,
plain text) needs nothing of the analyses.
"""

from dataclasses import dataclass, field
from typing import ClassVar, Literal

from roadworn.say import Said

Tone = Literal["plain", "lead", "quiet", "alert"]


@dataclass(frozen=True, slots=True)
class Paragraph:
    """One sentence or more; an alert is about safety and never told by colour alone."""

    text: Said
    tone: Tone = "plain"
    kind: ClassVar[str] = "paragraph"


@dataclass(frozen=True, slots=True)
class Verbatim:
    """A text to copy letter by letter, its lines as they are."""

    text: str
    kind: ClassVar[str] = "verbatim"


@dataclass(frozen=True, slots=True)
class Listing:
    """Sentences below each other."""

    texts: tuple[Said, ...]
    kind: ClassVar[str] = "listing"


@dataclass(frozen=True, slots=True)
class Facts:
    """Terms with what is known of them; dense ones are for looking up, in columns on paper."""

    pairs: tuple[tuple[Said, Said], ...]
    dense: bool = False
    kind: ClassVar[str] = "facts"


@dataclass(frozen=True, slots=True)
class Heading:
    """Heading of a column; figures stand to the right, a day stays on one line."""

    text: Said
    right: bool = False
    day: bool = False


@dataclass(frozen=True, slots=True)
class Line:
    """A row: its cells, what stands below it, and whether it is about safety."""

    cells: tuple[Said, ...]
    below: tuple[tuple[Said, Said], ...] = ()
    alert: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """A table to read."""

    caption: Said
    headings: tuple[Heading, ...]
    lines: tuple[Line, ...]
    kind: ClassVar[str] = "grid"


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing with its finding, the same in words, and its numbers.

    Attributes:
        ident: unique on the page; what is inside the drawing is named after it.
        svg: made by `svg.inline`, the only markup that is not escaped.
        small: the same drawn for a phone.
        grids: the numbers drawn.
        titled: the finding stands in the drawing, and is only read out beside it.
    """

    ident: str
    title: Said
    alternative: Said
    svg: str
    small: str
    grids: tuple[Grid, ...] = ()
    titled: bool = False
    kind: ClassVar[str] = "picture"


@dataclass(frozen=True, slots=True)
class Item:
    """One line of a bill: what it is, what was seen or is meant by it, and its figure."""

    name: Said
    detail: Said = field(default_factory=Said)
    figure: Said = field(default_factory=Said)


@dataclass(frozen=True, slots=True)
class Items:
    """Lines as on a bill, their figures below each other at the right edge, the sum on top."""

    caption: Said
    headings: tuple[Said, Said, Said]
    items: tuple[Item, ...]
    total: Said = field(default_factory=Said)
    kind: ClassVar[str] = "items"


@dataclass(frozen=True, slots=True)
class Stop:
    """The box that stops somebody: the one thing on a page in vermilion, never by colour alone."""

    title: Said
    lines: tuple[Said, ...]
    told: Said
    kind: ClassVar[str] = "stop"


@dataclass(frozen=True, slots=True)
class Links:
    """Where the sections that follow stand."""

    to: tuple[tuple[str, Said], ...]
    kind: ClassVar[str] = "links"


@dataclass(frozen=True, slots=True)
class Fold:
    """What a short report keeps behind a heading that opens without a script; paper may have it.

    A narrow one is folded on a phone alone: elsewhere its blocks stand open and name themselves.
    What paper says in its place, where it is cut off there, is `cut`.
    """

    summary: Said
    blocks: tuple["Block", ...]
    open: bool = False
    printed: bool = False
    narrow: bool = False
    cut: Said = field(default_factory=Said)
    kind: ClassVar[str] = "fold"


@dataclass(frozen=True, slots=True)
class Photos:
    """Photographs in the page itself: what each shows, and its ``data:`` address."""

    shown: tuple[tuple[Said, str], ...]
    kind: ClassVar[str] = "photos"


Block = (
    Paragraph | Verbatim | Listing | Facts | Grid | Items | Stop | Links | Picture | Fold | Photos
)


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a report under one heading.

    Attributes:
        anchor: its name on the page.
        title: the heading; empty where the blocks need none.
        blocks: what it says.
        wide: it takes the whole width of the paper.
        figure: what it comes to, at the end of the line of its heading.
        fresh: on paper it begins a page.
    """

    anchor: str
    title: Said
    blocks: tuple[Block, ...]
    wide: bool = False
    figure: Said = field(default_factory=Said)
    fresh: bool = False


@dataclass(frozen=True, slots=True)
class Letterhead:
    """Who hands a page over.

    Attributes:
        name: of the shop.
        lines: its address and whatever else stands on its paper.
        telephone: as it is to be read.
        image: the shop's mark as a ``data:`` address, empty without one.
    """

    name: str
    lines: tuple[str, ...] = ()
    telephone: str = ""
    image: str = ""


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report.

    Attributes:
        title, subtitle: what it is about, and as of when.
        contact: who it is for, empty unless it was asked for.
        sections: in reading order.
        brief: printed small, to be taken home.
        letterhead: whose paper it stands on, if anybody's.
        sheets: so many of its first sheets of paper hold what stands on them, and no more.
    """

    title: Said
    subtitle: tuple[Said, ...]
    sections: tuple[Section, ...]
    contact: tuple[Said, ...] = field(default=())
    brief: bool = False
    letterhead: Letterhead | None = None
    sheets: int = 0
