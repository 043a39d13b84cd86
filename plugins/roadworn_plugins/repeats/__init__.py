"""The part that keeps failing: at a place, on a vehicle or class, of a supplier, since a day."""

from datetime import date
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from roadworn.analysis import Analysis, Answers, Cell, Holds, Result, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn_plugins.shared.settings import MostRows, OnlyComponent, ShownUnit, all_said

if TYPE_CHECKING:
    from roadworn_plugins.repeats.rows import Asked, Row

_DAYS_PER_YEAR = 365.25
ABOUT = """\
Question: Which part keeps failing, on which vehicle or class, from which supplier, since when?

Method: Expected failures of a place, a part on one vehicle, a vehicle as a whole, a class, a
supplier, its part or what it sent since a day are its exposure by age (the likelier clock,
distance or calendar) times the rate of comparable others. Each component, class and vehicle is
also held against its own past, from each half-year on; a year in which everything fails more is
expected. What came back soon after the work is counted apart, at a place and of what a supplier
sent. The chance of so many is negative binomial: that rate is uncertain, and vehicles, places
and classes differ a little in every fleet. Comparisons are ranked by how much likelier their
count is with a fault than without, and all held to one rate of false rows, each kind with a
share of its own and each comparison charged with what it could show (Heyse); of places and
vehicles so many may be chance as the list is long (Benjamini and Hochberg). The strongest
fact is listed, put into the expectation, and it is looked again, so that parts of one fact are
one row. The month it began is where a CUSUM began to rise; alarms a year by chance are those of
all that is watched, at that height. Where nothing can be compared a count is measured by the
short end of the trade range.

Assumptions: Replacements for wear or failure are failures, preventive ones are not. Comebacks
count by themselves, and with the rest where suppliers and parts are told apart. Others of the
same component and class are comparable in use.

Reading: "7 against 1.2 expected" is a finding about the record, not yet about the cause. What
is expected is what the same places would have needed with usual parts, renewals counted;
avoidable cost is the surplus at the usual price of one; the list is by what it comes to a year
since the first failure, a year at least. Limits are of a ratio of two rates.

Reference: Neyman and Pearson, Phil. Trans. R. Soc. A 231 (1933) 289-337; Heyse (2011);
Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300;
Biswas and Kalbfleisch, Statistics in Medicine 27 (2008) for the CUSUM.
"""


class RepeatFailuresSettings(Settings):
    """What to look for, and how careful to be."""

    vehicle: Annotated[str | None, Field(description="only what concerns this vehicle")] = None
    component: OnlyComponent = None
    false_discovery: Annotated[
        float, Field(gt=0, lt=1, description="share of the list that may be chance")
    ] = 0.05
    least_failures: Annotated[int, Field(ge=1, description="fewer failures are not listed")] = 2
    aliases: Annotated[
        str, Field(description='other names of one supplier: "Quay = Quay Parts; QP = Quay Parts"')
    ] = ""
    unit: ShownUnit = None
    most: MostRows = 25


def run(view: LedgerView, settings: RepeatFailuresSettings) -> Result:
    """Compare places, vehicles, classes, suppliers and batches with others and their own past."""
    # A ledger without a failure need not wait for the statistics.
    if not view.sql(
        """SELECT 1 FROM replacements WHERE reason IN ('failed', 'worn_out')
           UNION ALL SELECT 1 FROM part_lives WHERE failed LIMIT 1"""
    ).rows:
        from roadworn_plugins.repeats.words import say

        return Result(say("none"), caveats=(say("record"),))
    from roadworn_plugins.repeats.rows import Asked

    unit = settings.unit or view.usual_unit(settings.vehicle or "")
    return answer(view, Asked(**(settings.model_dump() | {"unit": unit})))


def answer(view: LedgerView, settings: "Asked") -> Result:
    """Compare places, vehicles, classes and origins with others and with their own past."""
    # Statistics are imported by who needs them.
    from roadworn_plugins.repeats.along_time import CHARTED, chart_of
    from roadworn_plugins.repeats.rows import COLUMNS, compared
    from roadworn_plugins.repeats.words import say

    fleet = compared(view, settings)
    if fleet.compared < 0:
        return Result(say("none"), caveats=(say("record"),))
    rows = [
        row
        for row in (
            *fleet.rows,
            # Who asks about one vehicle makes few comparisons: a plain count by the trade range
            # tells.
            *(a.row for a in fleet.alone if a.few_others or a.vehicle == settings.vehicle),
        )
        if settings.component in (None, row.component)
        and (settings.vehicle is None or settings.vehicle in row.touches)
    ]
    # Who asks about one vehicle wants what is its own before what it shares with others.
    rows.sort(
        key=lambda row: (
            settings.vehicle is not None and row.touches != {settings.vehicle},
            -_a_year(row, view.today),
            row.chance,
            str(row.cells["where"]),
        )
    )
    shown = rows[: settings.most]
    left_out = view.sql(
        "SELECT count(*) FROM part_lives_left_out WHERE component = coalesce(?, component)",
        (settings.component,),
    ).rows[0][0]
    return Result(
        headline=_headline(shown, fleet.compared),
        tables=(
            Table(
                "repeat_failures",
                "Parts that keep failing, by avoidable cost a year",
                COLUMNS,
                tuple(_cells(row, view.today) for row in shown),
                tuple(row.evidence for row in shown),
                Holds.REPEATS,
            ),
        ),
        charts=chart_of([row.counted for row in shown[:CHARTED] if row.counted is not None]),
        caveats=all_said(
            *(
                told
                for component, told in fleet.aside
                if settings.component in (None, component) and settings.vehicle is None
            ),
            *(
                fleet.doubts[component]
                for component in sorted({row.component for row in shown})
                if component in fleet.doubts
            ),
            # How many were compared of the whole fleet says nothing of one vehicle.
            *(
                ()
                if settings.vehicle
                else (say.some(fleet.compared, "compared", share=settings.false_discovery),)
            ),
            say("unrecorded"),
            say.some(len(rows) - len(shown), "not-shown"),
            say.some(0 if settings.vehicle else left_out, "left-out"),
        ),
    )


def _a_year(row: "Row", today: date) -> float:
    """Return what a finding costs a year beyond the usual, since its first failure.

    Findings go back for unlike times: of a sum over all of them the longest stands first.
    """
    since = row.cells["since"]
    days = (today - since).days if isinstance(since, date) else 0
    return row.avoidable / max(days / _DAYS_PER_YEAR, 1.0)


def _cells(row: "Row", today: date) -> tuple[Cell, ...]:
    from roadworn_plugins.repeats.rows import COLUMNS

    priced = row.cells["avoidable_cost"] is not None
    cells = row.cells | {"avoidable_a_year": round(_a_year(row, today), 2) if priced else None}
    return tuple(cells[column.name] for column in COLUMNS)


def _headline(rows: "list[Row]", tested: int) -> str:
    from roadworn_plugins.repeats.words import named, say

    if not rows:
        return say("chance", n=tested) if tested else say("alone")
    first = rows[0].cells
    if first["expected_at_age"] is None:
        return first["why"]  # type: ignore[return-value]
    figures = {key: first[key] for key in ("where", "failed", "expected")}
    return say("headline", n=len(rows), every=tested, part=named(rows[0].component), **figures)


REPEAT_FAILURES = Analysis(
    name="repeat-failures",
    title="Parts that keep failing",
    question="Which part keeps failing, on which vehicle or class, or from which supplier?",
    run=run,
    settings=RepeatFailuresSettings,
    about=ABOUT,
    answers=Answers.KEEPS_FAILING,
)
