"""The figures of one group in the unit shown, and what they mean in words."""

from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from roadworn.analysis import Cell, Column, Estimate, Settings, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn.model.messages import Joined, Says, Sentence
from roadworn_plugins.lifedata.fit_check import FitCheck, fit_check
from roadworn_plugins.lifedata.fitting import fit_weibull
from roadworn_plugins.lifedata.parametric import WeibullFit
from roadworn_plugins.lifedata.small_samples import fit_small
from roadworn_plugins.lifedata.survival import (
    KaplanMeier,
    kaplan_meier,
)
from roadworn_plugins.lifespans.hours_lives import HoursLives
from roadworn_plugins.lifespans.reasons import Reasons
from roadworn_plugins.shared import grouped as lives_of
from roadworn_plugins.shared.grouped import (
    GROUPINGS,
    Clock,
    Floats,
    GroupedLives,
    Ints,
    shown_distance,
)
from roadworn_plugins.shared.life_model import trade_range
from roadworn_plugins.shared.settings import (
    Level,
    MostRows,
    OnlyComponent,
    PoolPath,
    Shown,
    ShownUnit,
    group_name,
    left_out_why,
)

say = Says(
    "part-lifespans",
    {
        "none": "No part lives are on record for this yet.",
        "no-hours": "No vehicle has two readings of its hour meter: write them down by "
        "`roadworn record hours VEHICLE HOURS`.",
        "by-hours": "{n} {n:part|parts} of equipment without an odometer {n:is|are} counted by "
        "clock=hours alone.",
        "hours": "{value:,.0f}",
        "hours-unit": "{value:,.0f} {unit}",
        "record": "Record replacements with their reason and odometer reading.",
        "title": "How long parts last, in {unit}",
        "at": "{age:,.10g}",
        "at-risk": "Parts still under observation at each age, in {unit}",
        "all-too-few": "Too few failures to tell a lifetime for any of {n} {n:group|groups}.",
        "headline": "{n} of {every} {every:group|groups} {n:has|have} enough failures; {name}: "
        "half are gone by {age}{band}, from {failed} failed and {running} running.",
        "band": " ({low} to {high})",
        "distance": "{value:,.0f}",
        "distance-unit": "{value:,.0f} {unit}",
        "age": "{value:.1f}",
        "age-unit": "{value:.1f} {unit}",
        "not-reached": "an age not reached",
        "too-few": "too few to tell ({n} failed)",
        "none-failed": "none failed in {use} of use",
        "beyond": "half gone only beyond the oldest part seen, {oldest}",
        "trade-range": "trade range {low:,.0f} to {high:,.0f} (common practice, no source)",
        "below": "below the {trade}",
        "perhaps-below": "perhaps below the {trade}",
        "above": "above the {trade}",
        "perhaps-above": "perhaps above the {trade}",
        "within": "within the {trade}",
        "shares": "by {age} about {failed:.0%} have failed ({failed_low:.0%} to {failed_high:.0%})"
        " and {worn:.0%} are worn out ({worn_low:.0%} to {worn_high:.0%})",
        "quantile": "{quantile} of {name}",
        "method-conditional": "Weibull, maximum likelihood, conditional limits",
        "method-lr": "Weibull, maximum likelihood, likelihood-ratio limits",
        "method-wald": "Weibull, maximum likelihood, Wald limits",
        "half-gone": "{name}: half gone by {age}",
        "fails-most": "{name} fails most often of these, half by {age}",
        "axis": "age ({unit})",
        "reasons": "{name}: gone by failing and by wear",
        "gone": "{name}: {failed:.0%} failed and {worn:.0%} worn out at the oldest age seen",
        "left-out": ("{n} part is left out: {whys}.", "{n} parts are left out: {whys}."),
        "early": "{n} of them ended before their vehicle came under observation: if all work was "
        "on record by then, say so with `roadworn record profile VEHICLE --records-since DATE`.",
        "unrecorded": "{n} {n:vehicle|vehicles} {n:has|have} {years:,.1f} years before "
        "{n:its|their} first record after enrolment: {n:it counts|they count} as "
        "not watched until then, unless `roadworn record profile VEHICLE "
        "--records-since DATE` says that all work is on record.",
        "late": (
            "{n} part came under observation late and counts from there on only.",
            "{n} parts came under observation late and count from there on only.",
        ),
        "between": "{n} {n:failure|failures} {n:is|are} only known to lie between two look-overs; "
        "the median counts {n:it|them} at the middle, the fit as {n:it is|they are}.",
        "too-narrow": "{n} {n:group|groups} with fewer than 20 failures {n:has|have} "
        "likelihood-ratio limits, which are too narrow in small samples.",
        "fits": "fits",
        "fit-too-few": "too few to tell",
        "bends-up": "does not fit: more early failures than the curve",
        "bends-down": "does not fit: failures bunch at a middle age",
        "misfit": "{n} {n:group|groups} {n:does not follow its|do not follow their} Weibull curve "
        "(chance of less than 1 in 100): {n:its|their} 1 in 10 gone and half gone can "
        "be off; the median is that of the record itself.",
        "not-shown": (
            "{n} group with fewer failures is not shown; raise the setting most.",
            "{n} groups with fewer failures are not shown; raise the setting most.",
        ),
    },
)


class PartLifespansSettings(Settings):
    """Which lives, told apart how, on which clock."""

    component: OnlyComponent = None
    by: Annotated[
        tuple[str, ...],
        Field(description="component, class, supplier, part-number, position, duty, vehicle"),
    ] = ("component", "class")
    clock: Annotated[
        Clock | Literal["hours"], Field(description="miles, years or hours of the engine")
    ] = "distance"
    unit: ShownUnit = None
    level: Level = 0.95
    limits: Annotated[
        Literal["conditional", "lr", "wald"],
        Field(description="conditional, likelihood ratio or Wald"),
    ] = "conditional"
    least_failures: Annotated[
        int, Field(ge=2, description="fewer failures than this: too few to tell")
    ] = 3
    pool: PoolPath = None
    most: MostRows = 60

    @field_validator("by", mode="before")
    @classmethod
    def _split(cls, value: object) -> object:
        """Take "component,supplier" as typed on a command line."""
        parts = tuple(value.replace(" ", "").split(",")) if isinstance(value, str) else value
        for part in parts if isinstance(parts, tuple) else ():
            if part not in GROUPINGS:
                known = ", ".join(GROUPINGS)
                if part != value:  # which of them is it?
                    raise ValueError(f"{part} is none of {known}")
                raise ValueError(f"write one or more of {known}, parted by commas")
        return parts


COLUMNS = (
    Column("lives", "lives", "integer", detail=True),
    Column("failed", "failed", "integer"),
    Column("running", "running", "integer"),
    Column("left_out", "left out", "integer"),
    Column("median", "median", "distance", detail=True),
    Column("b10", "1 in 10 gone by", "distance"),
    Column("b10_low", "low", "distance", tells=Tells.LOW),
    Column("b10_high", "high", "distance", tells=Tells.HIGH),
    Column("b50", "half gone by", "distance"),
    Column("b50_low", "low", "distance", tells=Tells.LOW),
    Column("b50_high", "high", "distance", tells=Tells.HIGH),
    Column("shape", "shape", "number", detail=True),
    Column("fit", "fit", "sentence"),
    Column("fit_p", "chance of such a fit", "chance", detail=True),
    Column("failed_share", "gone by failing at the median", "chance", detail=True),
    Column("worn_share", "gone by wear at the median", "chance", detail=True),
    Column("words", "in words", "sentence"),
)
_MISFIT = 0.01  # sixty rows that fit give a false one in two runs of five
_TOLD = 12  # cells that only a group with enough failures fills


@dataclass(frozen=True, eq=False)
class Figures:
    """What is known of every group at once, by the estimators run over all of them."""

    settings: PartLifespansSettings
    shown: Shown
    lives: GroupedLives
    counts: tuple[Ints, Ints, Ints]
    curve: KaplanMeier
    fit: WeibullFit
    check: FitCheck
    conditional: NDArray[np.bool_]
    reasons: Reasons
    medians: Floats
    oldest: Floats
    use: Floats
    left_out: list[dict[str, int]]
    unrecorded: tuple[int, float]
    events: dict[tuple[str, ...], tuple[str, ...]]

    @classmethod
    def of(
        cls,
        view: LedgerView,
        lives: GroupedLives,
        settings: PartLifespansSettings,
        by_hours: HoursLives | None = None,
    ) -> "Figures":
        """Run the estimators over all groups."""
        n, level = len(lives.labels), settings.level
        conditional = np.zeros(n, dtype=bool)
        if settings.limits == "conditional":
            fit, conditional = fit_small(lives.lives(), level=level)
        else:
            fit = fit_weibull(lives.lives(), level=level, interval=settings.limits)
        curve = kaplan_meier(lives.exact_lives(), level=level)
        oldest = np.zeros(n)
        np.maximum.at(oldest, lives.group, lives.exit_age)
        return cls(
            settings=settings,
            shown=Shown(settings.unit or view.usual_unit(), settings.clock),
            lives=lives,
            counts=lives.counts(),
            curve=curve,
            fit=fit,
            check=_check(lives, fit),
            conditional=conditional,
            reasons=Reasons.of(lives, level),
            medians=curve.quantile(0.5)[0],
            oldest=oldest,
            use=np.bincount(lives.group, lives.exit_age - lives.entry, n).astype(np.float64),
            left_out=lives_of.left_out_by(view, lives, settings.component)
            if by_hours is None
            else by_hours.left_out,
            unrecorded=lives_of.unrecorded(view),
            events=lives_of.failure_events(view, lives.by, settings.component)
            if by_hours is None
            else by_hours.events,
        )

    def tells(self, g: int) -> bool:
        """Whether a group has failures enough for figures."""
        enough = self.counts[1][g] >= self.settings.least_failures
        return bool(enough and np.isfinite(self.fit.shape[g]))

    def misfit(self, g: int) -> bool:
        """Whether the lives of a group speak against its curve."""
        return bool(self.tells(g) and self.check.p[g] < _MISFIT)

    def said(self, shown: float | None, unit: bool = True) -> Sentence:
        """Return an age of the table for a sentence."""
        if shown is None:
            return say("not-reached")
        return say(f"{self.shown.clock}{'-unit' * unit}", value=shown, unit=self.shown.word)

    def text(self, value: float) -> Sentence:
        """Return an age in thousand km or years with the unit shown, for a sentence."""
        return self.said(self.shown.age(value))


def _check(lives: GroupedLives, fit: WeibullFit) -> FitCheck:
    """Hold the lives of each group against its curve."""
    known = np.isfinite(fit.shape)[lives.group]
    shape, scale = (np.where(known, x[lives.group], 1.0) for x in (fit.shape, np.exp(fit.mu)))
    # Beyond any hazard that a life can have had: such a curve is refused by its other figures.
    entry, leaving = (
        np.minimum(x / scale, 1e3) ** np.minimum(shape, 60.0) for x in (lives.entry, lives.exit_age)
    )
    n = len(lives.labels)
    return fit_check(entry, leaving, lives.failed & known, group=lives.group, n_groups=n)


class Group:
    """The figures of one group."""

    def __init__(self, figures: Figures, g: int) -> None:
        self.figures, self.g = figures, g
        self.label = figures.lives.labels[g]
        self.name = group_name(self.label)
        self.n, self.failed, self.running = (int(count[g]) for count in figures.counts)
        self.why_out = figures.left_out[g]
        self.left_out = sum(self.why_out.values())
        self.evidence = figures.events.get(self.label, ())
        self.tells = figures.tells(g)
        age, fit = figures.shown.age, figures.fit
        self.median = age(figures.medians[g])
        self.b10, self.b50 = (age(fit.quantiles[p][g]) for p in (0.1, 0.5))
        self.b10_ci, self.b50_ci = (
            tuple(age(limit) for limit in fit.quantile_ci[p][g]) for p in (0.1, 0.5)
        )
        self.shares = figures.reasons.at(g, float(figures.medians[g])) if self.tells else None

    def words(self) -> Joined:
        """Say what the figures mean, or that there are too few."""
        figures, g = self.figures, self.g
        oldest = float(figures.oldest[g])
        said: list[str] = []
        if not self.tells:
            said.append(say("too-few", n=self.failed))
            if self.failed >= figures.settings.least_failures:
                said.append(figures.fit.status_word(g))
            elif self.failed == 0:
                said.append(say("none-failed", use=figures.text(float(figures.use[g]))))
        elif figures.fit.quantiles[0.5][g] > oldest:
            said.append(say("beyond", oldest=figures.text(oldest)))
        if figures.misfit(g):
            said.append(self._fit())
        said.append(self._trade())
        if self.shares is not None:
            said.append(say("shares", age=figures.text(figures.medians[g]), **self.shares))
        return Joined(said, "; ")

    def _fit(self) -> Sentence:
        """Say whether the curve tells what the lives show."""
        check = self.figures.check
        if not np.isfinite(check.p[self.g]):
            return say("fit-too-few")
        if not self.figures.misfit(self.g):
            return say("fits")
        return say("bends-up" if check.bend[self.g] > 0.0 else "bends-down")

    def _trade(self) -> str:
        span = trade_range(catalogue().find(self.label[0]))
        if span is None or self.figures.shown.clock != "distance":
            return ""
        low, high = (float(shown_distance(x, self.figures.shown.unit)) for x in span)
        trade = say("trade-range", low=low, high=high)
        if not self.tells or self.b50 is None:
            return trade
        # A limit on the same side is what makes a difference more than chance.
        least, most = (np.nan if x is None else x for x in self.b50_ci)
        if self.b50 < low:
            return say("below" if most < low else "perhaps-below", trade=trade)
        if self.b50 > high:
            return say("above" if least > high else "perhaps-above", trade=trade)
        return say("within", trade=trade)

    def row(self) -> tuple[Cell, ...]:
        """Return the cells in the order of the table."""
        told: tuple[Cell, ...] = (None,) * _TOLD
        if self.tells:
            shape = round(float(self.figures.fit.shape[self.g]), 2)
            shares = None if self.shares is None else (self.shares["failed"], self.shares["worn"])
            told = (self.median, self.b10, *self.b10_ci, self.b50, *self.b50_ci, shape)
            p = float(self.figures.check.p[self.g])
            told += (self._fit(), max(round(p, 4), 1e-4) if np.isfinite(p) else None)
            told += shares or (None, None)
        return (*self.label, self.n, self.failed, self.running, self.left_out, *told, self.words())

    def estimates(self) -> tuple[Estimate, ...]:
        """Return B50 and B10 with all that they rest on."""
        limits = "conditional" if self.figures.conditional[self.g] else self.figures.fit.interval
        return tuple(
            Estimate(
                name=say("quantile", quantile=name, name=self.name),
                value=value,
                unit=self.figures.shown.word,
                low=ends[0],
                high=ends[1],
                level=self.figures.settings.level,
                method=say(f"method-{limits}"),
                failures=self.failed,
                running=self.running,
                left_out=self.left_out,
                why_left_out=left_out_why(self.why_out.items()),
                words=self.words(),
                evidence=self.evidence,
            )
            for name, value, ends in (
                ("B50", self.b50, self.b50_ci),
                ("B10", self.b10, self.b10_ci),
            )
        )
