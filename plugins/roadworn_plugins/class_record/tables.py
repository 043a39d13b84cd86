"""The tables of the record of a class: groups, their parts, their bodies by age."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roadworn.analysis import Cell, Column, Mark, Marks, Table, Tells
from roadworn.model.catalogue import catalogue
from roadworn.model.messages import Sentence
from roadworn_plugins.class_record.figures import (
    AGE_BANDS,
    Against,
    Job,
    Record,
    compared,
    counts_of,
    hours_against,
    usual_of,
)
from roadworn_plugins.class_record.said import say
from roadworn_plugins.shared.fleet_lives import ComponentLives
from roadworn_plugins.shared.settings import Shown, in_unit

#: With fewer failures, or fewer that would be usual, it is too few to tell.
LEAST_FAILED, _LEAST_USUAL, LEAST_JOBS = 5, 2.0, 5
MOST_EVENTS = 60
_BODY = frozenset({"body", "restraint", "lighting", "hvac"})
_GROUP_COLUMNS = (
    Column("name", "which", tells=Tells.NAME),
    Column("vehicles", "vehicles", "integer"),
    Column("distance", "distance on record", "distance"),
    Column("failures", "failures", "integer"),
    Column("usual", "usual there", "number"),
    Column("ratio", "times as many", "number", tells=Tells.VALUE),
    Column("low", "low", "number", tells=Tells.LOW),
    Column("high", "high", "number", tells=Tells.HIGH),
    Column("cost", "cost per 1,000", "money"),
    Column("hours", "hours for the same job", "number"),
    Column("hours_low", "low", "number", detail=True, tells=Tells.LOW),
    Column("hours_high", "high", "number", detail=True, tells=Tells.HIGH),
    Column("words", "in words", tells=Tells.WHY),
    Column("work", "to work on"),
)
_PART_COLUMNS = (
    Column("name", "which", tells=Tells.NAME),
    Column("component", "component", "component", tells=Tells.COMPONENT),
    Column("failures", "failures", "integer"),
    Column("usual", "usual there", "number"),
    Column("ratio", "times as many", "number", tells=Tells.VALUE),
    Column("low", "low", "number", tells=Tells.LOW),
    Column("high", "high", "number", tells=Tells.HIGH),
    Column("cost", "cost per 1,000", "money"),
    Column("hours", "hours a job", "number"),
    Column("jobs", "jobs with hours", "integer", detail=True),
    Column("others_hours", "others' hours", "number"),
    Column("life", "typical life"),
    Column("words", "in words", tells=Tells.WHY),
)
_BODY_COLUMNS = (
    Column("name", "which", tells=Tells.NAME),
    Column("age", "age"),
    Column("years", "vehicle-years", "number"),
    Column("failures", "failures", "integer"),
    Column("usual", "usual at that age", "number"),
    Column("ratio", "times as many", "number", tells=Tells.VALUE),
    Column("low", "low", "number", tells=Tells.LOW),
    Column("high", "high", "number", tells=Tells.HIGH),
    Column("words", "in words", tells=Tells.WHY),
)


@dataclass(frozen=True, eq=False)
class Group:
    """One group with its figures and its parts."""

    name: str
    whole: Against
    parts: tuple[tuple[str, Against, tuple[Job, ...]], ...]


def groups_of(record: Record, level: float) -> list[Group]:
    """Return every group with its parts, all ratios drawn towards each other."""
    by_part: dict[str, list[Job]] = defaultdict(list)
    for job in record.jobs:
        by_part[job.component].append(job)
    pairs: list[tuple[float, float]] = []
    keys: list[tuple[str, str]] = []
    for component, jobs in sorted(by_part.items()):
        counts = counts_of(record, jobs)
        km = record.km_with(component)
        usual = usual_of(counts, km)
        for i, name in enumerate(record.groups):
            if km[i].sum() <= 0.0 and not counts[i].any():
                continue
            keys.append((name, component))
            pairs.append((float(counts[i].sum()), float(usual[i])))
    parts = dict(zip(keys, compared(pairs, level), strict=True))
    counts = counts_of(record, record.jobs)
    usual = usual_of(counts, record.km)
    wholes = compared(list(zip(counts.sum(axis=1).tolist(), usual.tolist(), strict=True)), level)
    return [
        Group(
            name,
            whole,
            tuple(
                (component, parts[name, component], tuple(j for j in jobs if j.group == name))
                for component, jobs in sorted(by_part.items())
                if (name, component) in parts
            ),
        )
        for name, whole in zip(record.groups, wholes, strict=True)
    ]


def critical(component: str) -> Marks:
    """Return whether somebody can get hurt once it fails, as marks."""
    known = catalogue().find(component)
    return Marks({Mark.CRITICAL} if known is not None and known.safety_critical else ())


def _words(found: Against) -> Sentence:
    if found.seen + found.usual < LEAST_FAILED or found.usual < _LEAST_USUAL:
        return say("too-few")
    if found.low > 1.0:
        return say("fails-more")
    return say("lasts" if found.high < 1.0 else "no-difference")


def is_apart(found: Against) -> bool:
    """Whether it differs from the others beyond its limits, with enough to tell."""
    told = found.seen + found.usual >= LEAST_FAILED and found.usual >= _LEAST_USUAL
    return told and not found.low <= 1.0 <= found.high


def _ratio(found: Against) -> tuple[Cell, ...]:
    return (
        found.seen,
        round(found.usual, 1),
        round(found.ratio, 2),
        round(found.low, 2),
        round(found.high, 2),
    )


def _per_thousand(jobs: Sequence[Job], km: float, shown: Shown) -> float | None:
    """Return the cost of a thousand miles or km, None without a price or a distance."""
    costs = [job.cost for job in jobs if job.cost is not None]
    far = shown.exact(km / 1000.0) / 1000.0
    return round(sum(costs) / far, 2) if costs and far > 0.0 else None


def group_table(
    record: Record,
    groups: Sequence[Group],
    name: str | None,
    level: float,
    shown: Shown,
) -> Table:
    """Return the groups, what fails least first."""
    rows: list[tuple[Cell, ...]] = []
    evidence: list[tuple[str, ...]] = []
    for group in sorted(groups, key=lambda one: (one.whole.ratio, one.name)):
        if name is not None and group.name != name:
            continue
        jobs = [job for job in record.jobs if job.group == group.name]
        km = float(record.km[record.of(group.name)].sum())
        hours = hours_against(record, group.name, level)
        told = hours is not None and hours.jobs >= LEAST_JOBS
        work = say("too-few")
        if hours is not None and told:
            work = say(
                "harder" if hours.low > 1 else "easier" if hours.high < 1 else "no-difference"
            )
        rows.append(
            (
                group.name,
                record.vehicles[group.name],
                shown.age(km / 1000.0),
                *_ratio(group.whole),
                _per_thousand(jobs, km, shown),
                *(
                    (round(hours.ratio, 2), round(hours.low, 2), round(hours.high, 2))
                    if hours is not None and told
                    else (None, None, None)
                ),
                _words(group.whole),
                work,
            )
        )
        evidence.append(events_of(jobs))
    return Table(
        "class_record",
        "The groups, what fails least first",
        _priced(in_unit(_GROUP_COLUMNS, shown.word), record, shown),
        tuple(rows),
        tuple(evidence),
    )


def _priced(columns: Sequence[Column], record: Record, shown: Shown) -> tuple[Column, ...]:
    unit = f"{record.currency}/1,000 {shown.word}" if record.currency else ""
    return tuple(replace(c, unit=unit) if c.name == "cost" else c for c in columns)


def events_of(jobs: Sequence[Job]) -> tuple[str, ...]:
    """Return the latest events behind jobs."""
    return tuple(dict.fromkeys(e for job in reversed(jobs) for e in job.events))[:MOST_EVENTS]


def part_table(
    record: Record,
    groups: Sequence[Group],
    name: str | None,
    shown: Shown,
    most: int,
    lives: ComponentLives | None = None,
) -> Table:
    """Return the parts of each group; `lives` tell their typical life where groups are classes."""
    listed = [
        (group, component, found, jobs)
        for group in groups
        if name is None or group.name == name
        for component, found, jobs in group.parts
        if found.seen or is_apart(found)
    ]
    # What is surely apart first, then what is furthest from the others.
    listed.sort(
        key=lambda one: (not is_apart(one[2]), -abs(np.log(one[2].ratio)), one[0].name, one[1])
    )
    rows, evidence, marks = [], [], []
    for group, component, found, jobs in listed[:most]:
        own = [job.hours for job in jobs if job.hours]
        others = [
            job.hours
            for job in record.jobs
            if job.hours and job.component == component and job.group != group.name
        ]
        life = _life(lives, component, group.name, shown) if lives is not None else ""
        km = float(record.km[record.of(group.name)].sum())
        marks.append(critical(component))
        rows.append(
            (
                group.name,
                component,
                *_ratio(found),
                _per_thousand(jobs, km, shown),
                round(float(np.median(own)), 2) if own else None,
                len(own),
                round(float(np.median(others)), 2) if others else None,
                life,
                _words(found),
            )
        )
        evidence.append(events_of(jobs))
    return Table(
        "class_parts",
        "What fails and what lasts on them, the surest difference first",
        _priced(_PART_COLUMNS, record, shown),
        tuple(rows),
        tuple(evidence),
        marks=tuple(marks),
    )


def _life(lives: ComponentLives, component: str, name: str, shown: Shown) -> Sentence | str:
    """Return the distance or age by which half of such parts have failed, by the life model."""
    found = lives.get(component)
    if found is None or found.model.by_trade:
        return ""
    failures, exposure = found.model.for_class(name)
    rate = failures / exposure
    half = float((np.log(2.0) / rate) ** (1.0 / found.model.shape)) if rate > 0.0 else np.inf
    if not np.isfinite(half):
        return ""
    if found.clock == "age":
        return say("years", n=half)
    told = shown.age(half)
    return say("far", n=told or 0.0, unit=shown.word)


def body_table(record: Record, name: str | None, level: float) -> Table:
    """Return body, trim, lighting, climate and belts by age, for rust and rattles go by years."""
    counts = np.zeros_like(record.years)
    jobs: dict[tuple[str, int], list[Job]] = defaultdict(list)
    for job in record.jobs:
        if job.component.partition(".")[0] in _BODY and job.age is not None:
            band = next((b for b, (_l, high) in enumerate(AGE_BANDS) if job.age < high), None)
            if band is not None:
                counts[record.of(job.group), band] += 1.0
                jobs[job.group, band].append(job)
    others, years = counts.sum(axis=0) - counts, record.years.sum(axis=0) - record.years
    usual = np.where(years > 0.0, others / np.where(years > 0.0, years, 1.0), 0.0) * record.years
    cells = [
        (i, b)
        for i, group in enumerate(record.groups)
        if name is None or group == name
        for b in range(len(AGE_BANDS))
        if record.years[i, b] > 0.0
    ]
    found = compared([(counts[i, b], usual[i, b]) for i, b in cells], level)
    rows = []
    for (i, b), against in zip(cells, found, strict=True):
        low, high = AGE_BANDS[b]
        age = say("ages", low=low, high=high) if high < 99 else say("ages-over", low=low)
        rows.append(
            (
                record.groups[i],
                age,
                round(float(record.years[i, b]), 1),
                *_ratio(against),
                _words(against),
            )
        )
    evidence = tuple(events_of(jobs.get((record.groups[i], b), [])) for i, b in cells)
    title = "Body, trim, lamps, climate and belts by age"
    return Table("body_by_age", title, _BODY_COLUMNS, tuple(rows), evidence)
