"""How many of each part to hold so that the time until new ones come is bridged."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from roadworn.analysis import Analysis, Answers, Cell, Column, Result, Settings, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Says, Sentence
from roadworn_plugins.ahead.due_now import due_now, not_failed
from roadworn_plugins.ahead.open_facts import parts_today
from roadworn_plugins.lifedata.counts import negative_binomial_quantile, poisson_quantile
from roadworn_plugins.projection.count_law import stock
from roadworn_plugins.projection.renewal import over_usage
from roadworn_plugins.shared.grouped import NOT_RECORDED, Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.projected import project, taken
from roadworn_plugins.shared.settings import MostRows, OnlyComponent, all_said
from roadworn_plugins.wear.chances import MeasuredParts

_MONTH = 365.25 / 12.0
#: Variance beyond the mean of less than this is none.
_HAIR = 1e-9
ABOUT = """\
Question: How many of each part are to be held, so that none is missing until new ones come?

Method: The failures of every fitted part within the lead time are those that next-repairs expects.
Their number is taken as Poisson, or as negative binomial where it varies more, since parts of one
kind share a rate that is not known exactly and a year that is good or bad for all. The reorder
point is the least number that suffices with the service level: when so many are left, order.

Assumptions: New parts come the lead time after they were ordered. One is what a job takes: the pads
of an axle, one filter. Services by plan are not in it; maintenance-due tells of those.

Reading: expected 1.4, reorder at 4: order when four are left; in 95 of 100 lead times they suffice.

Reference: Silver, Pyke and Thomas, Inventory and Production Management in Supply Chains (CRC,
2017), chapter 6, reorder point and service level P1, from memory.
"""
_say = Says(
    "stock",
    {
        "none": "No fitted part is known well enough to expect its failures.",
        "headline": "Hold {n} {n:kind|kinds} of part for {days:.0f} {days:day|days} of lead time; "
        "first {part}: order when {reorder} {reorder:is|are} left; {expected:.1f} expected.",
        "nothing": "For {days:.0f} {days:day|days} of lead time nothing need be held: each part "
        "comes in time {service:.0%} of the time.",
        "now": "{n} {n:part has|parts have} failed already and {n:is|are} wanted now, beside this.",
        "apart": "Held at one place, the fleet would do with {one} {one:part|parts}; apart it "
        "takes {apart}.",
        "pieces": "One is what a job takes; services by plan are not in it.",
        "depot": "{n} {n:vehicle has|vehicles have} no depot: record profile VEHICLE --depot NAME.",
        "not-shown": "{n} {n:row is|rows are} not shown; raise the setting most.",
    },
)


class StockSettings(Settings):
    """How long new parts take, and how sure one wants to be."""

    lead_time: Annotated[
        float, Field(gt=0, le=365, description="days from the order until parts come")
    ] = 14.0
    service: Annotated[
        float, Field(gt=0.5, lt=1, description="chance that the parts held suffice")
    ] = 0.95
    by: Annotated[
        Literal["fleet", "depot"], Field(description="held at one place, or by depot")
    ] = "fleet"
    component: OnlyComponent = None
    most: MostRows = 40


@dataclass(frozen=True, slots=True)
class Held:
    """What is wanted of one component at one place."""

    depot: str
    component: str
    fitted: int
    expected: float
    reorder: int
    now: int
    price: float | None
    events: tuple[str, ...]


def reorder_point(mean: float, variance: float, service: float) -> int:
    """Return the least number that suffices for a demand with this chance.

    Args:
        mean: expected number, above 0.
        variance: of the number; Poisson where it is not above the mean.
        service: chance, above 0 and below 1.
    """
    beyond = variance - mean
    if beyond <= _HAIR * mean:
        return int(poisson_quantile(service, np.array([mean]))[0])
    number = mean**2 / beyond
    share = number / (number + mean)
    return int(negative_binomial_quantile(service, np.array([number]), np.array([share]))[0])


def run(view: LedgerView, settings: StockSettings) -> Result:
    """Expect the failures of the lead time, and say what bridges it."""
    parts = parts_today(view, None)
    if not parts.component:
        return Result(_say("none"))
    months = settings.lead_time / _MONTH
    due = due_now(view, parts.prices, None)
    ahead = not_failed(parts, due)
    measured = MeasuredParts.load(view, parts).chances(months, None, "km")
    found = project(parts, months, measured=measured)
    averaged = over_usage(list(found.counts), found.weight)
    based = {
        str(vehicle): str(depot)
        for vehicle, depot in view.sql(
            "SELECT vehicle_id, depot FROM vehicles WHERE depot IS NOT NULL"
        ).rows
    }
    depots = [
        based.get(one, NOT_RECORDED) if settings.by == "depot" else "" for one in parts.vehicle
    ]
    live = np.zeros(len(parts.component), dtype=bool)
    live[ahead] = True

    def held(rows: Ints, depot: str, component: str) -> Held:
        one = stock(taken(averaged, rows[live[rows]]))
        numbers = np.arange(one.chance.size)
        spread = float(one.chance @ (numbers - one.expected) ** 2)
        spread += one.expected**2 * (parts.among_years + parts.level_variance)
        least = reorder_point(one.expected, spread, settings.service) if one.expected > 0 else 0
        prices = [p.middle for i in rows if (p := parts.price[i]) is not None]
        return Held(depot, component, int(rows.size), one.expected, least,
                    int(np.sum(~live[rows])), float(np.median(prices)) if prices else None,
                    _events(parts, rows))  # fmt: skip

    made, pooled = [], 0
    for component in sorted(
        {*parts.component} & {settings.component or c for c in parts.component}
    ):
        mine = np.flatnonzero([name == component for name in parts.component])
        at = [depots[i] for i in mine]
        made += [held(mine[np.array(at) == name], name, component) for name in sorted(set(at))]
        if settings.by == "depot":
            pooled += held(mine, "", component).reorder
    wanted = [one for one in made if one.reorder or one.now]
    wanted.sort(key=lambda one: (-one.reorder, -one.expected, one.component, one.depot))
    shown = wanted[: settings.most]
    without = {one for one in parts.vehicle if one not in based}
    apart = sum(one.reorder for one in made)
    return Result(
        _headline(wanted, settings),
        (_table(shown, settings, parts.prices.currency),),
        caveats=all_said(
            _say.some(sum(one.now for one in made), "now"),
            _say.when(settings.by == "depot" and apart > pooled, "apart", one=pooled, apart=apart),
            _say.some(len(without) if settings.by == "depot" else 0, "depot"),
            _say("pieces"),
            _say.some(len(wanted) - len(shown), "not-shown"),
        ),
    )


def _events(parts: PartsAhead, rows: Ints) -> tuple[str, ...]:
    return tuple(sorted({parts.started_by[i] for i in rows} - {""}))


def _headline(wanted: Sequence[Held], settings: StockSettings) -> Sentence:
    kinds = {one.component for one in wanted if one.reorder}
    if not kinds:
        return _say("nothing", days=settings.lead_time, service=settings.service)
    first = wanted[0]
    return _say(
        "headline",
        n=len(kinds),
        days=settings.lead_time,
        part=part_name(first.component),
        reorder=first.reorder,
        expected=first.expected,
    )


def _table(shown: Sequence[Held], settings: StockSettings, currency: str) -> Table:
    by_depot = settings.by == "depot"
    columns = (
        *((Column("depot", "depot"),) if by_depot else ()),
        Column("component", "component", "component", tells=Tells.COMPONENT),
        Column("fitted", "fitted places", "integer"),
        Column("expected", "expected", "number", tells=Tells.VALUE),
        Column("reorder", "order when left", "integer"),
        Column("now", "wanted now", "integer"),
        Column("price", "usual job", "money"),
        Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
    )
    rows: list[tuple[Cell, ...]] = []
    for one in shown:
        price = None if one.price is None else round(one.price, 2)
        cells = (one.component, one.fitted, round(one.expected, 2), one.reorder, one.now, price)
        rows.append(((one.depot,) if by_depot else ()) + (*cells, currency))
    evidence = tuple(one.events for one in shown)
    return Table("stock", "What to hold, the most needed first", columns, tuple(rows), evidence)


STOCK = Analysis(
    name="stock",
    title="Parts to hold",
    question="How many of each part are to be held until new ones come?",
    run=run,
    settings=StockSettings,
    about=ABOUT,
    answers=Answers.STOCK,
)
