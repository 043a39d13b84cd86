"""What lasts and what fails on a class, make, engine, gearbox or model year, against the others."""

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from roadworn.analysis import Analysis, Answers, Result, Settings
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.errors import UsageError
from roadworn.model.messages import Sentence
from roadworn_plugins.class_record.before import before_purchase
from roadworn_plugins.class_record.figures import GROUPINGS, Record, hours_against, load_record
from roadworn_plugins.class_record.said import by_words, say
from roadworn_plugins.class_record.tables import (
    LEAST_FAILED,
    LEAST_JOBS,
    Group,
    body_table,
    group_table,
    groups_of,
    is_apart,
    part_table,
)
from roadworn_plugins.shared.fleet_lives import ComponentLives
from roadworn_plugins.shared.settings import (
    Level,
    MostRows,
    Shown,
    ShownUnit,
    all_said,
    require,
)

ABOUT = """\
Question: What lasts and what fails on a class, make, engine, gearbox or year, and which to keep?

Method: Failures put right on a group, against what the others' rates give at the same distances,
band by band. The ratios are drawn towards each other by a Gamma prior that they set together.
Hours of labour are compared job by job for the same component, on the log of hours, drawn
towards no difference as far as their own error goes. Before a purchase the rate of failures
near the distance is a Gamma posterior: the group's, with all vehicles' as a prior.

Assumptions: Vehicles of a group are driven and kept like the others; who buys a class may
differ, and a fleet sells what fails. A failure that nobody wrote down is not counted.

Reading: "1.8 (1.2 to 2.6)": 1.8 times as many failures as usual at that distance. Where the
limits hold 1 no difference is shown; with few failures it is too few to tell.

Reference: Breslow and Day, Statistical Methods in Cancer Research II (1987), from memory, for what
is usual; Christiansen and Morris, JASA 92 (1997), from memory, for the shrinkage.
"""
By = Literal["class", "make", "model", "engine", "gearbox", "year"]


class ClassRecordSettings(Settings):
    """How to put vehicles together, or what somebody thinks of buying."""

    by: Annotated[By, Field(description="class, make, model, engine, gearbox or year")] = "class"
    name: Annotated[str | None, Field(description="only this one, as class 'light car'")] = None
    model: Annotated[str | None, Field(description="to buy: make and model")] = None
    vehicle_class: Annotated[str | None, Field(description="to buy: its class")] = None
    year: Annotated[int | None, Field(description="to buy: its model year")] = None
    distance: Annotated[
        float | None, Field(ge=0, description="to buy: what it has run, in the unit shown")
    ] = None
    unit: ShownUnit = None
    level: Level = 0.95
    most: MostRows = 60


def run(view: LedgerView, settings: ClassRecordSettings) -> Result:
    """Compare the groups, or say what to look at before a purchase."""
    unit = settings.unit or view.usual_unit()
    asked = {
        "model": settings.model,
        "class": settings.vehicle_class,
        "year": None if settings.year is None else str(settings.year),
    }
    by = next((key for key, value in asked.items() if value is not None), settings.by)
    if settings.distance is None and any(asked.values()):
        raise UsageError(str(say("needs-distance")))
    name = next((value for value in asked.values() if value is not None), settings.name)
    record = load_record(view, by)
    shown = Shown(unit, "distance")
    if settings.distance is not None:
        limits = settings.level, settings.most
        return before_purchase(view, record, by, name or "", settings.distance, shown, limits)
    if name is not None:
        require(name, record.groups, by)
    if not record.jobs:
        return Result(say("none", by=by_words(by)), caveats=(say("sold"),))
    groups = groups_of(record, settings.level)
    tables = (
        group_table(record, groups, name, settings.level, shown),
        part_table(
            record,
            groups,
            name,
            shown,
            settings.most,
            ComponentLives.of(view) if by == "class" else None,
        ),
        body_table(record, name, settings.level),
    )
    without = sum(1 for _ in view.sql(f"SELECT 1 FROM vehicles WHERE {GROUPINGS[by]} IS NULL").rows)
    return Result(
        headline=_headline(record, groups, name, by, settings),
        tables=tables,
        caveats=all_said(
            say("unlike", by=by_words(by)),
            say("sold"),
            say.some(without, "not-compared", by=by_words(by)),
            say.some(sum(job.km is None for job in record.jobs), "no-distance"),
        ),
    )


def _headline(
    record: Record,
    groups: Sequence[Group],
    name: str | None,
    by: str,
    settings: ClassRecordSettings,
) -> Sentence:
    if len(groups) == 1:
        return say("one", by=by_words(by), name=groups[0].name)
    if name is not None:
        return _of_one(record, next(one for one in groups if one.name == name), settings)
    if len(record.jobs) < LEAST_FAILED:
        return say("few", n=len(groups), failures=len(record.jobs))
    apart = [one for one in groups if is_apart(one.whole)]
    best = min(
        (one for one in apart if one.whole.high < 1), key=lambda g: g.whole.ratio, default=None
    )
    worst = max(
        (one for one in apart if one.whole.low > 1), key=lambda g: g.whole.ratio, default=None
    )
    if best is not None and worst is not None:
        return say(
            "keep",
            best=best.name,
            low=best.whole.ratio,
            strong=_point(best, "strong"),
            worst=worst.name,
            high=worst.whole.ratio,
            weak=_point(worst, "weak"),
        )
    if best is not None:
        return say("best-only", best=best.name, low=best.whole.ratio, strong=_point(best, "strong"))
    if worst is not None:
        return say(
            "worst-only", worst=worst.name, high=worst.whole.ratio, weak=_point(worst, "weak")
        )
    standing = [
        (found, component, group.name)
        for group in groups
        for component, found, _jobs in group.parts
        if is_apart(found) and found.low > 1.0
    ]
    if not standing:
        return say("alike-none", by=by_words(by))
    _found, component, where = max(standing, key=lambda one: (one[0].low, one[1]))
    return say("alike", by=by_words(by), name=where, part=part_name(component))


def _point(group: Group, word: str) -> str:
    """Return its weakest or strongest part, where one differs from the others beyond chance."""
    told = [(found.ratio, component) for component, found, _jobs in group.parts if is_apart(found)]
    weak = word == "weak"
    told = [one for one in told if (one[0] > 1.0) is weak]
    if not told:
        return ""
    ratio, component = max(told) if weak else min(told)
    return say(word, part=part_name(component), ratio=ratio)


def _of_one(record: Record, group: Group, settings: ClassRecordSettings) -> Sentence:
    hours = hours_against(record, group.name, settings.level)
    hard = ""
    if hours is not None and hours.jobs >= LEAST_JOBS and not hours.low <= 1.0 <= hours.high:
        hard = say("hard", ratio=hours.ratio)
    return say(
        "of-one",
        name=group.name,
        ratio=group.whole.ratio,
        low=group.whole.low,
        high=group.whole.high,
        weak=_point(group, "weak"),
        strong=_point(group, "strong"),
        hard=hard,
    )


CLASS_RECORD = Analysis(
    name="class-record",
    title="What lasts and what fails on a class",
    question="What lasts and what fails on a class, make, engine or year, and which to keep?",
    run=run,
    settings=ClassRecordSettings,
    about=ABOUT,
    answers=Answers.CLASSES,
)
