"""Findings as rows: figures, what they rest on, and what could be saved."""

from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np

from roadworn.analysis import RESULT_TYPES, Cell, Column, Tells
from roadworn.columns.kept import Codec
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, PartName, PlaceName
from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.common_shape import shape_heterogeneity
from roadworn_plugins.lifedata.counts import LogRank, log_rank
from roadworn_plugins.lifedata.special import betaincinv
from roadworn_plugins.repeats import words
from roadworn_plugins.repeats.along_time import (
    EPOCH,
    Counted,
    DatedLives,
    Places,
    Trend,
    trend_of,
)
from roadworn_plugins.repeats.chances import BATCHES, OF_PLACES
from roadworn_plugins.repeats.levels import Lives
from roadworn_plugins.repeats.search import Finding, Search
from roadworn_plugins.repeats.words import Count, Facts, counts, load, named, say
from roadworn_plugins.shared.grouped import Bools, Unit
from roadworn_plugins.shared.settings import rounded


@dataclass(frozen=True, slots=True)
class Asked:
    """What is looked for: the settings of the analysis, which says what each means."""

    vehicle: str | None
    component: str | None
    false_discovery: float
    least_failures: int
    aliases: str
    unit: Unit
    most: int


COLUMNS = (
    Column("level", "what"),
    Column("component", "component", "component", tells=Tells.COMPONENT),
    Column("where", "where", tells=Tells.PLACE),
    Column("began", "since", "date"),
    Column("failed", "failed", "integer"),
    Column("expected", "expected", "number"),
    Column("ratio", "times the others", "number", tells=Tells.VALUE),
    Column("ratio_low", "low", "number", tells=Tells.LOW),
    Column("ratio_high", "high", "number", tells=Tells.HIGH),
    Column("chance", "chance if alike", "chance", detail=True),
    Column("adjusted", "adjusted chance", "chance", detail=True),
    Column("alarms_a_year", "alarms a year by chance", "number", detail=True),
    Column("expected_at_age", "expected at their ages", "number", detail=True),
    Column("hazard_ratio", "rate of failing (others 1)", "number", detail=True),
    Column("hazard_low", "low", "number", detail=True, tells=Tells.LOW),
    Column("hazard_high", "high", "number", detail=True, tells=Tells.HIGH),
    Column("log_rank", "log-rank chance", "chance", detail=True),
    Column("trend", "trend", detail=True),
    Column("trend_chance", "chance of the trend", "chance", detail=True),
    Column("within_warranty", "within warranty", "integer", detail=True),
    Column("avoidable_cost", "avoidable cost", "money"),
    Column("avoidable_a_year", "a year", "money"),
    Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
    Column("since", "first failure", "date", tells=Tells.SINCE),
    Column("vehicles", "vehicles", "integer"),
    Column("why", "why it is listed", "sentence", tells=Tells.WHY),
    Column("against", "what speaks against it", "sentence", tells=Tells.AGAINST),
)


@dataclass(frozen=True, eq=False)
class Row:
    """One row with what it is sorted and chosen by."""

    avoidable: float
    chance: float
    cells: dict[str, Cell]
    evidence: tuple[str, ...]
    touches: frozenset[str]
    component: str
    counted: Counted | None = None


@dataclass(frozen=True, eq=False)
class Bench:
    """All that rows are made from."""

    view: LedgerView
    lives: Lives
    search: Search
    unit: Unit

    @cached_property
    def facts(self) -> Facts:
        """Prices and warranties; only asked for when something stands out."""
        return Facts.load(self.view)

    def label(self, finding: Finding) -> tuple[str, ...]:
        """Return component and where, as names."""
        row = int(np.flatnonzero(finding.rows)[0])
        columns = {
            "place": ("vehicle", "position"), "class": ("class",), "supplier": ("supplier",),
            "part": ("supplier", "number"), "class since": ("class",), "batch": ("supplier",),
            "batch comebacks": ("supplier",), "comebacks": ("vehicle", "position"),
            "fleet since": (),
        }.get(finding.family, ("vehicle",))  # fmt: skip
        component = self.lives.name("component", row) if finding.component >= 0 else ""
        return (component, *(self.lives.name(column, row) for column in columns))

    def row(self, finding: Finding) -> Row:
        """Return the row of one finding."""
        lives, label = self.lives, self.label(finding)
        failed = np.flatnonzero(finding.rows & self.search.failed(finding.family))
        failures = self.facts.failures(lives, failed.tolist())
        n, usual = len(failures), max(finding.usual, 1e-3)
        low, high = limits(n, usual, finding.mean**2 / finding.variance)
        own = finding.family in ("class", "supplier", "part", "batch")
        trend = self._trend(finding) if own and finding.since is None else None
        compared = self._log_rank(finding) if own else None
        avoidable, currency = self._avoidable(finding)
        began = None if finding.since is None else _day(finding.since)
        vehicles = frozenset(failure.vehicle for failure in failures)
        cells: dict[str, Cell] = {
            "level": words.SHOWN[finding.family],
            "component": label[0],
            "where": words.where(finding.family, label),
            "began": began,
            "failed": n,
            "expected": round(usual, 2),
            "ratio": round(n / usual, 1),
            "ratio_low": round(low, 1),
            "ratio_high": round(high, 1),
            "chance": finding.chance,
            "adjusted": min(finding.adjusted, 1.0),
            "alarms_a_year": rounded(finding.alarms_a_year, 4),
            "expected_at_age": round(finding.at_age, 2),
            "hazard_ratio": None if compared is None else rounded(compared.hazard_ratio),
            "hazard_low": None if compared is None else rounded(compared.lower),
            "hazard_high": None if compared is None else rounded(compared.upper),
            "log_rank": None if compared is None else compared.p,
            "trend": "" if trend is None else trend.words,
            "trend_chance": None if trend is None else trend.p,
            "within_warranty": sum(failure.in_warranty for failure in failures),
            "avoidable_cost": None if avoidable is None else round(avoidable, 2),
            "currency": currency,
            "since": failures[0].day if failures else None,
            "vehicles": len(vehicles),
            "why": self._why(finding, label, failures, usual, trend),
            "against": words.against(
                finding.family,
                failures,
                others=int(finding.mean**2 / finding.variance),
                late_share=float(np.mean(lives.entry[0, finding.rows] > 0)),
                between=float(np.mean(lives.between[failed])) if failed.size else 0.0,
                no_calendar=bool(failed.size) and not np.isfinite(lives.leaving[1, failed]).any(),
            ),
        }
        days = lives.last[failed]
        name = Joined(
            (PartName(named(label[0]), label[0]) if label[0] else named(""), cells["where"])
        )
        doubt = finding.variance / finding.mean**2
        places = Places.joined(list(finding.places.values()))
        return Row(
            avoidable=avoidable or 0.0,
            chance=finding.chance,
            cells=cells,
            evidence=tuple(failure.event for failure in failures if failure.event),
            touches=vehicles,
            component=label[0],
            counted=Counted(name, n, usual, days[np.isfinite(days)], places, doubt),
        )

    def _why(
        self, finding: Finding, label: tuple[str, ...], failures: list[words.Failure],
        usual: float, trend: Trend | None,
    ) -> str:  # fmt: skip
        n, family = len(failures), finding.family
        others = {"class": "class", "vehicle": "vehicle"}.get(family, "origin")
        if family in OF_PLACES:
            others = "place"
        if family == "place" and self._alone(finding):
            others = "alone"
        kind = self.lives.name("class", int(np.flatnonzero(finding.rows)[0]))
        against = say(f"others-{others}", vehicle_class=kind)
        covered = say.some(sum(failure.in_warranty for failure in failures), "in-warranty")
        part = named(label[0])
        if finding.since is not None:
            if family not in BATCHES:
                against = say("others-past")
            code = "why-back-since" if family == "batch comebacks" else "why-since"
            return say(
                code, part=part, n=n, since=_day(finding.since), expected=usual,
                others=against, alarms=finding.alarms_a_year or 0.0, in_warranty=covered,
            )  # fmt: skip
        if family == "comebacks":
            return say("why-back", part=part, n=n, expected=usual, in_warranty=covered)
        if family == "vehicle":
            shapes = [one.law.shape for one in self.search.of.values() if one.law is not None]
            share = (finding.at_age / max(n, 1)) ** (1.0 / float(np.median(shapes)))
            return say("why-vehicle", n=n, expected=usual, others=against, share=share)
        told = "" if trend is None else trend.said()
        return say(
            "why", part=part, n=n, expected=usual, others=against, in_warranty=covered, trend=told
        )

    def _avoidable(self, finding: Finding) -> tuple[float | None, str]:
        """Return the cost of what would not have failed, and its currency."""
        total, currency, prices = 0.0, "", self.facts.prices
        for component, places in finding.places.items():
            mine = finding.rows & (self.lives.codes["component"] == component)
            row = int(np.flatnonzero(mine)[0])
            by_class = finding.family in (
                *OF_PLACES,
                "vehicle",
                "vehicle since",
                "class",
                "class since",
            )
            kind = self.lives.name("class", row) if by_class else None
            price = prices.of(self.lives.name("component", row), kind)
            # Without a price of its own, labour alone would be too little.
            if price is not None and price.number:
                surplus = float(self.search.failed(finding.family)[mine].sum()) - float(
                    places.usual.sum()
                )
                total, currency = total + surplus * price.middle, price.currency
        return (total, currency) if currency else (None, "")

    def _alone(self, finding: Finding) -> bool:
        """Tell whether a place has no other vehicle of its class to be compared with."""
        lives, row = self.lives, int(np.flatnonzero(finding.rows)[0])
        same = (lives.codes["component"] == finding.component) & (
            lives.codes["class"] == lives.codes["class"][row]
        )
        return bool(np.all(lives.codes["vehicle"][same] == lives.codes["vehicle"][row]))

    def _of_component(self, finding: Finding) -> tuple[Bools, int]:
        law = self.search.of[finding.component].law
        clock = 0 if law is None else law.clock
        with np.errstate(invalid="ignore"):
            good = self.lives.leaving[clock] > self.lives.entry[clock]
        return good & (self.lives.codes["component"] == finding.component), clock

    def _trend(self, finding: Finding) -> Trend:
        law = self.search.of[finding.component].law
        rows, clock = self._of_component(finding)
        shape = 1.0 if law is None else law.shape
        return trend_of(DatedLives.of(self.lives, rows & finding.rows, clock), shape)

    def _log_rank(self, finding: Finding) -> LogRank | None:
        """Compare its lives with those of the others, by class unless classes are compared."""
        lives = self.lives
        rows, clock = self._of_component(finding)
        try:
            return log_rank(
                finding.rows[rows],
                lives.entry[clock, rows],
                lives.leaving[clock, rows],
                lives.failed[rows],
                stratum=None if finding.family == "class" else lives.codes["class"][rows],
            )
        except LifeDataError:
            return None

    def count_row(self, one: Count) -> Row:
        """Return the row of a plain count."""
        price = self.facts.prices.of(one.component, one.vehicle_class)
        price = price if price is not None and price.number else None
        n, usual = len(one.events), max(one.expected, 1e-3)
        low, high = limits(n, usual, 1e9)
        avoidable = None if price is None else (n - one.expected) * price.middle
        cells: dict[str, Cell] = {column.name: None for column in COLUMNS}
        cells |= {
            "level": words.SHOWN["place"],
            "component": one.component,
            "where": Joined((one.vehicle, PlaceName(one.position, one.component)), " "),
            "failed": n,
            "expected": round(usual, 2),
            "ratio": round(n / usual, 1),
            "ratio_low": round(low, 1),
            "ratio_high": round(high, 1),
            "chance": one.chance,
            "trend": "",
            "avoidable_cost": None if avoidable is None else round(avoidable, 2),
            "currency": "" if price is None else price.currency,
            "since": one.days[0],
            "vehicles": 1,
            "why": words.why_count(one, self.unit),
            "against": Joined(
                filter(None, (say.when(self.few_others(one), "no-others"), say("vehicle-itself"))),
                "; ",
            ),
        }
        return Row(
            avoidable or 0.0, one.chance, cells, one.events, frozenset((one.vehicle,)),
            one.component,
        )  # fmt: skip

    def few_others(self, one: Count, least: int = 5) -> bool:
        """Tell whether a place has too few failures elsewhere to be compared with."""
        lives = self.lives
        if one.component not in lives.names["component"]:
            return True
        rows = lives.codes["component"] == lives.names["component"].index(one.component)
        if one.vehicle in lives.names["vehicle"]:
            rows &= lives.codes["vehicle"] != lives.names["vehicle"].index(one.vehicle)
        return int(lives.failed[rows].sum()) < least


def limits(failed: int, usual: float, others: float, level: float = 0.95) -> tuple[float, float]:
    """Return limits of a ratio of two rates, both uncertain.

    The count given the sum of both is binomial (Clopper and Pearson, Biometrika 26 (1934)
    404-413): limits that took the expectation as exact would be too narrow.

    Args:
        failed: failures.
        usual: expected.
        others: failures that the expectation is worth.
        level: two-sided.
    """
    side = (1.0 - level) / 2.0
    low = betaincinv(failed, others + 1.0, side) if failed else 0.0
    high = betaincinv(failed + 1.0, others, 1.0 - side)
    scale = others / usual
    return float(low / (1.0 - low) * scale), float(high / (1.0 - high) * scale)


@dataclass(frozen=True, eq=False)
class Alone:
    """A place counted by itself: its row, whose it is, and whether it has few others."""

    row: Row
    vehicle: str
    few_others: bool


@dataclass(frozen=True, eq=False)
class Compared:
    """What the whole fleet came to, whoever asks about one vehicle of it.

    Attributes:
        rows: findings.
        alone: plain counts by the trade range.
        aside: component and sentence of what went by the other clock.
        doubts: component -> what its classes say against one common shape.
        compared: how many were compared; -1 where there is nothing on record.
    """

    rows: tuple[Row, ...]
    alone: tuple[Alone, ...]
    aside: tuple[tuple[str, str], ...]
    doubts: dict[str, str]
    compared: int


_COMPARED = Codec((*RESULT_TYPES, Row, Counted, Places, Alone, Compared))


def compared(view: LedgerView, settings: Asked) -> Compared:
    """Return the comparisons of the fleet, kept while what they rest on is answered alike."""
    rests_on = [
        settings.false_discovery,
        settings.least_failures,
        settings.aliases,
        settings.unit,
    ]
    return view.kept_while(
        "repeat failures", rests_on, lambda: _compared(view, settings), _COMPARED
    )


def _compared(view: LedgerView, settings: Asked) -> Compared:
    lives = load(view, settings.aliases)
    alone = counts(view)
    if not lives.failed.any() and not alone:
        return Compared((), (), (), {}, -1)
    search = Search(lives, settings.least_failures)
    found, set_aside = search.findings(settings.false_discovery)
    bench = Bench(view, lives, search, settings.unit)
    rows = tuple(bench.row(finding) for finding in found)
    told = {event for row in rows for event in row.evidence}
    counted = tuple(
        Alone(bench.count_row(one), one.vehicle, bench.few_others(one))
        for one in alone
        if not told.issuperset(one.events)
    )
    aside = tuple(
        (
            (label := bench.label(one))[0],
            say(
                "by-time", part=named(label[0]), where=words.where(one.family, label),
                failed=int(one.observed), expected=one.mean, by_time=usual,
            ),
        )
        for one, usual in set_aside
    )  # fmt: skip
    components = {row.component for row in (*rows, *(one.row for one in counted))} - {""}
    doubts = _shape_doubts(lives, search, sorted(components))
    return Compared(rows, counted, aside, doubts, search.compared)


def _shape_doubts(
    lives: Lives, search: Search, components: list[str], alpha: float = 0.05
) -> dict[str, str]:
    """Say of which components the classes speak against one common shape."""
    said: dict[str, str] = {}
    for component in components:
        if component not in lives.names["component"]:
            continue
        one = search.of.get(lives.names["component"].index(component))
        if one is None or one.law is None:
            continue
        clock = one.law.clock
        found = shape_heterogeneity(
            lives.codes["class"][one.rows], lives.entry[clock, one.rows],
            lives.leaving[clock, one.rows], lives.failed[one.rows],
        )  # fmt: skip
        if found.p < alpha:
            part = part_name(component)
            said[component] = say("shape-doubt", part=part, classes=found.groups, p=found.p)
    return said


def _day(days: float) -> date:
    return date.fromordinal(EPOCH.toordinal() + round(days))
