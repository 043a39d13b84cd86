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
        sd_pace: uncertainty of the pace itself, km a month.
        days_since: days since it was last seen, at most 180.
        km_since: what it has gone since its last reading at that pace, likewise.
        assumed: whether the pace is the fleet's for want of readings.
    """

    index: dict[str, int]
    per_month: Floats
    sd_month: Floats
    sd_pace: Floats
    days_since: Floats
    km_since: Floats
    assumed: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

    def ahead(self, months: float, km: float | None = None) -> DistanceAhead:
        """Return the distance ahead in km: of `months` with its spread, or exactly `km`."""
        if km is not None:
            return DistanceAhead(np.full((1, self.per_month.size), km), np.ones(1))
        # The spread of the whole stretch is held to what a lognormal can stand for.
        widest = _WIDEST * self.per_month / 2.0
        return distance_ahead(
            self.per_month,
            float(months),
            sd_pace=np.minimum(self.sd_pace, widest),
            sd_month=np.minimum(self.sd_month, widest * np.sqrt(max(months, 1e-9))),
        )


def load_paces(view: LedgerView) -> Paces:
    """Read the pace of every vehicle that has not left."""
    today = view.today.isoformat()
    rows = view.sql(
        """SELECT v.vehicle_id, u.km_per_month, u.sd_km_per_month,
                  date_diff('day', u.from_on, u.to_on),
                  date_diff('day', v.last_seen_on, CAST(? AS DATE)),
                  date_diff('day', coalesce(v.last_reading_on, v.last_seen_on), CAST(? AS DATE))
           FROM vehicles AS v LEFT JOIN usage_rates AS u USING (vehicle_id)
           WHERE v.retired_on IS NULL ORDER BY v.vehicle_id""",
        (today, today),
    ).rows
    pace, spread, watched, seen_days, read_days = (
        np.array([np.nan if row[i] is None else row[i] for row in rows], dtype=np.float64)
        for i in range(1, 6)
    )
    seen = pace > 0.0
    usual = float(np.median(pace[seen])) if seen.any() else _USUAL_KM
    among = float(np.std(pace[seen])) if seen.sum() > 2 else usual * _USUAL_SPREAD
    typical = float(np.nanmedian(spread)) if np.isfinite(spread).any() else usual * 0.25
    monthly = np.where(seen & np.isfinite(spread), spread, typical)
    per_month = np.where(seen, pace, usual)
    months = np.maximum(np.where(seen, watched, 0.0) / DAYS_PER_MONTH, 1.0)
    gap = np.clip(np.nan_to_num(read_days), 0.0, _LONGEST_GAP_DAYS)
    return Paces(
        index={row[0]: i for i, row in enumerate(rows)},
        per_month=per_month,
        sd_month=monthly,
        # The mean of so many months; an assumed pace may be any of the fleet's.
        sd_pace=np.where(seen, monthly / np.sqrt(months), among),
        days_since=np.clip(np.nan_to_num(seen_days), 0.0, _LONGEST_GAP_DAYS),
        km_since=per_month * gap / DAYS_PER_MONTH,
        assumed=~seen,
    )
