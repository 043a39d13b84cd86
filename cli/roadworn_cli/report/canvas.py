"""What pictures are drawn with: ink, a sheet that becomes SVG, scales and their numbers.

Every picture is drawn twice, for a page and for a phone, so that its letters have the size of the
text beside it on both and nothing has to be scrolled sideways.
"""

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Final
from xml.sax.saxutils import escape as in_xml

from roadworn_cli.output import escape
from roadworn_cli.words import Words

INK: Final = "#1b1b1b"
BLUE: Final = "#0072b2"
GREY: Final = "#6b6b6b"
RULE: Final = "#d6cfc0"
#: Widths of a drawing in pixels of the text beside it: a page's measure, and a phone's.
WIDE: Final = 790.0
NARROW: Final = 324.0
#: Height of letters, and from one line of them to the next.
LETTER: Final = 12.0
LEADING: Final = 14.5
_LABEL = 34
#: Widths of letters by the height of the letter, near enough for any plain sans.
_THIN, _BROAD = frozenset("iljtfIr.,:;'|!()[] "), frozenset("mwMW@%—…")
_MONTH = 30.436875


@dataclass(frozen=True, slots=True)
class Stroke:
    """How one series is drawn: told apart by hue, dashes, weight and mark at once."""

    colour: str
    dashes: str
    weight: float
    mark: str


STROKES: Final = (
    Stroke(INK, "", 1.9, "dot"),
    Stroke(BLUE, "6 3", 1.9, "square"),
    Stroke(GREY, "2 2", 2.1, "up"),
    Stroke(GREY, "", 1.3, "diamond"),
    Stroke(BLUE, "", 1.0, "down"),
    Stroke(INK, "8 3 2 3", 1.2, "cross"),
)


@dataclass(slots=True)
class Sheet:
    """A drawing under way; whatever is written on it is text and never markup."""

    width: float
    height: float
    parts: list[str] = field(default_factory=list)

    @property
    def narrow(self) -> bool:
        """Whether it is drawn for a phone."""
        return self.width < WIDE

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        anchor: str = "start",
        fill: str = INK,
        bold: bool = False,
    ) -> None:
        """Write a line with its foot at a height; it may be empty."""
        weight = ' font-weight="600"' if bold else ""
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{fill}"{weight}>'
            f"{in_xml(text)}</text>"
        )

    def lines(self, x: float, y: float, texts: Iterable[str], anchor: str = "start") -> None:
        """Write lines below each other, the middle of them at a height."""
        rows = list(texts)
        top = y + LETTER * 0.35 - LEADING * (len(rows) - 1) / 2
        for number, row in enumerate(rows):
            self.text(x, top + LEADING * number, row, anchor=anchor)

    def path(
        self,
        points: Sequence[tuple[float, float]],
        stroke: str = INK,
        weight: float = 1.0,
        dashes: str = "",
        fill: str = "none",
        opacity: float = 1.0,
    ) -> None:
        """Draw a line through points, or the area within them."""
        told = "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points)
        dash = f' stroke-dasharray="{dashes}"' if dashes else ""
        pale = f' fill-opacity="{opacity:g}"' if opacity < 1 else ""
        line = f' stroke="{stroke}" stroke-width="{weight:g}"{dash}' if stroke else ""
        self.parts.append(f'<path d="{told}" fill="{fill}"{pale}{line}/>')

    def rule(self, x1: float, y1: float, x2: float, y2: float, stroke: str = RULE) -> None:
        """Draw a thin straight line."""
        self.path([(x1, y1), (x2, y2)], stroke)

    def box(self, x: float, y: float, wide: float, high: float, fill: str, edge: str = "") -> None:
        """Draw a rectangle."""
        corners = [(x, y), (x + wide, y), (x + wide, y + high), (x, y + high), (x, y)]
        self.path(corners, edge, 1.2, fill=fill)

    def mark(self, x: float, y: float, kind: str, colour: str, size: float = 4.0) -> None:
        """Draw the mark of a point."""
        if kind == "dot":
            self.parts.append(f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{size:g}" fill="{colour}"/>')
            return
        if kind == "tick":
            self.path([(x, y - size), (x, y + size)], colour, 1.6)
            return
        if kind == "cross":
            self.path([(x - size, y - size), (x + size, y + size)], colour, 1.6)
            self.path([(x - size, y + size), (x + size, y - size)], colour, 1.6)
            return
        corners = {
            "square": ((-1, -1), (1, -1), (1, 1), (-1, 1)),
            "diamond": ((0, -1.4), (1.4, 0), (0, 1.4), (-1.4, 0)),
            "up": ((0, -1.2), (1.2, 1), (-1.2, 1)),
            "down": ((0, 1.2), (1.2, -1), (-1.2, -1)),
        }[kind]
        places = [(x + dx * size * 0.9, y + dy * size * 0.9) for dx, dy in corners]
        self.path([*places, places[0]], "", fill=colour)


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a figure lies between two ends of the paper.

    Attributes:
        low, high: the figures at the ends.
        start, end: the ends on the paper.
        log: half and double are equally far from a figure.
    """

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def __call__(self, value: float) -> float:
        """Return the place of a figure; what lies beyond an end lies on it."""
        low, high, at = self.low, self.high, min(max(value, self.low), self.high)
        if self.log:
            low, high, at = math.log(low), math.log(high), math.log(at)
        share = (at - low) / (high - low) if high > low else 0.5
        return self.start + share * (self.end - self.start)


def span_of(text: str, letter: float = LETTER) -> float:
    """Return about how wide a text is."""
    units = sum(
        0.3 if c in _THIN else 0.87 if c in _BROAD else 0.68 if c.isupper() else 0.555 for c in text
    )
    return units * letter


def label(text: str, longest: int = _LABEL) -> str:
    """Return a text short enough for a picture, with what cannot be seen written out."""
    text = escape(" ".join(text.split()))
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def wrapped(text: str, width: int, lines: int = 2) -> list[str]:
    """Return a text as lines for a picture, cut only when it does not fit into them."""
    pieces = textwrap.wrap(label(text, width * lines), width)
    if len(pieces) > lines:
        pieces = [*pieces[: lines - 1], label(" ".join(pieces[lines - 1 :]), width)]
    return pieces or [""]


def round_numbers(low: float, high: float, most: int = 5) -> list[float]:
    """Return round figures from below one figure to above another, evenly apart."""
    if not high > low:
        low, high = (low - 1, low + 1) if low else (0.0, 1.0)
    rough = (high - low) / most
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * times for times in (1, 2, 2.5, 5, 10) if size * times >= rough * 0.999)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [number * step for number in range(first, last + 1)]


def round_ratios(low: float, high: float) -> list[float]:
    """Return round figures within two positive ones, for a scale of ratios."""
    tens = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    found = [times * 10.0**ten for ten in tens for times in (1, 2, 5)]
    kept = [one for one in found if low <= one <= high]
    return kept if len(kept) <= 7 else [one for one in kept if str(f"{one:g}").strip("0.") == "1"]


def written(value: float, words: Words, *, share: bool = False) -> str:
    """Return the number of an axis as the report writes numbers."""
    return words.number(f"{value:.0%}" if share else f"{value:,.6g}")


def round_days(low: date, high: date, most: int = 8) -> list[tuple[date, str]]:
    """Return days along an axis, by year, by some months or by some days, each with its text."""
    months = (high - low).days / _MONTH
    every = next((n for n in (1, 3, 6, 12, 24, 36, 60, 120) if months / n <= most), 240)
    if months < 2:
        step = max(1, math.ceil((high - low).days / most))
        days = [low + timedelta(days=n) for n in range(0, (high - low).days + 1, step)]
        return [(day, day.strftime("%m-%d")) for day in days]
    found = []
    at = low.year * 12 + (low.month - 1) // every * every if every < 12 else low.year * 12
    while (day := date(at // 12, at % 12 + 1, 1)) <= high:
        if day >= low:
            found.append((day, f"{day:%Y}" if every >= 12 else f"{day:%Y-%m}"))
        at += every
    return found or [(low, str(low))]
