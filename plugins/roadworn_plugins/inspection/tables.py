"""How the outlook for the inspection is laid out: one row a vehicle, and one an item."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from roadworn.analysis import Cell, Column, Holds, Mark, Marks, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, PartName, PlaceName, Says, Sentence
from roadworn.model.units import KM_PER_MILE
from roadworn.trade.limits import Weight
from roadworn_plugins.inspection.outcomes import Judged, Outcome
from roadworn_plugins.shared.grouped import Unit
from roadworn_plugins.shared.prices import Price, Prices
from roadworn_plugins.shared.rule_sets import RuleSet
from roadworn_plugins.shared.settings import first_of
from roadworn_plugins.wear.measured import Wear

_say = Says(
    "inspection-outlook",
    {
        "officials": "Official inspections by the day they run out",
        "cause-open": "{item}, its cause not found yet",
        "points-to-priced": "{item}, its cause not found yet (points to {part}, {middle:,.0f} "
        "{currency} if it is that)",
        "official": "Official {inspection} inspection on {day}: {result}; when it runs out is not "
        "on record.",
        "official-due": "Official {inspection} inspection on {day}: {result}; due {due}.",
        "official-expired": "Official {inspection} inspection on {day}: {result}; expired on "
        "{due}.",
    },
)
#: Of a fleet so many items are named a vehicle; one vehicle asked for has them all.
_NAMED = 3
_OFFICIALS = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("inspection", "inspection"),
    Column("result", "result"),
    Column("on", "on", "date"),
    Column("due", "due", "date"),
    Column("days_left", "days left", "integer"),
)
_VEHICLES = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("outlook", "outlook"),
    Column("fails", "fails", "integer"),
    Column("not_known", "not known", "integer"),
    Column("cost", "priced so far, to pass", "money"),
    Column("cost_low", "low", "money", tells=Tells.LOW),
    Column("cost_high", "high", "money", tells=Tells.HIGH),
    Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
    Column("unpriced", "still to be priced", "integer"),
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
    Column("seen_on", "last seen sound", "date", detail=True, tells=Tells.SINCE),
    Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
)


_MARKS = {
    "fail": Marks({Mark.FAILED}),
    "reject": Marks({Mark.SENT_BACK}),
    "not known": Marks({Mark.NOT_KNOWN}),
    "pass": Marks({Mark.PASSES}),
}


@dataclass(frozen=True, slots=True)
class Official:
    """The latest result of one sort of official inspection of a vehicle.

    Attributes:
        inspection: safety, emission or combined.
        result: pass, fail, reject or not_tested.
        on: its day.
        due: the day it runs out, None where nobody wrote it down.
        event: id of the result.
    """

    inspection: str
    result: str
    on: date
    due: date | None
    event: str

    def state(self, today: date, days: int) -> str:
        """Return expired, runs out (within so many days), later, or unknown."""
        if self.due is None:
            return "unknown"
        if self.due < today:
            return "expired"
        return "runs out" if (self.due - today).days <= days else "later"

    def words(self, today: date) -> Sentence:
        """Say how it came out and when it runs out."""
        word = "official"
        if self.due is not None:
            word = "official-expired" if self.due < today else "official-due"
        outcome = self.result.replace("_", " ")
        told = {"inspection": self.inspection, "result": outcome, "day": self.on}
        return _say(word, due=self.due, **told)


def officials_of(view: LedgerView) -> Mapping[str, tuple[Official, ...]]:
    """Return vehicle -> the latest result of each sort of official inspection.

    The date due is the latest that was written down: a result without one changes nothing of it.
    """
    found: dict[str, tuple[Official, ...]] = {}
    for vehicle, *told in view.sql(
        """SELECT vehicle_id, inspection, max_by(result, (occurred_on, seq)), max(occurred_on),
                  max_by(due_date, (occurred_on, seq)) FILTER (WHERE due_date IS NOT NULL),
                  max_by(event_id, (occurred_on, seq))
           FROM inspection_results GROUP BY vehicle_id, inspection
           ORDER BY vehicle_id, inspection"""
    ).rows:
        found[vehicle] = (*found.get(vehicle, ()), Official(*told))
    return found


def officials_table(told: Sequence["Told"], today: date, within: int | None) -> tuple[Table, ...]:
    """Return the official inspections by the day they run out; nothing where there is none.

    Args:
        told: the vehicles.
        today: the day asked about.
        within: only those that have run out or do within so many days; all where None.
    """
    rows = sorted(
        (
            (one.vehicle.name, last)
            for one in told
            for last in one.vehicle.officials
            if within is None or last.state(today, within) in ("expired", "runs out")
        ),
        key=lambda row: (row[1].due or date.max, row[0], row[1].inspection),
    )
    if not rows:
        return ()
    cells = tuple(
        (
            *(name, last.inspection, last.result.replace("_", " "), last.on, last.due),
            None if last.due is None else (last.due - today).days,
        )
        for name, last in rows
    )
    title = _say("officials")
    events = tuple((last.event,) for _name, last in rows)
    return (Table("official_inspections", title, _OFFICIALS, cells, events, Holds.RUN_OUT),)


@dataclass(frozen=True, slots=True)
class Inspected:
    """What of a vehicle decides which rules hold for it; `officials` are its official results.

    `rules` are those that hold for it, `inspected_by` what its profile names and `unread` why that
    cannot be read, both empty where there is nothing to say. `asked` is whether an inspection is
    asked for at all. `doubt` says why its weight needs a word, or is empty; `absent` are the
    components that it does not have.
    """

    name: str
    kind: str
    model_year: int | None
    fuel: str | None
    weight: Weight | None
    rules: RuleSet
    officials: tuple["Official", ...] = ()
    doubt: str = ""
    absent: frozenset[str] = frozenset()
    asked: bool = True
    inspected_by: str = ""
    unread: str = ""

    @property
    def due(self) -> date | None:
        """The first day on which one of its official inspections runs out."""
        return min((one.due for one in self.officials if one.due is not None), default=None)


@dataclass(frozen=True, slots=True)
class Told:
    """One vehicle with everything judged about it."""

    vehicle: Inspected
    outcome: Outcome
    items: tuple[Judged, ...]
    prices: tuple[tuple[Price, ...], ...]
    unpriced: tuple[str, ...]

    @property
    def seen(self) -> list[date]:
        """The days on which what passes was last seen sound."""
        return [day for item in self.items for day in item.seen]

    def total(self, of: str) -> float | None:
        """Return the cost to pass; None when something failed and none of it has a price."""
        priced = [getattr(price, of) for row in self.prices for price in row]
        return round(sum(priced), 2) if priced or not self.unpriced else None


def cause_open(item: Judged, vehicle: Inspected, prices: Prices) -> Sentence:
    """Return an item whose cause nobody has found, with what it would be if the code is right."""
    for component in item.points_to[:1]:
        price = prices.of(component, vehicle.kind, vehicle.name)
        if price is not None and price.number:
            return _say(
                "points-to-priced",
                item=item.name,
                part=part_name(component),
                middle=price.middle,
                currency=prices.currency,
            )
    return _say("cause-open", item=item.name)


def vehicles_table(told: Sequence[Told], currency: str, *, whole: bool) -> Table:
    """Return one row a vehicle, in the order given; `whole` names every item that decides."""
    rows, evidence = [], []
    for one in told:
        decisive = [item for item in one.items if item.outcome == one.outcome]
        every = [item.name for item in decisive]
        names = first_of(every, len(every) if whole else _NAMED)
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
                len(one.unpriced),
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
    told: Sequence[Told], wear: Sequence[Wear], unit: Unit, currency: str, *, everything: bool
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
                    min(item.seen, default=None),
                    currency if costs else None,
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
    name = part_name(part.component, part.position)
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
