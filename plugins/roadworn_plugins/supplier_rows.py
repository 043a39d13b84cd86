"""The rows of `supplier-comparison`: figures of one supplier's part, and what they mean."""

from dataclasses import dataclass

import numpy as np

from roadworn.analysis import Cell, Column, Estimate
from roadworn_plugins.grouped import Clock, GroupedLives, Ints, Unit, shown_distance
from roadworn_plugins.lifedata.log_rank import LogRank
from roadworn_plugins.lifedata.weibull import WeibullFit
from roadworn_plugins.prices import PartPrice

#: Fewer failures than this on both sides together: too few to tell.
_LEAST = 5
_LEAST_FOR_LIFE = 3

COLUMNS = (
    Column("component", "component", "component"),
    Column("supplier", "supplier"),
    Column("part_number", "part number"),
    Column("lives", "lives", "integer", detail=True),
    Column("failed", "failed", "integer"),
    Column("running", "running", "integer"),
    Column("expected", "expected", "number"),
    Column("hazard_ratio", "hazard ratio", "number"),
    Column("hazard_low", "low", "number"),
    Column("hazard_high", "high", "number"),
    Column("log_rank", "log-rank chance", "chance", detail=True),
    Column("adjusted", "adjusted chance", "chance", detail=True),
    Column("b50", "B50", "distance"),
    Column("price", "price of the part", "money"),
    Column("per_distance", "price per 1,000", "money"),
    Column("per_distance_low", "low", "money", detail=True),
    Column("per_distance_high", "high", "money", detail=True),
    Column("currency", "currency", detail=True),
    Column("words", "in words", "sentence"),
)


@dataclass(frozen=True, slots=True)
class ShownAs:
    """How figures are shown and judged."""

    clock: Clock
    unit: Unit
    level: float
    false_discovery: float


@dataclass(frozen=True, eq=False)
class Compared:
    """One origin against the others of its component.

    Attributes:
        label: component, supplier, and part number when those are told apart.
        number: its group number.
        test: the comparison; None when it was never at risk together with the others.
    """

    label: tuple[str, ...]
    number: int
    test: LogRank | None

    @property
    def tells(self) -> bool:
        """Whether there are failures enough for a comparison."""
        return self.test is not None and sum(self.test.observed) >= _LEAST


def column_of(column: Column, shown: str) -> Column:
    """Return the column with the unit that is shown in its heading."""
    if column.kind == "distance":
        return Column(column.name, column.title, column.kind, shown, column.detail)
    if column.name == "per_distance":
        title = "price per 1,000" if shown != "years" else "price per year"
        return Column(
            column.name, f"{title} {shown}" if shown != "years" else title, column.kind, "",
        )  # fmt: skip
    return column


@dataclass(frozen=True, eq=False)
class Rows:
    """Everything that the rows are made from."""

    fit: WeibullFit
    lives: GroupedLives
    origins: Ints
    prices: dict[tuple[str, ...], PartPrice]
    shown: ShownAs

    def row(self, item: Compared, adjusted: float) -> tuple[Cell, ...]:
        """Return the cells in the order of the table."""
        mine = self.origins[self.lives.group] == item.number
        failed = int(np.sum(self.lives.failed & mine))
        test = item.test if item.tells else None
        figures: tuple[Cell, ...] = (None,) * 6
        if test is not None:
            ratio = (test.hazard_ratio, test.lower, test.upper)
            figures = (
                round(test.expected[0], 1),
                *(round(x, 2) if np.isfinite(x) else None for x in ratio),
                test.p,
                adjusted,
            )
        b50 = price = None
        per: tuple[float | None, ...] = (None, None, None)
        found = self.prices.get(item.label)
        if found is not None:
            price = round(found.middle, 2)
        if failed >= _LEAST_FOR_LIFE and self.fit.fitted[item.number]:
            b50 = self._age(float(self.fit.quantiles[0.5][item.number]))
            if found is not None:
                per = self._per_distance(item.number, found.middle)
        return (
            item.label[0],
            item.label[1],
            item.label[2] if len(item.label) > 2 else "",
            int(mine.sum()),
            failed,
            int(np.sum(self.lives.running & mine)),
            *figures,
            b50,
            price,
            *per,
            "" if found is None else found.currency,
            self._words(item, adjusted),
        )

    def estimate(self, item: Compared, evidence: tuple[str, ...]) -> Estimate:
        """Return the hazard ratio with all that it rests on."""
        test = item.test
        assert test is not None  # noqa: S101  only compared items with a test come here
        mine = self.origins[self.lives.group] == item.number
        ends = [x if np.isfinite(x) else None for x in (test.hazard_ratio, test.lower, test.upper)]
        return Estimate(
            name=f"hazard ratio of {', '.join(item.label)}",
            value=ends[0],
            unit="",
            low=ends[1],
            high=ends[2],
            level=self.shown.level,
            method="partial likelihood within classes, likelihood-ratio limits",
            failures=int(sum(test.observed)),
            running=int(np.sum(self.lives.running & mine)),
            evidence=evidence,
        )

    def _age(self, value: float) -> float | None:
        if not np.isfinite(value):
            return None
        if self.shown.clock == "age":
            return round(value, 2)
        return float(np.round(shown_distance(value, self.shown.unit), -2))

    def _per_distance(self, number: int, price: float) -> tuple[float | None, ...]:
        """Return price per 1,000 of the unit, or per year, with limits from those of the scale."""
        mean = float(self.fit.mean()[number])
        low, high = self.fit.scale_ci[number] / self.fit.scale[number] * mean
        step = (
            1.0
            if self.shown.clock == "age"
            else 1000.0 / float(shown_distance(1.0, self.shown.unit))
        )
        return tuple(
            round(price * step / life, 2) if np.isfinite(life) and life > 0 else None
            for life in (mean, high, low)
        )

    def _words(self, item: Compared, adjusted: float) -> str:
        if not item.tells or item.test is None:
            return "too few to tell"
        test = item.test
        if adjusted > self.shown.false_discovery:
            if test.p <= self.shown.false_discovery:
                return "apart taken alone, but not beyond chance among all that were compared"
            return "no difference shown; a small one cannot be ruled out"
        if test.observed[0] < test.expected[0]:
            return "lasts longer than the others' on the same classes"
        return "lasts less than the others' on the same classes"
