"""What can be claimed back: parts that failed within their own warranty."""

from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated

from pydantic import Field

from roadworn.analysis.result import Analysis, Cell, Column, Estimate, Result, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Sentence
from roadworn.trade.warranty import Warranty, WarrantyStatus, add_months
from roadworn_plugins.shared import grouped as lives_of
from roadworn_plugins.shared.asked_for import require, suppliers
from roadworn_plugins.shared.grouped import Unit, shown_distance
from roadworn_plugins.shared.said import all_said, if_any


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


ABOUT = """\
Question: Which failed parts were still under their own warranty, and what can be claimed?

Method: Each failed part that was fitted here with a warranty is put to its terms: months or
distance, whichever ends first, through the last day and the last mile. Where a month is too
short its last day serves. The claim is what the failed part had cost; labour is shown beside.

Assumptions: The warranty began when the part was fitted. The written terms come first: whether
wear, labour or towing are covered is theirs to say.

Reading: in doubt means that the terms may hold but the record cannot show it.

Reference: common practice, no source; the rule of the last day is in roadworn.trade.warranty.
"""


class WarrantyRecoverySettings(Settings):
    """Which claims."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    component: Annotated[str | None, Field(description="only this component")] = None
    supplier: Annotated[str | None, Field(description="only this supplier")] = None
    months_back: Annotated[
        int | None, Field(ge=1, description="only failures of the last so many months")
    ] = None
    wear: Annotated[bool, Field(description="list worn-out parts too")] = False
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 60


_COLUMNS = (
    Column("vehicle", "vehicle"),
    Column("component", "component", "component"),
    Column("position", "where"),
    Column("supplier", "supplier"),
    Column("part_number", "part number"),
    Column("fitted_on", "fitted", "date"),
    Column("failed_on", "failed", "date"),
    Column("used", "distance on it", "distance"),
    Column("last_day", "covered to", "date"),
    Column("last_distance", "covered for", "distance", detail=True),
    Column("claim", "claim", "money"),
    Column("currency", "currency", detail=True),
    Column("again", "replacing it cost", "money", detail=True),
    Column("standing", "standing"),
    Column("words", "mind", "sentence"),
)


def run(view: LedgerView, settings: WarrantyRecoverySettings) -> Result:
    """List the parts that failed within their own warranty."""
    if settings.supplier is not None:
        require(settings.supplier, suppliers(view), "supplier")
    parts = [part for part in failed_with_warranty(view) if _wanted(part, settings, view.today)]
    unit = settings.unit or lives_of.preferred_unit(view)
    if not parts:
        return Result(
            headline=Sentence(
                "warranty-recovery.none", "No part that failed had a warranty on record."
            ),
            caveats=(
                Sentence(
                    "warranty-recovery.record",
                    "Record warranty months and distance with each replacement.",
                ),
            ),
        )
    covered = [part for part in parts if part.status.in_force is not False]
    worn = [part for part in covered if part.reason == "worn_out"]
    listed = covered if settings.wear else [p for p in covered if p.reason != "worn_out"]
    listed.sort(key=lambda part: (part.currency, -(part.parts_cost or 0.0)))
    shown = listed[: settings.most]
    table = Table(
        name="warranty_recovery",
        title="Parts that failed within their own warranty, largest claim first",
        columns=tuple(
            Column(c.name, c.title, c.kind, unit if c.kind == "distance" else "", c.detail)
            for c in _COLUMNS
        ),
        rows=tuple(_row(part, unit) for part in shown),
        evidence=tuple((part.fitted_by, part.failed_by) for part in shown),
    )
    sums = _sums(listed)
    return Result(
        headline=_headline(listed, len(parts), sums),
        tables=(table,),
        estimates=tuple(
            Estimate(
                name="money to claim",
                value=round(total, 2),
                unit=currency,
                method="sum of what the failed parts had cost",
                failures=number,
                words=Sentence("warranty-recovery.parts", "{n} parts", n=number),
                evidence=tuple(
                    event
                    for part in listed
                    if part.currency == currency and part.status.in_force
                    for event in (part.fitted_by, part.failed_by)
                ),
            )
            for currency, (total, number) in sums.items()
        ),
        caveats=_caveats(listed, worn, settings, len(listed) - len(shown)),
    )


def _wanted(part: Covered, settings: WarrantyRecoverySettings, today: date) -> bool:
    if settings.months_back is not None and part.failed_on < add_months(
        today, -settings.months_back
    ):
        return False
    asked = (
        (settings.vehicle, part.vehicle),
        (settings.component, part.component),
        (settings.supplier, part.supplier),
    )
    return all(wish is None or wish == given for wish, given in asked)


def _row(part: Covered, unit: Unit) -> tuple[Cell, ...]:
    def distance(km: float | None) -> float | None:
        return None if km is None else float(round(float(shown_distance(km / 1000.0, unit))))

    return (
        part.vehicle,
        part.component,
        part.position,
        part.supplier,
        part.part_number,
        part.fitted_on,
        part.failed_on,
        distance(part.used_km),
        part.status.last_day,
        distance(part.distance_km),
        None if part.parts_cost is None else round(part.parts_cost, 2),
        part.currency,
        None if part.again_cost is None else round(part.again_cost, 2),
        "in warranty" if part.status.in_force else "in doubt",
        _mind(part),
    )


def _mind(part: Covered) -> str:
    """Say what speaks against a claim."""
    doubtful = part.status.in_force is None
    found = (
        (
            "unread",
            doubtful,
            "no odometer reading shows whether its distance was within the terms",
        ),
        (
            "interpolated",
            not doubtful and part.estimated and part.distance_km is not None,
            "its distance is interpolated between readings",
        ),
        ("worn", part.reason == "worn_out", "worn out: terms usually exclude wear"),
        (
            "open",
            part.reason is None,
            "found failed and not yet replaced: claim before it is thrown away",
        ),
        ("no-price", part.parts_cost is None, "no price on record"),
        ("no-supplier", not part.supplier, "no supplier on record"),
    )
    return Joined(
        (Sentence(f"warranty-recovery.{code}", text) for code, holds, text in found if holds), "; "
    )


def _sums(parts: list[Covered]) -> dict[str, tuple[float, int]]:
    """Return currency -> money and number of parts that are in warranty and have a price."""
    sums: dict[str, tuple[float, int]] = {}
    for part in parts:
        if part.status.in_force and part.parts_cost is not None:
            total, number = sums.get(part.currency, (0.0, 0))
            sums[part.currency] = (total + part.parts_cost, number + 1)
    return dict(sorted(sums.items()))


def _headline(listed: list[Covered], parts: int, sums: dict[str, tuple[float, int]]) -> str:
    certain = [part for part in listed if part.status.in_force]
    if not certain:
        return Sentence(
            "warranty-recovery.none-within",
            "None of {n} failed parts with a warranty on record failed within it.",
            n=parts,
        )
    money = [
        Sentence("money", "{value:,.2f} {currency}", value=total, currency=currency)
        for currency, (total, _n) in sums.items()
    ]
    claim = (
        Sentence("warranty-recovery.claim", ": {money} of parts to claim", money=_and(money))
        if money
        else Sentence("warranty-recovery.unpriced", ", without a price on record")
    )
    suppliers = Counter(part.supplier for part in certain if part.supplier)
    most = ""
    if suppliers:
        supplier = suppliers.most_common(1)[0][0]
        most = Sentence("warranty-recovery.most-of", ", most of {supplier}", supplier=supplier)
    return Sentence(
        "warranty-recovery.headline",
        "{n} of {every} failed parts were within their own warranty{claim}{most}; {part} most "
        "often.",
        n=len(certain),
        every=parts,
        claim=claim,
        most=most,
        part=part_name(Counter(part.component for part in certain).most_common(1)[0][0]),
    )


def _and(texts: list[Sentence]) -> str:
    told: str = texts[0]
    for text in texts[1:]:
        told = Sentence("and", "{first} and {second}", first=told, second=text)
    return told


def _caveats(
    listed: list[Covered], worn: list[Covered], settings: WarrantyRecoverySettings, hidden: int
) -> tuple[str, ...]:
    return all_said(
        Sentence(
            "warranty-recovery.terms-first",
            "The written terms of each warranty come first; what was claimed already is not on "
            "record.",
        ),
        if_any(
            0 if settings.wear else len(worn),
            "warranty-recovery.worn-left-out",
            "{n} parts that were replaced as worn out within their term are left out: terms "
            "usually exclude wear; ask for wear=true to list them.",
        ),
        if_any(
            sum(part.status.in_force is None for part in listed),
            "warranty-recovery.in-doubt",
            "{n} are in doubt for want of an odometer reading; not in the sum.",
        ),
        if_any(
            sum(part.parts_cost is None for part in listed),
            "warranty-recovery.no-prices",
            "{n} have no price on record and add nothing.",
        ),
        if_any(hidden, "warranty-recovery.not-shown", "{n} more are not shown; raise most."),
    )


WARRANTY_RECOVERY = Analysis(
    name="warranty-recovery",
    title="Warranty money to claim",
    question="Which failed parts were still under their own warranty, and what can be claimed?",
    run=run,
    settings=WarrantyRecoverySettings,
    about=ABOUT,
)
