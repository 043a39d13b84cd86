"""The part that keeps failing: at one place, on a class of vehicles, or from one supplier."""

from typing import Annotated

import numpy as np
from pydantic import Field

from roadworn.analysis.result import Analysis, Answers, Holds, Result, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn_plugins.lifedata.checked import LifeDataError
from roadworn_plugins.lifedata.common_shape import shape_heterogeneity
from roadworn_plugins.repeats.along_time import CHARTED, chart_of
from roadworn_plugins.repeats.levels import BY, levels_of
from roadworn_plugins.repeats.rows import COLUMNS, Bench, Row
from roadworn_plugins.repeats.words import say
from roadworn_plugins.shared import grouped as lives_of
from roadworn_plugins.shared.life_model import fit
from roadworn_plugins.shared.settings import MostRows, OnlyComponent, all_said

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
    left_out = lives_of.left_out(view, settings.component)
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
            say.some(sum(sum(whys.values()) for whys in left_out.values()), "left-out"),
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
