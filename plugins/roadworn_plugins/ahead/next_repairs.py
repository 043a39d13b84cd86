"""What is due and what fails next on each vehicle, how likely that is, and what it would cost."""

from typing import Annotated

import numpy as np
from pydantic import Field

from roadworn.analysis.result import Analysis, Answers, Estimate, Mark, Result, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Sentence, as_sentence, some_of
from roadworn_plugins.ahead.due_now import DueItem, State, due_now, not_failed
from roadworn_plugins.ahead.measured import MeasuredParts
from roadworn_plugins.ahead.quarters import CAVEAT, ENDS, quarters_table
from roadworn_plugins.ahead.tables import due_table, next_table, stock_table, totals_table
from roadworn_plugins.shared.grouped import Floats, Ints, Unit, preferred_unit
from roadworn_plugins.shared.parts_ahead import PartsAhead, load_parts
from roadworn_plugins.shared.projected import (
    LEVEL,
    Band,
    Projection,
    money,
    project,
    project_months,
)

ABOUT = """\
Question: What is due, what fails next, how likely is it, and what would it cost?

Method: First what is due already: open findings, codes, work put off. Then every fitted part
with the chance that it fails within the time asked about: a Weibull life of its component,
one shape and a rate of its class that borrows strength from the other classes, on the clock
that fits (distance, or calendar for what ages standing still), over the distance this vehicle
is likely to cover, its spread averaged. A part of unknown age is as old as it has been seen at
least and as the vehicle at most. A part measured often enough is projected by its own wear, to
the figure at which such parts were replaced here, or the legal limit where too few were.
Totals count a replacement's own failures too (renewal) and share the uncertainty of a rate
among all parts it holds for. Prices are the ledger's own, raised to today.

Assumptions: The vehicle goes on being used as it was; parts fail independently given their
rates; what fails is replaced at once by a new part of the same kind.

Reading: 22 % (14 to 33 %): of 100 such parts about 22 fail within the time. The limits say how
well the rate is known; they are not the luck of one part.

Reference: Cox, Renewal Theory (1962); Gamma-Weibull prediction as in Hamada et al., Bayesian
Reliability (Springer, 2008).
"""
#: With fewer parts on record than this, the sum over them is no cost of the vehicle.
LEAST_PARTS = 8
_HORIZONS = (6, 12, 24, 36)


class NextRepairsSettings(Settings):
    """How far to look ahead, and for which vehicle."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    months: Annotated[float, Field(gt=0, le=60, description="how far to look ahead")] = 12.0
    distance: Annotated[
        float | None, Field(gt=0, description="distance to look ahead instead of months")
    ] = None
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    yearly_rise: Annotated[
        float | None,
        Field(gt=-0.5, lt=1, description="rise of prices a year; the ledger's own when not given"),
    ] = None
    service: Annotated[
        float, Field(gt=0.5, lt=1, description="chance that the stock suffices, for a fleet")
    ] = 0.95
    least_chance: Annotated[
        float, Field(ge=0, le=1, description="smaller chances are only added up")
    ] = 0.05
    least_parts: Annotated[
        int, Field(ge=0, description="with fewer priced parts: too few to tell")
    ] = LEAST_PARTS
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 25


def run(view: LedgerView, settings: NextRepairsSettings) -> Result:
    """Gather what is due and project every fitted part."""
    unit = settings.unit or preferred_unit(view)
    parts = load_parts(view, settings.vehicle, yearly_rise=settings.yearly_rise)
    due = due_now(view, parts.prices, settings.vehicle)
    ahead = not_failed(parts, due)
    measured = MeasuredParts.load(view, parts)
    wear = measured.chances(settings.months, settings.distance, unit)
    by_months = _by_months(measured, settings)
    if settings.distance is None:
        found = by_months[settings.months]
    else:
        found = project(parts, settings.months, settings.distance, unit, measured=wear)
    asked = money(parts, found, ahead)
    span = _span(settings, unit)
    order = _order(parts, found.chance, ahead, settings)
    tables: list[Table] = []
    if due:
        tables.append(due_table(due, settings.vehicle is None, settings.most))
    tables.append(next_table(view, parts, found, order, unit, span, wear))
    told = not too_few(parts, settings.vehicle, settings.least_parts)
    if settings.distance is None and told:
        bands = {
            m: asked if m == settings.months else money(parts, by_months[m], ahead)
            for m in _HORIZONS
        }
        tables.append(totals_table(bands, parts.prices.currency))
    if settings.vehicle is None and settings.distance is None and told:
        tables.append(quarters_table(view, parts, by_months, ahead))
        tables.append(stock_table(parts, found, ahead, settings.service, span))
    estimate = _estimate(parts, asked, span, settings.vehicle, settings.least_parts)
    return Result(
        headline=_headline(settings.vehicle, due, estimate, span),
        tables=tuple(tables),
        estimates=(estimate,),
        caveats=(
            *_caveats(parts, found.chance, wear),
            *((CAVEAT,) if any(table.name == "by_quarter" for table in tables) else ()),
        ),
    )


def _by_months(measured: MeasuredParts, settings: NextRepairsSettings) -> dict[float, Projection]:
    """Project to every horizon that a table needs, all at once; none for a distance."""
    if settings.distance is not None:
        return {}
    quarters = ENDS if settings.vehicle is None else ()
    months = sorted({settings.months, *_HORIZONS, *quarters})
    worn = [measured.chances(m) for m in months]
    return project_months(measured.parts, months, measured=worn)


def _order(
    parts: PartsAhead,
    chance: Floats,
    ahead: Ints,
    settings: NextRepairsSettings,
) -> list[int]:
    """Return the parts to list, by chance times cost; safety first among equals."""
    likely = [int(i) for i in ahead if chance[i] >= settings.least_chance]

    def weight(i: int) -> float:
        price = parts.price[i]
        return float(chance[i]) * (price.middle if price is not None else 1.0)

    likely.sort(key=lambda i: (-weight(i), parts.component[i], parts.position[i]))
    return likely[: settings.most]


def _span(settings: NextRepairsSettings, unit: Unit) -> Sentence:
    if settings.distance is not None:
        return Sentence(
            "next-repairs.distance", "{distance:,.0f} {unit}", distance=settings.distance, unit=unit
        )
    return Sentence("next-repairs.months", "{months:g} months", months=settings.months)


def _whose(vehicle: str | None) -> str:
    return vehicle or Sentence("next-repairs.fleet", "the fleet")


def too_few(parts: PartsAhead, vehicle: str | None, least: int) -> Sentence | None:
    """Say that too little is on record to add the future up, None where there is enough."""
    priced = sum(1 for price in parts.price if price is not None and price.number)
    if priced >= least:
        return None
    number = "no fitted part has" if not priced else "only {priced} fitted part"
    number += "" if not priced else "s have" if priced > 1 else " has"
    return Sentence(
        "next-repairs.too-few",
        "too few to tell what the coming months cost: of {whose} "
        + number
        + " both a life and a price on record",
        whose=_whose(vehicle),
        priced=priced,
    )


def _estimate(
    parts: PartsAhead, band: Band, span: str, vehicle: str | None, least: int
) -> Estimate:
    models = [clocked.model for clocked in parts.models.values()]
    unpriced = sum(1 for price in parts.price if price is None)
    words = too_few(parts, vehicle, least)
    return Estimate(
        name=Sentence("next-repairs.cost", "cost of failures within {span}", span=span),
        value=None if words else band.expected,
        unit=parts.prices.currency,
        low=None if words else band.low,
        high=None if words else band.high,
        level=LEVEL,
        method="renewal of every fitted part, prices and rates uncertain",
        failures=int(sum(model.failures.sum() for model in models)),
        running=int(sum(model.running.sum() for model in models)),
        left_out=unpriced,
        why_left_out="no price known" if unpriced else "",
        words=words or "",
    )


def _headline(vehicle: str | None, due: list[DueItem], total: Estimate, span: str) -> Joined:
    whose = _whose(vehicle)
    safety = [item for item in due if item.state is State.SAFETY]
    open_ = [item for item in due if Mark.OPEN in item.state.marks]
    first = ""
    if safety:
        named = Joined(
            item.name
            if vehicle
            else Sentence(
                "next-repairs.of", "{part} of {vehicle}", part=item.name, vehicle=item.vehicle
            )
            for item in safety[:3]
        )
        first = Sentence("next-repairs.safety", "Safety first: {parts} failed.", parts=named)
    elif open_:
        first = Sentence(
            "next-repairs.open",
            "{number} items open." if len(open_) > 1 else "{number} item open.",
            number=len(open_),
        )
    if total.value is None:
        second = as_sentence(total.words)
    elif not total.value:
        second = Sentence(
            "next-repairs.none",
            "No fitted part with a known price is likely to fail on {whose} in {span}.",
            whose=whose,
            span=span,
        )
    else:
        second = Sentence(
            "next-repairs.expected",
            "Within {span} expect about {value:,.0f} {currency} of failures on {whose} "
            "({low:,.0f} to {high:,.0f}).",
            span=span,
            value=total.value,
            currency=total.unit,
            whose=whose,
            low=total.low,
            high=total.high,
        )
    return Joined((first, second), " ")


def _caveats(parts: PartsAhead, chance: Floats, wear: dict[int, Floats]) -> tuple[str, ...]:
    caveats = []

    def say(word: str, template: str, /, **arguments: object) -> None:
        caveats.append(Sentence(f"next-repairs.{word}", template, **arguments))

    unknown = int(np.sum(~parts.known))
    if unknown:
        say(
            "unknown-age",
            "{unknown} of {parts} parts are of unknown age; each is taken as old as it has been "
            "seen at least and as the vehicle at most.",
            unknown=unknown,
            parts=parts.size,
        )
    by_trade = [part_name(c) for c, one in sorted(parts.models.items()) if one.model.by_trade]
    if by_trade:
        say(
            "by-trade",
            "No failure on record of {parts}: the trade range stands in.",
            parts=some_of(by_trade, 4),
        )
    single = sorted(
        {
            c
            for i, c in enumerate(parts.component)
            if parts.models[c].model.failures.sum() == 1 and chance[i] >= 0.05
        }
    )
    if single:
        say(
            "single",
            "What is said of {parts} rests on a single failure.",
            parts=Joined(map(part_name, single[:4])),
        )
    if parts.without_model:
        say(
            "without-model",
            "Neither a failure nor a trade range is known of {parts}.",
            parts=Joined(map(part_name, parts.without_model[:4])),
        )
    assumed = len(
        {parts.vehicle[i] for i in range(parts.size) if parts.paces.assumed[parts.car[i]]}
    )
    if assumed:
        say(
            "assumed-pace",
            f"{{number}} {'vehicles have' if assumed > 1 else 'vehicle has'} too few readings: "
            "the fleet's usual distance stands in.",
            number=assumed,
        )
    if parts.prices.yearly_rise:
        say(
            "raised",
            "Older prices are raised by {rise:.1%} a year.",
            rise=parts.prices.yearly_rise,
        )
    if parts.prices.other_currencies:
        say(
            "other-currencies",
            "{number} replacements in another currency are left out.",
            number=parts.prices.other_currencies,
        )
    if wear:
        say("worn", "{number} parts are projected by their own measured wear.", number=len(wear))
    return tuple(caveats)


NEXT_REPAIRS = Analysis(
    name="next-repairs",
    title="What is due and what goes next",
    question="What is due, what fails next, how likely is it, and what would it cost?",
    run=run,
    settings=NextRepairsSettings,
    about=ABOUT,
    answers=Answers.GOES_NEXT,
)
