"""Chances from a part's own measured wear, in the place of those from the lives of others.

A part is replaced when its line reaches the limit, or the figure at which the ledger shows such
parts to be replaced, where that comes first.
"""

from dataclasses import dataclass

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn.model.places import axle_of
from roadworn.model.units import exact
from roadworn_plugins.shared.grouped import Floats, Unit
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.wear.measured import Wear, measured_wear
from roadworn_plugins.wear.replaced import replaced_at


@dataclass(frozen=True, eq=False)
class MeasuredParts:
    """The wear lines of those fitted parts that were measured often enough.

    Attributes:
        parts: what is fitted.
        lines: part -> its wear.
        habits: component -> figures in mm at which such parts were replaced here.
    """

    parts: PartsAhead
    lines: dict[int, Wear]
    habits: dict[str, Floats]

    @classmethod
    def load(cls, view: LedgerView, parts: PartsAhead) -> "MeasuredParts":
        """Read the wear of the fitted parts."""
        if not parts.size:
            return cls(parts, {}, {})
        vehicles = set(parts.vehicle)
        only = parts.vehicle[0] if len(vehicles) == 1 else None
        by_component: dict[tuple[str, str], list[Wear]] = {}
        for wear in measured_wear(view, only):
            by_component.setdefault((wear.vehicle, wear.component), []).append(wear)
        lines = {}
        for i in range(parts.size):
            for wear in by_component.get((parts.vehicle[i], parts.component[i]), ()):
                if parts.clock[i] == "distance" and _same_place(wear.position, parts.position[i]):
                    lines[i] = wear
        return cls(parts, lines, replaced_at(view) if lines else {})

    def chances(
        self, months: float, distance: float | None = None, unit: Unit = "km"
    ) -> dict[int, Floats]:
        """Return part -> chance that its wear has it replaced within each distance ahead.

        Args:
            months: how far ahead.
            distance: how far ahead by distance instead.
            unit: of `distance`.
        """
        if not self.lines:
            return {}
        ahead, _weight = self.parts.ahead(months, distance, unit)
        return {
            i: np.array(
                [
                    chance_replaced(wear, float(km) * 1000.0, self.habits.get(wear.component))
                    for km in ahead[:, i]
                ]
            )
            for i, wear in self.lines.items()
        }


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
