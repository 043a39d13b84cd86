"""Measured wear as pictures: what was measured, the line through it, and where it meets a limit.

One chart a component, one panel a place: the measurements, the limit, the fitted line with the
band in which a further measurement would lie, and the stretch in which it meets the limit.
"""

from collections.abc import Sequence

import numpy as np

from roadworn.analysis.result import Chart, Series
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Sentence
from roadworn.model.units import exact
from roadworn_plugins.shared.grouped import Unit, shown_distance
from roadworn_plugins.wear.measured import Wear

_MOST_PLACES = 6
_POINTS = 25
#: A line is drawn so many times as far beyond the latest reading as it was measured for: what
#: lies farther off is told in words, and would press the measurements into a corner.
_BEYOND = 2.0


def charts(found: Sequence[Wear], unit: Unit) -> tuple[Chart, ...]:
    """Return a chart for each component of one vehicle, the nearest to its limit first.

    Args:
        found: wear of one vehicle's parts, the nearest to its limit first.
        unit: of distances.
    """
    by_component: dict[str, list[Wear]] = {}
    for wear in found:
        by_component.setdefault(wear.component, []).append(wear)
    return tuple(_chart(parts, unit) for parts in by_component.values())


def said_to_limit(wear: Wear, unit: Unit) -> Sentence:
    """Say how far it is to the limit, with its range."""
    if wear.expected <= wear.limit:
        return _said("at-its-limit", "at its limit by its own line")
    if not np.isfinite(wear.middle_km):
        return _said("no-wear", "no wear that its measurements could tell")
    low, middle, high = (
        round(float(shown_distance(km / 1000.0, unit)), -2) if np.isfinite(km) else None
        for km in (wear.low_km, wear.middle_km, wear.high_km)
    )
    if high is None:
        return _said(
            "left-no-sure-end",
            "about {middle:,.0f} {unit} left to the limit ({low:,.0f} or more, no end that is "
            "sure)",
            middle=middle,
            unit=unit,
            low=low,
        )
    return _said(
        "left",
        "about {middle:,.0f} {unit} left to the limit ({low:,.0f} to {high:,.0f})",
        middle=middle,
        unit=unit,
        low=low,
        high=high,
    )


def place_name(wear: Wear) -> str:
    """Return where it sits, or what it is where it has only one place."""
    return wear.position or part_name(wear.component)


def _said(code: str, template: str, **arguments: object) -> Sentence:
    return Sentence(f"measured-wear.{code}", template, **arguments)


def _chart(parts: list[Wear], unit: Unit) -> Chart:
    nearest = parts[0]
    # All panels of a chart share their axes, so they share a unit.
    length = nearest.unit
    series: list[Series] = []
    for wear in sorted(parts[:_MOST_PLACES], key=lambda one: one.position):
        series += _place(wear, unit, length)
    return Chart(
        name=f"wear-{nearest.component}",
        title=_of(part_name(nearest.component, nearest.position), nearest, unit),
        x_title=_said("distance", "distance ({unit})", unit=unit),
        y_title=_said("item-unit", "{item} ({unit})", item=nearest.item, unit=length),
        series=tuple(series),
        alternative=Joined((_of(place_name(one), one, unit) for one in parts), by="; "),
    )


def _of(name: str, wear: Wear, unit: Unit) -> Joined:
    return Joined((name, said_to_limit(wear, unit)), by=": ")


def _place(wear: Wear, unit: Unit, length: str) -> list[Series]:
    """Return measurements, line with its band, limit and crossing of one place."""
    name = place_name(wear)
    scale = float(exact(1, length, "mm"))
    limit = wear.limit_mm / scale
    first = wear.points[0][0]
    crossing = [wear.at_km + km for km in (wear.low_km, wear.middle_km, wear.high_km)]
    farthest = wear.at_km + _BEYOND * max(wear.at_km - first, 1.0)
    met = [km for km in crossing if km <= farthest]
    end = max([wear.at_km, *met]) if len(met) == len(crossing) else farthest
    along = np.linspace(first, end, _POINTS)
    bands = [wear.line.limits(float(km), wear.level) for km in along]
    found = [
        Series(
            name,
            tuple(_shown(km, unit) for km, _mm in wear.points),
            tuple(mm / scale for _km, mm in wear.points),
            "points",
        ),
        Series(
            "fitted",
            tuple(_shown(float(km), unit) for km in along),
            tuple(max(wear.line.at(float(km)), 0.0) / scale for km in along),
            # Nothing can be thinner than gone.
            low=tuple(max(low, 0.0) / scale for low, _high in bands),
            high=tuple(max(high, 0.0) / scale for _low, high in bands),
            of=name,
        ),
        Series("limit", (_shown(first, unit), _shown(end, unit)), (limit, limit), of=name),
    ]
    if len(met) > 1:
        at = tuple(_shown(km, unit) for km in met)
        found.append(Series("meets the limit", at, (limit,) * len(at), of=name))
    return found


def _shown(km: float, unit: Unit) -> float:
    return float(shown_distance(km / 1000.0, unit))
