"""Measured wear as pictures: what was measured, the line through it, and where it meets a limit.

One chart a component, one panel a place: the measurements, the limit, the fitted line with the
band in which a further measurement would lie, and the stretch in which it meets the limit.
"""

from collections.abc import Sequence

import numpy as np

from roadworn.analysis.result import Chart, Series
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.model.units import exact
from roadworn_plugins.shared.grouped import Unit, shown_distance
from roadworn_plugins.wear.measured import Wear

#: What measured wear says, its table and its pictures.
say = Says(
    "measured-wear",
    {
        "at-its-limit": "at its limit by its own line",
        "no-wear": "no wear that its measurements could tell",
        "left": "about {middle:,.0f} {unit} left to the limit ({low:,.0f} to {high:,.0f})",
        "left-no-sure-end": (
            "about {middle:,.0f} {unit} left to the limit ({low:,.0f} or more, no end that is sure)"
        ),
        "distance": "distance ({unit})",
        "item-unit": "{item} ({unit})",
        "rose": "a figure higher than before: a new part not recorded, or another wheel?",
        "no-reading": "measured without an odometer reading: give --odometer with the look-over",
        "these": "{parts} ({reason})",
        "these-and-more": "{parts} and {more} more ({reason})",
        "left-out": "Measured, but left out: {parts}.",
        "limit": (
            "A limit says what still passes; the maker's figure and a qualified technician come "
            "first."
        ),
        "line": "Uneven wear, damage and age are not in a line through thickness or depth.",
        "none": "No fitted part was measured at two distances, so no wear is known.",
        "none-of-vehicle": (
            "No fitted part of {vehicle} was measured at two distances, so no wear is known."
        ),
        "write-down": "Write down tread depth and lining thickness at each look-over.",
        "nearest": "Nearest to its limit: {part}, {left}.",
        "nearest-in-months": (
            "Nearest to its limit: {part}, {left}, about {months:,.0f} months at its usual "
            "distance."
        ),
        "two": "{two} of {lines} lines rest on two measurements.",
        "risen": (
            "At {risen} of {lines} places a figure rose without a part on record; what was "
            "measured before is left out."
        ),
        "not-shown": "{parts} parts farther from their limit are not shown; raise most.",
    },
)
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
        return say("at-its-limit")
    if not np.isfinite(wear.middle_km):
        return say("no-wear")
    low, middle, high = (
        round(float(shown_distance(km / 1000.0, unit)), -2) if np.isfinite(km) else None
        for km in (wear.low_km, wear.middle_km, wear.high_km)
    )
    word = "left" if high is not None else "left-no-sure-end"
    return say(word, middle=middle, unit=unit, low=low, high=high)


def place_name(wear: Wear) -> str:
    """Return where it sits, or what it is where it has only one place."""
    return wear.position or part_name(wear.component)


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
        x_title=say("distance", unit=unit),
        y_title=say("item-unit", item=nearest.item, unit=length),
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
