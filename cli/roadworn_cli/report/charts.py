"""Draws any chart that an analysis hands over as data, a plugin's as well.

Which series share a panel is said in `panels`; here each is put on paper, and its numbers go
into a table.
"""

import math
from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from roadworn.analysis import Cell, Chart, Column, Series, Table
from roadworn_cli.report.canvas import (
    BLUE,
    INK,
    VERMILION,
    along_days,
    label,
    paper,
    ticks,
    wrapped,
)
from roadworn_cli.report.model import Grid, Heading, Line, Picture
from roadworn_cli.report.panels import Drawn, panels_of
from roadworn_cli.report.svg import inline
from roadworn_cli.report.tables import grid_of, value_text
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_NUMBERS = 40
#: Letters of a title over all panels of a row.
_ROW = 78
_FLAT = 3.0
_SHARES = ("share", "chance")


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
    panels = panels_of(series)
    # Four small panels stand better two by two.
    columns = 2 if len(panels) == 4 else min(len(panels), 3)
    rows = math.ceil(len(panels) / columns)
    share = any(word in chart.y_title for word in _SHARES)
    alternative = words.said(chart.alternative or chart.title)
    title = words.said(chart.title)
    with paper(3.1 if len(panels) == 1 else 0.5 + 2.0 * rows) as figure:
        same = _comparable(panels)
        grid = figure.subplots(rows, columns, sharex=True, sharey=same, squeeze=False)
        places = list(grid.flat)
        for axes, panel in zip(places, panels, strict=False):
            _panel(axes, panel, words, chart.x_title, share=share, columns=columns)
        for axes in places[len(panels) :]:
            axes.set_visible(False)
        # Where a column ends early, its lowest panel carries the numbers of the axis.
        for axes in places[len(panels) - columns : len(panels)]:
            axes.tick_params(axis="x", labelbottom=True)
        if len(panels) > 1:
            _legend(places[0], figure)
        figure.supxlabel(label(words.said(chart.x_title), 60), fontsize=9.5)
        figure.supylabel(label(words.said(chart.y_title), 44), fontsize=9.5)
        markup = inline(figure, ident, title, alternative)
    numbers = tuple(_numbers(one, chart, words, share=share) for one in series)
    below = tuple(grid_of(table, words)[0] for table in tables if table.rows)
    return Picture(ident, title, alternative, markup, (*below, *numbers))


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


def _panel(
    axes: "Axes",
    panel: Sequence[Drawn],
    words: Words,
    x_title: str,
    *,
    share: bool,
    columns: int,
) -> None:
    alone = columns == 1
    categories = _categories(panel)
    # Bars of several series share a place only where they have one in common.
    beside = len(panel) if sum(len(one.series.x) for one in panel) > len(categories) else 1
    for number, drawn in enumerate(panel):
        _series(axes, drawn, categories, number, words, of=beside)
    axes.grid(visible=True, axis="y")
    along = any(word in x_title for word in _SHARES)
    x = "none" if categories else "share" if along else "number"
    days = any(isinstance(place, date) for drawn in panel for place in drawn.series.x)
    ticks(
        axes,
        words,
        x="none" if days else x,
        y="share" if share else "number",
        most=6 if alone else 3,
    )
    if days:
        along_days(axes, 8 if alone else 4)
    if categories:
        axes.set_xticks(range(len(categories)), [label(words.word(c), 16) for c in categories])
        if sum(len(c) for c in categories) > 60:
            for text in axes.get_xticklabels():
                text.set(rotation=30, ha="right", rotation_mode="anchor")
    _heights(axes, panel, share=share)
    if not alone:
        name = wrapped(words.word(panel[0].series.name), _ROW // columns)
        axes.set_title(name, fontsize=9, loc="left")
    elif len(panel) > 1:
        axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, handlelength=3)


def _heights(axes: "Axes", panel: Sequence[Drawn], *, share: bool) -> None:
    """Begin the y axis at zero, unless it only holds points that are all far from it."""
    if share:
        axes.set_ylim(0, 1.03)
        return
    values = [
        value
        for drawn in panel
        for value in (*drawn.series.y, *drawn.series.low, *drawn.series.high)
        if math.isfinite(value)
    ]
    low, high = min(values), max(values)
    far = all(drawn.series.shape == "points" for drawn in panel) and low > 0.6 * high
    if low >= 0 and not far:
        bottom, top = axes.get_ylim()
        # Panels share an axis: what another one needs stays in sight.
        axes.set_ylim(0, max(high * 1.06, top if bottom == 0 else 0) or 1.0)


def _legend(axes: "Axes", figure: "Figure") -> None:
    """Explain once what the lines in all panels are."""
    handles, names = axes.get_legend_handles_labels()
    if len(handles) > 1:
        figure.legend(handles[1:], names[1:], loc="outside upper right", ncols=3, handlelength=3)


def _categories(panel: Sequence[Drawn]) -> list[str]:
    """Return the names along the x axis in order, empty when it is a scale."""
    texts = [x for drawn in panel for x in drawn.series.x if isinstance(x, str)]
    return list(dict.fromkeys(texts))


def _series(
    axes: "Axes",
    drawn: Drawn,
    categories: Sequence[str],
    number: int,
    words: Words,
    *,
    of: int,
) -> None:
    one, stroke = drawn.series, drawn.stroke
    xs: list[Any] = [_place(x, categories) for x in one.x]
    ys = [_number(y) for y in one.y]
    name = label(words.word(one.name), 60)
    low, high = [_number(v) for v in one.low], [_number(v) for v in one.high]
    if one.shape == "bars":
        width = 0.66 / of if categories else _gap(xs) * 0.66 / of
        place = number if of > 1 else 0
        at = [x + (place - (of - 1) / 2) * width for x in xs]
        colour = (BLUE, INK, VERMILION)[number % 3]
        look: dict[str, Any] = {"hatch": (None, "///", "...")[number % 3], "edgecolor": colour}
        axes.bar(at, ys, width, label=name, facecolor="white" if number else colour, **look)
        if drawn.band:
            axes.errorbar(at, ys, _reach(ys, low, high), fmt="none", ecolor=VERMILION, capsize=4)
        return
    if drawn.band and one.shape == "points":
        ends = _reach(ys, low, high)
        axes.errorbar(xs, ys, ends, fmt="none", ecolor=stroke.colour, capsize=2.5, elinewidth=1)
    elif drawn.band:
        step: Any = "post" if one.shape == "step" else None
        axes.fill_between(xs, low, high, color=stroke.colour, alpha=0.16, linewidth=0, step=step)
    line: dict[str, Any] = {
        "color": stroke.colour,
        "linestyle": stroke.dashes,
        "linewidth": stroke.weight,
        "label": name,
    }
    if one.shape == "points":
        axes.plot(xs, ys, stroke.mark, color=stroke.colour, markersize=4.5, label=name)
    elif one.shape == "step" and len(xs) > 1:
        axes.step(xs, ys, where="post", **line)
    else:
        mark = stroke.mark if len(xs) == 1 or 3 <= len(xs) <= 12 else None
        axes.plot(xs, ys, marker=mark, markersize=4.5, **line)


def _reach(ys: Sequence[float], low: Sequence[float], high: Sequence[float]) -> list[list[float]]:
    """Return how far limits lie below and above, as the library wants them."""
    down = [max(y - a, 0.0) for y, a in zip(ys, low, strict=True)]
    return [down, [max(b - y, 0.0) for y, b in zip(ys, high, strict=True)]]


def _place(x: float | str | date, categories: Sequence[str]) -> float | date:
    """Return where on the x axis something stands."""
    if isinstance(x, date):
        return x
    return categories.index(x) if isinstance(x, str) else _number(x)


def _number(value: float) -> float:
    """Return what can be drawn: infinity has no place on paper."""
    return float(value) if math.isfinite(value) else math.nan


def _gap(xs: Sequence[float]) -> float:
    ordered = sorted(set(xs))
    return min((b - a for a, b in pairwise(ordered)), default=1.0)


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
        written = words.word(x) if isinstance(x, str) else words.plain(x)
        lines.append(Line((written, *(value_text(y, value, words) for value in cells))))
    titles = [words.said(chart.x_title), words.said(chart.y_title)]
    titles += [words("low"), words("high")] if band else []
    headings = tuple(Heading(title, right=bool(place)) for place, title in enumerate(titles))
    name = words.joined((series.of, series.name), ", ")
    if every > 1:
        name = words("thinned", name=name, every=every, rows=len(series.x))
    return Grid(name, headings, tuple(lines))
