"""Before a purchase: what to look at first on such a vehicle at such a distance."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roadworn.analysis import Cell, Column, Result, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, part_name
from roadworn.model.messages import Joined, Sentence
from roadworn.model.units import KM_PER_MILE
from roadworn.trade.cautions import as_caveat, cautions_for
from roadworn_plugins.class_record.figures import GROUPINGS, Job, Record
from roadworn_plugins.class_record.said import by_words, say
from roadworn_plugins.class_record.tables import MOST_EVENTS, critical
from roadworn_plugins.lifedata.special import gammaincinv
from roadworn_plugins.shared.prices import Price, Prices
from roadworn_plugins.shared.settings import Shown, all_said

_LOOK_COLUMNS = (
    Column("order", "order", "integer"),
    Column("component", "look first at", "component", tells=Tells.COMPONENT),
    Column("chance", "chance", "chance", tells=Tells.VALUE),
    Column("low", "low", "chance", tells=Tells.LOW),
    Column("high", "high", "chance", tells=Tells.HIGH),
    Column("price", "price", "money"),
    Column("cost", "chance times price", "money"),
    Column("rests_on", "rests on", tells=Tells.WHY),
)
#: What goes ahead is told for so far.
AHEAD_MILES = 12_000.0
#: So far before and behind the distance asked for, others' failures count as near it.
_NEAR_MILES = 20_000.0
#: What all vehicles did near that distance weighs as so many failures of the class.
_WEIGHT = 2.0


@dataclass(frozen=True, slots=True)
class Look:
    """One component to look at.

    Attributes:
        component: id.
        chance, low, high: that it fails within the distance ahead.
        failed: on the group near that distance.
        others: on all other vehicles near it.
        price: of the job, None where nothing tells it.
        events: behind it.
        by_trade: nothing near that distance is on record: a trade range alone speaks.
    """

    component: str
    chance: float
    low: float
    high: float
    failed: int
    others: int
    price: Price | None
    events: tuple[str, ...]
    by_trade: bool = False

    @property
    def cost(self) -> float:
        """Chance times price, 0 where it has none."""
        return self.chance * self.price.middle if self.price else 0.0


def near_km(distance_km: float) -> tuple[float, float]:
    """Return the stretch whose failures speak of what comes after a distance."""
    near = _NEAR_MILES * KM_PER_MILE
    return max(distance_km - near, 0.0), distance_km + AHEAD_MILES * KM_PER_MILE + near


def looks(
    record: Record,
    windows: Sequence[tuple[str, float, float]],
    group: str,
    distance_km: float,
    prices: Prices,
    vehicle_class: str | None,
    level: float,
) -> list[Look]:
    """Return what to look at, by chance times cost, what has no price by its chance alone.

    The rate of failures near that distance is a Gamma posterior: the group's own failures and
    distance, with all others' as a prior of two failures' weight.

    Args:
        record: failures by group.
        windows: group, first and last distance in km of each vehicle.
        group: the group asked for; one nobody has seen is told by all vehicles.
        distance_km: of the vehicle to buy.
        prices: of the ledger.
        vehicle_class: for prices.
        level: of the limits.
    """
    low, high = near_km(distance_km)
    far = {True: 0.0, False: 0.0}
    for name, start, stop in windows:
        far[name == group] += max(min(stop, high) - max(start, low), 0.0)
    own: dict[str, list[Job]] = {}
    others: dict[str, int] = {}
    for job in record.jobs:
        if job.km is not None and low <= job.km <= high:
            if job.group == group:
                own.setdefault(job.component, []).append(job)
            else:
                others[job.component] = others.get(job.component, 0) + 1
    ahead, side = AHEAD_MILES * KM_PER_MILE, (1.0 - level) / 2.0
    found = []
    for component in sorted({*own, *others}):
        seen, elsewhere = len(own.get(component, ())), others.get(component, 0)
        total = far[True] + far[False]
        rate = (seen + elsewhere) / total if total > 0.0 else 0.0
        if rate <= 0.0:
            continue
        a, b = _WEIGHT + seen, _WEIGHT / rate + far[True]
        # The posterior mean of 1 - exp(-rate x) under a Gamma law, and the ends of the rate.
        chance = 1.0 - float((b / (b + ahead)) ** a)
        ends = [1.0 - float(np.exp(-gammaincinv(a, p) / b * ahead)) for p in (side, 1.0 - side)]
        found.append(
            Look(
                component,
                chance,
                ends[0],
                ends[1],
                seen,
                elsewhere,
                prices.of(component, vehicle_class),
                tuple(event for job in own.get(component, ()) for event in job.events),
            )
        )
    if not found:
        found = _by_trade(distance_km, prices)
    found.sort(key=lambda look: (-look.cost, -look.chance, look.component))
    return found


def _by_trade(distance_km: float, prices: Prices) -> list[Look]:
    """Return what ends its trade range near that distance, where no vehicle is on record there.

    The range is read as holding 80 % of lives (common practice, no source), evenly on the log
    of distance; worn parts may have been replaced already, which nobody here knows.
    """
    start, stop = distance_km / KM_PER_MILE, distance_km / KM_PER_MILE + AHEAD_MILES
    found = []
    for component in catalogue():
        if component.life_miles is None or component.wear_type == "service":
            continue
        low, high = (float(np.log(end)) for end in component.life_miles)
        share = [
            float(np.clip(0.1 + 0.8 * (np.log(max(x, 1.0)) - low) / (high - low), 0.0, 1.0))
            for x in (start, stop)
        ]
        chance = (share[1] - share[0]) / max(1.0 - share[0], 0.1)
        if component.life_miles[0] <= stop and start <= component.life_miles[1] and chance > 0.0:
            found.append(
                Look(component.id, chance, 0.0, 1.0, 0, 0, prices.of(component.id, None), (), True)
            )
    return found


def before_purchase(
    view: LedgerView,
    record: Record,
    by: str,
    name: str,
    distance: float,
    shown: Shown,
    limits: tuple[float, int],
) -> Result:
    """Say what to look at first on such a vehicle at such a distance.

    Args:
        view: the ledger as of a day.
        record: failures by group.
        by: what vehicles are put together by.
        name: the group asked for, empty for any vehicle.
        distance: of the vehicle to buy, in the unit shown.
        shown: how distances are shown.
        limits: level of the limits, and rows at the most.
    """
    level, most = limits
    km = distance * (1.0 if shown.unit == "km" else KM_PER_MILE)
    rows = view.sql(
        f"""SELECT {GROUPINGS[by]}, coalesce(enrolment_km, 0), last_km, vehicle_class
            FROM vehicles WHERE last_km IS NOT NULL ORDER BY vehicle_id"""
    ).rows
    kinds = {str(row[3]) for row in rows if row[0] == name and row[3]}
    kind = kinds.pop() if len(kinds) == 1 else None
    windows = [(str(row[0]), float(row[1]), float(row[2])) for row in rows]
    prices = Prices.load(view)
    found = looks(record, windows, name, km, prices, kind, level)
    listed = [look for look in found if look.chance >= 0.005][:most]
    unknown = name not in record.groups
    ahead = AHEAD_MILES * (1.0 if shown.unit == "mi" else KM_PER_MILE)
    parts = Joined((_told(look, prices, ahead, shown) for look in listed[:4]), "; ")
    columns = tuple(
        replace(column, unit=prices.currency) if column.kind == "money" else column
        for column in _LOOK_COLUMNS
    )
    return Result(
        headline=say(
            "before",
            name=name or say("any"),
            distance=distance,
            unit=shown.word,
            parts=parts,
        )
        if listed
        else say("before-none"),
        tables=(
            Table(
                "look_first",
                "What to look at first, by chance of failing and cost",
                columns,
                tuple(_look_row(order, look) for order, look in enumerate(listed, start=1)),
                tuple(look.events[:MOST_EVENTS] for look in listed),
                marks=tuple(critical(look.component) for look in listed),
            ),
        ),
        caveats=all_said(
            say.when(unknown, "unknown-group"),
            say("unlike", by=by_words(by)),
            say.some(len(found) - len(listed), "not-shown"),
            *(as_caveat(text) for text in cautions_for(look.component for look in listed[:8])),
        ),
    )


def _told(look: Look, prices: Prices, ahead: float, shown: Shown) -> Sentence:
    cost: str = ""
    if look.price is not None:
        cost = say("before-cost", cost=look.price.middle, currency=prices.currency)
    return say(
        "before-part",
        part=part_name(look.component),
        chance=look.chance,
        ahead=round(ahead, -2),
        unit=shown.word,
        cost=cost,
    )


def _look_row(order: int, look: Look) -> tuple[Cell, ...]:
    rests = say("by-own" if look.failed else "by-others", n=look.failed, others=look.others)
    if look.by_trade:
        rests = say("by-trade")
    price = look.price
    return (
        order,
        look.component,
        look.chance,
        None if look.by_trade else look.low,
        None if look.by_trade else look.high,
        None if price is None else round(price.middle, 2),
        None if price is None else round(look.cost, 2),
        rests,
    )
