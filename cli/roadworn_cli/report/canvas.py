"""What pictures are drawn with: shapes as SVG, scales, and panels side by side."""

import textwrap
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from roadworn_cli.output import escape
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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
