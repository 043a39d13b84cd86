"""How well the projections of past days foretold what came."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Chart,
    Column,
    Estimate,
    Result,
    Series,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says
from roadworn_plugins.ahead.past import BacktestDay, look_back
from roadworn_plugins.ahead.track import past_days, ratio_limits
from roadworn_plugins.backtest.tables import all_of, rules_table, score_of, surprises_table
from roadworn_plugins.lifedata.counts import WithLimits, poisson_ratio
from roadworn_plugins.projection.scores import (
    Bin,
    ProjectionScore,
    bins_of,
    coverage,
)
from roadworn_plugins.shared.projected import LEVEL
from roadworn_plugins.shared.settings import MostRows, OnlyComponent, OnlyVehicle, all_said

ABOUT = """\
Question: How often did what the projection said come true?

Method: The ledger is set back to past days; each time `next-repairs` is computed with what was
known then, and compared with the failures of the months after it. The Brier score is the mean
squared error of the chances; it is set against the base rate known on the day, the share of a
component's parts that had failed in as long a time before, and against the same projection
without what was open on the day. Bands are judged by the share of
vehicles whose costs fell into them.

Assumptions: By `occurred` a projection knows what had happened by its day, also what was
written down later, as after an import; by `recorded` only what was on record by then. What came
is every failure of a vehicle that was here on the day, also at a place where nothing was
projected; what was found failed by the day is due, and counts on neither side. Vehicles that
left within the time, or were not seen to its end, count to their last day, in what is projected
and in what came. A part replaced before it failed is projected to that day, its successor from
then on. Money is as it was paid; a failure without a price counts at the projected one.

Reading: Given 29 %, came 28 % of 310: of 310 parts given about 29 %, 28 % failed. A gain of
0.2 over the base rate: a fifth of its squared error is gone.

Reference: Brier, Monthly Weather Review 78 (1950) 1-3; Spiegelhalter, Statistics in Medicine 5
(1986) 421-433. From memory.
"""
# Fewer parts than this in the bin do not make a sentence.
_LEAST_FOR_WORDS = 20
_say = Says(
    "projection-backtest",
    {
        "nothing": "No past day has {months:g} {months:month|months} of record after it and parts "
        "known before it, so nothing can be compared yet.",
        "later": "Look back with fewer months, or again when more is on record.",
        "vehicles": "{number} {number:vehicle|vehicles}",
        "came": "on {whose}, of {parts:,} {parts:repair|repairs} given about {given:.0%}, "
        "{came:.0%} came.",
        "failures": "on {whose}, {came} {came:failure|failures} came where {projected:.1f} were "
        "projected.",
        "no-price": "No price is on record",
        "costs": "Costs came to {share:.0%} of what was projected",
        "within": "vehicles within their {nominal:.0%} band",
        "bin": "{low:.0%} and {high:.0%}",
        "point": "given {given:.0%}, came {came:.0%} of {parts:,}",
        "left": "{left} {left:time|times} a vehicle left within the time, {lost} "
        "{lost:time|times} one was not seen to its end; each counts to its last day.",
        "cut": "{n} {n:part|parts} {n:was|were} replaced before {n:it|they} failed and {n:is|are} "
        "projected to that day, {n:its successors|their successors} from then on.",
        "unforeseen": "{n} {n:failure|failures} came at places where nobody had replaced anything "
        "on such a vehicle before; {n:it counts|they count} as not foreseen.",
        "unpriced": "{n} {n:failure|failures} without a price {n:counts|count} at the projected "
        "one.",
        "few-days": "Only {known} of {asked} past {asked:day|days} {known:has|have} a year of "
        "record before them.",
        "overlap": "The times ahead overlap, so the limits are narrower than they should be.",
        "raised": "Prices rose by {rise:.1%} a year; projections are in the money of their day.",
    },
)


class ProjectionBacktestSettings(Settings):
    """Which projections to look back on."""

    vehicle: OnlyVehicle = None
    component: OnlyComponent = None
    months: Annotated[float, Field(gt=0, le=60, description="how far each looks ahead")] = 12.0
    days: Annotated[int, Field(ge=1, le=20, description="from how many past days")] = 4
    apart: Annotated[
        float | None, Field(gt=0, description="months between them; the time ahead when not given")
    ] = None
    known_by: Annotated[
        Literal["occurred", "recorded"],
        Field(description="what a projection knows: what had occurred or was recorded by its day"),
    ] = "occurred"
    most: MostRows = 25


def run(view: LedgerView, settings: ProjectionBacktestSettings) -> Result:
    """Project from past days and score."""
    wanted = past_days(view, settings.months, settings.days, settings.apart)
    looked = [
        look_back(
            view,
            day,
            settings.months,
            known_by=settings.known_by,
            vehicle=settings.vehicle,
            component=settings.component,
        )
        for day in wanted
    ]
    days = [day for day in looked if day is not None]
    if not days:
        return Result(_say("nothing", months=settings.months), caveats=(_say("later"),))
    bins = bins_of(all_of(days, "chance"), all_of(days, "happened"))
    low, high = np.concatenate([day.bands for day in days], axis=1)
    # What adds up to nothing differs from 0 by rounding.
    within = coverage(low - 1e-6, high + 1e-6, all_of(days, "paid"))
    surprised = surprises_table(days, settings.most)
    return Result(
        headline=_headline(days, bins),
        tables=(
            _reliability(bins),
            rules_table(days),
            _by_day(days),
            _by_component(days, settings.most),
            *((surprised,) if surprised.rows else ()),
        ),
        estimates=_estimates(days, score_of(days), within),
        charts=(_chart(bins),),
        caveats=_caveats(days, len(wanted) - len(days), settings),
    )


def _reliability(bins: list[Bin]) -> Table:
    """Return given against observed chances."""
    return Table(
        "reliability",
        "Chances given, and how often it came",
        (
            Column("bin", "given between"),
            Column("parts", "parts", "integer"),
            Column("given", "given", "chance"),
            Column("came", "came", "chance"),
            Column("came_low", "low", "chance", tells=Tells.LOW),
            Column("came_high", "high", "chance", tells=Tells.HIGH),
        ),
        tuple(
            (
                _say("bin", low=b.low, high=b.high),
                *(b.parts, b.given, b.came, b.came_low, b.came_high),
            )
            for b in bins
        ),
    )


def _chart(bins: list[Bin]) -> Chart:
    """Return the reliability chart: points on the line came as often as given."""
    came = Series(
        "came",
        tuple(b.given for b in bins),
        tuple(b.came for b in bins),
        shape="points",
        low=tuple(b.came_low for b in bins),
        high=tuple(b.came_high for b in bins),
    )
    points = (_say("point", given=b.given, came=b.came, parts=b.parts) for b in bins)
    return Chart(
        name="reliability",
        title="Chances given, and how often the failure came",
        x_title="chance given",
        y_title="share that came",
        series=(Series("as given", (0.0, 1.0), (0.0, 1.0)), came),
        alternative=Joined(points, "; "),
    )


def _by_day(days: list[BacktestDay]) -> Table:
    """Return one row a day of projection."""
    currency = days[-1].currency
    rows = []
    for day in days:
        score = score_of([day])
        rows.append(
            (
                day.on,
                len(day.vehicles),
                day.parts.size,
                len(day.left) + len(day.lost),
                float(day.number.sum()),
                int(day.came.sum()) + len(day.unforeseen),
                day.projected_cost,
                day.paid_cost,
                day.paid_cost / day.projected_cost if day.projected_cost else None,
                day.share_inside,
                None if score is None else score.brier,
                None if score is None else score.base,
            )
        )
    return Table(
        "by_day",
        "Projections as of past days, and what came",
        (
            Column("day", "as of", "date"),
            Column("vehicles", "vehicles", "integer"),
            Column("parts", "parts", "integer"),
            Column("left_out", "left or lost", "integer", detail=True),
            Column("failures_projected", "failures projected", "number"),
            Column("failures_came", "came", "integer"),
            Column("cost_projected", "cost projected", "money", currency),
            Column("cost_came", "came", "money", currency),
            Column("ratio", "came / projected", "number"),
            Column("inside", "vehicles in 80 % band", "chance"),
            Column("brier", "Brier", "number", detail=True),
            Column("brier_base", "Brier of base rate", "number", detail=True),
        ),
        tuple(rows),
    )


def _by_component(days: list[BacktestDay], most: int) -> Table:
    """Return projected and actual failures and costs of each component."""
    currency = days[-1].currency
    names = np.concatenate([np.array(day.parts.component, dtype=object) for day in days])
    number, came, expected, paid = (
        all_of(days, name) for name in ("number", "came", "expected_cost", "paid_by_part")
    )
    rows = []
    for name in sorted(set(names.tolist())):
        here = np.equal(names, name)
        if number[here].sum() <= 0.0:
            continue
        ratio = poisson_ratio([came[here].sum()], [number[here].sum()])
        rows.append(
            (
                part_name(name),
                int(here.sum()),
                float(number[here].sum()),
                int(came[here].sum()),
                *(float(np.ravel(one)[0]) for one in (ratio.value, ratio.lower, ratio.upper)),
                float(expected[here].sum()),
                float(paid[here].sum()),
                name,
            )
        )
    rows.sort(key=lambda row: (-row[7], row[9]))
    return Table(
        "by_component",
        "By component: failures and money, projected and come",
        (
            Column("what", "what"),
            Column("parts", "parts", "integer"),
            Column("projected", "projected", "number"),
            Column("came", "came", "integer"),
            Column("ratio", "came / projected", "number"),
            Column("ratio_low", "low", "number", tells=Tells.LOW),
            Column("ratio_high", "high", "number", tells=Tells.HIGH),
            Column("cost_projected", "cost projected", "money", currency),
            Column("cost_came", "cost come", "money", currency),
            Column("component", "component", detail=True, tells=Tells.COMPONENT),
        ),
        tuple(rows[:most]),
    )


def _totals(days: list[BacktestDay]) -> tuple[float, float]:
    return sum(day.projected_cost for day in days), sum(day.paid_cost for day in days)


def _headline(days: list[BacktestDay], bins: list[Bin]) -> Joined:
    told = [b for b in bins if b.parts >= _LEAST_FOR_WORDS and 0.2 <= b.low < 0.6]
    told = told or [b for b in bins if b.parts >= _LEAST_FOR_WORDS and b.low >= 0.05] or bins
    names = sorted({name for day in days for name in day.vehicles})
    whose = names[0] if len(names) == 1 else _say("vehicles", number=len(names))
    one = told[0]
    if one.parts >= _LEAST_FOR_WORDS:
        second = _say("came", whose=whose, parts=one.parts, given=one.given, came=one.came)
    else:
        came = int(sum(d.came.sum() for d in days))
        projected = sum(d.number.sum() for d in days)
        second = _say("failures", whose=whose, came=came, projected=projected)
    cost, paid = _totals(days)
    # What a board asks comes first: the money.
    first = _say("no-price") if cost <= 0.0 else _say("costs", share=paid / cost)
    return Joined((first, second), "; ")


def _estimates(
    days: list[BacktestDay], score: ProjectionScore | None, within: WithLimits
) -> tuple[Estimate, ...]:
    projected, paid = _totals(days)
    low, high = ratio_limits(days, [day.expected_cost for day in days])
    found = [
        Estimate(
            name="costs that came, of those projected",
            value=paid / projected if projected else None,
            unit="",
            low=low,
            high=high,
            method="ratio of totals, limits by leaving out one vehicle at a time",
            failures=int(sum(day.came.sum() for day in days)),
            running=int(sum((day.came == 0).sum() for day in days)),
            words="" if projected else "no price on record",
        ),
        Estimate(
            name=_say("within", nominal=LEVEL),
            value=float(within.value),
            unit="",
            low=float(within.lower),
            high=float(within.upper),
            method="Jeffreys limits; a vehicle counts once for each day",
        ),
    ]
    if score is not None:
        error = 1.96 * score.skill_error
        found.append(
            Estimate(
                name="gain of the Brier score over the base rate",
                value=score.skill if np.isfinite(score.skill) else None,
                unit="",
                low=score.skill - error if np.isfinite(error) else None,
                high=score.skill + error if np.isfinite(error) else None,
                method=f"Brier {score.brier:.4f} against {score.base:.4f}; calibration slope "
                f"{score.slope:.2f}",
                words="" if np.isfinite(score.skill) else "the base rate was never wrong",
            )
        )
    return tuple(found)


def _caveats(
    days: list[BacktestDay], empty: int, settings: ProjectionBacktestSettings
) -> tuple[str, ...]:
    left, lost = sum(len(d.left) for d in days), sum(len(d.lost) for d in days)
    known = len(days) + empty
    overlap = settings.apart is not None and settings.apart < settings.months
    rise = days[-1].parts.prices.yearly_rise
    return all_said(
        _say.when(left or lost, "left", left=left, lost=lost),
        _say.some(sum(int(day.cuts.sum()) for day in days), "cut"),
        _say.some(sum(len(day.unforeseen) for day in days), "unforeseen"),
        _say.some(sum(day.unpriced for day in days), "unpriced"),
        _say.when(known < settings.days, "few-days", known=known, asked=settings.days),
        _say.when(overlap, "overlap"),
        _say.when(rise > 0.0, "raised", rise=rise),
    )


PROJECTION_BACKTEST = Analysis(
    name="projection-backtest",
    title="How well projections came true",
    question="How often did what the projection said come true?",
    run=run,
    settings=ProjectionBacktestSettings,
    about=ABOUT,
    answers=Answers.CAME_TRUE,
)
