"""What can be claimed back: parts that failed within their own warranty."""

from collections import Counter
from datetime import date
from typing import Annotated

from pydantic import Field

from roadworn.analysis import Analysis, Cell, Column, Estimate, Result, Settings, Table
from roadworn.catalogue import catalogue
from roadworn.trade.warranty import add_months
from roadworn.view import LedgerView
from roadworn_plugins import grouped as lives_of
from roadworn_plugins.asked_for import require, suppliers
from roadworn_plugins.grouped import Unit, shown_distance
from roadworn_plugins.warranties import Covered, failed_with_warranty

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
            headline="No part that failed had a warranty on record.",
            caveats=("Record warranty months and distance with each replacement.",),
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
                words=f"{number} parts",
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
    said = []
    if part.status.in_force is None:
        said.append("no odometer reading shows whether its distance was within the terms")
    elif part.estimated and part.distance_km is not None:
        said.append("its distance is interpolated between readings")
    if part.reason == "worn_out":
        said.append("worn out: terms usually exclude wear")
    if part.reason is None:
        said.append("found failed and not yet replaced: claim before it is thrown away")
    if part.parts_cost is None:
        said.append("no price on record")
    if not part.supplier:
        said.append("no supplier on record")
    return "; ".join(said)


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
        return f"None of {parts} failed parts with a warranty on record failed within it."
    money = " and ".join(f"{total:,.2f} {currency}" for currency, (total, _n) in sums.items())
    suppliers = Counter(part.supplier for part in certain if part.supplier)
    first = f", most of {suppliers.most_common(1)[0][0]}" if suppliers else ""
    claim = f": {money} of parts to claim" if money else ", without a price on record"
    name = catalogue().name_of(Counter(part.component for part in certain).most_common(1)[0][0])
    return (
        f"{len(certain)} of {parts} failed parts were within their own warranty{claim}{first}; "
        f"{name} most often."
    )


def _caveats(
    listed: list[Covered], worn: list[Covered], settings: WarrantyRecoverySettings, hidden: int
) -> tuple[str, ...]:
    caveats = [
        "The written terms of each warranty come first; what was claimed already is not on record."
    ]
    if worn and not settings.wear:
        caveats.append(
            f"{len(worn)} parts that were replaced as worn out within their term are left out: "
            "terms usually exclude wear; ask for wear=true to list them."
        )
    doubtful = sum(part.status.in_force is None for part in listed)
    if doubtful:
        caveats.append(f"{doubtful} are in doubt for want of an odometer reading; not in the sum.")
    unpriced = sum(part.parts_cost is None for part in listed)
    if unpriced:
        caveats.append(f"{unpriced} have no price on record and add nothing.")
    if hidden > 0:
        caveats.append(f"{hidden} more are not shown; raise most.")
    return tuple(caveats)


WARRANTY_RECOVERY = Analysis(
    name="warranty-recovery",
    title="Warranty money to claim",
    question="Which failed parts were still under their own warranty, and what can be claimed?",
    run=run,
    settings=WarrantyRecoverySettings,
    about=ABOUT,
)
