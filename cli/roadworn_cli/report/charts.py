"""Draws any chart that an analysis hands over as data, a plugin's as well.

Which series share a panel is said in `panels`; here each is put on paper, with its name beside
it or in a key, and its numbers go into a table.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

from roadworn.analysis import Cell, Chart, Column, Series, Table
from roadworn.say import Said
from roadworn_cli.report.canvas import (
    BLUE,
    GREY,
    INK,
    LEADING,
    Scale,
    Sheet,
    label,
    round_days,
    round_numbers,
    span_of,
    wrapped,
    written,
)
from roadworn_cli.report.marks import Bar, bars, both
from roadworn_cli.report.model import Grid, Heading, Line, Picture
from roadworn_cli.report.panels import Drawn, panels_of
from roadworn_cli.report.tables import grid_of, value_text
from roadworn_cli.words import Words

_MOST_NUMBERS = 40
#: Ages from here on are told in hundreds, as in every table.
_HUNDREDS = 1000.0
_FLAT = 3.0
_SHARES = ("share", "chance")
_HIGH, _HIGH_ALONE = 128.0, 210.0


def draw(chart: Chart, ident: str, words: Words, tables: Sequence[Table] = ()) -> Picture | None:
    """Return the picture of a chart, or None when it holds nothing to draw.

    Args:
        chart: as data.
        ident: unique on the page.
        words: of the report.
        tables: shown below it, for instance the numbers at risk.
    """
    series = [one for one in chart.series if _finite(one)]
    if not series:
        return None
    share = any(word in chart.y_title for word in _SHARES)
    alternative = words.said(chart.alternative or chart.title)
    title = words.said(chart.title)
    numbers = tuple(_numbers(one, chart, words, share=share) for one in series)
    grids = (*(grid_of(table, words)[0] for table in tables if table.rows), *numbers)
    if any(isinstance(x, str) for one in series for x in one.x):
        found = bars(
            _named(series, words, share=share),
            ident,
            words,
            title=title,
            alternative=alternative,
            head=words.said(chart.y_title),
        )
        return (
            None
            if found is None
            else Picture(ident, title, alternative, found.svg, found.small, grids)
        )
    panels = panels_of(series)
    told = _Told(
        words,
        words.said(chart.x_title),
        words.said(chart.y_title),
        share,
        any(word in chart.x_title for word in _SHARES),
    )
    return both(lambda width: _sheet(panels, told, width), ident, title, alternative, grids)


@dataclass(frozen=True, slots=True)
class _Told:
    """What is written around the panels, and whether an axis holds shares."""

    words: Words
    x_title: str
    y_title: str
    share: bool
    along_share: bool


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where a panel lies on its sheet."""

    left: float
    top: float
    right: float
    bottom: float


def _named(series: Sequence[Series], words: Words, *, share: bool) -> list[Bar]:
    """Return the bars of named places, series by series."""
    several = len(series) > 1
    return [
        Bar(
            words.joined((one.name, x) if several else (x,), ", "),
            max(y, 0.0),
            written(y, words, share=share),
        )
        for one in series
        for x, y in zip(one.x, one.y, strict=True)
        if math.isfinite(y)
    ]


def _finite(series: Series) -> bool:
    return any(math.isfinite(value) for value in series.y)


def _comparable(panels: Sequence[Sequence[Drawn]]) -> bool:
    """Say whether panels share their heights.

    Curves that stand alone are there to be compared with each other. One that is compared with
    what belongs to it may have heights of its own, and needs them where it would lie flat.
    """
    if any(len(panel) == 1 for panel in panels):
        return True
    tops = [
        max((abs(y) for one in panel for y in one.series.y if math.isfinite(y)), default=0.0)
        for panel in panels
    ]
    return max(tops) <= _FLAT * min(tops)


def _sheet(panels: Sequence[Sequence[Drawn]], told: _Told, width: float) -> Sheet:
    """Draw the panels at a width, side by side where there is room."""
    sheet = Sheet(width, 0)
    alone = len(panels) == 1
    columns = 1 if sheet.narrow or alone else 2 if len(panels) in {2, 4} else 3
    head = 4.0 + _key(sheet, panels, told.words)
    sheet.text(0, head + 12, label(told.y_title, 60 if not sheet.narrow else 44), fill=GREY)
    head += LEADING + 6
    x_ends = _x_ends(panels)
    shared = (
        _heights([one for panel in panels for one in panel], told) if _comparable(panels) else None
    )
    beside = _beside(panels[0]) if alone and not sheet.narrow else 0.0
    high = _HIGH_ALONE if alone else _HIGH
    gap, row = 22.0, high + (0 if alone else LEADING * 2 + 2) + 22
    wide = (width - gap * (columns - 1)) / columns
    for number, panel in enumerate(panels):
        left = (wide + gap) * (number % columns)
        top = head + row * (number // columns)
        if not alone:
            names = wrapped(told.words.word(panel[0].series.name), int(wide / 6.6), 2)
            for line, text in enumerate(names):
                sheet.text(left, top + 11 + LEADING * line, text, bold=True)
            top += LEADING * 2 + 2
        heights = shared or _heights(panel, told)
        margin = max(span_of(written(v, told.words, share=told.share)) for v in heights) + 7
        frame = _Frame(left + margin, top, left + wide - beside - 4, top + high)
        _panel(sheet, frame, panel, told, x_ends, heights)
        if beside:
            _names(sheet, frame, panel, heights, told.words)
    foot = head + row * math.ceil(len(panels) / columns)
    sheet.text(width, foot + 10, label(told.x_title, 60), anchor="end", fill=GREY)
    sheet.height = foot + 16
    return sheet


def _key(sheet: Sheet, panels: Sequence[Sequence[Drawn]], words: Words) -> float:
    """Explain once what lines and bands in all panels are; return the height it takes."""
    alone = len(panels) == 1
    first = 0 if alone and sheet.narrow else 1
    entries = [
        (str(words.word(one.series.name)), one, False) for panel in panels for one in panel[first:]
    ]
    if any(len(panel) > 1 and panel[0].series.of == "" for panel in panels) and not alone:
        entries.insert(0, (str(words("on_record")), panels[0][0], False))
    if alone and not sheet.narrow:
        entries = []
    entries += [
        (str(words("likely_range")), one, True) for panel in panels for one in panel if one.band
    ]
    seen: dict[tuple[str, str], None] = {}
    x, y = 0.0, 10.0
    for text, one, band in entries:
        name = label(text, 44)
        if (name, "" if band else one.stroke.colour) in seen:
            continue
        seen[name, "" if band else one.stroke.colour] = None
        wide = span_of(name) + 46
        if x and x + wide > sheet.width:
            x, y = 0.0, y + LEADING
        if band:
            sheet.path(
                [(x, y - 9), (x + 24, y - 9), (x + 24, y + 1), (x, y + 1)],
                "",
                fill=one.stroke.colour,
                opacity=0.2,
            )
        elif one.series.shape == "points":
            sheet.mark(x + 12, y - 4, one.stroke.mark, one.stroke.colour)
        else:
            sheet.path(
                [(x, y - 4), (x + 24, y - 4)],
                one.stroke.colour,
                one.stroke.weight,
                one.stroke.dashes,
            )
        sheet.text(x + 30, y, name)
        x += wide
    return y + 6 if seen else 0.0


def _x_ends(panels: Sequence[Sequence[Drawn]]) -> tuple[float, float, bool]:
    """Return the ends of the axis along which all panels lie, and whether it is one of days."""
    all_x = [x for panel in panels for one in panel for x in one.series.x]
    days = any(isinstance(x, date) for x in all_x)
    places = [_place(x) for x in all_x if math.isfinite(_place(x))]
    low, high = min(places), max(places)
    if low == high:
        low, high = (low - 183, high + 183) if days else (min(0.0, low), high * 1.1 or 1.0)
    return low, high, days


def _heights(panel: Sequence[Drawn], told: _Told) -> list[float]:
    """Return the numbers of the y axis, from zero unless all points are far from it."""
    if told.share:
        return [0.0, 0.25, 0.5, 0.75, 1.0]
    values = [
        value
        for drawn in panel
        for value in (*drawn.series.y, *drawn.series.low, *drawn.series.high)
        if math.isfinite(value)
    ]
    low, high = min(values), max(values)
    far = all(drawn.series.shape == "points" for drawn in panel) and low > 0.6 * high
    return round_numbers(low if low < 0 or far else 0.0, high, 4)


def _panel(
    sheet: Sheet,
    frame: _Frame,
    panel: Sequence[Drawn],
    told: _Told,
    x_ends: tuple[float, float, bool],
    heights: Sequence[float],
) -> None:
    low, high, days = x_ends
    x = Scale(low, high, frame.left + 2, frame.right)
    y = Scale(heights[0], heights[-1], frame.bottom, frame.top)
    for value in heights:
        sheet.rule(frame.left, y(value), frame.right, y(value))
        text = written(value, told.words, share=told.share)
        sheet.text(frame.left - 6, y(value) + 4, text, anchor="end", fill=GREY)
    sheet.path([(frame.left, frame.bottom), (frame.right, frame.bottom)], INK, 1.2)
    last = -math.inf
    for at, text in _ticks(low, high, days, told, (frame.right - frame.left)):
        half = span_of(text) / 2
        middle = min(max(x(at), frame.left + half - 6), frame.right - half + 6)
        if middle - half < last + 8:
            continue
        last = middle + half
        sheet.rule(x(at), frame.bottom, x(at), frame.bottom + 4, GREY)
        sheet.text(middle, frame.bottom + 16, text, anchor="middle", fill=GREY)
    for number, drawn in enumerate(panel):
        _series(sheet, drawn, x, y, number=number, of=len(panel))
    if told.share and panel[0].series.shape == "step":
        _half(sheet, frame, panel, x, y, told.words)


def _ticks(
    low: float, high: float, days: bool, told: _Told, room: float
) -> list[tuple[float, str]]:
    most = max(2, int(room / 56))
    if days:
        ends = date.fromordinal(int(low)), date.fromordinal(int(high))
        return [(float(day.toordinal()), text) for day, text in round_days(*ends, most)]
    inside = [one for one in round_numbers(low, high, most) if low <= one <= high] or [high]
    return [(one, written(one, told.words, share=told.along_share)) for one in inside]


def _series(
    sheet: Sheet, drawn: Drawn, x: Scale, y: Scale, *, number: int = 0, of: int = 1
) -> None:
    one, stroke = drawn.series, drawn.stroke
    if one.shape == "bars":
        _columns(sheet, drawn, x, y, number, of)
        return
    kept = [n for n, value in enumerate(one.y) if math.isfinite(value)]
    points = [(x(_place(one.x[n])), y(one.y[n])) for n in kept]
    limits = [
        (x(_place(one.x[n])), y(one.low[n]), y(one.high[n]))
        for n in (kept if drawn.band else ())
        if not (math.isnan(one.low[n]) or math.isnan(one.high[n]))
    ]
    if limits and one.shape == "points":
        for at, low, high in limits:
            sheet.path([(at, low), (at, high)], stroke.colour, 1.2)
    elif limits:
        upper = _steps([(at, high) for at, _low, high in limits], one.shape)
        lower = _steps([(at, low) for at, low, _high in limits], one.shape)
        sheet.path([*upper, *reversed(lower)], "", fill=stroke.colour, opacity=0.2)
    if one.shape != "points" and len(points) > 1:
        sheet.path(_steps(points, one.shape), stroke.colour, stroke.weight, stroke.dashes)
    if (
        one.shape == "points"
        or len(points) == 1
        or (one.shape == "line" and 3 <= len(points) <= 12)
    ):
        for at, high in points:
            sheet.mark(at, high, stroke.mark, stroke.colour, 3.4)


def _steps(points: Sequence[tuple[float, float]], shape: str) -> list[tuple[float, float]]:
    """Return points joined by steps that go along before they go up or down."""
    if shape != "step":
        return list(points)
    found = list(points[:1])
    for before, after in pairwise(points):
        found += [(after[0], before[1]), after]
    return found


def _columns(sheet: Sheet, drawn: Drawn, x: Scale, y: Scale, number: int, of: int) -> None:
    """Draw upright bars at numbers or days."""
    one = drawn.series
    ordered = sorted({x(_place(at)) for at in one.x})
    gap = min((b - a for a, b in pairwise(ordered)), default=40.0)
    wide = gap * 0.66 / of
    for n, value in enumerate(one.y):
        if not math.isfinite(value):
            continue
        left = x(_place(one.x[n])) - wide * of / 2 + wide * number
        top, foot = y(max(value, 0.0)), y(max(min(value, 0.0), y.low))
        fill, edge = (INK, "") if not number else ("none", BLUE)
        sheet.box(left, top, wide, foot - top, fill, edge)
        if drawn.band:
            at = left + wide / 2
            sheet.path([(at, y(one.low[n])), (at, y(one.high[n]))], GREY, 1.2)


def _half(
    sheet: Sheet, frame: _Frame, panel: Sequence[Drawn], x: Scale, y: Scale, words: Words
) -> None:
    """Name on the curve itself where half are gone, as the text beside it does.

    On the fitted curve where there is one, which the tables are read from; its steps may cross
    the half at another place.
    """
    smooth = next((one.series for one in panel if one.series.shape == "line"), None)
    at = _crosses_half(smooth or panel[0].series)
    if at is None:
        return
    rounded = round(at, -2) if at >= _HUNDREDS else at
    text = words.number(f"{rounded:,.0f}" if at >= _HUNDREDS else f"{rounded:,.3g}")
    sheet.mark(x(at), y(0.5), "dot", INK, 3.6)
    end = x(at) + 8 + span_of(text) > frame.right
    sheet.text(x(at) - 8 if end else x(at) + 7, y(0.5) - 5, text, anchor="end" if end else "start")


def _crosses_half(one: Series) -> float | None:
    """Return where a curve comes down to one half, None where it does not."""
    place = next((n for n, value in enumerate(one.y) if value <= 0.5), None)
    if place is None or isinstance(one.x[place], date):
        return None
    if one.shape == "step" or not place:
        return _place(one.x[place])
    (x0, x1), (y0, y1) = (
        tuple(_place(value) for value in one.x[place - 1 : place + 1]),
        one.y[place - 1 : place + 1],
    )
    if x0 > 0.0 and 0.0 < y1 < y0 < 1.0:
        # Fits are Weibull's: between two of their points this is the curve itself.
        w0, w1, half = (math.log(-math.log(share)) for share in (y0, y1, 0.5))
        return math.exp(math.log(x0) + (math.log(x1) - math.log(x0)) * (half - w0) / (w1 - w0))
    return x0 + (x1 - x0) * (y0 - 0.5) / (y0 - y1)


def _beside(panel: Sequence[Drawn]) -> float:
    """Return the room that the names of several series take at the end of their lines."""
    if len(panel) == 1:
        return 0.0
    return min(170.0, max(span_of(label(one.series.name, 28)) for one in panel) + 12)


def _names(
    sheet: Sheet, frame: _Frame, panel: Sequence[Drawn], heights: Sequence[float], words: Words
) -> None:
    """Write the name of each series at the end of its line, none over another."""
    y = Scale(heights[0], heights[-1], frame.bottom, frame.top)
    ends = []
    for one in panel:
        last = next(value for value in reversed(one.series.y) if math.isfinite(value))
        ends.append((y(last), one))
    ends.sort(key=lambda end: end[0])
    low = -math.inf
    places = []
    for at, one in ends:
        low = max(at + 4, low + LEADING)
        places.append((low, one))
    over = max(0.0, places[-1][0] - (frame.bottom + 4))
    for at, one in places:
        name = label(words.word(one.series.name), 28)
        sheet.text(frame.right + 8, at - over, name, fill=one.stroke.colour)


def _place(x: float | str | date) -> float:
    """Return where on the x axis something stands."""
    if isinstance(x, date):
        return float(x.toordinal())
    return float(x) if not isinstance(x, str) else math.nan


def _numbers(series: Series, chart: Chart, words: Words, *, share: bool) -> Grid:
    """Return the numbers of one series; of a long one every so-manieth, and it says so."""
    every = math.ceil(len(series.x) / _MOST_NUMBERS)
    y = Column("y", chart.y_title, "chance" if share else "number")
    band = bool(series.low and series.high)
    lines = []
    for at in range(0, len(series.x), every):
        x = series.x[at]
        cells: list[Cell] = [series.y[at]]
        if band:
            cells += [series.low[at], series.high[at]]
        written_x: Said = words.word(x) if isinstance(x, str) else words.plain(x)
        lines.append(Line((written_x, *(value_text(y, value, words) for value in cells))))
    titles = [words.said(chart.x_title), words.said(chart.y_title)]
    titles += [words("low"), words("high")] if band else []
    headings = tuple(Heading(title, right=bool(place)) for place, title in enumerate(titles))
    name = words.joined((series.of, series.name), ", ")
    if every > 1:
        name = words("thinned", name=name, every=every, rows=len(series.x))
    return Grid(name, headings, tuple(lines))
