"""How large a report is printed, so that each sheet of paper holds what it has to hold.

A browser breaks a page where it is full and asks nobody; what has to stand on one sheet is
therefore weighed first. Heights are those of `report.css` in print, in points of 1/72 inch, and
letters to a line are counted on the printed page, a little more than there are.
"""

import math
import re
from collections.abc import Iterable
from typing import Final

from roadworn_cli.report.model import (
    Block,
    Facts,
    Fold,
    Grid,
    Items,
    Links,
    Listing,
    Paragraph,
    Picture,
    Report,
    Section,
    Stop,
)

#: Points from the upper to the lower margin, and from the left to the right one.
_HIGH: Final = {"A4": 782.0, "Letter": 732.0}
_WIDE: Final = 527.0
#: Limits of the size of print: smaller is not read, larger looks like shouting.
_SMALLEST, _LARGEST = 0.76, 1.08
#: On the one sheet of a fleet boxes that are never broken leave more open at the ends of their two
#: columns than is counted: tried in Chromium, Spanish on Letter is the fullest.
_OPEN_ENDS = 1.12
_HEIGHT = re.compile(r'viewBox="0 0 ([\d.]+) ([\d.]+)"')


def print_scale(report: Report, paper: str) -> float:
    """Return how large to print, 1 for the sizes of the style.

    Args:
        report: its sections are divided into sheets by those that begin a page.
        paper: ``A4`` or ``Letter``.
    """
    sheets: list[list[Section]] = [[]]
    for section in report.sections:
        if section.fresh:
            sheets.append([])
        sheets[-1].append(section)
    heights = [_sheet(sections) for sections in sheets[: report.sheets]]
    if not heights:
        return 1.0
    heights[0] += _header(report)
    if report.sheets == 1:
        heights[0] *= _OPEN_ENDS
    # Smaller letters make both more lines to a sheet and more letters to a line.
    scale = math.sqrt(_HIGH[paper] / max(heights))
    return round(min(max(scale, _SMALLEST), _LARGEST), 2)


def _header(report: Report) -> float:
    head = report.letterhead
    letterhead = 0.0
    if head is not None:
        lines = len(head.lines) + bool(head.telephone)
        letterhead = max(22.0, 11.0 * lines, 40.0 if head.image else 0.0) + 12
    under = sum(len(text) + 3 for text in report.subtitle)
    return letterhead + 28 + _lines(under, 118) * 12 + 12.5 * len(report.contact)


def _sheet(sections: Iterable[Section]) -> float:
    """Return the height of sections below each other; narrow ones stand in two columns."""
    high = 0.0
    run: list[float] = []
    for section in sections:
        if section.wide:
            high += _columns(run) + _section(section)
            run = []
        else:
            run.append(_section(section, narrow=True))
    return high + _columns(run)


def _columns(run: list[float]) -> float:
    """Return the height of unbreakable parts that flow into two columns."""
    if not run:
        return 0.0
    if len(run) == 1:
        return run[0] * 0.6 + 6
    best = min(max(sum(run[:at]), sum(run[at:])) for at in range(1, len(run)))
    return best + 6


def _section(section: Section, *, narrow: bool = False) -> float:
    cautions = section.anchor == "cautions"
    blocks = sum(_block(block, narrow=narrow, cautions=cautions) for block in section.blocks)
    title = len(section.title) + len(section.figure) + 2
    return blocks + 14.5 * _lines(title, 42 if narrow else 86) + (8 if narrow else 12)


def _block(block: Block, *, narrow: bool, cautions: bool = False) -> float:
    half = 0.47 if narrow else 1.0
    if isinstance(block, Paragraph):
        quiet = block.tone == "quiet" or cautions
        per, high = (132, 10.7) if quiet else (108, 13.2)
        return _lines(len(block.text), per * half) * high + 2
    if isinstance(block, Listing):
        if cautions:
            return sum(_lines(len(text), 78) * 9.6 + 1 for text in block.texts) / 2 + 8
        return sum(_lines(len(text), 104 * half) * 13 + 1 for text in block.texts) + 4
    if isinstance(block, Facts):
        per = 62 if narrow else 96
        return sum(_lines(len(t) * narrow + len(s), per) * 10.9 + 5.5 for t, s in block.pairs) + 4
    if isinstance(block, Items):
        name, seen, size = (25, 21, 10.4) if narrow else (33, 68, 10.8)
        rows = (
            max(_lines(len(one.name), name), _lines(len(one.detail), seen)) * size + 3.2
            for one in block.items
        )
        return sum(rows) + (16 if narrow else 28)
    if isinstance(block, Grid):
        below = sum(
            _lines(sum(len(t) + len(s) + 4 for t, s in line.below), 150) * 9.3 + 3
            for line in block.lines
            if line.below
        )
        return 32 + 14 * len(block.lines) + below
    if isinstance(block, Stop):
        return 52 + sum(_lines(len(text), 88) * 13.6 for text in block.lines)
    if isinstance(block, Links):
        return _lines(sum(len(text) + 7 for _anchor, text in block.to), 128) * 11 + 4
    if isinstance(block, Picture):
        return _picture(block, narrow=narrow)
    if isinstance(block, Fold) and block.narrow:
        return sum(_block(one, narrow=narrow) for one in block.blocks)
    return 0.0


def _picture(picture: Picture, *, narrow: bool) -> float:
    found = _HEIGHT.search(picture.small if narrow else picture.svg)
    if found is None:
        return 0.0
    wide, high = float(found[1]), float(found[2])
    caption = 0 if picture.titled else _lines(len(picture.title), 50 if narrow else 108) * 13.2
    return high * (244.0 if narrow else _WIDE) / wide + caption + 8


def _lines(letters: float, per_line: float) -> int:
    return max(1, math.ceil(letters / per_line))
