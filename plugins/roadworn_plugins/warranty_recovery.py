"""What can be claimed back: parts that failed within their own warranty."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import reduce
from typing import Annotated, Any

from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Cell,
    Column,
    Estimate,
    Holds,
    Result,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.trade.warranty import Warranty, WarrantyStatus, add_months
from roadworn_plugins.shared.grouped import Unit
from roadworn_plugins.shared.settings import (
    MostRows,
    OnlyComponent,
    OnlyVehicle,
    ShownUnit,
    all_said,
    in_unit,
    require,
    rounded,
    suppliers,
    whole_distance,
)


@dataclass(frozen=True, slots=True)
class Covered:
    """A failed part that was fitted with a warranty.

    Attributes:
        vehicle, component, position: where it sat.
        supplier, part_number: of the part that failed.
        fitted_by, failed_by: event ids of its fitting and of its end or finding.
        fitted_on, failed_on: the days.
        distance_km: its term by distance; None without one.
        used_km: distance it lasted.
        estimated: whether that distance rests on an interpolated reading.
        reason: why it was replaced; None when it was found failed and is still fitted.
        parts_cost, currency: what the failed part had cost.
        again_cost: what replacing it cost, parts and labour; None while open.
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
    distance_km: float | None
    used_km: float | None
    estimated: bool
    reason: str | None
    parts_cost: float | None
    currency: str
    again_cost: float | None
    failed_on: date
    status: WarrantyStatus

    def ended_by(self, day: date) -> bool:
        """Whether the terms have ended by a day; terms by distance alone ended with the part."""
        return self.status.last_day is not None and self.status.last_day < day


def failed_with_warranty(view: LedgerView) -> list[Covered]:
    """Return the failed parts that were fitted with a warranty, in or out of it.

    What came back is among them, unless the work or the customer's own part was said to be at
    fault: it is no life, and a claim all the same.
    """
    return [_covered(row) for row in _failed(view)]


def within_warranty(view: LedgerView) -> Callable[[tuple[str | None, str | None]], bool]:
    """Return what says of a fitting and a failure whether the part failed within its warranty.

    Terms are worked out of what is asked about alone: of a fleet's failures few stand out.
    """
    rows: dict[tuple[str | None, str | None], list[tuple[Any, ...]]] = {}
    for row in _failed(view):
        rows.setdefault((row[5], row[6]), []).append(row)

    def within(key: tuple[str | None, str | None]) -> bool:
        return any(_covered(row).status.in_force for row in rows.get(key, ()))

    return within


def _failed(view: LedgerView) -> list[tuple[Any, ...]]:
    """Return the rows of what `failed_with_warranty` returns, as the ledger has them."""
    return view.sql(
        """SELECT l.vehicle_id, l.component, coalesce(l.position, ''), coalesce(l.supplier, ''),
                  coalesce(l.part_number, ''), l.started_by, l.ended_by, l.started_on,
                  CAST(l.warranty_km AS DOUBLE), CAST(l.upper_km AS DOUBLE), l.km_estimated,
                  l.reason, CAST(r.parts_cost AS DOUBLE), coalesce(r.currency, ''),
                  CAST(a.total_cost AS DOUBLE), l.ended_on, l.warranty_months, l.upper_days
           FROM (SELECT vehicle_id, component, position, supplier, part_number, started_by,
                        ended_by, started_on, ended_on, warranty_months, warranty_km, upper_km,
                        upper_days, km_estimated, reason, failed
                 FROM part_lives
                 UNION ALL
                 SELECT c.vehicle_id, c.component, c.position, f.supplier, f.part_number,
                        c.of_event, c.event_id, f.occurred_on, c.occurred_on, f.warranty_months,
                        f.warranty_km, c.age_km, c.age_days,
                        f.true_km_estimated OR e.true_km_estimated, e.reason, TRUE
                 FROM comebacks AS c
                 JOIN replacements AS f ON f.event_id = c.of_event AND f.component = c.component
                 JOIN replacements AS e ON e.event_id = c.event_id
                 WHERE c.left_out AND c.cause NOT IN ('workmanship', 'customer_part')) AS l
           LEFT JOIN replacements AS r
             ON r.event_id = l.started_by AND r.component = l.component
           LEFT JOIN replacements AS a
             ON a.event_id = l.ended_by AND a.component = l.component
           WHERE l.failed AND l.started_by IS NOT NULL AND l.ended_by IS NOT NULL
             AND l.started_on IS NOT NULL AND l.ended_on IS NOT NULL
             AND (l.warranty_months IS NOT NULL OR l.warranty_km IS NOT NULL)
           ORDER BY l.ended_on DESC, l.vehicle_id, l.component, l.position, l.ended_by"""
    ).rows


def _covered(row: tuple[Any, ...]) -> Covered:
    """Put one failed part to its terms."""
    *told, ended_on, months, days = row
    fitted_on, distance, used = told[7:10]
    # It had failed when it was found so, though it may have been replaced weeks later.
    failed_on = ended_on if days is None else fitted_on + timedelta(days=round(days))
    terms = Warranty(
        start=fitted_on,
        months=None if months is None else int(months),
        distance=rounded(distance, 6),
        start_reading=0,
        unit="km",
    )
    status = terms.status(failed_on, rounded(used, 6))
    return Covered(*[*told, failed_on, status])


ABOUT = """\
Question: Which failed parts were still under their own warranty, and what can be claimed?

Method: Each failed part that was fitted here with a warranty is put to its terms: months or
distance, whichever ends first, through the last day and the last mile. Where a month is too
short its last day serves. The claim is what the failed part had cost; labour is shown beside.

Assumptions: The warranty began when the part was fitted. The written terms come first: whether
wear, labour or towing are covered is theirs to say.

Reading: covered to is the last day to claim. In doubt means that the terms may hold but the
record cannot show it. What failed within terms that have ended since is left out unless asked for.

Reference: common practice, no source; the rule of the last day is in roadworn.trade.warranty.
"""
_say = Says(
    "warranty-recovery",
    {
        "none": "No part that failed had a warranty on record.",
        "record": "Record warranty months and distance with each replacement.",
        "sum": "sum of what the failed parts had cost",
        "parts": "{n} {n:part|parts}",
        "unread": "no odometer reading shows whether its distance was within the terms",
        "interpolated": "its distance is interpolated between readings",
        "worn": "worn out: terms usually exclude wear",
        "open": "found failed and not yet replaced: claim before it is thrown away",
        "no-price": "no price on record",
        "no-supplier": "no supplier on record",
        "none-within": "None of {n} failed {n:part|parts} with a warranty on record failed within "
        "it.",
        "headline": "{n} of {every} failed {every:part|parts} can still be claimed under their "
        "own warranty{claim}{most_of}; {part} most often.",
        "claim": ": {money} of parts to claim",
        "unpriced": ", without a price on record",
        "money": "{value:,.2f} {currency}",
        "and": "{first} and {second}",
        "most-of": ", most of {supplier}",
        "terms-first": "The written terms of each warranty come first; what was claimed already "
        "is not on record.",
        "worn-left-out": "{n} {n:part|parts} that {n:was|were} replaced as worn out within "
        "{n:its|their} term {n:is|are} left out: terms usually exclude wear; ask "
        "for wear=true to list {n:it|them}.",
        "in-doubt": "{n} {n:is|are} in doubt for want of an odometer reading; not in the sum.",
        "no-prices": "{n} {n:has|have} no price on record and {n:adds|add} nothing.",
        "not-shown": "{n} more {n:is|are} not shown; raise most.",
        "ended": "{n} more failed within terms that have ended since{claim}: some suppliers take a "
        "late claim; ended=true lists them.",
        "none-open": "Of {n} failed {n:part|parts} with a warranty on record, none has terms that "
        "still run today; {late} failed within theirs.",
    },
)


class WarrantyRecoverySettings(Settings):
    """Which claims."""

    vehicle: OnlyVehicle = None
    component: OnlyComponent = None
    supplier: Annotated[str | None, Field(description="only this supplier")] = None
    months_back: Annotated[
        int | None, Field(ge=1, description="only failures of the last so many months")
    ] = None
    wear: Annotated[bool, Field(description="list worn-out parts too")] = False
    ended: Annotated[
        bool, Field(description="list those too whose terms have ended since the failure")
    ] = False
    unit: ShownUnit = None
    most: MostRows = 60


_COLUMNS = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("component", "component", "component", tells=Tells.COMPONENT),
    Column("position", "where", tells=Tells.PLACE),
    Column("supplier", "supplier"),
    Column("part_number", "part number"),
    Column("fitted_on", "fitted", "date"),
    Column("failed_on", "failed", "date"),
    Column("used", "distance on it", "distance"),
    Column("last_day", "covered to", "date"),
    Column("last_distance", "covered for", "distance", detail=True),
    Column("claim", "claim", "money", tells=Tells.VALUE),
    Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
    Column("again", "replacing it cost", "money", detail=True),
    Column("standing", "standing"),
    Column("words", "mind", "sentence"),
)


def run(view: LedgerView, settings: WarrantyRecoverySettings) -> Result:
    """List the parts that failed within their own warranty."""
    if settings.supplier is not None:
        require(settings.supplier, suppliers(view), "supplier")
    parts = [part for part in failed_with_warranty(view) if _wanted(part, settings, view.today)]
    if not parts:
        return Result(_say("none"), caveats=(_say("record"),))
    unit = settings.unit or view.usual_unit()
    covered = [part for part in parts if part.status.in_force is not False]
    worn = sum(part.reason == "worn_out" for part in covered)
    listed = [part for part in covered if settings.wear or part.reason != "worn_out"]
    late = [part for part in listed if part.ended_by(view.today)]
    if not settings.ended:
        listed = [part for part in listed if not part.ended_by(view.today)]
    listed.sort(key=lambda p: (p.currency, p.ended_by(view.today), -(p.parts_cost or 0.0)))
    shown = listed[: settings.most]
    table = Table(
        "warranty_recovery",
        "Parts that failed within their own warranty, largest claim first",
        in_unit(_COLUMNS, unit),
        tuple(_row(part, unit, view.today) for part in shown),
        tuple((part.fitted_by, part.failed_by) for part in shown),
        Holds.CLAIMS,
    )
    certain = [part for part in listed if part.status.in_force and part not in late]
    estimates = _estimates(certain)
    sure = [part for part in late if part.status.in_force]
    return Result(
        headline=_headline(certain, len(parts), estimates, len(sure)),
        tables=(table,),
        estimates=estimates,
        caveats=all_said(
            _say("terms-first"),
            _say.some(0 if settings.wear else worn, "worn-left-out"),
            _say.some(sum(part.status.in_force is None for part in listed), "in-doubt"),
            _say.some(0 if settings.ended else len(sure), "ended", claim=_claim(_estimates(sure))),
            _say.some(sum(part.parts_cost is None for part in listed), "no-prices"),
            _say.some(len(listed) - len(shown), "not-shown"),
        ),
    )


def _wanted(part: Covered, settings: WarrantyRecoverySettings, today: date) -> bool:
    back = settings.months_back
    return (
        (back is None or part.failed_on >= add_months(today, -back))
        and settings.vehicle in (None, part.vehicle)
        and settings.component in (None, part.component)
        and settings.supplier in (None, part.supplier)
    )


def _row(part: Covered, unit: Unit, today: date) -> tuple[Cell, ...]:
    used, limit = (
        None if km is None else float(km)
        for km in (whole_distance(part.used_km, unit), whole_distance(part.distance_km, unit))
    )
    return (
        part.vehicle,
        part.component,
        part.position,
        part.supplier,
        part.part_number,
        part.fitted_on,
        part.failed_on,
        used,
        part.status.last_day,
        limit,
        rounded(part.parts_cost),
        part.currency,
        rounded(part.again_cost),
        "in doubt"
        if part.status.in_force is None
        else "term ended since"
        if part.ended_by(today)
        else "in warranty",
        _mind(part),
    )


def _mind(part: Covered) -> Joined:
    """Say what speaks against a claim."""
    doubtful = part.status.in_force is None
    found = {
        "unread": doubtful,
        "interpolated": not doubtful and part.estimated and part.distance_km is not None,
        "worn": part.reason == "worn_out",
        "open": part.reason is None,
        "no-price": part.parts_cost is None,
        "no-supplier": not part.supplier,
    }
    return Joined((_say(word) for word, holds in found.items() if holds), "; ")


def _estimates(certain: list[Covered]) -> tuple[Estimate, ...]:
    """Return the money to claim in each currency, of the parts that have a price."""
    found = []
    for currency in sorted({part.currency for part in certain if part.parts_cost is not None}):
        own = [part for part in certain if part.currency == currency]
        costs = [part.parts_cost for part in own if part.parts_cost is not None]
        found.append(
            Estimate(
                name="money to claim",
                value=round(sum(costs), 2),
                unit=currency,
                method=_say("sum"),
                failures=len(costs),
                words=_say("parts", n=len(costs)),
                evidence=tuple(event for part in own for event in (part.fitted_by, part.failed_by)),
            )
        )
    return tuple(found)


def _claim(claims: tuple[Estimate, ...]) -> Sentence | str:
    """Say what claims come to, each currency by itself; empty without a price."""
    money = [_say("money", value=claim.value, currency=claim.unit) for claim in claims]
    if not money:
        return ""
    return _say("claim", money=reduce(lambda a, b: _say("and", first=a, second=b), money))


def _headline(
    certain: list[Covered], parts: int, claims: tuple[Estimate, ...], late: int
) -> Sentence:
    if not certain:
        return _say("none-open", n=parts, late=late) if late else _say("none-within", n=parts)
    of = Counter(part.supplier for part in certain if part.supplier).most_common(1)
    return _say(
        "headline",
        n=len(certain),
        every=parts,
        claim=_claim(claims) or _say("unpriced"),
        most_of=_say("most-of", supplier=of[0][0]) if of else "",
        part=part_name(Counter(part.component for part in certain).most_common(1)[0][0]),
    )


WARRANTY_RECOVERY = Analysis(
    name="warranty-recovery",
    title="Warranty money to claim",
    question="Which failed parts were still under their own warranty, and what can be claimed?",
    run=run,
    settings=WarrantyRecoverySettings,
    about=ABOUT,
    answers=Answers.WARRANTY,
)
