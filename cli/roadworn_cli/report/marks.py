"""Pictures in rows: figures with their ranges, bars with what they say, and lanes of events.

A row has its name to the left, or above it on a phone, and its figures in words at the end, so
that nobody has to read a scale to know what it says.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from roadworn.say import Said
from roadworn_cli.report.canvas import (
    BLUE,
    GREY,
    INK,
    LEADING,
    NARROW,
    WIDE,
    Scale,
    Sheet,
    label,
    round_days,
    round_numbers,
    round_ratios,
    span_of,
    wrapped,
    written,
)
from roadworn_cli.report.model import Grid, Heading, Line, Picture
from roadworn_cli.report.svg import inline
from roadworn_cli.words import Words

#: More marks than this on a lane are drawn as thin strokes.
_THICK = 20
_NAMES = 250.0
_FOOT = 36.0


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its limits; a strong one is about safety and has a square of ink."""

    name: str
    value: float
    low: float
    high: float
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Axis:
    """The axis of a picture.

    Attributes:
        title: with its unit.
        log: ratios are drawn so that half and double are equally far from 1.
        reference: where a line of comparison stands, or None.
        share: written as per cent.
        strong: what a strong mark means, in words.
    """

    title: str
    log: bool = False
    reference: float | None = None
    share: bool = False
    strong: str = ""


def both(
    make: Callable[[float], Sheet],
    ident: str,
    title: Said,
    alternative: Said,
    grids: tuple[Grid, ...] = (),
) -> Picture:
    """Return a picture drawn for a page and for a phone.

    Args:
        make: draws it at a width.
        ident: unique on the page.
        title: its finding.
        alternative: the same in more words.
        grids: its numbers.
    """
    page = inline(make(WIDE), ident, title, alternative)
    phone = inline(make(NARROW), f"{ident}-s", title, alternative)
    return Picture(ident, title, alternative, page, phone, grids)


def intervals(
    given: Sequence[Interval],
    axis: Axis,
    ident: str,
    words: Words,
    *,
    title: Said,
    alternative: Said,
) -> Picture | None:
    """Draw estimates below each other, the first on top; None when there are not two of them."""
    shown = [one for one in given if _drawable(one, axis)]
    if len(shown) < 2 or not any(one.value for one in shown):
        return None
    texts = [_text(one, axis, words) for one in shown]

    def make(width: float) -> Sheet:
        rows = _Rows(width, [one.name for one in shown], texts, words, foot=_FOOT)
        scale, ticks = _ratios(shown, rows) if axis.log else _figures(shown, rows, axis)
        for tick in ticks:
            rows.tick(scale(tick), written(tick, words, share=axis.share))
        if axis.reference is not None:
            at = scale(axis.reference)
            rows.compare(at)
        for number, one in enumerate(shown):
            y = rows.middle(number)
            colour = INK if one.strong else BLUE
            ends = [(scale(max(one.low, scale.low)), y), (scale(min(one.high, scale.high)), y)]
            rows.sheet.path(ends, colour, 2.2)
            rows.sheet.mark(scale(one.value), y, "square" if one.strong else "dot", colour, 4.4)
        rows.title(axis.title)
        if axis.strong and any(one.strong for one in shown):
            rows.key(axis.strong)
        return rows.sheet

    figures = tuple(Heading(words(key), right=True) for key in ("value", "low", "high"))
    lines = tuple(
        Line(
            (
                words.word(one.name),
                *(Said(_written(value, axis, words)) for value in (one.value, one.low, one.high)),
            )
        )
        for one in shown
    )
    grid = Grid(title, (Heading(words("what")), *figures), lines)
    return both(make, ident, title, alternative, (grid,))


class _Rows:
    """A sheet with a row for each name, and where the drawn part of a row lies."""

    def __init__(
        self, width: float, names: Sequence[str], texts: Sequence[str], words: Words, foot: float
    ) -> None:
        narrow = width < WIDE
        letters = 46 if narrow else 42
        told = [wrapped(words.word(name), letters) for name in names]
        self.top = 6.0
        beside = max((span_of(text) for text in texts), default=0.0) + (14 if any(texts) else 0)
        self._high = [
            LEADING * (len(name) + bool(text)) + 20
            if narrow
            else max(19.0, LEADING * len(name) + 4.5)
            for name, text in zip(told, texts, strict=True)
        ]
        self.bottom = self.top + sum(self._high)
        self.sheet = Sheet(width, self.bottom + foot)
        self.left = (
            8.0
            if narrow
            else 14 + min(_NAMES, max(span_of(line) for lines in told for line in lines))
        )
        self.right = width - (12.0 if narrow else max(beside, 12.0))
        for number, (name, text) in enumerate(zip(told, texts, strict=True)):
            y = self.middle(number)
            if narrow:
                foot = self.top + sum(self._high[:number]) + 12
                for line in name:
                    self.sheet.text(0, foot, line)
                    foot += LEADING
                self.sheet.text(0, foot, text, fill=GREY)
            else:
                self.sheet.lines(0, y, name)
                self.sheet.text(width, y + 4.2, text, anchor="end")
            self.sheet.rule(self.left, y, self.right, y)

    def middle(self, number: int) -> float:
        """Return the height of the line of a row."""
        start = self.top + sum(self._high[:number])
        high = self._high[number]
        return start + (high - 9 if self.sheet.narrow else high / 2)

    def tick(self, at: float, text: str) -> None:
        """Write a number of the axis with its rule."""
        self.sheet.rule(at, self.bottom, at, self.bottom + 4, GREY)
        half = span_of(text) / 2
        at = min(max(at, half), self.sheet.width - half)
        self.sheet.text(at, self.bottom + 16, text, anchor="middle", fill=GREY)

    def compare(self, at: float) -> None:
        """Draw the line to compare with; on a phone it stays clear of the names."""
        if not self.sheet.narrow:
            self.sheet.path([(at, self.top), (at, self.bottom)], INK, 1.2, "4 3")
            return
        for number in range(len(self._high)):
            y = self.middle(number)
            self.sheet.path([(at, y - 7), (at, y + 7)], INK, 1.2)

    def title(self, text: str) -> None:
        """Write what the axis is."""
        self.sheet.rule(self.left, self.bottom, self.right, self.bottom, GREY)
        self.sheet.text(self.left, self.bottom + 32, label(text, 50), fill=GREY)

    def key(self, text: str) -> None:
        """Write what a square of ink means, at the end of the foot."""
        self.sheet.height += LEADING if self.sheet.narrow else 0
        y = self.bottom + 32 + (LEADING if self.sheet.narrow else 0)
        x = self.left if self.sheet.narrow else self.sheet.width - span_of(text) - 16
        self.sheet.mark(x + 4, y - 4, "square", INK)
        self.sheet.text(x + 14, y, text, fill=GREY)


def _ratios(shown: Sequence[Interval], rows: _Rows) -> tuple[Scale, list[float]]:
    positive = [v for one in shown for v in (one.low, one.value) if v > 0]
    low = min(*positive, 1.0) / 1.3
    high = max(max(_end(one), one.value, 1.0) for one in shown) * 1.1
    scale = Scale(low, high, rows.left, rows.right, log=True)
    return scale, round_ratios(low, high)


def _figures(shown: Sequence[Interval], rows: _Rows, axis: Axis) -> tuple[Scale, list[float]]:
    low = min(0.0, *(one.low for one in shown))
    high = max(max(_end(one), one.value) for one in shown)
    ticks = round_numbers(low, 1.0 if axis.share and high > 0.8 else high, 4)
    return Scale(ticks[0], ticks[-1], rows.left, rows.right), ticks


def _drawable(one: Interval, axis: Axis) -> bool:
    return math.isfinite(one.value) and not math.isnan(one.low) and (one.value > 0 or not axis.log)


def _end(one: Interval) -> float:
    return one.high if math.isfinite(one.high) else one.value


def _text(one: Interval, axis: Axis, words: Words) -> str:
    value, low, high = (_written(v, axis, words) for v in (one.value, one.low, one.high))
    if low == high == value:
        return value
    return str(words("with_limits", value=Said(value), low=Said(low), high=Said(high)))


def _written(value: float, axis: Axis, words: Words) -> str:
    if not math.isfinite(value):
        return "∞" if value > 0 else ""
    if axis.share:
        return words.number(f"{value:.0%}")
    return words.number(f"{value:,.3g}" if abs(value) < 1000 else f"{value:,.0f}")


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar with what it says at its end."""

    name: str
    value: float
    text: str


def bars(
    given: Sequence[Bar], ident: str, words: Words, *, title: Said, alternative: Said, head: Said
) -> Picture | None:
    """Draw bars from the left, each with its words; None when there is none with a length.

    Args:
        given: the first stands on top.
        ident: unique on the page.
        words: of the report.
        title: its finding.
        alternative: the same in words.
        head: what the bars are, of the table of their numbers.
    """
    shown = [one for one in given if math.isfinite(one.value) and one.value >= 0]
    most = max((one.value for one in shown), default=0.0)
    if not most:
        return None

    def make(width: float) -> Sheet:
        rows = _Rows(width, [one.name for one in shown], [one.text for one in shown], words, 4)
        scale = Scale(0.0, most, rows.left, rows.right)
        for number, one in enumerate(shown):
            y = rows.middle(number)
            rows.sheet.box(rows.left, y - 5, scale(one.value) - rows.left, 10, BLUE)
        if not rows.sheet.narrow:
            rows.sheet.path([(rows.left, rows.top), (rows.left, rows.bottom)], INK, 1.2)
        return rows.sheet

    lines = tuple(Line((words.word(one.name), Said(one.text))) for one in shown)
    grid = Grid(title, (Heading(words("what")), Heading(head, right=True)), lines)
    return both(make, ident, title, alternative, (grid,))


@dataclass(frozen=True, slots=True)
class Lane:
    """Events of one kind along a line; a strong lane is what the picture is about."""

    name: str
    at: tuple[float | date, ...]
    strong: bool = False


def lanes(
    given: Sequence[Lane],
    x_title: str,
    ident: str,
    words: Words,
    *,
    title: Said,
    alternative: Said,
    grids: tuple[Grid, ...] = (),
) -> Picture | None:
    """Draw lanes below each other, the first on top; None when nothing lies on them."""
    shown = [lane for lane in given if lane.at]
    if not shown:
        return None
    places = [_place(x) for lane in shown for x in lane.at]
    low, high = min(places), max(places)
    days = isinstance(shown[0].at[0], date)
    if low == high:
        low, high = (low - 183, high + 183) if days else (0.0, high * 1.1 or 1.0)

    def make(width: float) -> Sheet:
        counts = [words.number(f"{len(lane.at):,d}") for lane in shown]
        texts = [""] * len(shown) if width < WIDE else counts
        names = [
            words.joined((lane.name, Said(n)), " · ") if width < WIDE else lane.name
            for lane, n in zip(shown, counts, strict=True)
        ]
        rows = _Rows(width, names, texts, words, _FOOT)
        scale = Scale(low, high, rows.left + 6, rows.right - 6)
        for at, text in _along(low, high, words, days=days, most=4 if rows.sheet.narrow else 8):
            rows.tick(scale(at), text)
        for number, lane in enumerate(shown):
            y = rows.middle(number)
            for x in lane.at:
                _event(rows.sheet, scale(_place(x)), y, lane)
        rows.title(x_title)
        return rows.sheet

    return both(make, ident, title, alternative, grids)


def _event(sheet: Sheet, x: float, y: float, lane: Lane) -> None:
    if lane.strong and len(lane.at) <= _THICK:
        sheet.mark(x, y, "diamond", INK, 4.6)
    else:
        sheet.mark(x, y, "tick", INK if lane.strong else BLUE, 6.0)


def _place(x: float | date) -> float:
    return float(x.toordinal()) if isinstance(x, date) else float(x)


def _along(
    low: float, high: float, words: Words, *, days: bool, most: int
) -> list[tuple[float, str]]:
    """Return the numbers of the axis along which events lie: days by year, or a distance."""
    if days:
        ends = date.fromordinal(int(low)), date.fromordinal(int(high))
        return [(float(day.toordinal()), text) for day, text in round_days(*ends, most)]
    inside = [tick for tick in round_numbers(low, high, most) if low <= tick <= high]
    return [(tick, written(tick, words)) for tick in inside or [high]]
