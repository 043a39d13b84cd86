"""How long parts last, by component and whatever else they are told apart by."""

from collections import Counter
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, field_validator

from roadworn.analysis.result import Analysis, Answers, Column, Result, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Sentence
from roadworn_plugins.lifedata.fitting import fit_weibull
from roadworn_plugins.lifedata.small_samples import fit_small
from roadworn_plugins.lifedata.survival import kaplan_meier
from roadworn_plugins.lifespans.charts import at_risk_table, charts
from roadworn_plugins.lifespans.figures import COLUMNS, Figures, Group, Reasons, Shown, left_out_why
from roadworn_plugins.shared import grouped as lives_of
from roadworn_plugins.shared.grouped import GROUPINGS, GroupedLives, Unit
from roadworn_plugins.shared.said import all_said, if_any

ABOUT = """\
Question: How long do these parts last, and how sure is that?

Method: Each stay of a part on a vehicle is one life. Kaplan-Meier with late entry gives the
median that the record itself shows; a Weibull fit by maximum likelihood (exact, interval and
right-censored lives, late entry) gives B10, the age by which a tenth has failed, and B50. Their
limits are conditional ones, which hold their level with five failures. Where parts are replaced
as failed and as worn out, the shares gone by each are Aalen and Johansen's cumulative incidence.

Assumptions: A part replaced for wear or failure failed; one replaced beforehand was still
running. Parts of unknown age when the vehicle came are left out.

Reading: B10 45,000 mi (31,000 to 58,000): one part in ten is gone by about 45,000 miles. Too
few to tell means that there is no figure, not that the part is good.

Reference: Meeker and Escobar, Statistical Methods for Reliability Data (Wiley, 1998); Lawless,
Technometrics 20 (1978) 355-364 for the limits; Aalen and Johansen, Scand. J. Statist. 5 (1978)
141-150.
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
    limits: Annotated[
        Literal["conditional", "lr", "wald"],
        Field(description="conditional, likelihood ratio or Wald"),
    ] = "conditional"
    least_failures: Annotated[
        int, Field(ge=2, description="fewer failures than this: too few to tell")
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


def run(view: LedgerView, settings: PartLifespansSettings) -> Result:
    """Estimate lifetimes for every group of the chosen kind."""
    by = ("component", *(key for key in dict.fromkeys(settings.by) if key != "component"))
    lives = lives_of.load(view, by, component=settings.component, clock=settings.clock)
    if not lives.labels:
        return Result(
            headline=Sentence("part-lifespans.none", "No part lives are on record for this yet."),
            caveats=(
                Sentence(
                    "part-lifespans.record",
                    "Record replacements with their reason and odometer reading.",
                ),
            ),
        )
    shown = Shown(
        settings.unit or lives_of.preferred_unit(view),
        settings.clock,
        settings.least_failures,
        settings.level,
    )
    figures = _figures(view, lives, settings, shown)
    _n, failed, _running = lives.counts()
    order = sorted(range(len(lives.labels)), key=lambda g: (-int(failed[g]), lives.labels[g]))
    groups = [figures.group(g) for g in order[: settings.most]]
    told = [group for group in groups if group.tells]
    keys = tuple(
        Column(
            key.replace("-", "_"),
            key.replace("-", " "),
            "component" if key == "component" else "text",
        )
        for key in by
    )
    columns = keys + tuple(
        Column(c.name, c.title, c.kind, shown.word if c.kind == "distance" else "", c.detail)
        for c in COLUMNS
    )
    table = Table(
        name="part_lifespans",
        title=Sentence("part-lifespans.title", "How long parts last, in {unit}", unit=shown.word),
        columns=columns,
        rows=tuple(group.row() for group in groups),
        evidence=tuple(group.evidence for group in groups),
    )
    beside = at_risk_table(figures, told, keys)
    return Result(
        headline=_headline(told, len(lives.labels), shown),
        tables=(table,) if beside is None else (table, beside),
        estimates=tuple(estimate for group in told for estimate in group.estimates()),
        charts=charts(figures, told),
        caveats=_caveats(lives, figures, len(lives.labels) - len(groups), settings),
    )


def _figures(
    view: LedgerView, lives: GroupedLives, settings: PartLifespansSettings, shown: Shown
) -> Figures:
    """Run the estimators over all groups at once."""
    n = len(lives.labels)
    conditional = np.zeros(n, dtype=bool)
    if settings.limits == "conditional":
        fit, conditional = fit_small(lives.lives(), level=settings.level)
    else:
        fit = fit_weibull(lives.lives(), level=settings.level, interval=settings.limits)
    curve = kaplan_meier(lives.exact_lives(), level=settings.level)
    oldest = np.zeros(n)
    np.maximum.at(oldest, lives.group, lives.exit_age)
    events = lives_of.failure_events(view, lives.by, settings.component)
    return Figures(
        lives=lives,
        curve=curve,
        fit=fit,
        conditional=conditional,
        reasons=Reasons.of(lives, settings.level),
        medians=curve.quantile(0.5)[0],
        oldest=oldest,
        use=np.bincount(lives.group, lives.exit_age - lives.entry, n).astype(np.float64),
        left_out=lives_of.left_out_by(view, lives, settings.component),
        evidence=[events.get(label, ()) for label in lives.labels],
        shown=shown,
    )


def _headline(told: list[Group], groups: int, shown: Shown) -> str:
    if not told:
        return Sentence(
            "part-lifespans.too-few-anywhere",
            "Too few failures to tell a lifetime for any of {n} groups.",
            n=groups,
        )
    first = told[0]
    low, high = first.b50_ci
    return Sentence(
        "part-lifespans.headline",
        "{n} of {every} groups have enough failures; {name}: half are gone by {age}{band}, from "
        "{failed} failed and {running} running.",
        n=len(told),
        every=groups,
        name=first.name,
        age=shown.said(first.b50),
        band=""
        if low is None or high is None
        else Sentence(
            "part-lifespans.band",
            " ({low} to {high})",
            low=shown.said(low, unit=False),
            high=shown.said(high, unit=False),
        ),
        failed=first.failed,
        running=first.running,
    )


def _caveats(
    lives: GroupedLives, figures: Figures, hidden: int, settings: PartLifespansSettings
) -> tuple[str, ...]:
    # Groups that share what is left out (suppliers of one component) must not add it up twice.
    shared = {"supplier", "part-number"} & set(lives.by)
    once = {
        label[:1] if shared else label: found
        for label, found in zip(lives.labels, figures.left_out, strict=True)
    }
    whys = Counter[str]()
    for found in once.values():
        whys.update(found)
    told = np.array([figures.group(g).tells for g in range(len(lives.labels))])
    plain = int(np.sum(told & ~figures.conditional & (figures.fit.failures < 20)))
    return all_said(
        if_any(
            whys.total(),
            "part-lifespans.left-out",
            "{n} stays of a part are left out: {whys}.",
            whys=Joined(left_out_why(sorted(whys.items())), "; "),
        ),
        if_any(
            int(np.sum(lives.entry > 0)),
            "part-lifespans.late",
            "{n} lives came under observation late and count from there on only.",
        ),
        if_any(
            int(lives.interval.sum()),
            "part-lifespans.between",
            "{n} failures are only known to lie between two looks; the median counts them at the "
            "middle, the fit as they are.",
        ),
        if_any(
            plain if settings.limits == "conditional" else 0,
            "part-lifespans.too-narrow",
            "{n} groups with fewer than 20 failures have likelihood-ratio limits, which are too "
            "narrow in small samples.",
        ),
        if_any(
            hidden,
            "part-lifespans.not-shown",
            "{n} groups with fewer failures are not shown; raise most.",
        ),
    )


PART_LIFESPANS = Analysis(
    name="part-lifespans",
    title="How long parts last",
    question="How long do these parts last, and how sure is that?",
    run=run,
    settings=PartLifespansSettings,
    about=ABOUT,
    answers=Answers.LIFESPANS,
)
