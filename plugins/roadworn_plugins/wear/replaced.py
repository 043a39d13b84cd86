"""At which figure parts are really replaced here: seldom at the legal limit, mostly before it.

The limit of a rule set says what still passes; a shop that finds a lining at twice that figure
replaces it rather than see the customer again in a month. A projection to the legal limit would
come too late, so the figures at which this ledger's own parts were replaced stand beside it.
"""

from itertools import groupby

import numpy as np

from roadworn.checks.measured import RISE_MM
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import place_of
from roadworn_plugins.shared.grouped import Floats

#: Fewer replaced parts than this do not tell a habit.
LEAST_REPLACED = 8
_LATEST = 60


def replaced_at(view: LedgerView) -> dict[str, Floats]:
    """Return component -> figures in mm at which its parts were replaced as failed or worn out.

    The figure is that of the line through a part's own measurements, at the distance of its
    replacement; parts measured once, or found bigger than before, tell none.

    Args:
        view: the ledger as of a day.
    """
    rows = view.sql(
        """SELECT vehicle_id, component, coalesce(position, ''), true_km, value_mm, FALSE, seq
           FROM measurements WHERE value_mm IS NOT NULL AND true_km IS NOT NULL
           UNION ALL
           SELECT vehicle_id, component, coalesce(position, ''), true_km,
                  CASE WHEN reason IN ('failed', 'worn_out') AND along_with IS NULL
                       THEN 1.0 ELSE 0.0 END, TRUE, seq
           FROM replacements
           WHERE true_km IS NOT NULL AND component IN (SELECT DISTINCT component FROM measurements)
           ORDER BY 1, 2, 4, 6, 7"""
    ).rows
    placed = sorted(
        ((r[0], r[1], place_of(r[1], r[2]), *r[3:]) for r in rows), key=lambda r: (*r[:3], r[3])
    )
    found: dict[str, list[tuple[float, float]]] = {}
    for (_vehicle, component, _place), series in groupby(placed, key=lambda r: r[:3]):
        points: list[tuple[float, float]] = []
        for *_key, km, figure, replaced, _seq in series:
            if not replaced:
                points.append((float(km), float(figure)))
                continue
            end = _figure(points, float(km)) if figure else None
            if end is not None:
                found.setdefault(component, []).append((float(km), end))
            points = []
    return {
        component: np.array([end for _km, end in ends[-_LATEST:]])
        for component, ends in found.items()
        if len(ends) >= LEAST_REPLACED
    }


def _figure(points: list[tuple[float, float]], km: float) -> float | None:
    """Return the line through the least figure at each distance, carried to `km`."""
    least: dict[float, float] = {}
    for at, figure in points:
        least[at] = min(figure, least.get(at, np.inf))
    x, y = np.array(list(least)), np.array(list(least.values()))
    if x.size < 2 or np.any(np.diff(y) > RISE_MM):
        return None
    slope = float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))
    return max(float(y.mean() + min(slope, 0.0) * (km - x.mean())), 0.0)
