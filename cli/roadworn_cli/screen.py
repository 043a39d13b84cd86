"""A screen that knows its width: what every verb prints for a person is laid out here.

Texts are wrapped, tables give each column the room there is, and what has no room beside the
rest stands below its row: nothing is cut that fits, and no line is wider than the screen.
Weight and colour come only where a terminal takes them and `NO_COLOR` does not forbid them;
marks that an encoding lacks have a plain form.
"""

import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final
from unicodedata import category, east_asian_width

import typer

#: Into a pipe or a file, where nobody says how wide it is; `COLUMNS` says otherwise.
PIPED: Final = 100
#: A narrower screen is written as if it had these.
_NARROWEST: Final = 20
_GAP: Final = 2
_INDENT: Final = 4
#: A text that is longer reads better below its row, over the whole width, when room is short.
_LONG: Final = 60
#: A column of texts is never made narrower, and one of long texts not narrower than this.
_LEAST: Final = 12
_LEAST_LONG: Final = 24

Piece = tuple[str, str]
"""A text and how it stands: ``stop``, ``title``, ``quiet``, ``figure`` or an empty text."""
Line = Sequence[Piece]

#: One accent, for stop alone: vermilion of the Okabe-Ito palette; blue for what is projected.
_LOOKS: Final = {"stop": "bold #d55e00", "title": "bold", "quiet": "dim", "figure": "#0072b2"}


@dataclass(frozen=True, slots=True)
class Glyphs:
    """Marks that a screen draws with.

    Attributes:
        rule: of which a short rule is made.
        dot, band, scale: a chance, its range, and the line that both stand on.
        steps: heights of a spark, the lowest first.
        more: stands for what was left out.
    """

    rule: str = "─"
    dot: str = "●"
    band: str = "━"
    scale: str = "·"
    steps: str = "▁▂▃▄▅▆▇█"
    more: str = "…"


_PLAIN: Final = Glyphs("-", "o", "=", ".", "_.-'", "...")


@dataclass(frozen=True, slots=True)
class Head:
    """A column of a table.

    Attributes:
        title: its heading.
        right: its cells are figures and stand at the right.
        keeps: when room is short, columns that keep less go below their row first.
    """

    title: str
    right: bool = False
    keeps: int = 0


def width() -> int:
    """Return how many characters wide the output is, `PIPED` where nobody knows."""
    told = os.environ.get("COLUMNS", "")
    if told.isascii() and told.isdigit() and int(told):
        return max(int(told), _NARROWEST)
    try:
        if sys.stdout.isatty():
            return max(os.get_terminal_size(sys.stdout.fileno()).columns or PIPED, _NARROWEST)
    except (OSError, ValueError):  # a terminal that does not know, a stream without a file
        pass
    return PIPED


def glyphs() -> Glyphs:
    """Return the marks that the output can encode."""
    full = Glyphs()
    drawn = full.rule + full.dot + full.band + full.scale + full.steps + full.more
    return full if _encodes(drawn, _encoding()) else _PLAIN


def _encoding() -> str:
    return getattr(sys.stdout, "encoding", None) or "utf-8"


@cache
def _encodes(text: str, encoding: str) -> bool:
    try:
        text.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def encoded(text: str) -> str:
    r"""Return a text as the output will show it: ``\u6f22`` where its encoding lacks a character.

    What is measured must be what is printed, or a line grows after it was fitted.
    """
    encoding = _encoding()
    if text.isascii() or _encodes("\U0010ffff", encoding):
        return text
    return text.encode(encoding, "backslashreplace").decode(encoding)


def span(text: str) -> int:
    """Return how many columns of a terminal a text takes; never fewer than it does."""
    return len(text) if text.isascii() else sum(map(_cells, text))


@cache
def _cells(character: str) -> int:
    if character in "\ufe0f\xad":  # asks for a picture, which is wider; a hyphen some show
        return 1
    if category(character) in {"Mn", "Me", "Cf"}:
        return 0
    return 2 if east_asian_width(character) in "WF" else 1


def padded(text: str, cells: int, *, right: bool = False) -> str:
    """Return a text with spaces up to so many columns of a terminal."""
    gap = " " * (cells - span(text))
    return gap + text if right else text + gap


def wrapped(text: str, cells: int, hang: int = 0) -> list[str]:
    """Return the lines of a text, none wider than `cells`; a word that is wider is broken.

    Args:
        text: one paragraph.
        cells: at least 2, since some characters are that wide.
        hang: spaces before every line but the first.
    """
    lines: list[str] = []
    line, used, start = "", 0, 0
    for word in text.split(" "):
        size = span(word)
        if line and used + 1 + size <= cells:
            line, used = f"{line} {word}", used + 1 + size
            continue
        if line:
            lines.append(line)
            line, used, start = "", 0, hang if cells - hang >= _LEAST else 0
        rest = word
        while span(rest) > cells - start:
            head, rest = _broken(rest, cells - start)
            lines.append(" " * start + head)
            start = hang if cells - hang >= _LEAST else 0
        line, used = " " * start + rest, start + span(rest)
    if line.strip() or not lines:
        lines.append(line.rstrip())
    return [one.rstrip() for one in lines]


def _broken(word: str, cells: int) -> tuple[str, str]:
    """Return as much of a word as fits, and the rest; a mark stays with its letter."""
    at = used = 0
    while at < len(word) and (used := used + _cells(word[at])) <= cells:
        at += 1
    at = max(at, 1)
    # A path, a number of a part or a list is broken where it can be read on.
    after = max(word.rfind(mark, at // 2, at) for mark in "/,;-_.:") + 1
    cut = after or at
    return word[:cut], word[cut:]


def to_a_stop(line: str) -> str:
    """Return a line up to the last mark in its second half, so that what is left can be read."""
    whole = f"{line} "
    at = max(whole.rfind(mark, len(line) // 2) for mark in ("; ", ", ", ": ", " ("))
    return line[:at] if at > 0 else line


def listed(parts: Sequence[str], room: int, most: int, sizes: Sequence[float] = ()) -> list[str]:
    """Return a list of texts in so many lines, saying how many there are that did not fit.

    Args:
        parts: the texts.
        room: cells of a line.
        most: lines.
        sizes: of each, what it adds to a sum: that of those left out is told then.
    """
    told = list(parts)
    for shown in range(len(told), 0, -1):
        rest = len(told) - shown
        left = sum(sizes[shown:])
        more = f" and {rest} more{f' for {left:,.0f}' if left >= 1 else ''}" if rest else ""
        lines = wrapped("; ".join(told[:shown]) + more, room)
        if len(lines) <= most:
            return lines
    return [f"{len(told)} jobs, see --more"] if told else [""]


def table(
    heads: Sequence[Head],
    rows: Sequence[Sequence[str]],
    *,
    below: Sequence[Sequence[str]] = (),
    stops: Sequence[bool] = (),
    cells: int = 0,
) -> Iterator[Line]:
    """Yield the lines of a table: headings, a short rule each, and the rows.

    Args:
        heads: its columns.
        rows: texts, fit to be shown.
        below: for each row, paragraphs that stand below it.
        stops: for each row, whether it says stop.
        cells: width to keep, that of the output when 0.
    """
    cells = cells or width()
    rows = [[encoded(text) for text in row] for row in rows]
    heads = [Head(encoded(h.title), h.right, h.keeps) for h in heads]
    natural = [max((span(row[i]) for row in rows), default=0) for i in range(len(heads))]
    least = [_least(head, natural[i]) for i, head in enumerate(heads)]
    kept = _kept(heads, natural, least, cells)
    if 2 * len(kept) < len(heads):
        yield from _records(heads, rows, below, cells)
        return
    widths = _shared(
        [least[i] for i in kept],
        [max(natural[i], least[i]) for i in kept],
        [max(natural[i], span(heads[i].title)) for i in kept],
        cells - _GAP * (len(kept) - 1),
    )
    right = [heads[i].right for i in kept]
    titles = [wrapped(heads[i].title, w) for i, w in zip(kept, widths, strict=True)]
    tallest = max(map(len, titles), default=0)
    for at in range(tallest):
        # Headings of several lines stand on their rule, not at the top.
        line = [([""] * (tallest - len(lines)) + lines)[at] for lines in titles]
        yield [(_joined(line, widths, right), "title")]
    rule = glyphs().rule
    yield [(_joined([rule * w for w in widths], widths, right), "quiet")]
    for number, row in enumerate(rows):
        stop = bool(stops) and stops[number]
        texts = [
            wrapped(row[i], w, 0 if at else _GAP)
            for at, (i, w) in enumerate(zip(kept, widths, strict=True))
        ]
        for at in range(max(map(len, texts), default=0)):
            line = [lines[at] if at < len(lines) else "" for lines in texts]
            first = padded(line[0], widths[0], right=right[0])
            others = _joined([" " * widths[0], *line[1:]], widths, right)[widths[0] :]
            yield [(first if others else first.rstrip(), "stop" if stop else ""), (others, "")]
        left = [i for i in range(len(heads)) if i not in kept and row[i]]
        aside = [f"{heads[i].title}: {row[i]}" for i in left]
        short = "; ".join(text for text in aside if span(text) <= _LONG)
        told = [*filter(None, [short]), *(text for text in aside if span(text) > _LONG)]
        for paragraph in (*told, *(below[number] if below else ())):
            for text in indented(paragraph, _INDENT, cells):
                yield [(text, "quiet")]


def indented(text: str, by: int, cells: int = 0) -> list[str]:
    """Return the lines of a paragraph, each after so many spaces."""
    cells = cells or width()
    by = by if cells - by >= _LEAST else 0
    return [" " * by + line for line in wrapped(encoded(text), cells - by)]


def _least(head: Head, natural: int) -> int:
    """Return the narrowest that a column can be: its heading takes two lines at most."""
    words = head.title.split(" ")
    least = min(
        max(span(" ".join(words[:at])), span(" ".join(words[at:]))) for at in range(len(words) + 1)
    )
    if head.right:
        return max(natural, least)  # a figure is never broken
    return max(min(natural, _LEAST_LONG if natural > _LONG else _LEAST), min(least, _LEAST), 2)


def _kept(
    heads: Sequence[Head], natural: Sequence[int], least: Sequence[int], cells: int
) -> list[int]:
    """Return which columns stand beside each other; the first always does where it can."""
    kept = list(range(len(heads)))
    # The first names the row. Of the others the unimportant and the long go, the last first.
    going = sorted(kept[1:], key=lambda i: (heads[i].keeps, natural[i] <= _LONG, -i))
    for i in going:
        if sum(least[k] for k in kept) + _GAP * (len(kept) - 1) <= cells:
            break
        kept.remove(i)
    fits = bool(kept) and sum(least[k] for k in kept) + _GAP * (len(kept) - 1) <= cells
    return kept if fits else []


def _shared(least: list[int], natural: list[int], wished: list[int], cells: int) -> list[int]:
    """Return widths that fill no more than `cells`: the narrow ones whole, the wide ones alike."""
    if sum(wished) <= cells:
        return wished
    top = natural if sum(natural) > cells else wished
    low, high = 0, max(top)
    while low < high:
        cap = (low + high + 1) // 2
        if sum(max(a, min(cap, b)) for a, b in zip(least, top, strict=True)) <= cells:
            low = cap
        else:
            high = cap - 1
    widths = [max(a, min(low, b)) for a, b in zip(least, top, strict=True)]
    for at, most in enumerate(top):
        if sum(widths) < cells and widths[at] < most:
            widths[at] += 1
    return widths


def _joined(texts: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    parts = (
        padded(text, cells, right=at_right)
        for text, cells, at_right in zip(texts, widths, right, strict=True)
    )
    return (" " * _GAP).join(parts).rstrip()


def _records(
    heads: Sequence[Head],
    rows: Sequence[Sequence[str]],
    below: Sequence[Sequence[str]],
    cells: int,
) -> Iterator[Line]:
    """Yield a table of many columns a row at a time, each cell beside its heading.

    Without a row the headings alone, so that an empty answer is no silence.
    """
    if not rows:
        yield from ([(line, "title")] for line in wrapped(", ".join(h.title for h in heads), cells))
    name = min(max((span(head.title) for head in heads), default=0), (cells - _GAP) // 3)
    for number, row in enumerate(rows):
        if number:
            yield []
        for head, text in zip(heads, row, strict=True):
            titles = wrapped(head.title, max(name, 2))
            texts = wrapped(text, cells - name - _GAP)
            for at in range(max(len(titles), len(texts))):
                title = padded(titles[at] if at < len(titles) else "", name)
                told = texts[at] if at < len(texts) else ""
                yield [(f"{title}{' ' * _GAP}" if told else title.rstrip(), "quiet"), (told, "")]
        for paragraph in below[number] if below else ():
            for text in indented(paragraph, _INDENT, cells):
                yield [(text, "quiet")]


def put(lines: Iterable[Line]) -> None:
    """Print lines to stdout, with weight and colour where it takes them."""
    lines = list(lines)
    if not lines:
        return
    if not _coloured():
        typer.echo("\n".join("".join(text for text, _look in line) for line in lines))
        return
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False, markup=False, emoji=False)
    for line in lines:
        whole = Text.assemble(*((text, _LOOKS.get(look, "")) for text, look in line))
        console.print(whole, soft_wrap=True)


def _coloured() -> bool:
    """Say whether weight and colour can be shown and are wanted (no-color.org)."""
    return (
        sys.stdout.isatty()
        and not os.environ.get("NO_COLOR")
        and os.environ.get("TERM", "") != "dumb"
    )


def text(words: str, look: str = "", by: int = 0) -> list[Line]:
    """Return a paragraph as lines of the screen."""
    return [[(line, look)] for line in indented(words, by)]


def dot(chance: float, limits: tuple[float, float] | None, cells: int = 20) -> str:
    """Return a chance on a line from 0 to 1, with its range where one is known.

    Args:
        chance: 0 to 1.
        limits: lower and upper, None where none is known.
        cells: how wide the line is.
    """
    drawn = glyphs()

    def at(value: float) -> int:
        return min(int(max(value, 0.0) * cells), cells - 1)

    line = [drawn.scale] * cells
    if limits is not None:
        for place in range(at(limits[0]), at(limits[1]) + 1):
            line[place] = drawn.band
    line[at(chance)] = drawn.dot
    return "".join(line)


def spark(figures: Sequence[float], floor: float | None = None) -> str:
    """Return figures as a row of heights, the oldest first, above a floor where one is named."""
    steps = glyphs().steps
    if not figures:
        return ""
    low = min(figures) if floor is None else min(floor, *figures)
    room = (max(figures) - low) or 1.0
    return "".join(steps[round((figure - low) / room * (len(steps) - 1))] for figure in figures)
