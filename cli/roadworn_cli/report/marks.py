"""Two pictures that charts as data have no shape for: intervals side by side, and lanes.

Intervals compare estimates with their limits and with a line of reference; lanes lay events
along distance or time, one lane for each kind.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from roadworn.say import Said
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
from roadworn_cli.report.svg import inline
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Letters in a line of a name.
_NAME = 30
#: More marks than this on a lane are drawn as thin strokes.
_THICK = 20


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its limits; a strong one is drawn in vermilion with a square."""

    name: str
    value: float
    low: float
    high: float
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Scale:
    """The axis of a picture.

    Attributes:
        title: with its unit.
        log: ratios are drawn so that half and double are equally far from 1.
        reference: where a line of comparison stands, or None.
        share: written as per cent.
    """

    title: str
    log: bool = False
    reference: float | None = None
    share: bool = False


def intervals(
    given: Sequence[Interval],
    scale: Scale,
    ident: str,
    words: Words,
    *,
    title: Said,
    alternative: Said,
) -> Picture | None:
    """Draw estimates below each other, the first on top; None when there are not two of them."""
    shown = [one for one in given if _drawable(one, scale)]
    if len(shown) < 2 or not any(one.value for one in shown):
        return None
    names = [wrapped(words.word(one.name), _NAME) for one in reversed(shown)]
    row = 0.36 if any("\n" in name for name in names) else 0.27
    with paper(0.75 + row * len(shown)) as figure:
        axes = figure.subplots()
        top = max(max(_end(one), one.value) for one in shown)
        for place, one in enumerate(reversed(shown)):
            colour, mark = (VERMILION, "s") if one.strong else (INK, "o")
            low = max(one.low, _floor(shown) if scale.log else -math.inf)
            axes.plot([low, min(one.high, top)], [place, place], color=colour, linewidth=1.6)
            axes.plot([one.value], [place], mark, color=colour, markersize=5.5)
        axes.set_yticks(range(len(shown)), names)
        axes.set_ylim(-0.6, len(shown) - 0.4)
        axes.tick_params(axis="y", length=0)
        axes.grid(visible=True, axis="x")
        axes.set_xlabel(label(scale.title, 70))
        _scale(axes, scale, words, min(one.low for one in shown))
        markup = inline(figure, ident, title, alternative)
    figures = tuple(Heading(words(key), right=True) for key in ("value", "low", "high"))
    lines = tuple(
        Line(
            (
                words.word(one.name),
                *(Said(_written(value, scale, words)) for value in (one.value, one.low, one.high)),
            )
        )
        for one in shown
    )
    grid = Grid(title, (Heading(words("what")), *figures), lines)
    return Picture(ident, title, alternative, markup, (grid,))


def _floor(shown: Sequence[Interval]) -> float:
    """Return where a logarithmic axis may begin: zero has no place on it."""
    positive = [v for one in shown for v in (one.low, one.value) if v > 0]
    return min(positive) / 1.5


def _drawable(one: Interval, scale: Scale) -> bool:
    return math.isfinite(one.value) and not math.isnan(one.low) and (one.value > 0 or not scale.log)


def _end(one: Interval) -> float:
    return one.high if math.isfinite(one.high) else one.value


def _scale(axes: "Axes", scale: Scale, words: Words, lowest: float) -> None:
    from matplotlib.ticker import FuncFormatter, NullFormatter

    if scale.reference is not None:
        axes.axvline(scale.reference, color=BLUE, linewidth=1.4, linestyle=(0, (5, 2)))
    if scale.log:
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter(
            FuncFormatter(lambda value, _place: words.number(f"{value:,.6g}"))
        )
        axes.xaxis.set_minor_formatter(NullFormatter())
        return
    ticks(axes, words, x="share" if scale.share else "number", y="none")
    if lowest >= 0:
        axes.set_xlim(left=0)


def _written(value: float, scale: Scale, words: Words) -> str:
    if not math.isfinite(value):
        return "∞" if value > 0 else ""
    if scale.share:
        return words.number(f"{value:.0%}")
    return words.number(f"{value:,.3g}" if abs(value) < 1000 else f"{value:,.0f}")


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
    names = [wrapped(lane.name, _NAME) for lane in reversed(shown)]
    row = 0.38 if any("\n" in name for name in names) else 0.3
    with paper(0.8 + row * len(shown)) as figure:
        axes = figure.subplots()
        for place, lane in enumerate(reversed(shown)):
            axes.axhline(place, color="#d9d9d9", linewidth=0.8, zorder=0)
            at: list[Any] = list(lane.at)
            axes.plot(at, [place] * len(at), linestyle="none", **_mark(lane))
        axes.set_yticks(range(len(shown)), names)
        axes.set_ylim(-0.7, len(shown) - 0.3)
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        axes.set_xlabel(label(x_title, 70))
        _along(axes, shown, words)
        markup = inline(figure, ident, title, alternative)
    return Picture(ident, title, alternative, markup, grids)


def _mark(lane: Lane) -> dict[str, Any]:
    if lane.strong and len(lane.at) <= _THICK:
        return {"color": VERMILION, "marker": "D", "markersize": 6.5}
    colour = VERMILION if lane.strong else INK
    weight = 1.8 if lane.strong else 1.4
    return {"color": colour, "marker": "|", "markersize": 10, "markeredgewidth": weight}


def _along(axes: "Axes", shown: Sequence[Lane], words: Words) -> None:
    """Write the axis along which events lie: days by year, or a distance."""
    ends = [x for lane in shown for x in lane.at]
    if isinstance(ends[0], date):
        along_days(axes)
        return
    ticks(axes, words, y="none")
    if len(set(ends)) == 1:
        axes.set_xlim(0, float(ends[0]) * 1.1 or 1.0)
