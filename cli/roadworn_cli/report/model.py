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
class Listing:
    """Sentences below each other."""

    texts: tuple[Said, ...]
    kind: ClassVar[str] = "listing"


@dataclass(frozen=True, slots=True)
class Facts:
    """Terms with what is known of them."""

    pairs: tuple[tuple[Said, Said], ...]
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
        grids: the numbers drawn.
    """

    ident: str
    title: Said
    alternative: Said
    svg: str
    grids: tuple[Grid, ...] = ()
    kind: ClassVar[str] = "picture"


@dataclass(frozen=True, slots=True)
class Fold:
    """What a short report keeps behind a heading that opens without a script; paper may have it."""

    summary: Said
    blocks: tuple["Block", ...]
    open: bool = False
    printed: bool = False
    kind: ClassVar[str] = "fold"


Block = Paragraph | Listing | Facts | Grid | Picture | Fold


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a report under one heading; a wide one takes the whole width of the paper."""

    anchor: str
    title: Said
    blocks: tuple[Block, ...]
    wide: bool = False


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report.

    Attributes:
        title, subtitle: what it is about, and as of when.
        contact: who it is for, empty unless it was asked for.
        sections: in reading order.
        brief: printed small, in two columns, to be taken home.
    """

    title: Said
    subtitle: tuple[Said, ...]
    sections: tuple[Section, ...]
    contact: tuple[Said, ...] = field(default=())
    brief: bool = False
