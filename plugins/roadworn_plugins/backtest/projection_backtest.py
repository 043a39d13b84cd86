"""How well the projections of past days foretold what came."""

from datetime import date, timedelta
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from roadworn.analysis.result import Analysis, Answers, Estimate, Result, Settings
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Sentence
from roadworn_plugins.backtest import tables
from roadworn_plugins.backtest.day import BacktestDay, look_back
from roadworn_plugins.backtest.tables import Bin
from roadworn_plugins.lifedata.checked import LifeDataError
from roadworn_plugins.lifedata.counts import ShareLimits
from roadworn_plugins.projection.scores import ProjectionScore, coverage, score_projection
from roadworn_plugins.shared.projected import LEVEL
from roadworn_plugins.shared.usage_clocks import DAYS_PER_MONTH

ABOUT = """\
Question: How often did what the projection said come true?

Method: The ledger is set back to past days; each time `next-repairs` is computed with what was
known then, and compared with the failures of the months after it. The Brier score is the mean
squared error of the chances; it is set against the base rate known on the day, the share of a
component's parts that had failed in as long a time before. Bands are judged by the share of
vehicles whose costs fell into them.

Assumptions: By `occurred` a projection knows what had happened by its day, also what was
written down later, as after an import; by `recorded` only what was on record by then. Vehicles
that left within the time, or were not seen to its end, are left out. A part replaced before it
failed is projected to that day only. Money is as it was paid; a failure without a price counts
at the projected one.

Reading: Given 29 %, came 28 % of 310: of 310 parts given about 29 %, 28 % failed. A gain of
0.2 over the base rate: a fifth of its squared error is gone.

Reference: Brier, Monthly Weather Review 78 (1950) 1-3; Spiegelhalter, Statistics in Medicine 5
(1986) 421-433. From memory.
"""
# Fewer parts than this in the bin do not make a sentence.
_LEAST_FOR_WORDS = 20
_LEAST_DAYS_KNOWN = 365


class ProjectionBacktestSettings(Settings):
    """Which projections to look back on."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    component: Annotated[str | None, Field(description="only this component")] = None
    months: Annotated[float, Field(gt=0, le=60, description="how far each looks ahead")] = 12.0
    days: Annotated[int, Field(ge=1, le=20, description="from how many past days")] = 4
    apart: Annotated[
        float | None, Field(gt=0, description="months between them; the time ahead when not given")
    ] = None
    known_by: Annotated[
        Literal["occurred", "recorded"],
        Field(description="what a projection knows: what had occurred or was recorded by its day"),
    ] = "occurred"
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 25


def run(view: LedgerView, settings: ProjectionBacktestSettings) -> Result:
    """Project from past days and score."""
    wanted = _days(view, settings)
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
        return Result(
            headline=Sentence(
                "projection-backtest.nothing",
                "No past day has {months:g} months of record after it and parts known before it, "
                "so nothing can be compared yet.",
                months=settings.months,
            ),
            caveats=(
                Sentence(
                    "projection-backtest.later",
                    "Look back with fewer months, or again when more is on record.",
                ),
            ),
        )
    scores = [_score([day]) for day in days]
    whole = _score(days)
    chance = np.concatenate([day.chance for day in days])
    happened = np.concatenate([day.happened for day in days])
    bins = tables.bins_of(chance, happened)
    low, high, paid = (
        np.concatenate([getattr(day, name) for day in days]) for name in ("low", "high", "paid")
    )
    # What adds up to nothing differs from 0 by rounding.
    within = coverage(low - 1e-6, high + 1e-6, paid)
    surprised = tables.surprises(days, settings.most)
    return Result(
        headline=_headline(days, bins),
        tables=(
            tables.reliability(bins),
            tables.by_day(days, scores),
            tables.by_component(days, settings.most),
            *((surprised,) if surprised.rows else ()),
        ),
        estimates=_estimates(days, whole, within),
        charts=(tables.chart(bins),),
        caveats=_caveats(days, len(wanted) - len(days), settings),
    )


def _days(view: LedgerView, settings: ProjectionBacktestSettings) -> list[date]:
    """Return the past days that leave the whole time ahead on record, earliest first."""
    row = view.sql("SELECT min(occurred_on), max(occurred_on) FROM effective_events").rows[0]
    if row[0] is None:
        return []
    end = min(row[1], view.today)
    apart = settings.apart or settings.months
    ahead = [settings.months + apart * k for k in range(settings.days)]
    days = [end - timedelta(days=round(m * DAYS_PER_MONTH)) for m in ahead]
    return sorted(day for day in days if (day - row[0]).days >= _LEAST_DAYS_KNOWN)


def _score(days: list[BacktestDay]) -> ProjectionScore | None:
    """Return the score of all parts of these days, None where nothing can be scored."""
    chance, happened, base = (
        np.concatenate([getattr(day, name) for day in days])
        for name in ("chance", "happened", "base")
    )
    cluster = np.concatenate([np.array(day.parts.vehicle, dtype=object) for day in days])
    try:
        return score_projection(chance, happened, base, cluster=cluster.astype(str))
    except LifeDataError:
        return None  # no chance above zero


def _totals(days: list[BacktestDay]) -> tuple[float, float]:
    projected = sum(float(day.expected_cost.sum()) for day in days)
    return projected, sum(float(day.paid.sum()) for day in days)


def _headline(days: list[BacktestDay], bins: list[Bin]) -> Joined:
    told = [b for b in bins if b.parts >= _LEAST_FOR_WORDS and 0.2 <= b.low < 0.6]
    told = told or [b for b in bins if b.parts >= _LEAST_FOR_WORDS and b.low >= 0.05] or bins
    projected, paid = _totals(days)
    names = sorted({name for day in days for name in day.vehicles})
    whose = names[0]
    if len(names) > 1:
        whose = Sentence("projection-backtest.vehicles", "{number} vehicles", number=len(names))
    if told[0].parts >= _LEAST_FOR_WORDS:
        first = Sentence(
            "projection-backtest.came",
            "On {whose}, of {parts} repairs given about {given:.0%}, {came:.0%} came",
            whose=whose,
            parts=told[0].parts,
            given=told[0].given,
            came=told[0].came,
        )
    else:
        first = Sentence(
            "projection-backtest.failures",
            "On {whose}, {came} failures came where {projected:.1f} were projected",
            whose=whose,
            came=int(sum(d.came.sum() for d in days)),
            projected=sum(d.number.sum() for d in days),
        )
    if projected <= 0.0:
        second = Sentence("projection-backtest.no-price", "no price is on record.")
    else:
        second = Sentence(
            "projection-backtest.costs",
            "costs came to {share:.0%} of what was projected.",
            share=paid / projected,
        )
    return Joined((first, second), "; ")


def _estimates(
    days: list[BacktestDay], score: ProjectionScore | None, within: ShareLimits
) -> tuple[Estimate, ...]:
    projected, paid = _totals(days)
    low, high = _ratio_limits(days)
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
            name=Sentence(
                "projection-backtest.within",
                "vehicles within their {nominal:.0%} band",
                nominal=LEVEL,
            ),
            value=float(within.share),
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


def _ratio_limits(days: list[BacktestDay]) -> tuple[float | None, float | None]:
    """Return 95 % limits of came over projected, vehicles taken as independent."""
    names = np.concatenate([np.array(day.vehicles, dtype=object) for day in days])
    paid = np.concatenate([day.paid for day in days])
    projected = []
    for day in days:
        place = {name: i for i, name in enumerate(day.vehicles)}
        car = np.array([place[name] for name in day.parts.vehicle])
        projected.append(np.bincount(car, day.expected_cost, len(day.vehicles)))
    code = np.unique(names.astype(str), return_inverse=True)[1]
    x, y = np.bincount(code, np.concatenate(projected)), np.bincount(code, paid)
    if x.size < 2 or np.any(x.sum() - x <= 0.0):
        return None, None
    without = (y.sum() - y) / (x.sum() - x)
    spread = float(np.sqrt((x.size - 1) / x.size * np.sum((without - without.mean()) ** 2)))
    ratio = float(y.sum() / x.sum())
    return max(ratio - 1.96 * spread, 0.0), ratio + 1.96 * spread


def _caveats(
    days: list[BacktestDay], empty: int, settings: ProjectionBacktestSettings
) -> tuple[str, ...]:
    left, lost = sum(day.left for day in days), sum(day.lost for day in days)
    cut = sum(day.cut for day in days)
    missed = sum(len(day.unforeseen) for day in days)
    unpriced = sum(day.unpriced for day in days)
    known = len(days) + empty
    rise = days[-1].parts.prices.yearly_rise
    told = []

    def say(holds: bool, word: str, template: str, **arguments: object) -> None:
        if holds:
            told.append(Sentence(f"projection-backtest.{word}", template, **arguments))

    say(
        bool(left or lost),
        "left",
        "Left out: {left} times a vehicle that left within the time, {lost} times one that was "
        "not seen to its end.",
        left=left,
        lost=lost,
    )
    say(
        cut > 0,
        "cut",
        "{number} parts were replaced before they failed and are projected to that day.",
        number=cut,
    )
    say(
        missed > 0,
        "unforeseen",
        "{number} failures came at places where nobody had replaced anything on such a vehicle "
        "before; they count as not foreseen.",
        number=missed,
    )
    say(
        unpriced > 0,
        "unpriced",
        "{number} failures without a price count at the projected one.",
        number=unpriced,
    )
    say(
        known < settings.days,
        "few-days",
        "Only {known} of {asked} past days have a year of record before them.",
        known=known,
        asked=settings.days,
    )
    say(
        settings.apart is not None and settings.apart < settings.months,
        "overlap",
        "The times ahead overlap, so the limits are narrower than they should be.",
    )
    say(
        rise > 0.0,
        "raised",
        "Prices rose by {rise:.1%} a year; projections are in the money of their day.",
        rise=rise,
    )
    return tuple(told)


PROJECTION_BACKTEST = Analysis(
    name="projection-backtest",
    title="How well projections came true",
    question="How often did what the projection said come true?",
    run=run,
    settings=ProjectionBacktestSettings,
    about=ABOUT,
    answers=Answers.CAME_TRUE,
)
