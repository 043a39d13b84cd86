"""What is due and what fails next on each vehicle, how likely that is, and what it would cost."""

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Literal

import numpy as np
from pydantic import Field

from roadworn.analysis import Analysis, Answers, Estimate, Mark, Result, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says, Sentence, as_sentence, some_of
from roadworn_plugins.ahead.due_now import DueItem, State, due_now, not_failed
from roadworn_plugins.ahead.open_facts import parts_today
from roadworn_plugins.ahead.tables import due_table, listed, next_table, stock_table, totals_table
from roadworn_plugins.shared.costs_ahead import Band, money
from roadworn_plugins.shared.grouped import Floats, Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.projected import (
    LEVEL,
    Projection,
    project,
    project_months,
)
from roadworn_plugins.shared.settings import (
    MostRows,
    OnlyVehicle,
    PoolPath,
    ShownUnit,
    all_said,
    pool_path,
)
from roadworn_plugins.wear.chances import MeasuredParts

if TYPE_CHECKING:
    from roadworn_plugins.ahead.quarters import By
    from roadworn_plugins.ahead.track import TrackRecord
    from roadworn_plugins.shared.pool_beliefs import PoolOfOthers

ABOUT = """\
Question: What is due, what fails next, how likely is it, and what would it cost?

Method: First what is due already: open findings, codes, work declined or deferred. Then every
fitted part with the chance that it fails within the time asked about. Its component has two laws
of life: a share of fitted parts fails early (what came back and what failed soon), the rest wears
by a Weibull law, one shape and a rate of its class that borrows strength from the other classes;
the trade range counts for one failure, and a pool of other shops, where one is named, for as many
as shops are alike. Shape and rate are averaged over what the lives allow. The
clock is distance, or the calendar with its season for what ages standing still. A vehicle's own
record over all its parts, its use, and a place that keeps failing raise or lower the hazard as
far as they carry. The distance ahead is this vehicle's, its spread averaged. A part of unknown
age is of the ages that its vehicle's distance allows; its time under watch counts too. A part
measured often enough is projected by its own wear, to the figure at which such parts were
replaced here, or the legal limit where too few were. What is usually changed before it fails
fails less. What is open today moves it further: found wearing, a code, a complaint, something open
upstream. How often such signs came to a failure, and in which time, is learnt here by kind and
component (a mixture cure model, all of a kind where few are on record, common practice before);
a code or complaint counts for a part with its chance to be the cause, as `likely-causes` has it.
Parts without a sign fail less for it, so that the sum stays right.

Totals count a replacement's own failures too (renewal), early ones at what comebacks cost here.
Their band has what all parts share: rates, shapes, a year that hits all, a year in which all go
farther; a fleet's sum leaves out what falls after vehicles leave. It stands beside what such sums
of past days came to; where these contradict it, the headline says so and the band is as much
wider. A price is the shop's own open estimate for the vehicle, else what was paid on its class,
else on other classes, brought to its level and labelled; raised to today, slips of the pen left
out. Services to come are told beside the failures, by quarter or month, each time they fall due
by the vehicle's own record or the schedule.

Assumptions: The vehicle goes on being used as it was; parts fail independently given what they
share; what fails is replaced at once by a new part of the same kind.

Reading: 22 % (14 to 33 %): of 100 such parts about 22 fail within the time. The limits say how
well the hazard is known; they are not the luck of one part.

Reference: Cox, Renewal Theory (1962); Gamma-Weibull prediction as in Hamada et al., Bayesian
Reliability (Springer, 2008); Berkson and Gage, JASA 47 (1952), for cure models; limited failure
population of Chan and Meeker, IEEE Trans. Reliability 48 (1999); effects of vehicles as in
Duchateau and Janssen, The Frailty Model (2008).
"""
#: With fewer parts on record than this, the sum over them is no cost of the vehicle.
LEAST_PARTS = 8
_HORIZONS = (6, 12, 24, 36)
_LONGEST_LOOK_BACK = 12.0
_WORTH_SAYING = 0.02
_MONTHS_SHOWN = 12
_TOO_FEW = "too few to tell what the coming months cost: of {whose} "
_TO_TELL = " both a life and a price on record, and {least} are needed"
_say = Says(
    "next-repairs",
    {
        "distance": "{distance:,.0f} {unit}",
        "months": "{months:g} {months:month|months}",
        "fleet": "the fleet",
        "too-few-none": f"{_TOO_FEW}no fitted part has{_TO_TELL}",
        "too-few-one": f"{_TOO_FEW}only {{priced}} fitted part has{_TO_TELL}",
        "too-few": f"{_TOO_FEW}only {{priced}} fitted parts have{_TO_TELL}",
        "cost": "cost of failures within {span}",
        "of": "{part} of {vehicle}",
        "safety": "Safety first: {parts} failed.",
        "open-one": "{n} item open.",
        "open": "{n} {n:item|items} open.",
        "none": "No fitted part with a known price is likely to fail on {whose} in {span}.",
        "expected": "Within {span} expect about {value:,.0f} {currency} of failures on {whose} "
        "({low:,.0f} to {high:,.0f}).",
        "contradicted": "Read this with care: what was said like this on {day} came to {ratio:.0%} "
        "({low:.0%} to {high:.0%}); the band is wider for it.",
        "if-failed": "{changes} {changes:change|changes} {changes:is|are} on record as planned, "
        "along with other work or without a reason; had they all been failures, the "
        "sum would be about {grown:.0%} higher.",
        "unseen": "Failures that nobody wrote down make parts look longer-lived than they are: it "
        "shows when more is paid than was said, and in parts newer than their record.",
        "unknown-age": "{n} of {parts} {parts:part|parts} {n:is|are} of unknown age; each is "
        "taken as old as it has been seen at least and as the vehicle at most.",
        "by-trade": "No failure on record of {parts}: the trade range stands in.",
        "single": "What is said of {parts} rests on a single failure.",
        "without-model": "Neither a failure nor a trade range is known of {parts}.",
        "assumed-pace-one": "{n} vehicle has too few readings: the usual distance of its class, "
        "or of the fleet, stands in.",
        "assumed-pace": "{n} {n:vehicle|vehicles} {n:has|have} too few readings: the usual "
        "distance of their class, or of the fleet, stands in.",
        "raised": "Older prices are raised by {rise:.1%} a year.",
        "other-currencies": "{n} {n:replacement|replacements} in another currency {n:is|are} left "
        "out.",
        "worn": "{n} {n:part|parts} {n:is|are} projected by their own measured wear.",
        "past-without-pool": "What past sums came to is told without the pool.",
        "quarters": "What is past holds the work on record, also of vehicles that have left "
        "since; what is to come leaves out what is due already, and what falls after "
        "vehicles leave, taken to go as often as they did.",
    },
)


class NextRepairsSettings(Settings):
    """How far to look ahead, and for which vehicle."""

    vehicle: OnlyVehicle = None
    months: Annotated[float, Field(gt=0, le=60, description="how far to look ahead")] = 12.0
    distance: Annotated[
        float | None, Field(gt=0, description="distance to look ahead instead of months")
    ] = None
    unit: ShownUnit = None
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
    by: Annotated[
        Literal["", "quarter", "month"],
        Field(description="money to come by quarter or month; of a fleet by quarter unless said"),
    ] = ""
    pool: PoolPath = None
    past_days: Annotated[
        int, Field(ge=0, le=10, description="past days a fleet's sum is judged by; 0 for none")
    ] = 1
    most: MostRows = 25

    @property
    def spans(self) -> "By | None":
        """By what money is told; None for one vehicle, unless it was asked for."""
        return self.by or (None if self.vehicle else "quarter")


def run(view: LedgerView, settings: NextRepairsSettings) -> Result:
    """Gather what is due and project every fitted part."""
    unit = settings.unit or view.usual_unit()
    pool = _pool(view, settings)
    parts = parts_today(view, settings.vehicle, yearly_rise=settings.yearly_rise, pool=pool)
    due = due_now(view, parts.prices, settings.vehicle)
    ahead = not_failed(parts, due)
    record = _track_record(view, settings)
    if record is not None:
        parts = replace(parts, beyond=record.spread)
    measured = MeasuredParts.load(view, parts)
    wear = measured.chances(settings.months, settings.distance, unit)
    if settings.distance is None:
        span = _say("months", months=settings.months)
        by_months = _by_months(measured, settings)
        found = by_months[settings.months]
    else:
        span = _say("distance", distance=settings.distance, unit=unit)
        by_months = {}
        found = project(parts, settings.months, settings.distance, unit, measured=wear)
    asked = money(parts, found, ahead)
    order = listed(parts, found.chance, ahead, settings.least_chance, settings.most)
    tables: list[Table] = []
    if due:
        tables.append(due_table(due, settings.vehicle is None, settings.most))
    time = parts.months(settings.months, settings.distance, unit)
    tables.append(next_table(view, measured, found, order, unit, span, time))
    few = too_few(parts, settings.vehicle, settings.least_parts)
    spans = settings.spans if by_months and not few else None
    if by_months and not few:
        bands = {
            m: asked if m == settings.months else money(parts, by_months[m], ahead)
            for m in _HORIZONS
        }
        tables.append(totals_table(bands, parts.prices.currency))
    unpriced: tuple[str, ...] = ()
    year: tuple[Estimate, ...] = ()
    if spans:
        # Not needed for the outlook of a vehicle, so it is not waited for there.
        from roadworn_plugins.ahead.quarters import (
            budget,
            money_table,
            other_work,
            quarters_table,
            unpriced_words,
        )
        from roadworn_plugins.ahead.services import ServicesAhead

        services = ServicesAhead.load(view, parts.prices, _MONTHS_SHOWN, settings.vehicle)
        tables.append(money_table(view, parts, by_months, ahead, services, spans))
        unpriced = unpriced_words(parts, ahead, services)
        if settings.vehicle is None:
            if settings.months == _MONTHS_SHOWN:
                currency = parts.prices.currency
                year = (budget(view, asked, services, currency), other_work(view, currency))
            tables.append(quarters_table(view, parts, by_months, ahead, spans))
            tables.append(stock_table(parts, found, ahead, settings.service, span))
    if record is not None:
        from roadworn_plugins.ahead.track import past_table

        tables.append(past_table(record))
    estimate = _estimate(parts, asked, span, few)
    told = few is None and record is not None and record.contradicts
    return Result(
        headline=Joined(
            (
                _headline(settings.vehicle, due, estimate, span),
                *(one.words for one in year),
                _contradicted(record) if told and record is not None else "",
            ),
            " ",
        ),
        tables=tuple(tables),
        estimates=(estimate, *year),
        caveats=all_said(
            *(() if pool is None else _pool_words(pool, parts, record)),
            *_caveats(parts, found.chance, len(wear)),
            *(_unseen(view, parts, found, ahead) if settings.vehicle is None else ()),
            *unpriced,
            _say.when(spans, "quarters"),
            *parts.prices.caveats(parts.component),
        ),
    )


def _pool(view: LedgerView, settings: NextRepairsSettings) -> "PoolOfOthers | None":
    """Return the pool of other shops that was named."""
    path = pool_path(settings.pool)
    if not path:
        return None
    # Whoever names none does not wait for what reads one.
    from roadworn_plugins.shared.pool_beliefs import PoolOfOthers

    return PoolOfOthers.of(view, path)


def _pool_words(
    pool: "PoolOfOthers", parts: PartsAhead, record: "TrackRecord | None"
) -> tuple[str, ...]:
    from roadworn_plugins.shared.pool_said import pool_caveats

    without = _say.when(record is not None, "past-without-pool")
    return (*pool_caveats(pool, parts.models), without)


def _track_record(view: LedgerView, settings: NextRepairsSettings) -> "TrackRecord | None":
    """Return how a fleet's sums of past days came true; not asked for one vehicle."""
    if settings.vehicle is not None or not settings.past_days:
        return None
    # Not needed for the outlook of a vehicle, so it is not waited for there.
    from roadworn_plugins.ahead.track import track_record

    return track_record(view, min(settings.months, _LONGEST_LOOK_BACK), settings.past_days)


def _contradicted(record: "TrackRecord") -> Sentence:
    """Say that such sums did not hold before, with what came of them."""
    return _say(
        "contradicted",
        day=record.days[-1].on,
        ratio=record.ratio,
        low=record.low,
        high=record.high,
    )


def _by_months(measured: MeasuredParts, settings: NextRepairsSettings) -> dict[float, Projection]:
    """Project to every horizon that a table needs, all at once."""
    step = {None: 0, "quarter": 3, "month": 1}[settings.spans]
    ends = range(step, _MONTHS_SHOWN + 1, step) if step else ()
    # The usual horizons by themselves: what else is asked must not move them by a rounding.
    others = sorted({settings.months, *map(float, ends)} - set(_HORIZONS))
    found: dict[float, Projection] = {}
    spans: tuple[Sequence[float], ...] = (_HORIZONS, others)
    for some in spans:
        worn = [measured.chances(m) for m in some]
        found |= project_months(measured.parts, some, measured=worn) if some else {}
    return found


def _whose(vehicle: str | None) -> str:
    return vehicle or _say("fleet")


def too_few(parts: PartsAhead, vehicle: str | None, least: int) -> Sentence | None:
    """Say that too little is on record to add the future up, None where there is enough."""
    priced = sum(1 for price in parts.price if price is not None and price.number)
    if priced >= least:
        return None
    word = "too-few" if priced > 1 else "too-few-one" if priced else "too-few-none"
    return _say(word, whose=_whose(vehicle), priced=priced, least=least)


def _estimate(parts: PartsAhead, band: Band, span: str, few: Sentence | None) -> Estimate:
    models = [clocked.model for clocked in parts.models.values()]
    unpriced = sum(1 for price in parts.price if price is None)
    return Estimate(
        name=_say("cost", span=span),
        value=None if few else band.expected,
        unit=parts.prices.currency,
        low=None if few else band.low,
        high=None if few else band.high,
        level=LEVEL,
        method="renewal of every fitted part, prices and rates uncertain",
        failures=int(sum(model.failures.sum() for model in models)),
        running=int(sum(model.running.sum() for model in models)),
        left_out=unpriced,
        why_left_out="no price known" if unpriced else "",
        words=few or "",
    )


def _headline(vehicle: str | None, due: list[DueItem], total: Estimate, span: str) -> Joined:
    safety = [item for item in due if item.state is State.SAFETY]
    open_ = sum(Mark.OPEN in item.state.marks for item in due)
    if safety:
        named = (
            item.name if vehicle else _say("of", part=item.name, vehicle=item.vehicle)
            for item in safety[:3]
        )
        first: str = _say("safety", parts=Joined(named))
    else:
        first = _say.some(open_, "open" if open_ > 1 else "open-one")
    if total.value is None:
        second = as_sentence(total.words)
    elif not total.value:
        second = _say("none", whose=_whose(vehicle), span=span)
    else:
        second = _say(
            "expected",
            span=span,
            value=total.value,
            currency=total.unit,
            whose=_whose(vehicle),
            low=total.low,
            high=total.high,
        )
    return Joined((first, second), " ")


def _unseen(view: LedgerView, parts: PartsAhead, found: Projection, ahead: Ints) -> tuple[str, ...]:
    """Say what the record cannot show, and how it would show if it were so.

    Changes that are written down as planned, or without a reason, may have been failures; the
    sum would grow by their share of each component's changes.
    """
    rows = view.sql(
        """SELECT component, count(*) FILTER (NOT failed), count(*) FILTER (failed)
           FROM part_lives WHERE ended_by IS NOT NULL AND NOT running
           GROUP BY component ORDER BY component"""
    ).rows
    share = {component: planned / failed for component, planned, failed in rows if failed}
    usual = np.array([0.0 if price is None else price.middle for price in parts.price])
    cost = (found.number * usual)[ahead]
    more = np.array([share.get(parts.component[i], 0.0) for i in ahead])
    total = float(cost.sum())
    grown = float(cost @ more) / total if total > 0.0 else 0.0
    changes = sum(row[1] for row in rows if row[2])
    return (
        _say.when(grown >= _WORTH_SAYING, "if-failed", changes=changes, grown=grown),
        _say("unseen"),
    )


def _caveats(parts: PartsAhead, chance: Floats, worn: int) -> tuple[str, ...]:
    models = {component: clocked.model for component, clocked in sorted(parts.models.items())}
    by_trade = [part_name(component) for component, model in models.items() if model.by_trade]
    likely = {c for i, c in enumerate(parts.component) if chance[i] >= 0.05}
    single = [part_name(c) for c, m in models.items() if c in likely and m.failures.sum() == 1]
    unmodelled = [part_name(component) for component in parts.without_model]
    cars = set(parts.car.tolist())
    assumed = int(np.sum(parts.paces.assumed[list(cars)])) if cars else 0
    rise = parts.prices.yearly_rise
    return (
        _say.some(int(np.sum(~parts.known)), "unknown-age", parts=parts.size),
        _say.when(by_trade, "by-trade", parts=some_of(by_trade, 4)),
        _say.when(single, "single", parts=Joined(single[:4])),
        _say.when(unmodelled, "without-model", parts=Joined(unmodelled[:4])),
        _say.some(assumed, "assumed-pace" if assumed > 1 else "assumed-pace-one"),
        _say.when(rise, "raised", rise=rise),
        _say.some(parts.prices.other_currencies, "other-currencies"),
        _say.some(worn, "worn"),
    )


NEXT_REPAIRS = Analysis(
    name="next-repairs",
    title="What is due and what goes next",
    question="What is due, what fails next, how likely is it, and what would it cost?",
    run=run,
    settings=NextRepairsSettings,
    about=ABOUT,
    answers=Answers.GOES_NEXT,
)
