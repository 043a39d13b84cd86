"""Chances from a part's own measured wear, in the place of those from the lives of others.

A part is replaced when its line reaches the limit, or the figure at which the ledger shows such
parts to be replaced, where that comes first.
"""

import numpy as np

from roadworn.catalogue import axle_of
from roadworn.units import exact
from roadworn.view import LedgerView
from roadworn_plugins.grouped import Floats, Unit
from roadworn_plugins.parts_ahead import PartsAhead
from roadworn_plugins.wear import Wear, measured_wear
from roadworn_plugins.wear_replaced import replaced_at


def measured_chances(
    view: LedgerView, parts: PartsAhead, months: float, distance: float | None, unit: Unit
) -> dict[int, Floats]:
    """Return part -> chance that its wear has it replaced within each distance ahead.

    Args:
        view: the ledger as of a day.
        parts: what is fitted.
        months: how far ahead.
        distance: how far ahead by distance instead.
        unit: of `distance`.
    """
    if not parts.size:
        return {}
    vehicles = set(parts.vehicle)
    only = parts.vehicle[0] if len(vehicles) == 1 else None
    lines: dict[tuple[str, str], list[Wear]] = {}
    for wear in measured_wear(view, only):
        lines.setdefault((wear.vehicle, wear.component), []).append(wear)
    ahead, _weight = parts.ahead(months, distance, unit)
    habits = replaced_at(view) if lines else {}
    found = {}
    for i in range(parts.size):
        if parts.clock[i] != "distance":
            continue
        for wear in lines.get((parts.vehicle[i], parts.component[i]), ()):
            if _same_place(wear.position, parts.position[i]):
                far = ahead[:, i] * 1000.0
                habit = habits.get(wear.component)
                found[i] = np.array([chance_replaced(wear, float(km), habit) for km in far])
    return found


def chance_replaced(wear: Wear, km: float, habit: Floats | None) -> float:
    """Return the chance that a part is replaced for its wear within `km`.

    Args:
        wear: its line.
        km: distance ahead.
        habit: figures in mm at which such parts were replaced here, None when too few were.
    """
    if habit is None:
        return wear.chance_within(km)
    limit = float(exact(wear.limit, wear.unit, "mm"))
    figures = np.maximum(habit, limit)
    return float(np.mean([wear.line.chance_not_above(f, wear.at_km + km) for f in figures]))


def _same_place(measured: str, fitted: str) -> bool:
    return measured == fitted or axle_of(measured) == fitted
