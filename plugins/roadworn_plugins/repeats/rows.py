"""From a comparison that stands out to a row that a person can act on."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from roadworn.analysis.result import Cell, Column, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, PartName
from roadworn_plugins.lifedata.log_rank import LogRank
from roadworn_plugins.repeats import words
from roadworn_plugins.repeats.along_time import Counted, Rate, dated_lives, trend_of
from roadworn_plugins.repeats.levels import BY, SHOWN, Label, Level, exposures, levels_of, rows_of
from roadworn_plugins.repeats.words import Facts
from roadworn_plugins.shared.grouped import GroupedLives, Ints, coded, load, log_rank_of
from roadworn_plugins.shared.life_model import ComponentModel, fit
from roadworn_plugins.shared.settings import rounded

#: Above this chance on the calendar clock an excess by distance is no finding.
CALENDAR_ALPHA = 0.05

COLUMNS = (
    Column("level", "what"),
    Column("component", "component", "component", tells=Tells.COMPONENT),
    Column("where", "where", tells=Tells.PLACE),
    Column("failed", "failed", "integer"),
    Column("expected", "expected", "number"),
    Column("ratio", "times the others", "number", tells=Tells.VALUE),
    Column("ratio_low", "low", "number", tells=Tells.LOW),
    Column("ratio_high", "high", "number", tells=Tells.HIGH),
    Column("chance", "chance if alike", "chance", detail=True),
    Column("adjusted", "adjusted chance", "chance", detail=True),
    Column("expected_by_time", "expected by calendar", "number", detail=True),
    Column("hazard_ratio", "hazard ratio", "number", detail=True),
    Column("hazard_low", "low", "number", detail=True, tells=Tells.LOW),
    Column("hazard_high", "high", "number", detail=True, tells=Tells.HIGH),
    Column("log_rank", "log-rank chance", "chance", detail=True),
    Column("trend", "trend", detail=True),
    Column("trend_chance", "chance of the trend", "chance", detail=True),
    Column("within_warranty", "within warranty", "integer", detail=True),
    Column("avoidable_cost", "avoidable cost", "money"),
    Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
    Column("since", "first failure", "date", tells=Tells.SINCE),
    Column("vehicles", "vehicles", "integer"),
    Column("why", "why it is listed", "sentence", tells=Tells.WHY),
    Column("against", "what speaks against it", "sentence", tells=Tells.AGAINST),
)


@dataclass(frozen=True, eq=False)
class Row:
    """One row with what it is sorted and chosen by.

    Attributes:
        by_time: expected failures and chance on the calendar clock; None where unknown.
        level, entry: the comparison it comes from, and which of it.
    """

    label: Label
    avoidable: float
    by_time: tuple[float, float] | None
    cells: dict[str, Cell]
    evidence: tuple[str, ...]
    touches: frozenset[str]
    level: Level
    entry: int

    @property
    def chance(self) -> float:
        """Chance of so many failures if it were like the others."""
        return float(self.level.excess.p[self.entry])

    @property
    def goes_by_time(self) -> bool:
        """Whether the excess vanishes when ages are counted by the calendar."""
        return self.by_time is not None and self.by_time[1] > CALENDAR_ALPHA


@dataclass(frozen=True, eq=False)
class Bench:
    """All that rows are made from."""

    view: LedgerView
    lives: GroupedLives
    models: dict[str, ComponentModel]

    @cached_property
    def calendar(self) -> dict[str, Level]:
        """The same levels by calendar age; only asked for when something stands out."""
        models = fit(load(self.view, ("component", "class"), clock="age"))
        levels = levels_of(load(self.view, BY, clock="age"), models)
        return {level.name: level for level in levels}

    @cached_property
    def facts(self) -> Facts:
        """Failures and prices; only asked for when something stands out."""
        return Facts.load(self.view)

    def rows(self, level: Level, rate: float, least: int) -> list[Row]:
        """Return the rows of one level that pass the false discovery rate."""
        excess = level.excess
        passed = (level.adjusted <= rate) & (excess.observed >= least)
        return [
            self._row(level, int(i))
            for i in np.flatnonzero(passed & (excess.observed > excess.expected))
        ]

    def _row(self, level: Level, i: int) -> Row:
        excess = level.excess
        label = level.labels[excess.group[i]]
        observed, expected = int(excess.observed[i]), float(excess.expected[i])
        failures = self.facts.of(level.name, label)
        mine = rows_of(level, i)
        failed = mine & self.lives.failed
        by_time = self._by_time(level.name, label)
        trend = compared = None
        if level.name != "place":
            lives = dated_lives(self.view, level.name, label)
            trend = trend_of(lives, self.models[label[0]].shape)
            compared = self._log_rank(label[0], level.name, mine)
        priced_on = label[1] if level.name in ("place", "class") else None
        price = self.facts.prices.replacement(label[0], priced_on)
        avoidable = 0.0 if price is None else (observed - expected) * price.middle
        vehicles = frozenset(failure.vehicle for failure in failures)
        cells: dict[str, Cell] = {
            "level": SHOWN[level.name],
            "component": label[0],
            "where": words.where(level.name, label),
            "failed": observed,
            "expected": round(expected, 2),
            "ratio": round(observed / expected, 1),
            "ratio_low": round(float(excess.lower[i]), 1),
            "ratio_high": round(float(excess.upper[i]), 1),
            "chance": float(excess.p[i]),
            "adjusted": float(level.adjusted[i]),
            "expected_by_time": None if by_time is None else round(by_time[0], 2),
            "hazard_ratio": None if compared is None else rounded(compared.hazard_ratio),
            "hazard_low": None if compared is None else rounded(compared.lower),
            "hazard_high": None if compared is None else rounded(compared.upper),
            "log_rank": None if compared is None else compared.p,
            "trend": "" if trend is None else trend.words,
            "trend_chance": None if trend is None else trend.p,
            "within_warranty": sum(failure.in_warranty for failure in failures),
            "avoidable_cost": None if price is None else round(avoidable, 2),
            "currency": "" if price is None else price.currency,
            "since": failures[0].day if failures else None,
            "vehicles": len(vehicles),
            "why": words.why(
                level,
                i,
                failures,
                "" if trend is None else trend.said(),
                self._alone(level.name, label),
            ),
            "against": words.against(
                level,
                i,
                failures,
                late_share=float(np.mean(self.lives.entry[mine] > 0)),
                usual=None if by_time is None else by_time[0],
                between=float(np.mean(self.lives.interval[failed])) if failed.any() else 0.0,
            ),
        }
        return Row(
            label=label,
            avoidable=avoidable,
            by_time=by_time,
            cells=cells,
            evidence=tuple(failure.event for failure in failures if failure.event),
            touches=vehicles,
            level=level,
            entry=i,
        )

    def counted(self, row: Row) -> Counted:
        """Return a row with its lives laid along the calendar."""
        return Counted(
            name=Joined((PartName(row.label[0], row.label[0]), row.cells["where"])),
            failed=int(row.level.excess.observed[row.entry]),
            expected=float(row.level.excess.expected[row.entry]),
            lives=dated_lives(self.view, row.level.name, row.label),
            rates=self._rates(row),
            shape=self.models[row.label[0]].shape,
        )

    def _of_component(self, component: str) -> Ints:
        """Return which lives are of a component."""
        named = np.array([cell[0] == component for cell in self.lives.labels])
        return np.flatnonzero(named[self.lives.group])

    def _rates(self, row: Row) -> dict[str, Rate]:
        """Return the rate of the others that a row was held against, by class of vehicle."""
        rows = self._of_component(row.label[0])
        mine = rows_of(row.level, row.entry)[rows]
        exposure = exposures(self.lives, self.models)[rows]
        failed = self.lives.failed[rows]
        of_class = np.array([self.lives.labels[g][1] for g in self.lives.group[rows]])
        # Classes are held against each other, and a place that is alone in its class as well.
        across = row.level.name == "class" or self._alone(row.level.name, row.label)
        found = {}
        for name in np.unique(of_class[mine]):
            others = ~mine & np.isfinite(exposure) & (across | (of_class == name))
            watched = float(exposure[others].sum())
            if watched > 0.0:
                found[str(name)] = Rate((float(failed[others].sum()) + 0.5) / watched, watched)
        return found

    def _by_time(self, name: str, label: Label) -> tuple[float, float] | None:
        """Return expected failures and chance on the calendar clock."""
        level = self.calendar.get(name)
        i = None if level is None else level.index(label)
        if level is None or i is None:
            return None
        return float(level.excess.expected[i]), float(level.excess.p[i])

    def _alone(self, name: str, label: Label) -> bool:
        """Tell whether a place has no other vehicle of its class to be compared with."""
        if name != "place":
            return False
        return not any(cell[:2] == label[:2] and cell[2] != label[2] for cell in self.lives.labels)

    def _log_rank(self, component: str, name: str, mine: NDArray[np.bool_]) -> LogRank | None:
        """Compare its lives with those of the others, by class unless classes are compared."""
        classes, _ = coded(self.lives.labels, 1)
        rows = self._of_component(component)
        return log_rank_of(self.lives, rows, mine, None if name == "class" else classes)
