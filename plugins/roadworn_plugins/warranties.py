"""Parts that failed while their own warranty ran, by date or distance, whichever ends first.

The rule for the last day and the last mile is in `roadworn.trade.warranty`; here the record is
put to it. A part whose odometer reading or fitting is not on record is kept apart, with why.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from roadworn.trade.warranty import Warranty, WarrantyStatus
from roadworn.view import LedgerView

Unit = Literal["mi", "km"]


@dataclass(frozen=True, slots=True)
class Covered:
    """A failed part that was fitted with a warranty.

    Attributes:
        vehicle, component, position: where it sat.
        supplier, part_number: of the part that failed.
        fitted_by, failed_by: event ids of its fitting and of its end or finding.
        fitted_on, failed_on: the days.
        months, distance_km: its terms; None without such a limit.
        used_km: distance it lasted.
        estimated: whether that distance rests on an interpolated reading.
        reason: why it was replaced; None when it was found failed and is still fitted.
        parts_cost, currency: what the failed part had cost.
        again_cost, again_currency: what replacing it cost, parts and labour; None while open.
        status: what the terms say.
    """

    vehicle: str
    component: str
    position: str
    supplier: str
    part_number: str
    fitted_by: str
    failed_by: str
    fitted_on: date
    failed_on: date
    months: int | None
    distance_km: float | None
    used_km: float | None
    estimated: bool
    reason: str | None
    parts_cost: float | None
    currency: str
    again_cost: float | None
    again_currency: str
    status: WarrantyStatus


def failed_with_warranty(view: LedgerView) -> list[Covered]:
    """Return the failed parts that were fitted with a warranty, in or out of it."""
    rows = view.sql(
        """SELECT l.vehicle_id, l.component, coalesce(l.position, ''), coalesce(l.supplier, ''),
                  coalesce(l.part_number, ''), l.started_by, l.ended_by, l.started_on, l.ended_on,
                  l.warranty_months, l.warranty_km, l.upper_km, l.km_estimated, l.upper_days,
                  l.reason, CAST(r.parts_cost AS DOUBLE), r.currency,
                  CAST(a.total_cost AS DOUBLE), a.currency
           FROM part_lives AS l
           LEFT JOIN replacements AS r
             ON r.event_id = l.started_by AND r.component = l.component
           LEFT JOIN replacements AS a
             ON a.event_id = l.ended_by AND a.component = l.component
           WHERE l.failed AND l.started_by IS NOT NULL AND l.ended_by IS NOT NULL
             AND l.started_on IS NOT NULL AND l.ended_on IS NOT NULL
             AND (l.warranty_months IS NOT NULL OR l.warranty_km IS NOT NULL)
           ORDER BY l.ended_on DESC, l.vehicle_id, l.component, l.position, l.ended_by"""
    ).rows
    found = []
    for row in rows:
        months, distance, used = row[9], row[10], row[11]
        terms = Warranty(
            start=row[7],
            months=None if months is None else int(months),
            distance=None if distance is None else round(float(distance), 6),
            start_reading=0,
            unit="km",
        )
        # It had failed when it was found so, though it may have been replaced weeks later.
        failed_on = row[8] if row[13] is None else row[7] + timedelta(days=round(row[13]))
        status = terms.status(failed_on, None if used is None else round(float(used), 6))
        found.append(
            Covered(
                vehicle=row[0],
                component=row[1],
                position=row[2],
                supplier=row[3],
                part_number=row[4],
                fitted_by=row[5],
                failed_by=row[6],
                fitted_on=row[7],
                failed_on=failed_on,
                months=terms.months,
                distance_km=None if distance is None else float(distance),
                used_km=None if used is None else float(used),
                estimated=bool(row[12]),
                reason=row[14],
                parts_cost=row[15],
                currency=row[16] or "",
                again_cost=row[17],
                again_currency=row[18] or "",
                status=status,
            )
        )
    return found


def within_warranty(view: LedgerView) -> set[tuple[str, str]]:
    """Return fitting and failure of the parts that failed within their warranty."""
    return {
        (part.fitted_by, part.failed_by)
        for part in failed_with_warranty(view)
        if part.status.in_force
    }
