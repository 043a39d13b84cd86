"""Which series of a chart share a panel, and how each is drawn there.

Few marks: bands and clouds of points on top of each other cannot be read, so more than two of
them get a small panel each, on the same axes. A series called `tire LF, fitted` belongs to the
series `tire LF` and goes where that goes; what belongs to none, a limit for instance, stands
in every panel.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from roadworn.analysis import Series
from roadworn_cli.report.canvas import STROKES, Stroke

MOST_PANELS = 6
_MOST_TOGETHER = 6
#: Followers are told apart from their leader and from what stands in every panel.
_FOLLOWERS = (STROKES[1], STROKES[5], STROKES[4])
_COMMON = (STROKES[2], STROKES[3])


@dataclass(frozen=True, slots=True)
class Drawn:
    """A series with its ink, and its name in a panel that already bears its leader's."""

    series: Series
    stroke: Stroke
    short: str

    @property
    def band(self) -> bool:
        """Whether it has limits."""
        return bool(self.series.low and self.series.high)


def panels_of(series: Sequence[Series]) -> list[list[Drawn]]:
    """Divide the series: all in one panel, or one panel for each that would hide the others.

    Args:
        series: with something to draw in each.
    """
    names = [one.name for one in series]
    leaders = {one.name: _leader(one.name, names) for one in series}
    crowded = [one for one in series if not leaders[one.name] and _crowds(one)]
    followed = {leaders[one.name] for one in series} - {""}
    if any(one.shape == "bars" for one in series) or (
        len(crowded) <= (1 if len(followed) > 1 else 2)
    ):
        return [_together(series[:_MOST_TOGETHER], leaders)]
    panels = {one.name: [Drawn(one, STROKES[0], one.name)] for one in crowded[:MOST_PANELS]}
    common = 0
    for one in series:
        leader = leaders[one.name]
        if leader in panels:
            number = min(len(panels[leader]), len(_FOLLOWERS)) - 1
            short = one.name[len(leader) + 2 :]
            panels[leader].append(Drawn(one, _FOLLOWERS[number], short))
        elif not leader and not _crowds(one):
            ink = _COMMON[min(common, len(_COMMON) - 1)]
            common += 1
            for panel in panels.values():
                panel.append(Drawn(one, ink, one.name))
    return list(panels.values())


def _leader(name: str, names: Sequence[str]) -> str:
    """Return the longest name that this one continues, empty when it stands for itself."""
    return max((other for other in names if name.startswith(f"{other}, ")), key=len, default="")


def _crowds(one: Series) -> bool:
    return bool(one.low and one.high) or one.shape == "points"


def _together(series: Sequence[Series], leaders: dict[str, str]) -> list[Drawn]:
    """Return all in one panel; with a single leader its followers keep the ink of panels."""
    single = len({leaders[one.name] for one in series} - {""}) == 1
    if not single:
        return [Drawn(one, ink, one.name) for one, ink in zip(series, STROKES, strict=False)]
    drawn: list[Drawn] = []
    inks = {True: iter(_FOLLOWERS), False: iter((STROKES[0], *_COMMON, STROKES[4], STROKES[5]))}
    for one in series:
        ink = next(inks[bool(leaders[one.name])], STROKES[4])
        drawn.append(Drawn(one, ink, one.name))
    return drawn
