"""The tables and the chart of `projection-backtest`."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from roadworn.analysis.result import Chart, Column, Series, Table
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Sentence
from roadworn_plugins.backtest.day import BacktestDay, Failure
from roadworn_plugins.lifedata.counts import jeffreys_interval, poisson_ratio
from roadworn_plugins.projection.scores import ProjectionScore
from roadworn_plugins.shared.grouped import Floats

#: Edges of the bins of given chances.
EDGES = (0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0)
#: A failure given less than this came as a surprise.
SURPRISE = 0.05


@dataclass(frozen=True, slots=True)
class Bin:
    """Parts that were given about the same chance."""

    low: float
    high: float
    parts: int
    given: float
    came: float
    came_low: float
    came_high: float


def bins_of(chance: Floats, happened: Floats) -> list[Bin]:
    """Return given and observed chances, bin by bin, empty ones left out."""
    place = np.clip(np.searchsorted(EDGES, chance, side="right") - 1, 0, len(EDGES) - 2)
    found = []
    for number, (low, high) in enumerate(pairwise(EDGES)):
        here = place == number
        if not here.any():
            continue
        share = jeffreys_interval([happened[here].sum()], [here.sum()])
        found.append(
            Bin(
                low,
                high,
                int(here.sum()),
                float(chance[here].mean()),
                float(happened[here].mean()),
                float(np.ravel(share.lower)[0]),
                float(np.ravel(share.upper)[0]),
            )
        )
    return found


def reliability(bins: list[Bin]) -> Table:
    """Return given against observed chances."""
    return Table(
        name="reliability",
        title="Chances given, and how often it came",
        columns=(
            Column("bin", "given between"),
            Column("parts", "parts", "integer"),
            Column("given", "given", "chance"),
            Column("came", "came", "chance"),
            Column("came_low", "low", "chance"),
            Column("came_high", "high", "chance"),
        ),
        rows=tuple((_between(b), b.parts, b.given, b.came, b.came_low, b.came_high) for b in bins),
    )


def _between(b: Bin) -> Sentence:
    return Sentence("projection-backtest.bin", "{low:.0%} and {high:.0%}", low=b.low, high=b.high)


def chart(bins: list[Bin]) -> Chart:
    """Return the reliability chart: points on the line came as often as given."""
    given = tuple(b.given for b in bins)
    return Chart(
        name="reliability",
        title="Chances given, and how often the failure came",
        x_title="chance given",
        y_title="share that came",
        series=(
            Series("as given", (0.0, 1.0), (0.0, 1.0)),
            Series(
                "came",
                given,
                tuple(b.came for b in bins),
                shape="points",
                low=tuple(b.came_low for b in bins),
                high=tuple(b.came_high for b in bins),
            ),
        ),
        alternative=Joined(
            (
                Sentence(
                    "projection-backtest.point",
                    "given {given:.0%}, came {came:.0%} of {parts}",
                    given=b.given,
                    came=b.came,
                    parts=b.parts,
                )
                for b in bins
            ),
            "; ",
        ),
    )


def by_day(days: list[BacktestDay], scores: list[ProjectionScore | None]) -> Table:
    """Return one row a day of projection."""
    currency = days[-1].currency
    rows = []
    for day, score in zip(days, scores, strict=True):
        inside = (day.low - 1e-6 <= day.paid) & (day.paid <= day.high + 1e-6)
        expected, paid = float(day.expected_cost.sum()), float(day.paid.sum())
        rows.append(
            (
                day.on,
                len(day.vehicles),
                day.parts.size,
                day.left + day.lost,
                float(day.number.sum()),
                int(day.came.sum()) + len(day.unforeseen),
                expected,
                paid,
                paid / expected if expected else None,
                float(inside.mean()),
                None if score is None else score.brier,
                None if score is None else score.base,
            )
        )
    return Table(
        name="by_day",
        title="Projections as of past days, and what came",
        columns=(
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
        rows=tuple(rows),
    )


def by_component(days: list[BacktestDay], most: int) -> Table:
    """Return projected and actual failures and costs of each component."""
    names = np.concatenate([np.array(day.parts.component, dtype=object) for day in days])
    number, came, expected, paid = (
        np.concatenate([np.asarray(getattr(day, name)) for day in days])
        for name in ("number", "came", "expected_cost", "paid_by_part")
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
                float(np.ravel(ratio.ratio)[0]),
                float(np.ravel(ratio.lower)[0]),
                float(np.ravel(ratio.upper)[0]),
                float(expected[here].sum()),
                float(paid[here].sum()),
                name,
            )
        )
    rows.sort(key=lambda row: (-row[7], row[9]))
    return Table(
        name="by_component",
        title="By component: failures and money, projected and come",
        columns=(
            Column("what", "what"),
            Column("parts", "parts", "integer"),
            Column("projected", "projected", "number"),
            Column("came", "came", "integer"),
            Column("ratio", "came / projected", "number"),
            Column("ratio_low", "low", "number"),
            Column("ratio_high", "high", "number"),
            Column("cost_projected", "cost projected", "money", days[-1].currency),
            Column("cost_came", "cost come", "money", days[-1].currency),
            Column("component", "component", detail=True),
        ),
        rows=tuple(rows[:most]),
    )


def surprises(days: list[BacktestDay], most: int) -> Table:
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
        name="surprises",
        title=Sentence(
            "projection-backtest.surprises",
            "Failures that came though given under {chance:.0%} ({number} in all)",
            chance=SURPRISE,
            number=len(found),
        ),
        columns=(
            Column("vehicle", "vehicle"),
            Column("what", "what"),
            Column("on", "failed on", "date"),
            Column("given", "given", "chance"),
            Column("day", "as of", "date"),
            Column("component", "component", detail=True),
        ),
        rows=tuple(
            (
                one.vehicle,
                part_name(one.component, one.position),
                one.on,
                chance,
                day.on,
                one.component,
            )
            for chance, day, one in shown
        ),
        evidence=tuple((one.event,) for _chance, _day, one in shown),
    )
