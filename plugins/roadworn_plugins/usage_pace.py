"""How far each vehicle goes in a month, how uncertain that is, and when it was last seen."""

from dataclasses import dataclass

import numpy as np

from roadworn.view import LedgerView
from roadworn_plugins.grouped import Floats
from roadworn_plugins.projection.usage import DistanceAhead, distance_ahead

DAYS_PER_MONTH = 365.25 / 12.0
# A vehicle not seen for longer than this is not assumed to have gone on at its old pace.
_LONGEST_GAP_DAYS = 180.0
# Used only where no vehicle of the ledger has a pace: common practice, no source.
_USUAL_KM, _USUAL_SPREAD = 1600.0, 0.5
_WIDEST = 2.5


@dataclass(frozen=True, eq=False)
class Paces:
    """The pace of every vehicle that is still here.

    Attributes:
        index: vehicle id -> place in the arrays.
        per_month: km a month.
        sd_month: spread of a single month around it, km.
        days_since: days since it was last seen, at most 180.
        assumed: whether the pace is the fleet's for want of readings.
    """

    index: dict[str, int]
    per_month: Floats
    sd_month: Floats
    days_since: Floats
    assumed: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

    def ahead(self, months: float, km: float | None = None) -> DistanceAhead:
        """Return the distance ahead in km: of `months` with its spread, or exactly `km`."""
        if km is not None:
            return DistanceAhead(np.full((1, self.per_month.size), km), np.ones(1))
        widest = _WIDEST * self.per_month * months
        # An assumed pace is uncertain as a whole, not only from month to month.
        lasting = np.where(self.assumed, np.minimum(self.sd_month, _WIDEST * self.per_month), 0.0)
        monthly = np.minimum(self.sd_month, widest / np.sqrt(max(months, 1e-9)) / 2.0)
        return distance_ahead(
            self.per_month, float(months), sd_pace=lasting / 2.0, sd_month=monthly
        )


def load_paces(view: LedgerView) -> Paces:
    """Read the pace of every vehicle that has not left."""
    rows = view.sql(
        """SELECT v.vehicle_id, u.km_per_month, u.sd_km_per_month,
                  date_diff('day', v.last_seen_on, CAST(? AS DATE))
           FROM vehicles AS v LEFT JOIN usage_rates AS u USING (vehicle_id)
           WHERE v.retired_on IS NULL ORDER BY v.vehicle_id""",
        (view.today.isoformat(),),
    ).rows
    pace = np.array([row[1] or 0.0 for row in rows], dtype=np.float64)
    spread = np.array([np.nan if row[2] is None else row[2] for row in rows], dtype=np.float64)
    seen = pace > 0
    usual = float(np.median(pace[seen])) if seen.any() else _USUAL_KM
    among = float(np.std(pace[seen])) if seen.sum() > 2 else usual * _USUAL_SPREAD
    typical = float(np.nanmedian(spread)) if np.isfinite(spread).any() else usual * 0.25
    return Paces(
        index={row[0]: i for i, row in enumerate(rows)},
        per_month=np.where(seen, pace, usual),
        sd_month=np.where(seen, np.where(np.isnan(spread), typical, spread), among),
        days_since=np.clip([float(row[3] or 0) for row in rows], 0.0, _LONGEST_GAP_DAYS),
        assumed=~seen,
    )
