"""What a vehicle would fetch now, and what it loses from year to year."""

from dataclasses import dataclass
from datetime import date

import numpy as np

from roadworn.view import LedgerView
from roadworn_plugins.grouped import Floats

#: Loss of value a year where nothing is on record: common practice, no source.
USUAL_LOSS = 0.15
_LEAST_VALUES = 3
_LEAST_DAYS = 300
_LOSSES = (0.0, 0.6)


@dataclass(frozen=True, slots=True)
class Worth:
    """A value today and its yearly loss as a share, with where both come from.

    `now` is None where nobody stated a value and none is on record.
    """

    now: float | None
    yearly_loss: float
    currency: str
    words: str
    events: tuple[str, ...]

    def after(self, months: float) -> float:
        """Return the value after so many months; 0 where the value now is not known."""
        left: float = (1.0 - self.yearly_loss) ** (months / 12.0)
        return (self.now or 0.0) * left


def worth_of(
    view: LedgerView, vehicle: str, stated: float | None, currency: str, km_per_month: float
) -> Worth:
    """Return what a vehicle is worth today.

    Args:
        view: the ledger as of a day.
        vehicle: an enrolled vehicle.
        stated: its value as the user states it, or None.
        currency: only valuations in this currency count, or in any when empty.
        km_per_month: its pace, which turns loss by distance into loss by time.
    """
    rows = view.sql(
        """SELECT occurred_on, CAST(value AS DOUBLE), currency, event_id FROM valuations
           WHERE vehicle_id = ? AND value >= 0 ORDER BY occurred_at, seq""",
        (vehicle,),
    ).rows
    others = sorted({str(row[2]) for row in rows if currency and row[2] != currency})
    left_out = sum(1 for row in rows if str(row[2]) in others)
    rows = [row for row in rows if str(row[2]) not in others]
    other = (
        f"; {left_out} valuation{'' if left_out == 1 else 's'} in {', '.join(others)} left out, "
        "amounts are never converted"
        if others
        else ""
    )
    money = currency or (str(rows[-1][2]) if rows else "")
    loss, loss_words = _loss(view, vehicle, rows, money, km_per_month)
    events = tuple(str(row[3]) for row in rows)
    if stated is not None:
        return Worth(stated, loss, money, f"value as stated; {loss_words}{other}", events)
    if not rows:
        return Worth(None, loss, money, f"no value stated or on record; {loss_words}{other}", ())
    day, value = rows[-1][0], float(rows[-1][1])
    years = max((view.today - day).days, 0) / 365.25
    now = value * (1.0 - loss) ** years
    words = f"valued at {value:,.0f} on {day}; {loss_words}{other}"
    return Worth(now, loss, money, words, events)


def usual_repairs(view: LedgerView, vehicle: str, currency: str) -> float:
    """Return what vehicles of the same class have cost in failed parts a year, on the mean.

    Over the last two years and the vehicles seen in them; 0 where nothing is on record.
    """
    rows = view.sql(
        """WITH here AS (
             SELECT vehicle_id,
                    date_diff('day', greatest(enrolled_on, CAST(? AS DATE) - 731),
                              coalesce(retired_on, last_seen_on)) AS days
             FROM vehicles
             WHERE vehicle_class = (SELECT vehicle_class FROM vehicles WHERE vehicle_id = ?))
           SELECT sum(greatest(h.days, 0)) / 365.25,
                  (SELECT CAST(sum(r.total_cost) AS DOUBLE) FROM replacements AS r
                   WHERE r.vehicle_id IN (SELECT vehicle_id FROM here)
                     AND r.reason IN ('failed', 'worn_out') AND r.currency = ?
                     AND r.occurred_on > CAST(? AS DATE) - 731)
           FROM here AS h""",
        (view.today.isoformat(), vehicle, currency, view.today.isoformat()),
    ).rows
    years, spent = rows[0]
    return float(spent) / float(years) if years and spent else 0.0


def _loss(
    view: LedgerView,
    vehicle: str,
    rows: list[tuple[date, float, str, str]],
    currency: str,
    km_per_month: float,
) -> tuple[float, str]:
    """Return the yearly loss of value and where it is from."""
    own = [(row[0], row[1]) for row in rows if row[1] > 0]
    if len(own) >= _LEAST_VALUES and (own[-1][0] - own[0][0]).days >= _LEAST_DAYS:
        years = np.array([(day - own[0][0]).days / 365.25 for day, _value in own])
        loss = _as_loss(np.polyfit(years, np.log([value for _day, value in own]), 1)[0])
        return loss, f"loses {loss:.0%} a year by its own {len(own)} valuations"
    points = view.sql(
        """SELECT w.true_km, CAST(w.value AS DOUBLE) FROM valuations AS w
           JOIN vehicles AS v USING (vehicle_id)
           WHERE w.value > 0 AND w.true_km IS NOT NULL AND w.currency = ?
             AND v.vehicle_class = (SELECT vehicle_class FROM vehicles WHERE vehicle_id = ?)
           ORDER BY w.seq""",
        (currency, vehicle),
    ).rows
    if len(points) >= 2 * _LEAST_VALUES:
        km: Floats = np.array([row[0] for row in points], dtype=np.float64)
        if np.ptp(km) > 0:
            slope = np.polyfit(km, np.log([row[1] for row in points]), 1)[0]
            loss = _as_loss(slope * km_per_month * 12.0)
            return loss, f"loses {loss:.0%} a year by {len(points)} valuations of its class"
    return USUAL_LOSS, f"loses {USUAL_LOSS:.0%} a year (common practice, no source)"


def _as_loss(slope: float) -> float:
    """Turn a slope of log value a year into a yearly loss within reason."""
    return float(np.clip(-np.expm1(slope), *_LOSSES))
