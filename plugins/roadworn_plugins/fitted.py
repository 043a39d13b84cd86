"""The parts that are fitted today, how far they have gone, and how far they will go."""

from dataclasses import dataclass

import numpy as np
from roadworn.view import LedgerView
from scipy.special import ndtri

from roadworn_plugins.grouped import KM_PER_MILE, Floats, Unit

_NODES = 9
_DAYS_PER_MONTH = 365.25 / 12.0
# A vehicle not seen for longer than this is not assumed to have gone on at its old pace.
_LONGEST_GAP_DAYS = 180.0


@dataclass(frozen=True, eq=False)
class FittedParts:
    """Parts still fitted on vehicles still here; one entry a part.

    Attributes:
        vehicle, vehicle_class, component, position, started_by: texts.
        age: distance on the part today, in thousand km, carried on from the last reading.
        km_per_month: the vehicle's usage and its spread from month to month.
        assumed_usage: vehicles whose usage is the fleet's, for want of readings.
    """

    vehicle: list[str]
    vehicle_class: list[str]
    component: list[str]
    position: list[str]
    started_by: list[str]
    age: Floats
    km_per_month: Floats
    sd_km_per_month: Floats
    assumed_usage: int

    def ahead(self, months: float, distance: float | None, unit: Unit) -> Floats:
        """Return equally weighted distances ahead in thousand km, shape (nodes, parts).

        With a distance given there is no spread. Otherwise the distance in `months` is taken
        as lognormal: never negative, with the mean and spread of the vehicle's own readings.
        """
        if distance is not None:
            km = distance * (KM_PER_MILE if unit == "mi" else 1.0)
            return np.full((1, self.age.size), km / 1000.0)
        mean = np.maximum(self.km_per_month * months, 1e-6)
        relative = self.sd_km_per_month * np.sqrt(months) / mean
        sigma = np.sqrt(np.log1p(np.minimum(relative, 2.0) ** 2))
        z = ndtri((np.arange(_NODES) + 0.5) / _NODES)[:, None]
        nodes = np.exp(sigma * z)
        # The nodes cut the tails off; dividing by their mean keeps the mean distance.
        return np.asarray(mean * nodes / nodes.mean(axis=0) / 1000.0)


def load_fitted(view: LedgerView, vehicle: str | None = None) -> FittedParts:
    """Read the fitted parts of known age, of one vehicle or of all that are still here."""
    condition = " AND l.vehicle_id = ?" if vehicle else ""
    rows = view.sql(
        f"""SELECT l.vehicle_id, l.vehicle_class, l.component, coalesce(l.position, ''),
                   coalesce(l.started_by, ''), l.lower_km, u.km_per_month, u.sd_km_per_month,
                   date_diff('day', v.last_seen_on, CAST(? AS DATE))
            FROM part_lives AS l
            JOIN vehicles AS v USING (vehicle_id)
            LEFT JOIN usage_rates AS u USING (vehicle_id)
            WHERE l.running AND v.retired_on IS NULL{condition}
            ORDER BY l.vehicle_id, l.component, l.position, l.started_by""",
        (view.today.isoformat(), *((vehicle,) if vehicle else ())),
    ).rows
    usual = view.sql(
        """SELECT quantile_cont(km_per_month, 0.5), quantile_cont(sd_km_per_month, 0.5)
           FROM usage_rates WHERE km_per_month > 0"""
    ).rows
    median, spread = usual[0] if usual and usual[0][0] is not None else (1500.0, 400.0)
    pace = np.array([row[6] or median for row in rows], dtype=np.float64)
    sd = np.array(
        [row[7] if row[7] is not None else spread or 0.0 for row in rows], dtype=np.float64
    )
    gap = np.clip([float(row[8] or 0) for row in rows], 0.0, _LONGEST_GAP_DAYS)
    last = np.array([row[5] for row in rows], dtype=np.float64)
    return FittedParts(
        vehicle=[row[0] for row in rows],
        vehicle_class=[row[1] for row in rows],
        component=[row[2] for row in rows],
        position=[row[3] for row in rows],
        started_by=[row[4] for row in rows],
        age=(last + pace * gap / _DAYS_PER_MONTH) / 1000.0,
        km_per_month=pace,
        sd_km_per_month=sd,
        assumed_usage=len({row[0] for row in rows if not row[6]}),
    )
