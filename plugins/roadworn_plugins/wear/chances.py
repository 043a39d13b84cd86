"""The figures at which worn parts were replaced here, and the chance to come to them.

The limit of a rule set says what still passes; a shop that finds a lining at twice that figure
replaces it rather than see the customer again in a month. A projection to the legal limit would
come too late, so the figures at which this ledger's own parts were replaced stand beside it.

The next part may be replaced at a lower figure than any before: of n figures and a new one each
is the least with chance 1 / (n + 1), and the share of parts replaced above the kth is Beta(k,
n + 1 - k), whatever the habit (Wilks, Annals of Mathematical Statistics 12 (1941) 91-96, from
memory). So no figure makes a replacement certain, not even one below the legal limit.
"""

from dataclasses import dataclass
from itertools import groupby

import numpy as np

from roadworn.checks.measured import RISE_MM
from roadworn.columns.kept import Codec
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import place_of
from roadworn.model.places import axle_of
from roadworn_plugins.lifedata.special import betaincinv
from roadworn_plugins.shared.grouped import Floats, Ints, Unit
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.wear.measured import Wear, measured_wear

#: Of the limits of a chance by measured wear.
LEVEL = 0.8
#: Fewer replaced parts than this do not tell a habit.
LEAST_REPLACED = 8
_LATEST = 60
_FIGURES = Codec()


def replaced_at(view: LedgerView) -> dict[str, Floats]:
    """Return component -> figures in mm at which its parts were replaced as failed or worn out.

    The figure is that of the line through a part's own measurements, at the distance of its
    replacement; parts measured once, or found bigger than before, tell none.

    Args:
        view: the ledger as of a day.
    """

    def found() -> dict[str, Floats]:
        return view.kept_while("replaced at", None, lambda: _replaced_at(view), _FIGURES)

    return view.kept((replaced_at,), found)


def _replaced_at(view: LedgerView) -> dict[str, Floats]:
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


def chance_replaced(
    wear: Wear, km: Floats | float, habit: Floats | None, slope: float | None = None
) -> Floats:
    """Return the chance that a part is replaced for its wear within each of these distances.

    Where too few were replaced to tell a habit, the limit counts as the fewest figures that would.

    Args:
        wear: its line.
        km: distances ahead.
        habit: figures in mm at which such parts were replaced here, None when too few were.
        slope: of its wear, were it known to be this; averaged over what it may be when None.
    """
    figures = np.array([wear.limit_mm]) if habit is None else np.maximum(habit, wear.limit_mm)
    at = wear.at_km + np.asarray(km, dtype=np.float64)
    if slope is not None:
        share = wear.line.chance_at_slope(figures, at[..., None], slope).mean(axis=-1)
    else:
        share = wear.line.chance_not_above(figures, at[..., None]).mean(axis=-1)
    known = _known(habit)
    return np.asarray(share * known / (known + 1.0))


def _known(habit: Floats | None) -> int:
    return LEAST_REPLACED if habit is None else habit.size


def _limits(chances: Floats, known: int) -> Floats:
    """Return the chances with limits that the habit's few figures leave, too.

    Args:
        chances: by the line, and by its slowest and fastest slope, shape (3, distances).
        known: figures that tell the habit.

    Both errors are independent, so their squares add.
    """
    middle, slow, fast = chances
    k = np.maximum(middle * (known + 1.0), 1e-9)
    tail = (1.0 - LEVEL) / 2.0
    low, high = (betaincinv(k, known + 1.0 - k, q) for q in (tail, 1.0 - tail))
    down = np.hypot(np.maximum(middle - slow, 0.0), np.maximum(middle - low, 0.0))
    up = np.hypot(np.maximum(fast - middle, 0.0), np.maximum(high - middle, 0.0))
    return np.stack([middle, np.maximum(middle - down, 0.0), np.minimum(middle + up, 1.0)])


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
        vehicles = set(parts.vehicle)
        by_component: dict[tuple[str, str], list[Wear]] = {}
        for wear in measured_wear(view, *vehicles) if len(vehicles) == 1 else measured_wear(view):
            by_component.setdefault((wear.vehicle, wear.component), []).append(wear)
        lines = {
            i: wear
            for i, key in enumerate(zip(parts.vehicle, parts.component, strict=True))
            for wear in by_component.get(key, ())
            if parts.clock[i] == "distance"
            and parts.position[i] in (wear.position, axle_of(wear.position))
        }
        return cls(parts, lines, replaced_at(view) if lines else {})

    def take(self, rows: Ints, parts: PartsAhead) -> "MeasuredParts":
        """Return those of these rows, which `parts` are."""
        at = {int(i): n for n, i in enumerate(rows)}
        lines = {at[i]: wear for i, wear in self.lines.items() if i in at}
        return MeasuredParts(parts, lines, self.habits)

    def chances(
        self, months: float, distance: float | None = None, unit: Unit = "km"
    ) -> dict[int, Floats]:
        """Return part -> chance that its wear has it replaced within each distance ahead.

        Shape (3, distances): the chance, and its limits by the spread of its slope and by how
        few figures tell the habit.
        """
        ahead, _weight = self.parts.ahead(months, distance, unit)
        found = {}
        for i, wear in self.lines.items():
            fast, slow = wear.line.slope_limits(LEVEL)
            habit = self.habits.get(wear.component)
            far = ahead[:, i] * 1000.0
            by_slope = [chance_replaced(wear, far, habit, slope) for slope in (None, slow, fast)]
            found[i] = _limits(np.stack(by_slope), _known(habit))
        return found
