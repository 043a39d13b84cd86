"""Chances from a part's own measured wear, in the place of those from the lives of others."""

import numpy as np

from roadworn.catalogue import axle_of
from roadworn.view import LedgerView
from roadworn_plugins.grouped import Floats, Unit
from roadworn_plugins.parts_ahead import PartsAhead
from roadworn_plugins.wear import Wear, measured_wear


def measured_chances(
    view: LedgerView, parts: PartsAhead, months: float, distance: float | None, unit: Unit
) -> dict[int, Floats]:
    """Return part -> chance that its wear reaches the limit at each distance ahead.

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
    found = {}
    for i in range(parts.size):
        if parts.clock[i] != "distance":
            continue
        for wear in lines.get((parts.vehicle[i], parts.component[i]), ()):
            if _same_place(wear.position, parts.position[i]):
                far = ahead[:, i] * 1000.0
                found[i] = np.array([wear.chance_within(float(km)) for km in far])
    return found


def _same_place(measured: str, fitted: str) -> bool:
    return measured == fitted or axle_of(measured) == fitted
