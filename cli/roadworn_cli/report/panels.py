"""Which lines of a chart stand together, and which apart."""

from collections.abc import Sequence
from dataclasses import dataclass

from roadworn.analysis import Series
from roadworn_cli.report.canvas import STROKES, Stroke

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
