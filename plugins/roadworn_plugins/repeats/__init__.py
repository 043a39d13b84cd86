"""The part that keeps failing: at one place, on a class of vehicles, or from one supplier."""

from dataclasses import dataclass
from functools import cached_property
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from roadworn.analysis import Analysis, Answers, Cell, Column, Holds, Result, Settings, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, PartName
from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.common_shape import shape_heterogeneity
from roadworn_plugins.lifedata.counts import LogRank
from roadworn_plugins.repeats import words
from roadworn_plugins.repeats.along_time import (
    CHARTED,
    Counted,
    Rate,
    chart_of,
    dated_lives,
    trend_of,
)
from roadworn_plugins.repeats.levels import BY, SHOWN, Label, Level, exposures, levels_of, rows_of
from roadworn_plugins.repeats.words import Facts, say
from roadworn_plugins.shared import grouped as lives_of
from roadworn_plugins.shared.grouped import GroupedLives, Ints, coded, load, log_rank_of
from roadworn_plugins.shared.life_model import ComponentModel, fit
from roadworn_plugins.shared.settings import MostRows, OnlyComponent, all_said, rounded

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
        price = self.facts.prices.of(label[0], priced_on)
        if price is not None and not price.number:
            price = None  # labour without the part
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


ABOUT = """\
Question: Which part keeps failing, on which vehicle or class, or from which supplier?

Method: Expected failures of a place, a class or a supplier's part are its own exposure times
the rate of comparable others (a Weibull clock by distance, one shape a component). The chance
of so many or more is negative binomial, since that rate is itself uncertain. All that was
tested is held to one false discovery rate by Benjamini and Hochberg, each comparison charged
with what it could show at all (Heyse). What stands out is looked at again by calendar age: an
excess that vanishes there goes by time and is not listed. Suppliers get a log-rank test and a
hazard ratio within the classes; classes and suppliers a test of the later half of the record
against the earlier.

Assumptions: Replacements for wear or failure are failures; preventive ones are not. Others of
the same component and class are comparable in use. One shape serves all classes; a caveat
says when the lives speak against it.

Reading: "7 against 1.2 expected" is a finding about the record, not yet about the cause.
Avoidable cost is the surplus of failures at the usual price of one.

Reference: Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300; Heyse (2011);
Garwood, Biometrika 28 (1936) 437-442 for the limits.
"""


class RepeatFailuresSettings(Settings):
    """What to look for, and how careful to be."""

    vehicle: Annotated[str | None, Field(description="only what concerns this vehicle")] = None
    component: OnlyComponent = None
    false_discovery: Annotated[
        float, Field(gt=0, lt=1, description="share of the list that may be chance")
    ] = 0.05
    least_failures: Annotated[int, Field(ge=1, description="fewer failures are not listed")] = 2
    most: MostRows = 25


def run(view: LedgerView, settings: RepeatFailuresSettings) -> Result:
    """Compare every place, class, supplier and supplier's part with the others."""
    by_class = lives_of.load(view, ("component", "class"))
    models = fit(by_class)
    if not any(model.failures.sum() for model in models.values()):
        return Result(say("none"), caveats=(say("record"),))
    lives = lives_of.load(view, BY)
    levels = levels_of(lives, models)
    bench = Bench(view, lives, models)
    rows = [
        row
        for level in levels
        for row in bench.rows(level, settings.false_discovery, settings.least_failures)
        if settings.component in (None, row.label[0])
        and (settings.vehicle is None or settings.vehicle in row.touches)
    ]
    rows.sort(key=lambda row: (-row.avoidable, row.chance, row.label))
    listed = [row for row in rows if not row.goes_by_time]
    shown = listed[: settings.most]
    tested = sum(level.excess.p.size for level in levels)
    left_out = view.sql(
        "SELECT count(*) FROM part_lives_left_out WHERE component = coalesce(?, component)",
        (settings.component,),
    ).rows[0][0]
    return Result(
        headline=_headline(shown, tested),
        tables=(
            Table(
                "repeat_failures",
                "Parts that keep failing, by avoidable cost",
                COLUMNS,
                tuple(tuple(row.cells[column.name] for column in COLUMNS) for row in shown),
                tuple(row.evidence for row in shown),
                Holds.REPEATS,
            ),
        ),
        charts=chart_of([bench.counted(row) for row in shown[:CHARTED]]),
        caveats=all_said(
            # By calendar age they are nothing unusual.
            *(
                say("by-time", **_told(row), by_time=row.by_time[0])
                for row in rows
                if row.goes_by_time and row.by_time is not None
            ),
            *_shape_doubts(by_class, sorted({row.label[0] for row in shown})),
            say.some(tested, "compared", share=settings.false_discovery),
            say("unrecorded"),
            say.some(len(listed) - len(shown), "not-shown"),
            say.some(left_out, "left-out"),
        ),
    )


def _headline(rows: list[Row], tested: int) -> str:
    if not tested:
        return say("alone")
    if not rows:
        return say("chance", n=tested)
    return say("headline", n=len(rows), every=tested, **_told(rows[0]))


def _told(row: Row) -> dict[str, object]:
    """Return what is said of a row: its part, where it is, how many failed, how many expected."""
    figures = {key: row.cells[key] for key in ("where", "failed", "expected")}
    return {"part": part_name(row.label[0]), **figures}


def _shape_doubts(
    lives: lives_of.GroupedLives, components: list[str], alpha: float = 0.05
) -> list[str]:
    """Say of which components the classes speak against one common shape."""
    said = []
    labels = np.array([label[0] for label in lives.labels], dtype=object)
    for component in components:
        rows = np.equal(labels, component)[lives.group]
        try:
            found = shape_heterogeneity(
                lives.group[rows], lives.entry[rows], lives.exit_age[rows], lives.failed[rows]
            )
        except LifeDataError:
            continue  # no lives of it: nothing speaks against anything
        part = part_name(component)
        said.append(
            say.when(found.p < alpha, "shape-doubt", part=part, classes=found.groups, p=found.p)
        )
    return said


REPEAT_FAILURES = Analysis(
    name="repeat-failures",
    title="Parts that keep failing",
    question="Which part keeps failing, on which vehicle or class, or from which supplier?",
    run=run,
    settings=RepeatFailuresSettings,
    about=ABOUT,
    answers=Answers.KEEPS_FAILING,
)
