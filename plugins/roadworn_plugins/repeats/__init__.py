"""The part that keeps failing: at a place, on a vehicle or class, of a supplier, since a day."""

from typing import Annotated

from pydantic import Field

from roadworn.analysis import Analysis, Answers, Result, Settings
from roadworn.columns.view import LedgerView
from roadworn_plugins.shared.settings import MostRows, OnlyComponent, ShownUnit

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
share of its own and each comparison charged with what it could show (Heyse). The strongest
fact is listed, put into the expectation, and it is looked again, so that parts of one fact are
one row. The month it began is where a CUSUM began to rise; alarms a year by chance are those of
all that is watched, at that height. Where nothing can be compared a count is measured by the
short end of the trade range.

Assumptions: Replacements for wear or failure are failures, preventive ones are not. Comebacks
count by themselves, and with the rest where suppliers and parts are told apart. Others of the
same component and class are comparable in use.

Reading: "7 against 1.2 expected" is a finding about the record, not yet about the cause. What
is expected is what the same places would have needed with usual parts, renewals counted;
avoidable cost is the surplus at the usual price of one. Limits are of a ratio of two rates.

Reference: Neyman and Pearson, Phil. Trans. R. Soc. A 231 (1933) 289-337; Heyse (2011);
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
    from roadworn_plugins.repeats.rows import Asked, answer

    unit = settings.unit or view.usual_unit(settings.vehicle or "")
    return answer(view, Asked(**(settings.model_dump() | {"unit": unit})))


REPEAT_FAILURES = Analysis(
    name="repeat-failures",
    title="Parts that keep failing",
    question="Which part keeps failing, on which vehicle or class, or from which supplier?",
    run=run,
    settings=RepeatFailuresSettings,
    about=ABOUT,
    answers=Answers.KEEPS_FAILING,
)
