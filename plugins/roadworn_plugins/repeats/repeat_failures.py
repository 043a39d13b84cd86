"""The part that keeps failing: at one place, on a class of vehicles, or from one supplier."""

from typing import Annotated

from pydantic import Field

from roadworn.analysis.result import Analysis, Answers, Holds, Result, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Sentence
from roadworn_plugins.repeats.along_time import CHARTED, chart_of
from roadworn_plugins.repeats.levels import BY, levels_of
from roadworn_plugins.repeats.rows import COLUMNS, Bench, Row
from roadworn_plugins.shared import grouped as lives_of
from roadworn_plugins.shared.life_model import fit, shape_doubts
from roadworn_plugins.shared.said import all_said, if_any

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
    component: Annotated[str | None, Field(description="only this component")] = None
    false_discovery: Annotated[
        float, Field(gt=0, lt=1, description="share of the list that may be chance")
    ] = 0.05
    least_failures: Annotated[int, Field(ge=1, description="fewer failures are not listed")] = 2
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 25


def run(view: LedgerView, settings: RepeatFailuresSettings) -> Result:
    """Compare every place, class, supplier and supplier's part with the others."""
    by_class = lives_of.load(view, ("component", "class"))
    models = fit(by_class)
    if not any(model.failures.sum() for model in models.values()):
        return Result(
            headline=Sentence(
                "repeat-failures.none",
                "No part life with a failure is on record yet, so nothing can keep failing.",
            ),
            caveats=(
                Sentence(
                    "repeat-failures.record",
                    "Record replacements with their reason and odometer reading.",
                ),
            ),
        )
    lives = lives_of.load(view, BY)
    levels = levels_of(lives, models)
    bench = Bench(view, lives, models)
    rows = [
        row
        for level in levels
        for row in bench.rows(level, settings.false_discovery, settings.least_failures)
    ]
    rows.sort(key=lambda row: (-row.avoidable, row.chance, row.label))
    wanted = [row for row in rows if _wanted(row, settings)]
    listed = [row for row in wanted if not row.goes_by_time]
    shown = listed[: settings.most]
    table = Table(
        name="repeat_failures",
        title="Parts that keep failing, by avoidable cost",
        columns=COLUMNS,
        rows=tuple(tuple(row.cells[column.name] for column in COLUMNS) for row in shown),
        evidence=tuple(row.evidence for row in shown),
        holds=Holds.REPEATS,
    )
    tested = sum(level.excess.p.size for level in levels)
    caveats = [
        *_by_time([row for row in wanted if row.goes_by_time]),
        *shape_doubts(by_class, sorted({row.label[0] for row in shown})),
        *_caveats(view, settings, tested, len(listed) - len(shown)),
    ]
    return Result(
        headline=_headline(shown, tested),
        tables=(table,),
        charts=chart_of([bench.counted(row) for row in shown[:CHARTED]]),
        caveats=tuple(caveats),
    )


def _wanted(row: Row, settings: RepeatFailuresSettings) -> bool:
    if settings.component and row.label[0] != settings.component:
        return False
    return settings.vehicle is None or settings.vehicle in row.touches


def _headline(rows: list[Row], tested: int) -> str:
    if not tested:
        return Sentence(
            "repeat-failures.alone",
            "Nothing can be compared yet: no part has others of its kind on other vehicles.",
        )
    if not rows:
        return Sentence(
            "repeat-failures.chance",
            "Nothing fails more often than chance allows, of {n} comparisons made.",
            n=tested,
        )
    first = rows[0]
    return Sentence(
        "repeat-failures.headline",
        "{n} of {every} comparisons stand out; first {part} ({where}): {failed} failed where "
        "{expected} were expected.",
        n=len(rows),
        every=tested,
        part=part_name(first.label[0]),
        where=first.cells["where"],
        failed=first.cells["failed"],
        expected=first.cells["expected"],
    )


def _by_time(rows: list[Row]) -> list[str]:
    """Say of what is not listed why: by calendar age it is nothing unusual."""
    return [
        Sentence(
            "repeat-failures.by-time",
            "Not listed: {part} ({where}) failed {failed} times where its distance gives "
            "{expected}, but by calendar age {by_time:.1f} would be usual: it goes by time.",
            part=part_name(row.label[0]),
            where=row.cells["where"],
            failed=row.cells["failed"],
            expected=row.cells["expected"],
            by_time=row.by_time[0] if row.by_time else 0.0,
        )
        for row in rows
    ]


def _caveats(
    view: LedgerView, settings: RepeatFailuresSettings, tested: int, hidden: int
) -> tuple[str, ...]:
    out = lives_of.left_out(view, settings.component)
    return all_said(
        if_any(
            tested,
            "repeat-failures.compared",
            "{n} comparisons were made; of the rows listed, about {share:.0%} may be chance.",
            share=settings.false_discovery,
        ),
        Sentence(
            "repeat-failures.unrecorded",
            "A failure that nobody recorded, or recorded without its reason, is not counted.",
        ),
        if_any(hidden, "repeat-failures.not-shown", "{n} more rows are not shown; raise most."),
        if_any(
            sum(sum(whys.values()) for whys in out.values()),
            "repeat-failures.left-out",
            "{n} stays of a part were left out, mostly for an unknown start.",
        ),
    )


REPEAT_FAILURES = Analysis(
    name="repeat-failures",
    title="Parts that keep failing",
    question="Which part keeps failing, on which vehicle or class, or from which supplier?",
    run=run,
    settings=RepeatFailuresSettings,
    about=ABOUT,
    answers=Answers.KEEPS_FAILING,
)
