"""Keep it, fix it, or let it go: what each costs a month, how sure that is, what would turn it."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from roadworn.analysis.result import Analysis, Column, Estimate, Result, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn_plugins.ahead.due_now import FAILED, PUT_OFF, SAFETY, DueItem, due_now
from roadworn_plugins.ahead.next_repairs import LEAST_PARTS, too_few
from roadworn_plugins.inspection.inspection_outlook import INSPECTION_OUTLOOK
from roadworn_plugins.keep.options import (
    FIX,
    FIX_AND_LET_GO,
    KEEP,
    LET_GO,
    USUAL_LOSS,
    Option,
    Situation,
    Worth,
    keeping,
    letting_go,
    repair_that_flips,
    running_that_flips,
    usual_repairs,
    value_where_it_flips,
    worth_of,
)
from roadworn_plugins.projection.grid_total import grid_total
from roadworn_plugins.shared.grouped import Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead, load_parts
from roadworn_plugins.shared.projected import LEVEL, Band, Projection, money, project, spread, taken

ABOUT = """\
Question: Keep it as it is, fix what is open and keep it, or let it go?

Method: Each way of going on is turned into a level amount a month over the horizon: money tied
up or paid now, repairs to expect (the projection of `next-repairs`), value left at the end, at
what money is worth a year. Keeping counts what the vehicle would fetch today as tied up. The
chance that keeping is cheaper is that of the repairs staying below the amount at which the two
cost the same.

Assumptions: Fuel, insurance and upkeep by plan are taken to be the same either way. The price
and the repairs of the vehicle that takes its place are as the user states them.

Reading: "keep, by 60 a month, 8 in 10" means that in 8 of 10 such futures keeping costs less.
Safety items come first whatever the sums say.

Reference: equivalent monthly cost, any text of engineering economics. Rules of thumb such as
"a repair of more than half the value" are not evidence and are not used.
"""


class KeepOrSellSettings(Settings):
    """What only the owner can say."""

    vehicle: Annotated[str | None, Field(description="the vehicle")] = None
    months: Annotated[int, Field(ge=3, le=60, description="horizon")] = 24
    value: Annotated[float | None, Field(ge=0, description="what it would fetch as it is")] = None
    value_fixed: Annotated[
        float | None, Field(ge=0, description="what it would fetch with the open work done")
    ] = None
    replacement_price: Annotated[
        float | None, Field(ge=0, description="price of the vehicle that would take its place")
    ] = None
    replacement_repairs: Annotated[
        float | None,
        Field(ge=0, description="repairs of that vehicle a year; its class here when not given"),
    ] = None
    replacement_loss: Annotated[
        float, Field(ge=0, lt=1, description="share of its price that it loses a year")
    ] = USUAL_LOSS
    duty: Annotated[
        Literal["", "local", "long", "passengers"], Field(description="what it is used for")
    ] = ""
    must_pass: Annotated[
        bool, Field(description="whether an inspection has to be passed within the horizon")
    ] = False
    least_parts: Annotated[
        int, Field(ge=0, description="with fewer priced parts on record: too few to tell")
    ] = LEAST_PARTS
    runs: Annotated[bool, Field(description="whether it runs as it stands")] = True
    yearly_rate: Annotated[
        float, Field(gt=-0.5, lt=1, description="what money is worth a year")
    ] = 0.04


def run(view: LedgerView, settings: KeepOrSellSettings) -> Result:
    """Compare the ways of going on with one vehicle."""
    if settings.vehicle is None:
        raise UsageError("Say which vehicle: analyse keep-or-sell --vehicle VEHICLE.")
    parts = load_parts(view, settings.vehicle)
    due = due_now(view, parts.prices, settings.vehicle)
    open_ = [item for item in due if item.state in {SAFETY, FAILED, PUT_OFF}]
    ahead = np.array(
        [i for i in range(parts.size) if not _is_open(parts, i, open_)], dtype=np.int64
    )
    found = project(parts, settings.months)
    band = money(parts, found, ahead)
    few = too_few(parts, settings.vehicle, settings.least_parts)
    if few:
        return _too_few(few, due)
    pace = float(parts.paces.per_month[parts.car[0]]) if parts.size else 0.0
    worth = worth_of(view, settings.vehicle, settings.value, parts.prices.currency, pace)
    to_pass = _to_pass(view, settings) if settings.must_pass else 0.0
    usual = usual_repairs(view, settings.vehicle, parts.prices.currency)
    situation = _situation(settings, worth, open_, band, to_pass, usual)
    options = _options(situation, open_, settings)
    best = min((o for o in options if o.offered), key=lambda o: o.monthly, default=None)
    turns, sure = _turns(situation, options, parts, found, ahead)
    safety = [item for item in due if item.state == SAFETY]
    currency = worth.currency or parts.prices.currency
    return Result(
        headline=_headline(safety, options, best, settings, currency, sure),
        tables=(
            _options_table(options, currency, worth, open_),
            Table("turns", "What would change the answer", (Column("turn", "turn"),), turns),
        ),
        estimates=tuple(
            Estimate(
                name=option.name,
                value=option.monthly,
                unit=f"{currency} a month",
                low=option.low,
                high=option.high,
                level=LEVEL,
                method=f"level monthly cost over {settings.months} months",
            )
            for option in options
        ),
        caveats=_caveats(settings, worth, open_, parts, found, ahead, usual),
    )


def _too_few(words: str, due: list[DueItem]) -> Result:
    """Say that no sum can be made, and what has to be done whatever the sums would say."""
    safety = [item.name for item in due if item.state == SAFETY]
    first = f"Safety first: {', '.join(safety[:3])}; repair before driving. " if safety else ""
    return Result(
        headline=f"{first}No advice by money: {words}.",
        caveats=(
            "Record what is replaced, with reason, reading and price; or import old invoices.",
        ),
    )


def _is_open(parts: PartsAhead, i: int, open_: list[DueItem]) -> bool:
    """Whether a part is among the open failed items: its cost is in the fix, not ahead."""
    return any(
        item.component == parts.component[i] and item.position in {parts.position[i], ""}
        for item in open_
        if item.state != PUT_OFF
    )


def _to_pass(view: LedgerView, settings: KeepOrSellSettings) -> float:
    """Return what passing would cost, by the default rule set; its words say whose rules."""
    chosen = INSPECTION_OUTLOOK.settings.model_validate({"vehicle": settings.vehicle})
    result = INSPECTION_OUTLOOK.run(view, chosen)
    values = [e.value for e in result.estimates if e.value is not None]
    return float(values[0]) if values else 0.0


def _situation(
    settings: KeepOrSellSettings,
    worth: Worth,
    open_: list[DueItem],
    band: Band,
    to_pass: float,
    usual: float,
) -> Situation:
    priced = [item.price for item in open_ if item.price is not None]
    fix = (
        sum(p.low for p in priced),
        sum(p.middle for p in priced),
        sum(p.high for p in priced),
    )
    value = worth.now or 0.0
    months = settings.months
    return Situation(
        months=months,
        yearly_rate=settings.yearly_rate,
        value=value,
        value_fixed=value if settings.value_fixed is None else settings.value_fixed,
        value_then=(1.0 - worth.yearly_loss) ** (months / 12.0),
        fix=fix,
        running=(band.low, band.expected, band.high),
        to_pass=to_pass,
        other_price=settings.replacement_price,
        other_then=(1.0 - settings.replacement_loss) ** (months / 12.0),
        other_running=(
            usual if settings.replacement_repairs is None else settings.replacement_repairs
        ),
    )


def _options(s: Situation, open_: list[DueItem], settings: KeepOrSellSettings) -> list[Option]:
    safety = any(item.state == SAFETY for item in open_)
    why_not = ""
    if safety:
        why_not = "a safety item is open: not offered until it is repaired"
    elif not settings.runs:
        why_not = "it does not run as it stands"
    low, middle, high = keeping(s, fixed=False)
    options = [Option(KEEP, middle, low, high, s.to_pass, not why_not, why_not)]
    if open_:
        low, middle, high = keeping(s, fixed=True)
        options.append(Option(FIX, middle, low, high, s.fix[1]))
    if s.other_price is not None:
        gone = letting_go(s, fixed=False)
        options.append(Option(LET_GO, gone, gone, gone, s.other_price - s.value))
        if open_ and s.value_fixed - s.value > s.fix[1]:
            gone = letting_go(s, fixed=True)
            at_once = s.other_price + s.fix[1] - s.value_fixed
            options.append(Option(FIX_AND_LET_GO, gone, gone, gone, at_once))
    return options


def _turns(
    s: Situation,
    options: list[Option],
    parts: PartsAhead,
    found: Projection,
    ahead: Ints,
) -> tuple[tuple[tuple[str], ...], float | None]:
    """Return what would change the answer in words, and the chance that keeping is cheaper."""
    kept = [o for o in options if o.name in {KEEP, FIX} and o.offered]
    gone = [o for o in options if o.name in {LET_GO, FIX_AND_LET_GO}]
    if not kept:
        return (), None
    best = min(kept, key=lambda o: o.monthly)
    if not gone:
        words = (
            f"Letting it go is cheaper if another way of getting there costs less than "
            f"{best.monthly:,.0f} a month all in: a price of a replacement was not given."
        )
        return ((words,),), None
    gap = min(o.monthly for o in gone) - best.monthly
    sure = _chance_below(parts, found, ahead, running_that_flips(s, gap))
    turns = []
    value = value_where_it_flips(s, gap)
    if value > 0 and np.isfinite(value):
        more = "more" if gap > 0 else "less"
        turns.append(f"It turns if the vehicle would fetch {more} than {value:,.0f} as it is.")
    if gap > 0:
        turns.append(
            f"It turns if one more repair of over {repair_that_flips(s, gap):,.0f} is needed now."
        )
    elif s.fix[1] > 0 and best.name == FIX and -repair_that_flips(s, gap) < s.fix[1]:
        left = s.fix[1] + repair_that_flips(s, gap)
        turns.append(f"It turns if the open work can be had for less than {left:,.0f}.")
    total = running_that_flips(s, gap)
    if total > 0:
        word = "over" if gap > 0 else "under"
        turns.append(
            f"It turns if repairs over the {s.months} months come to {word} {total:,.0f} "
            f"({s.running[1]:,.0f} are expected)."
        )
    return tuple((turn,) for turn in turns), sure


def _chance_below(
    parts: PartsAhead,
    found: Projection,
    ahead: Ints,
    amount: float,
) -> float | None:
    """Return the chance that the repairs ahead stay below an amount."""
    priced = np.array([i for i in ahead if parts.price[i] is not None], dtype=np.int64)
    if priced.size == 0:
        return None
    if amount <= 0:
        return 0.0
    counts = [taken(c, priced) for c in found.counts]
    total = grid_total(counts, spread(parts, priced), usage_weight=found.weight)
    return 1.0 - total.chance_above(amount)


def _headline(
    safety: list[DueItem],
    options: list[Option],
    best: Option | None,
    settings: KeepOrSellSettings,
    currency: str,
    sure: float | None,
) -> str:
    first = ""
    if safety:
        first = f"Safety first: {', '.join(i.name for i in safety[:3])}; repair before driving. "
    if best is None:
        return (
            f"{first}No way of going on can be offered: give the price of a replacement, "
            "replacement-price."
        )
    others = [o for o in options if o.offered and o is not best]
    if settings.replacement_price is None:
        return (
            f"{first}To {best.name} costs about {best.monthly:,.0f} {currency} a month "
            f"({best.low:,.0f} to {best.high:,.0f}). Letting it go is not compared: give "
            "the price of a replacement, replacement-price."
        )
    second = min(others, key=lambda o: o.monthly) if others else None
    lead = f", {second.monthly - best.monthly:,.0f} less than to {second.name}" if second else ""
    odds = ""
    if sure is not None:
        cheaper = sure if best.name in {KEEP, FIX} else 1.0 - sure
        odds = f"; cheaper than the other way in {cheaper * 10:.0f} of 10 such futures"
    return (
        f"{first}{best.name.capitalize()}: about {best.monthly:,.0f} {currency} a month"
        f"{lead}{odds}."
    )


def _options_table(
    options: list[Option], currency: str, worth: Worth, open_: list[DueItem]
) -> Table:
    events = tuple(
        dict.fromkeys((*worth.events[-3:], *(e for item in open_ for e in item.events if e)))
    )
    return Table(
        name="options",
        title="The ways of going on, cheapest offered first",
        columns=(
            Column("option", "way"),
            Column("monthly", "a month", "money", currency),
            Column("low", "low", "money"),
            Column("high", "high", "money"),
            Column("at_once", "now", "money"),
            Column("offered", "offered"),
            Column("why_not", "why not"),
        ),
        rows=tuple(
            (o.name, o.monthly, o.low, o.high, o.at_once, "yes" if o.offered else "no", o.why_not)
            for o in sorted(options, key=lambda o: (not o.offered, o.monthly))
        ),
        evidence=tuple(events for _option in options),
    )


def _caveats(
    settings: KeepOrSellSettings,
    worth: Worth,
    open_: list[DueItem],
    parts: PartsAhead,
    found: Projection,
    ahead: Ints,
    usual: float,
) -> tuple[str, ...]:
    caveats = [f"The vehicle: {worth.words}."]
    if any(item.state == SAFETY for item in open_):
        caveats.append(
            "Whoever takes it over is told of the open safety item, and it is towed, not driven."
        )
    unpriced = [item.name for item in open_ if item.price is None]
    if unpriced:
        caveats.append(f"No price is known for {', '.join(unpriced[:4])}: the fix costs more.")
    if settings.replacement_price is not None and settings.replacement_repairs is None:
        caveats.append(
            f"The other vehicle is taken to need {usual:,.0f} of repairs a year, as vehicles of "
            "this class have here; a younger one needs less: state replacement-repairs."
        )
    critical = [
        i
        for i in ahead
        if (known := catalogue().find(parts.component[i])) is not None and known.safety_critical
    ]
    if settings.duty in {"long", "passengers"} and critical:
        number = float(np.sum(found.number[critical]))
        whom = "with passengers" if settings.duty == "passengers" else "on long trips"
        caveats.append(
            f"Used {whom}: {number:.1f} failures of safety-critical parts are to be expected in "
            f"{settings.months} months; look it over at short intervals, whatever the sums say."
        )
    if settings.must_pass:
        caveats.append("Check your local rule: what passing takes is by the default rule set.")
    unknown = int(np.sum(~parts.known))
    if unknown:
        caveats.append(f"{unknown} of {parts.size} parts are of unknown age.")
    caveats.append("Fuel, insurance and upkeep by plan are not in these sums.")
    return tuple(caveats)


KEEP_OR_SELL = Analysis(
    name="keep-or-sell",
    title="Keep, fix or let go",
    question="Keep it as it is, fix what is open and keep it, or let it go?",
    run=run,
    settings=KeepOrSellSettings,
    about=ABOUT,
)
