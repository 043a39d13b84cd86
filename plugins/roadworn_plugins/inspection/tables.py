"""How the outlook for the inspection is laid out: one row a vehicle, and one an item."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from roadworn.analysis import Cell, Column, Holds, Mark, Marks, Table, Tells
from roadworn.model.messages import Joined, PartName, PlaceName, Sentence
from roadworn.model.units import KM_PER_MILE
from roadworn.trade.limits import Weight
from roadworn_plugins.inspection.outcomes import Judged, Outcome
from roadworn_plugins.shared.grouped import Unit
from roadworn_plugins.shared.prices import Price
from roadworn_plugins.wear.measured import Wear

_VEHICLES = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("outlook", "outlook"),
    Column("fails", "fails", "integer"),
    Column("not_known", "not known", "integer"),
    Column("cost", "cost to pass", "money"),
    Column("cost_low", "low", "money", tells=Tells.LOW),
    Column("cost_high", "high", "money", tells=Tells.HIGH),
    Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
    Column("unpriced", "without a price", "integer"),
    Column("due", "due", "date"),
    Column("why", "why", "sentence"),
)
_ITEMS = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("item", "item", tells=Tells.NAME, brief=1),
    Column("outcome", "outcome", tells=Tells.STATE, brief=2),
    Column("cost", "cost", "money", tells=Tells.VALUE, brief=3),
    Column("cost_low", "low", "money", detail=True, tells=Tells.LOW),
    Column("cost_high", "high", "money", detail=True, tells=Tells.HIGH),
    Column("citation", "rule", brief=4),
    Column("mark", "mark", detail=True),
    Column("detail", "seen", "sentence"),
    Column("left", "until the limit", "sentence"),
)


_MARKS = {
    "fail": Marks({Mark.FAILED}),
    "not known": Marks({Mark.NOT_KNOWN}),
    "pass": Marks({Mark.PASSES}),
}


@dataclass(frozen=True, slots=True)
class Inspected:
    """What of a vehicle decides which rules hold for it; `due` is its next official date.

    `doubt` says why its weight needs a word, or is empty; `absent` are the components that it
    does not have.
    """

    name: str
    kind: str
    model_year: int | None
    fuel: str | None
    weight: Weight | None
    due: date | None
    doubt: str = ""
    absent: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Told:
    """One vehicle with everything judged about it."""

    vehicle: Inspected
    outcome: Outcome
    items: tuple[Judged, ...]
    prices: tuple[tuple[Price, ...], ...]
    unpriced: int

    def total(self, of: str) -> float | None:
        """Return the cost to pass; None when something failed and none of it has a price."""
        priced = [getattr(price, of) for row in self.prices for price in row]
        return round(sum(priced), 2) if priced or not self.unpriced else None


def vehicles_table(told: Sequence[Told], currency: str) -> Table:
    """Return one row a vehicle, in the order given."""
    rows, evidence = [], []
    for one in told:
        decisive = [item for item in one.items if item.outcome == one.outcome]
        names = Joined(item.name for item in decisive)
        rows.append(
            (
                one.vehicle.name,
                one.outcome,
                sum(item.outcome == "fail" for item in one.items),
                sum(item.outcome == "not known" for item in one.items),
                one.total("middle") if one.outcome == "fail" else None,
                one.total("low") if one.outcome == "fail" else None,
                one.total("high") if one.outcome == "fail" else None,
                currency,
                one.unpriced,
                one.vehicle.due,
                "" if one.outcome == "pass" else names,
            )
        )
        evidence.append(tuple(dict.fromkeys(e for item in decisive for e in item.evidence)))
    return Table(
        name="vehicles",
        title="Outlook for the inspection",
        columns=_VEHICLES,
        rows=tuple(rows),
        evidence=tuple(evidence),
    )


def items_table(
    told: Sequence[Told], wear: Sequence[Wear], unit: Unit, *, everything: bool
) -> Table:
    """Return what is not a plain pass, or with one vehicle asked for, everything."""
    nearest: dict[tuple[str, str], Wear] = {}
    for part in wear:
        key = (part.vehicle, part.component)
        if key not in nearest or part.middle_km < nearest[key].middle_km:
            nearest[key] = part
    rows: list[tuple[Cell, ...]] = []
    evidence = []
    lining = ("brake.pad", "brake.shoe")
    components = {"tread": ("wheel.tire",), "lining": lining, "lining-air": lining}
    for one in told:
        for item, costs in zip(one.items, one.prices, strict=True):
            if not everything and item.outcome in ("pass", "not tested", "not known"):
                continue
            parts = [
                nearest[one.vehicle.name, c]
                for c in components.get(item.key, ())
                if (one.vehicle.name, c) in nearest
            ]
            left = (
                Joined((_left(part, unit) for part in parts), by="; ")
                if item.outcome == "pass"
                else ""
            )
            money = [
                round(sum(getattr(price, of) for price in costs), 2) if costs else None
                for of in ("middle", "low", "high")
            ]
            rows.append(
                (
                    one.vehicle.name,
                    item.name,
                    item.outcome,
                    *money,
                    item.citation,
                    item.mark,
                    item.detail,
                    left,
                )
            )
            worn = tuple(e for part in parts for e in part.evidence) if left else ()
            evidence.append(tuple(dict.fromkeys((*item.evidence, *worn))))
    return Table(
        name="items",
        title="Item by item" if everything else "What would fail or be sent back",
        columns=_ITEMS,
        rows=tuple(rows),
        evidence=tuple(evidence),
        holds=Holds.INSPECTED,
        marks=tuple(_MARKS.get(str(row[2]), Marks()) for row in rows),
    )


def _left(part: Wear, unit: Unit) -> Sentence:
    """Say how far the first part of a kind has to its limit."""
    written = f"{part.component} {part.position}".strip()
    name = PartName(written, part.component, part.position)
    if part.middle_km == float("inf"):
        return Sentence(
            "inspection-outlook.no-wear",
            "{component} {position}: no wear measured",
            component=PartName(part.component, part.component),
            position=PlaceName(part.position, part.component),
        )
    scale = KM_PER_MILE if unit == "mi" else 1.0
    low, middle, high = (
        Sentence("inspection-outlook.distance", "{distance:,.0f}", distance=round(km / scale, -2))
        if km != float("inf")
        else Sentence("unknown", "unknown")
        for km in (part.low_km, part.middle_km, part.high_km)
    )
    return Sentence(
        "inspection-outlook.until-the-limit",
        "{component}: about {middle} {unit} ({low} to {high}), from {measurements} measurements",
        component=name,
        middle=middle,
        unit=unit,
        low=low,
        high=high,
        measurements=part.number,
    )
