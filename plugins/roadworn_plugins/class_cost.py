"""What a class of vehicle costs in all, by distance: purchase, energy, upkeep, standing still."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from roadworn.analysis import Analysis, Answers, Cell, Column, Result, Settings, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Says
from roadworn_plugins.lifedata import tail
from roadworn_plugins.lifedata.counts import false_discovery
from roadworn_plugins.lifedata.special import ndtr, stdtrit
from roadworn_plugins.shared.grouped import shown_distance
from roadworn_plugins.shared.settings import Level, ShownUnit, all_said

_PARTS = ("purchase", "energy", "upkeep", "standing")
_FROM_THREE = 3
#: Bought within so many days of its enrolment, its distance then is that of its enrolment; else it
#: is taken to have been new (common practice, no source).
_NEAR = 92
ABOUT = """\
Question: What does each class cost in all, and which is worth buying more of?

Method: Money over distance, all vehicles of a class together: purchase less what it brought
or is worth now, over the distance since; energy and upkeep over the distance under this ledger's
eye; days out of service at what a day costs, if that is given. The limits come from how much the
vehicles of the class differ, all parts of the cost at once. Classes are compared on those parts of
the cost that each of them has on record from three vehicles on.

Assumptions: All upkeep and energy of a vehicle that has some is on record. Prices of different
years count alike. Classes may do different work: the figures do not know it.

Reading: 412 a thousand (380 to 444, 14 vehicles), the least beyond chance: buy more of these.

Reference: limits of a ratio: Cochran, Sampling Techniques (Wiley, 1977), section 6.4, from memory.
"""
_say = Says(
    "class-cost",
    {
        "none": "No class has three vehicles with a distance and a cost on record.",
        "record": "Say what a vehicle cost (record profile VEHICLE --purchase-price), what it is "
        "worth (record valuation) and what it burns (record energy).",
        "one": "{name} costs {cost:,.0f} {currency} per 1,000 {unit} ({low:,.0f} to {high:,.0f}); "
        "there is no other class to compare.",
        "buy": "Buy more of {name}: {cost:,.0f} {currency} per 1,000 {unit} ({low:,.0f} to "
        "{high:,.0f}, {vehicles} {vehicles:vehicle|vehicles}), less than each other class beyond "
        "chance.",
        "unclear": "{name} costs least, {cost:,.0f} {currency} per 1,000 {unit} ({low:,.0f} to "
        "{high:,.0f}), but {other} cannot be told from it yet.",
        "purchase": "purchase less resale",
        "energy": "energy",
        "upkeep": "upkeep",
        "standing": "standing still",
        "left-out": "Not in the sum, since not every class has it on record: {parts}.",
        "few": "{n} {n:class has|classes have} fewer than three such vehicles and {n:is|are} left "
        "out.",
        "work": "Classes may do different work; the figures do not know it.",
    },
)


class ClassCostSettings(Settings):
    """In what unit, and what a day out of service costs."""

    day_cost: Annotated[
        float, Field(ge=0, description="what a day out of service costs, 0 to leave it out")
    ] = 0.0
    unit: ShownUnit = None
    level: Level = 0.95


@dataclass(slots=True)
class Spent:
    """What one class spent: by part of the cost, vehicle -> (money, km)."""

    by_part: dict[str, dict[str, tuple[float, float]]] = field(
        default_factory=lambda: defaultdict(dict)
    )

    def cost(self, parts: Sequence[str]) -> tuple[float, float, int]:
        """Return money per km over some parts of the cost, its standard error, and vehicles.

        Each part is a ratio of sums over its vehicles; their errors are added by vehicle.
        """
        whole, residual = 0.0, defaultdict[str, float](float)
        for part in parts:
            rows = self.by_part[part]
            km = sum(far for _, far in rows.values())
            ratio = sum(money for money, _ in rows.values()) / km
            whole += ratio
            for vehicle, (money, far) in rows.items():
                residual[vehicle] += (money - ratio * far) / km
        n = len(residual)
        return whole, (n / (n - 1.0) * sum(r**2 for r in residual.values())) ** 0.5, n


def run(view: LedgerView, settings: ClassCostSettings) -> Result:
    """Add up what each class costs, and compare."""
    spent, currency = _read(view, settings)
    known = {
        name: [part for part in _PARTS if len(one.by_part.get(part, ())) >= _FROM_THREE]
        for name, one in spent.items()
    }
    classes = [name for name in sorted(known) if "upkeep" in known[name]]
    if not classes:
        return Result(_say("none"), caveats=(_say("record"),))
    parts = [part for part in _PARTS if all(part in known[name] for name in classes)]
    unit = settings.unit or view.usual_unit()
    scale = 1000.0 / float(shown_distance(0.001, unit))
    figures = {name: spent[name].cost(parts) for name in classes}
    order = sorted(classes, key=lambda name: (figures[name][0], name))
    best, *others = order
    gaps = [
        (figures[name][0] - figures[best][0])
        / max((figures[name][1] ** 2 + figures[best][1] ** 2) ** 0.5, 1e-300)
        for name in others
    ]
    adjusted = false_discovery(2.0 * ndtr(-np.abs(gaps))).tolist() if gaps else []
    rows: list[tuple[Cell, ...]] = []
    ends: dict[str, tuple[float, float, float]] = {}
    for name, chance in zip(order, [None, *adjusted], strict=True):
        cost, error, n = figures[name]
        half = -float(stdtrit(n - 1, tail(settings.level))) * error
        ends[name] = (cost * scale, max(cost - half, 0.0) * scale, (cost + half) * scale)
        each = [
            round(spent[name].cost([part])[0] * scale, 2) if part in known[name] else None
            for part in _PARTS
        ]
        total = (round(x, 2) for x in ends[name])
        rows.append((name, n, *total, *each, chance, currency))
    left_out = {part for name in classes for part in known[name]} - set(parts)
    told: dict[str, Any] = dict(zip(("cost", "low", "high"), ends[best], strict=True))
    told |= {"name": best, "currency": currency, "unit": unit}
    alike = [n for n, q in zip(others, adjusted, strict=True) if q > 1.0 - settings.level]
    if not others:
        headline = _say("one", **told)
    elif alike:
        headline = _say("unclear", **told, other=Joined(alike))
    else:
        headline = _say("buy", **told, vehicles=figures[best][2])
    return Result(
        headline,
        (_table(rows, unit),),
        caveats=all_said(
            _say("left-out", parts=Joined(_say(part) for part in _PARTS if part in left_out))
            if left_out
            else "",
            _say.some(len(spent) - len(classes), "few"),
            _say("work"),
            _say("record") if "purchase" not in parts else "",
        ),
    )


def _table(rows: Sequence[tuple[Cell, ...]], unit: str) -> Table:
    return Table(
        "class_cost",
        "Whole cost of each class, the least first",
        (
            Column("class", "class", tells=Tells.NAME),
            Column("vehicles", "vehicles", "integer"),
            Column("cost", "cost per 1,000", "money", unit, tells=Tells.VALUE),
            Column("low", "low", "money", tells=Tells.LOW),
            Column("high", "high", "money", tells=Tells.HIGH),
            Column("purchase", "purchase less resale", "money"),
            Column("energy", "energy", "money"),
            Column("upkeep", "upkeep", "money"),
            Column("standing", "standing still", "money"),
            Column("adjusted", "adjusted chance", "chance", detail=True),
            Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
        ),
        tuple(rows),
    )


def _read(view: LedgerView, settings: ClassCostSettings) -> tuple[Mapping[str, Spent], str]:
    """Return what was spent on each class in the commonest currency, and that."""
    work = _sums(view, "SELECT vehicle_id, currency, sum(total_cost), count(*) FROM fleet_work "
                 "WHERE total_cost IS NOT NULL GROUP BY ALL")  # fmt: skip
    counted: dict[str, int] = defaultdict(int)
    for (_vehicle, currency), (_money, n) in work.items():
        counted[currency] += n
    currency = max(sorted(counted), key=lambda code: counted[code]) if counted else ""
    energy = _sums(view, "SELECT vehicle_id, currency, sum(cost), count(*) FROM energy "
                   "WHERE cost IS NOT NULL GROUP BY ALL")  # fmt: skip
    worth = _sums(view, "SELECT vehicle_id, currency, max_by(value, occurred_at), count(*) "
                  "FROM valuations GROUP BY ALL")  # fmt: skip
    worth |= _sums(view, "SELECT vehicle_id, currency, max_by(price, occurred_at), count(*) "
                   "FROM retirements WHERE price IS NOT NULL GROUP BY ALL")  # fmt: skip
    down: dict[str, float] = dict(
        view.sql("SELECT vehicle_id, sum(days) FROM standstills GROUP BY ALL").rows
    )
    found: dict[str, Spent] = defaultdict(Spent)
    for vehicle, kind, first, last, price, code, bought, enrolled in view.sql(
        """SELECT vehicle_id, vehicle_class, coalesce(enrolment_km, 0), last_km, purchase_price,
                  purchase_currency, purchase_date, enrolled_on
           FROM vehicles WHERE last_km > coalesce(enrolment_km, 0) ORDER BY vehicle_id"""
    ).rows:
        one, km, key = found[kind], last - first, (vehicle, currency)
        one.by_part["upkeep"][vehicle] = (work.get(key, (0.0, 0))[0], km)
        if key in energy:
            one.by_part["energy"][vehicle] = (energy[key][0], km)
        if price is not None and code == currency and key in worth:
            near = bought is None or abs((bought - enrolled).days) <= _NEAR
            far = km if near else last
            one.by_part["purchase"][vehicle] = (float(price) - worth[key][0], far)
        if settings.day_cost:
            one.by_part["standing"][vehicle] = (settings.day_cost * down.get(vehicle, 0.0), km)
    return found, currency


def _sums(view: LedgerView, query: str) -> dict[tuple[str, str], tuple[float, int]]:
    return {(row[0], row[1] or ""): (float(row[2]), row[3]) for row in view.sql(query).rows}


CLASS_COST = Analysis(
    name="class-cost",
    title="Whole cost of a class",
    question="What does each class cost in all, and which is worth buying more of?",
    run=run,
    settings=ClassCostSettings,
    about=ABOUT,
    answers=Answers.CLASS_COST,
)
