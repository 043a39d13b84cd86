"""What pictures are drawn with: shapes as SVG, scales, and panels side by side."""

import io
import re
import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final
from xml.etree import ElementTree as ET

from roadworn.analysis import Series
from roadworn_cli.output import escape
from roadworn_cli.report.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_SVG = "http://www.w3.org/2000/svg"
_LINK = "http://www.w3.org/1999/xlink"
_DRAWS = {
    f"{{{_SVG}}}{name}"
    for name in ("svg", "g", "path", "text", "tspan", "defs", "clipPath", "rect", "use", "circle")
}
_URL = re.compile(r"url\(#")


def inline(figure: "Figure", ident: str, title: str, description: str) -> str:
    """Return the markup of a figure.

    Args:
        figure: drawn; nothing of it is loaded from elsewhere.
        ident: unique on the page, letters, digits and hyphens.
        title: of the text alternative.
        description: the rest of it.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    buffer = io.StringIO()
    canvas: Any = FigureCanvasSVG(figure)
    canvas.print_svg(buffer, metadata=dict.fromkeys(("Date", "Creator")))
    ET.register_namespace("", _SVG)
    ET.register_namespace("xlink", _LINK)
    # Our own output of a moment ago, not a file from outside.
    root = ET.fromstring(buffer.getvalue())  # noqa: S314
    _keep_what_draws(root)
    _rename(root, ident)
    for name in ("width", "height", "version"):
        root.attrib.pop(name, None)
    root.set("role", "img")
    root.set("aria-labelledby", f"{ident}-title {ident}-desc")
    for place, (name, text) in enumerate((("title", title), ("desc", description))):
        element = ET.Element(f"{{{_SVG}}}{name}", {"id": f"{ident}-{name}"})
        element.text = text
        root.insert(place, element)
    return ET.tostring(root, encoding="unicode")


def _keep_what_draws(element: ET.Element) -> None:
    for child in list(element):
        if child.tag not in _DRAWS:
            element.remove(child)
        else:
            _keep_what_draws(child)


def _rename(root: ET.Element, ident: str) -> None:
    """Put the picture's own name before every id and every mention of one."""
    for element in root.iter():
        for key, value in list(element.attrib.items()):
            if key == "id":
                if element.tag.endswith("}g"):  # groups are named but never referred to
                    del element.attrib[key]
                else:
                    element.set(key, f"{ident}-{value}")
            elif key in {"href", f"{{{_LINK}}}href"} and value.startswith("#"):
                element.set(key, f"#{ident}-{value[1:]}")
            elif key in {"style", "clip-path"}:
                element.set(key, _URL.sub(f"url(#{ident}-", value))


INK: Final = "#1b1b1b"
BLUE: Final = "#0072b2"
VERMILION: Final = "#d55e00"
GREY: Final = "#767676"
WIDTH: Final = 6.3
_LABEL = 34
#: Ticks along time: years, months, days; hours never come up.
_DAYS: Final = ["%Y", "%Y-%m", "%m-%d", "%H:%M", "%H:%M", "%H:%M"]


@dataclass(frozen=True, slots=True)
class Stroke:
    """How one series is drawn: told apart by hue, dashes, weight and mark at once."""

    colour: str
    dashes: Any
    weight: float
    mark: str


STROKES: Final = (
    Stroke(INK, "-", 1.9, "o"),
    Stroke(BLUE, (0, (5, 2)), 1.9, "s"),
    Stroke(VERMILION, (0, (1.2, 1.2)), 2.1, "^"),
    Stroke(GREY, "-", 1.0, "D"),
    Stroke(BLUE, "-", 0.9, "v"),
    Stroke(VERMILION, (0, (7, 2, 1, 2)), 1.1, "P"),
)

# Any: the library lists hundreds of literal keys as the type of this mapping.
_SETTINGS: Final[Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "roadworn",
    "text.parse_math": False,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.5,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.8,
    "axes.labelcolor": INK,
    "axes.labelsize": 9.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "axes.axisbelow": True,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 9,
    "ytick.labelsize": 9,
    "grid.color": "#d9d9d9",
    "grid.linewidth": 0.7,
    "legend.frameon": False,
    "legend.fontsize": 9,
    "figure.facecolor": "white",
    "hatch.linewidth": 0.6,
}


@contextmanager
def paper(height: float) -> Iterator["Figure"]:
    """Give a figure of the common width to draw on, with our settings in force.

    Turning it into SVG belongs inside as well, since the settings count then too.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context(_SETTINGS), warnings.catch_warnings():
        # A letter that the measuring font lacks is drawn by the reader's own font.
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*")
        # Long labels may leave little room; the drawing is still made.
        warnings.filterwarnings("ignore", message=".*constrained_layout.*")
        figure = Figure(figsize=(WIDTH, height), layout="constrained")
        yield figure


def label(text: str, longest: int = _LABEL) -> str:
    """Return a text short enough for a picture, with what cannot be seen written out."""
    text = escape(" ".join(text.split()))
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def wrapped(text: str, width: int, lines: int = 2) -> str:
    """Return a text as lines for a picture, cut only when it does not fit into them."""
    pieces = textwrap.wrap(label(text, width * lines), width)
    if len(pieces) > lines:
        pieces = [*pieces[: lines - 1], label(" ".join(pieces[lines - 1 :]), width)]
    return "\n".join(pieces)


def along_days(axes: "Axes", most: int = 8) -> None:
    """Write days along x: by year, month or day, as the span needs."""
    from matplotlib import dates

    locate: Any = dates.AutoDateLocator
    form: Any = dates.ConciseDateFormatter
    locator = locate(minticks=2, maxticks=most)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(
        form(locator, formats=_DAYS, zero_formats=_DAYS, show_offset=False)
    )


def ticks(
    axes: "Axes", words: Words, *, x: str = "number", y: str = "number", most: int = 6
) -> None:
    """Write the ticks of both axes in the manner of the report.

    Args:
        axes: to write on.
        words: of the report.
        x: ``number``, ``share`` for percentages, or ``none`` to leave the axis alone.
        y: the same.
        most: so many intervals along x at the most.
    """
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    def written(share: bool) -> FuncFormatter:
        def form(value: float, _place: int | None = None) -> str:
            text = f"{value:.0%}" if share else f"{value:,.6g}"
            return words.number(text)

        return FuncFormatter(form)

    for axis, kind, number in ((axes.xaxis, x, most), (axes.yaxis, y, 6)):
        if kind == "none":
            continue
        axis.set_major_locator(MaxNLocator(number, steps=[1, 2, 2.5, 5, 10]))
        axis.set_major_formatter(written(kind == "share"))


_MOST_PANELS = 6
_MOST_TOGETHER = 6
#: What belongs to a series is told apart from it; then what stands in every panel.
_FOLLOWING = (STROKES[1], STROKES[2], STROKES[5])
_COMMON = (STROKES[2], STROKES[3])


@dataclass(frozen=True, slots=True)
class Drawn:
    """A series with its ink."""

    series: Series
    stroke: Stroke

    @property
    def band(self) -> bool:
        """Whether it has limits."""
        return bool(self.series.low and self.series.high)


def panels_of(series: Sequence[Series]) -> list[list[Drawn]]:
    """Divide the series: all in one panel, or one panel for each that would hide the others.

    Args:
        series: with something to draw in each.
    """
    names = {one.name for one in series if not one.of}
    # What belongs to a series that is not there stands for itself.
    leaders = [one for one in series if one.of not in names]
    followed = {one.of for one in series} & names
    crowded = [one for one in leaders if _crowds(one) or one.name in followed]
    together = any(one.shape == "bars" for one in series)
    if together or len(crowded) <= (1 if followed else 2):
        return [_together(series[:_MOST_TOGETHER], leaders)]
    panels = []
    common = [one for one in leaders if one not in crowded]
    for leader in crowded[:_MOST_PANELS]:
        panel = [Drawn(leader, STROKES[0])]
        mine = (one for one in series if one.of == leader.name)
        panel += [Drawn(one, ink) for one, ink in zip(mine, _FOLLOWING, strict=False)]
        panel += [Drawn(one, ink) for one, ink in zip(common, _COMMON, strict=False)]
        panels.append(panel)
    return panels


def _crowds(one: Series) -> bool:
    return bool(one.low and one.high) or one.shape == "points"


def _together(series: Sequence[Series], leaders: Sequence[Series]) -> list[Drawn]:
    """Return all in one panel, what belongs to a series in the same ink as in small panels."""
    if len(leaders) == len(series):
        return [Drawn(one, ink) for one, ink in zip(series, STROKES, strict=False)]
    inks = {True: iter(STROKES), False: iter((*_FOLLOWING, STROKES[4]))}
    return [Drawn(one, next(inks[one in leaders], STROKES[4])) for one in series]
