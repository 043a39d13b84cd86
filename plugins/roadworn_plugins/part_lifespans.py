"""How long parts last, by component and whatever else they are told apart by."""

from typing import Annotated, Literal

import numpy as np
from pydantic import Field, field_validator

from roadworn.analysis import (
    Analysis,
    Cell,
    Chart,
    Column,
    Estimate,
    Result,
    Series,
    Settings,
    Table,
)
from roadworn.catalogue import catalogue
from roadworn.view import LedgerView
from roadworn_plugins import grouped as lives_of
from roadworn_plugins.grouped import GROUPINGS, GroupedLives, Unit, shown_distance
from roadworn_plugins.life_model import trade_range
from roadworn_plugins.lifedata.kaplan_meier import KaplanMeier, kaplan_meier
from roadworn_plugins.lifedata.weibull import WeibullFit, fit_weibull

ABOUT = """\
Question: How long do these parts last, and how sure is that?

Method: Each stay of a part on a vehicle is one life. Kaplan-Meier with late entry gives the
median that the record itself shows; a Weibull fit by maximum likelihood (exact, interval and
right-censored lives, late entry) gives B10, the age by which a tenth has failed, and B50, with
likelihood-ratio limits.

Assumptions: A part replaced for wear or failure failed; one replaced beforehand was still
running. Parts of unknown age when the vehicle came are left out.

Reading: B10 45,000 mi (31,000 to 58,000): one part in ten is gone by about 45,000 miles.

Reference: Meeker and Escobar, Statistical Methods for Reliability Data (Wiley, 1998).
"""


class PartLifespansSettings(Settings):
    """Which lives, told apart how, on which clock."""

    component: Annotated[str | None, Field(description="only this component")] = None
    by: Annotated[
        tuple[str, ...],
        Field(description="component, class, supplier, part-number, position, duty, vehicle"),
    ] = ("component", "class")
    clock: Annotated[Literal["distance", "age"], Field(description="miles or years")] = "distance"
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    level: Annotated[float, Field(gt=0.5, lt=1, description="level of the limits")] = 0.95
    least_failures: Annotated[
        int, Field(ge=1, description="fewer failures than this: too few to tell")
    ] = 3
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 60

    @field_validator("by", mode="before")
    @classmethod
    def _split(cls, value: object) -> object:
        """Take "component,supplier" as typed on a command line."""
        parts = tuple(value.replace(" ", "").split(",")) if isinstance(value, str) else value
        unknown = (
            [part for part in parts if part not in GROUPINGS] if isinstance(parts, tuple) else []
        )
        if unknown:
            raise ValueError(f"{unknown[0]} is none of {', '.join(GROUPINGS)}")
        return parts


_COLUMNS = (
    Column("lives", "lives", "integer", detail=True),
    Column("failed", "failed", "integer"),
    Column("running", "running", "integer"),
    Column("left_out", "left out", "integer"),
    Column("median", "median", "distance", detail=True),
    Column("b10", "B10", "distance"),
    Column("b10_low", "low", "distance"),
    Column("b10_high", "high", "distance"),
    Column("b50", "B50", "distance"),
    Column("b50_low", "low", "distance"),
    Column("b50_high", "high", "distance"),
    Column("shape", "shape", "number", detail=True),
    Column("words", "in words"),
)


def run(view: LedgerView, settings: PartLifespansSettings) -> Result:
    """Estimate lifetimes for every group of the chosen kind."""
    by = settings.by if "component" in settings.by else ("component", *settings.by)
    grouped = lives_of.load(view, by, component=settings.component, clock=settings.clock)
    if not grouped.labels:
        return Result(
            headline="No part lives are on record for this yet.",
            caveats=("Record replacements with their reason and odometer reading.",),
        )
    unit = settings.unit or lives_of.preferred_unit(view)
    shown = unit if settings.clock == "distance" else "years"
    curve = kaplan_meier(grouped.exact_lives(), level=settings.level)
    fit = fit_weibull(grouped.lives(), level=settings.level)
    out = lives_of.left_out(view, settings.component)
    events = lives_of.failure_events(view, by, settings.component)
    medians = curve.quantile(0.5)[0]
    _n, failed, _running = grouped.counts()
    order = sorted(range(len(grouped.labels)), key=lambda g: (-int(failed[g]), grouped.labels[g]))
    estimates = [
        _Group(grouped, g, float(medians[g]), fit, settings, unit, out, events)
        for g in order[: settings.most]
    ]
    names = {"component": "component", "class": "class", "part-number": "part number"}
    columns = tuple(Column(key, names.get(key, key)) for key in by) + tuple(
        Column(c.name, c.title, c.kind, shown if c.kind == "distance" else "", c.detail)
        for c in _COLUMNS
    )
    table = Table(
        name="part_lifespans",
        title=f"How long parts last, in {shown}",
        columns=columns,
        rows=tuple(group.row() for group in estimates),
        evidence=tuple(group.evidence for group in estimates),
    )
    told = [group for group in estimates if group.tells]
    return Result(
        headline=_headline(told, len(grouped.labels), shown),
        tables=(table,),
        estimates=tuple(group.estimate(shown) for group in told),
        charts=_chart(curve, told, shown),
        caveats=_caveats(grouped, out, len(grouped.labels) - len(estimates)),
    )


class _Group:
    """The figures of one group in the unit shown."""

    def __init__(
        self,
        grouped: GroupedLives,
        g: int,
        median: float,
        fit: WeibullFit,
        settings: PartLifespansSettings,
        unit: Unit,
        out: dict[str, dict[str, int]],
        events: dict[tuple[str, ...], tuple[str, ...]],
    ) -> None:
        n, failed, running = grouped.counts()
        self.g, self.label, self.settings, self.unit = g, grouped.labels[g], settings, unit
        self.n, self.failed, self.running = int(n[g]), int(failed[g]), int(running[g])
        # What is left out is known by component only: the class of such a stay may be unknown.
        self.why_out = out.get(self.label[0], {})
        self.left_out = sum(self.why_out.values())
        self.evidence = events.get(self.label, ())
        self.tells = self.failed >= settings.least_failures and bool(np.isfinite(fit.shape[g]))
        self.shape = float(fit.shape[g])
        self.median = self.shown(median)
        self.b10, self.b50 = (self.shown(fit.quantiles[p][g]) for p in (0.1, 0.5))
        self.b10_ci, self.b50_ci = (
            tuple(self.shown(limit) for limit in fit.quantile_ci[p][g]) for p in (0.1, 0.5)
        )

    def shown(self, age: float) -> float | None:
        """Return an age in the unit shown, or None where it is not reached."""
        if not np.isfinite(age):
            return None
        if self.settings.clock == "age":
            return round(float(age), 2)
        return float(np.round(shown_distance(float(age), self.unit), -2))

    def words(self) -> str:
        """Say what the figures mean, or that there are too few."""
        span = trade_range(catalogue().find(self.label[0]))
        trade = ""
        if span is not None and self.settings.clock == "distance":
            low, high = (float(shown_distance(x, self.unit)) for x in span)
            trade = f"trade range {low:,.0f} to {high:,.0f} (common practice, no source)"
            if self.tells and self.b50 is not None and not low <= self.b50 <= high:
                trade = f"{'below' if self.b50 < low else 'above'} the {trade}"
        if not self.tells:
            return "; ".join(filter(None, [f"too few to tell ({self.failed} failed)", trade]))
        return trade

    def row(self) -> tuple[Cell, ...]:
        """Return the cells in the order of the table."""
        told: tuple[Cell, ...] = (None,) * 8
        if self.tells:
            told = (
                self.median,
                self.b10,
                *self.b10_ci,
                self.b50,
                *self.b50_ci,
                round(self.shape, 2),
            )
        return (*self.label, self.n, self.failed, self.running, self.left_out, *told, self.words())

    def estimate(self, shown: str) -> Estimate:
        """Return the median life as an estimate with all that it rests on."""
        return Estimate(
            name=f"B50 of {', '.join(self.label)}",
            value=self.b50,
            unit=shown,
            low=self.b50_ci[0],
            high=self.b50_ci[1],
            level=self.settings.level,
            method="Weibull, maximum likelihood, likelihood-ratio limits",
            failures=self.failed,
            running=self.running,
            left_out=self.left_out,
            why_left_out="; ".join(f"{number} {why}" for why, number in self.why_out.items()),
            words=self.words(),
            evidence=self.evidence,
        )


def _headline(told: list[_Group], groups: int, shown: str) -> str:
    if not told:
        return f"Too few failures to tell a lifetime for any of {groups} groups."
    first = told[0]
    low, high = first.b50_ci
    band = f" ({low:,.0f} to {high:,.0f})" if low is not None and high is not None else ""
    middle = "not reached" if first.b50 is None else f"{first.b50:,.0f} {shown}"
    return (
        f"{len(told)} of {groups} groups have enough failures; {', '.join(first.label)}: half are "
        f"gone by {middle}{band}, from {first.failed} failed and {first.running} running."
    )


def _chart(curve: KaplanMeier, told: list[_Group], shown: str) -> tuple[Chart, ...]:
    """Return the survival steps of the groups with most failures."""
    series = []
    for group in told[:5]:
        rows = curve.group_slice(group.g)
        ages = [group.shown(age) or 0.0 for age in curve.age[rows]]
        series.append(
            Series(
                name=", ".join(group.label),
                x=(0.0, *ages),
                y=(1.0, *(float(s) for s in curve.s[rows])),
                shape="step",
                low=(1.0, *(float(s) for s in np.nan_to_num(curve.lower[rows], nan=0.0))),
                high=(1.0, *(float(s) for s in np.nan_to_num(curve.upper[rows], nan=1.0))),
            )
        )
    if not series:
        return ()
    title = f"{series[0].name} fails most often of these"
    return (
        Chart(
            "survival",
            title,
            f"age ({shown})",
            "share still working",
            tuple(series),
            "; ".join(f"{g.label}: half gone by {g.b50}" for g in told[:5]),
        ),
    )


def _caveats(grouped: GroupedLives, out: dict[str, dict[str, int]], hidden: int) -> tuple[str, ...]:
    caveats = []
    number = sum(sum(whys.values()) for whys in out.values())
    if number:
        whys = sorted({why for counts in out.values() for why in counts})
        caveats.append(f"{number} stays of a part are left out: {', '.join(whys)}.")
    late = int(np.sum(grouped.entry > 0))
    if late:
        caveats.append(f"{late} lives came under observation late and count from there on only.")
    if grouped.interval.any():
        caveats.append(
            f"{int(grouped.interval.sum())} failures are only known to lie between two looks; "
            "the median counts them at the middle, the fit as they are."
        )
    if hidden > 0:
        caveats.append(f"{hidden} groups with fewer failures are not shown; raise --most.")
    return tuple(caveats)


PART_LIFESPANS = Analysis(
    name="part-lifespans",
    title="How long parts last",
    question="How long do these parts last, and how sure is that?",
    run=run,
    settings=PartLifespansSettings,
    about=ABOUT,
)
