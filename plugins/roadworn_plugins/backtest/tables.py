"""Tables of how past projections came true: which rule foretold better, and what surprised."""

import numpy as np

from roadworn.analysis import Cell, Column, Holds, Table, Tells
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Says
from roadworn_plugins.ahead.past import BacktestDay
from roadworn_plugins.ahead.quarters import Failure
from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.projection.scores import ProjectionScore, score_projection
from roadworn_plugins.shared.grouped import Floats

#: A failure given less than this came as a surprise.
SURPRISE = 0.05
_say = Says(
    "projection-backtest",
    {
        "rule-base": "the share of such parts that had failed in as long a time before",
        "rule-lives": "the lives of parts alone",
        "rule-facts": "lives and what was open that day: findings, codes, complaints",
        "surprises": "Failures that came though given under {chance:.0%} ({number} in all)",
    },
)


def all_of(days: list[BacktestDay], name: str) -> Floats:
    """Return a figure of all days, one after the other."""
    return np.concatenate([np.asarray(getattr(day, name)) for day in days])


def score_of(
    days: list[BacktestDay], by: str = "chance", against: str = "base"
) -> ProjectionScore | None:
    """Return the score of all parts of these days, None where nothing can be scored.

    Args:
        days: that were looked back to.
        by: the chances that are scored.
        against: the chances that they are set against.
    """
    cluster = np.concatenate([np.array(day.parts.vehicle, dtype=object) for day in days])
    chance, happened, base = (all_of(days, name) for name in (by, "happened", against))
    try:
        return score_projection(chance, happened, base, cluster=cluster.astype(str))
    except LifeDataError:
        return None  # no chance above zero


def rules_table(days: list[BacktestDay]) -> Table:
    """Return the score of the base rate, of lives alone, and of lives with the day's facts."""
    named = (("base", "rule-base"), ("without", "rule-lives"), ("chance", "rule-facts"))
    before = "base"
    rows: list[tuple[Cell, ...]] = []
    for by, word in named:
        score = score_of(days, by, before)
        if score is None:
            continue
        gain, low, high = (
            (float(x) if by != before and np.isfinite(x) else None)
            for x in score.skill + 1.96 * score.skill_error * np.array([0.0, -1.0, 1.0])
        )
        slope = score.slope if np.isfinite(score.slope) else None
        rows.append((_say(word), score.brier, gain, low, high, slope))
        before = by
    return Table(
        "rules",
        "Which rule foretold better, each against the one above it",
        (
            Column("rule", "chance by"),
            Column("brier", "Brier", "number"),
            Column("gain", "gain", "number"),
            Column("gain_low", "low", "number", tells=Tells.LOW),
            Column("gain_high", "high", "number", tells=Tells.HIGH),
            Column("slope", "calibration slope", "number"),
        ),
        tuple(rows),
    )


def surprises_table(days: list[BacktestDay], most: int) -> Table:
    """Return failures that came though hardly any chance was given, the least likely first."""
    found: list[tuple[float, BacktestDay, Failure]] = []
    for day in days:
        found += [(0.0, day, failure) for failure in day.unforeseen]
        found += [
            (float(day.chance[i]), day, one[0])
            for i, one in enumerate(day.failures)
            if one and day.chance[i] < SURPRISE
        ]
    found.sort(key=lambda item: (item[0], item[2].on, item[2].event))
    shown = found[:most]
    return Table(
        "surprises",
        _say("surprises", chance=SURPRISE, number=len(found)),
        (
            Column("vehicle", "vehicle", tells=Tells.VEHICLE),
            Column("what", "what"),
            Column("on", "failed on", "date"),
            Column("given", "given", "chance"),
            Column("day", "as of", "date"),
            Column("component", "component", detail=True, tells=Tells.COMPONENT),
        ),
        tuple(
            (
                *(one.vehicle, part_name(one.component, one.position), one.on),
                *(chance, day.on, one.component),
            )
            for chance, day, one in shown
        ),
        tuple((one.event,) for _chance, _day, one in shown),
        Holds.OF_ALL,
    )
