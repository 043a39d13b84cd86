"""Money by month or quarter: what came in ink, what is projected in blue with its range."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from roadworn.say import Said
from roadworn_cli.report.canvas import (
    BLUE,
    GREY,
    INK,
    LEADING,
    Scale,
    Sheet,
    label,
    round_numbers,
    span_of,
    written,
)
from roadworn_cli.report.marks import both
from roadworn_cli.report.model import Grid, Heading, Line, Picture
from roadworn_cli.words import Words

_HIGH = 120.0
_YEAR_ABOVE, _YEAR_ROOM = 14.0, 36.0


@dataclass(frozen=True, slots=True)
class Period:
    """What one month or quarter cost, or is expected to; limits are NaN where there are none."""

    begins: date
    value: float
    low: float
    high: float
    past: bool


def periods(
    given: Sequence[Period],
    ident: str,
    words: Words,
    *,
    unit: str,
    title: Said,
    alternative: Said,
    above: tuple[str, str] = ("", ""),
) -> Picture | None:
    """Draw periods in their order; None when none of them has a cost.

    Args:
        given: past ones first.
        ident: unique on the page.
        words: of the report.
        unit: the currency.
        title: its finding.
        alternative: the same in words.
        above: what is written over the past ones, and over those to come.
    """
    shown = [one for one in given if math.isfinite(one.value)]
    if not any(one.value for one in shown):
        return None
    tops = [one.high if math.isfinite(one.high) else one.value for one in shown]
    heights = round_numbers(0.0, max(tops), 4)

    def make(width: float) -> Sheet:
        sheet = Sheet(width, 0)
        told = [label(text, 60) for text in above]
        stacked = sum(map(span_of, told)) > width - 90
        head = (LEADING * (2 if stacked else 1) + 8) if any(told) else 4.0
        margin = max(span_of(written(value, words)) for value in heights) + 8
        foot = head + 12 + _HIGH
        y = Scale(0.0, heights[-1], foot, head + 12)
        sheet.text(0, head + 2, unit, fill=GREY)
        for value in heights:
            sheet.rule(margin, y(value), width, y(value))
            sheet.text(margin - 7, y(value) + 4, written(value, words), anchor="end", fill=GREY)
        step = (width - margin) / len(shown)
        today = sum(one.past for one in shown)
        for number, one in enumerate(shown):
            left = margin + step * number + step * 0.14
            _column(sheet, one, left, step * 0.72, y)
        sheet.path([(margin, foot), (width, foot)], INK, 1.2)
        if 0 < today < len(shown):
            at = margin + step * today
            sheet.path([(at, head), (at, foot + 26)], INK, 1.2)
        _days(sheet, shown, margin, step, foot)
        if stacked:
            sheet.text(0, 12, told[0], bold=True)
            sheet.text(0, 12 + LEADING, told[1], fill=BLUE, bold=True)
        else:
            at = margin + step * today
            sheet.text(margin, 12, told[0], bold=True)
            sheet.text(
                max(at + 6, margin + span_of(told[0]) + 14), 12, told[1], fill=BLUE, bold=True
            )
        sheet.height = foot + 34
        return sheet

    titles = ("from_day", "state", "value", "low", "high")
    headings = tuple(Heading(words(key), right=n > 1) for n, key in enumerate(titles))
    lines = tuple(
        Line(
            (
                words.plain(one.begins),
                words("actual" if one.past else "expected"),
                *(
                    Said(words.number(f"{value:,.0f}") if math.isfinite(value) else "")
                    for value in (one.value, one.low, one.high)
                ),
            )
        )
        for one in shown
    )
    made = both(make, ident, title, alternative, (Grid(title, headings, lines),))
    return replace(made, titled=any(above))


def _column(sheet: Sheet, one: Period, left: float, wide: float, y: Scale) -> None:
    top, foot = y(one.value), y(0.0)
    if one.past:
        sheet.box(left, top, wide, foot - top, INK)
        return
    # Hollow, so that it is told from what came in grey print as well.
    sheet.box(left + 0.6, top, wide - 1.2, foot - top, "none", BLUE)
    if math.isfinite(one.low) and math.isfinite(one.high):
        at = left + wide / 2
        sheet.path([(at, y(one.low)), (at, y(one.high))], BLUE, 2.4)


def _days(sheet: Sheet, shown: Sequence[Period], margin: float, step: float, foot: float) -> None:
    """Write the month below each column where there is room, and the year where it begins."""
    every = max(1, math.ceil(22.0 / step))
    year, last = 0, -math.inf
    for number, one in enumerate(shown):
        middle = margin + step * (number + 0.5)
        if number % every == 0:
            sheet.text(middle, foot + 14, f"{one.begins:%m}", anchor="middle", fill=GREY)
        if one.begins.year != year and middle - last > _YEAR_ROOM:
            year, last = one.begins.year, middle
            sheet.text(middle - 8, foot + 14 + _YEAR_ABOVE, str(year), fill=GREY)
