"""Which parts fail by the season: in which month most, and how many times the usual."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Cell,
    Column,
    Mark,
    Marks,
    Result,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Says, Sentence
from roadworn_plugins.lifedata import normal_reach
from roadworn_plugins.lifedata.counts import false_discovery
from roadworn_plugins.lifedata.effects import Season, season
from roadworn_plugins.lifedata.special import ive
from roadworn_plugins.shared.grouped import Floats
from roadworn_plugins.shared.settings import Level, MostRows, OnlyComponent, all_said, rounded

_DAYS_PER_YEAR = 365.25
_MONTHS = 12
#: Fewer failures show no season (common practice, no source).
_LEAST = 12
_UNSURE = Marks({Mark.NOT_KNOWN})
ABOUT = """\
Question: Which parts fail more in one season than in another, when most, and how much?

Method: Failures of each component by month of the year against the days over which its fitted
parts were watched in that month. A score test says whether a wave of one year fits better than
none; the chances of all components are judged together by Benjamini and Hochberg. The size is that
of a Poisson regression on cosine and sine of the year with a normal prior that keeps few failures
small; its limits are by the curvature.

Assumptions: A failure belongs to the day on which it was written down as replaced: what is found at
a look-over that comes every spring looks like a season. The wave has one top a year. Vehicles that
stand still for a season count as watched.

Reading: 1.9 (1.5 to 2.4) in January: in that month nearly twice as many fail as in the mean month.

Reference: Stolwijk, Straatman and Zielhuis, J. Epidemiology and Community Health 53 (1999)
235-238, seasonality by sine and cosine in regression; Rao's score test; Benjamini and Hochberg, J.
R. Statist. Soc. B 57 (1995) 289-300; all from memory.
"""
_say = Says(
    "seasons",
    {
        "none": "No component has {n} {n:failure|failures} with a day: no season can be seen yet.",
        "headline": "{part} fails most in {month}: {ratio:.1f} times the mean month ({low:.1f} to "
        "{high:.1f}), {failed} {failed:failure|failures}.",
        "others": "{n} {n:other part has|other parts have} a season too.",
        "alike": "Of {n} {n:component|components} none fails by the season beyond chance.",
        "named": "by the season, beyond chance",
        "not-named": "no season beyond chance",
        "spread": "A look-over that comes at one time of the year finds worn parts then: that is a "
        "season of the work, not of the part.",
        "not-shown": "{n} {n:row is|rows are} not shown; raise the setting most.",
        **{
            f"month-{number}": name
            for number, name in enumerate(
                ("January", "February", "March", "April", "May", "June", "July", "August",
                 "September", "October", "November", "December")
            )
        },
    },
)  # fmt: skip


class SeasonsSettings(Settings):
    """Which components, and how careful to be."""

    component: OnlyComponent = None
    level: Level = 0.95
    false_discovery: Annotated[
        float, Field(gt=0, lt=1, description="adjusted chance below which one is named")
    ] = 0.05
    most: MostRows = 20


@dataclass(frozen=True, eq=False)
class Seasonal:
    """One component over the months of the year.

    Attributes:
        failures, exposure: by month from January; failures, and days watched.
        wave: what was fitted.
        chance: of so much of a wave where there is none.
    """

    component: str
    failures: Floats
    exposure: Floats
    wave: Season
    chance: float
    events: tuple[str, ...]

    def highest(self, level: float) -> tuple[float, float, float]:
        """Return the hazard at its highest over the mean of a year, with its limits."""
        size = self.wave.amplitude
        turn = 2.0 * np.pi * self.wave.peak
        slope = np.array([0.0, np.cos(turn), np.sin(turn)])
        reach = normal_reach(level) * float(np.sqrt(slope @ self.wave.covariance @ slope))
        at = np.array([size, max(size - reach, 0.0), size + reach])
        # exp(A) over its mean over a year, which is the Bessel function I0(A).
        found = 1.0 / ive(0, at)
        return float(found[0]), float(found[1]), float(found[2])


def wave_chance(failures: Floats, exposure: Floats) -> float:
    """Return the chance of so much of a yearly wave where there is none, by the score test.

    Args:
        failures: by month from January.
        exposure: likewise, some above 0.
    """
    angle = 2.0 * np.pi * (np.arange(failures.size) + 0.5) / failures.size
    x = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    usual = exposure * failures.sum() / exposure.sum()
    score = x.T @ (failures - usual)
    off = x - (usual @ x) / usual.sum()
    information = off.T @ (usual[:, None] * off)
    statistic = float(score @ np.linalg.pinv(information) @ score)
    # Chi square of two degrees of freedom.
    return float(np.exp(-max(statistic, 0.0) / 2.0))


def watched_by_month(start: Floats, end: Floats) -> Floats:
    """Return the days from starts to ends, in days from 1970, by month of the year.

    Months are twelfths of a year.
    """

    def until(day: Floats, month: int) -> Floats:
        years, part = np.divmod(day / _DAYS_PER_YEAR, 1.0)
        gone: Floats = years + np.clip(part * _MONTHS - month, 0.0, 1.0)
        return gone

    days = _DAYS_PER_YEAR / _MONTHS
    return np.array([float(np.sum(until(end, m) - until(start, m))) for m in range(_MONTHS)]) * days


def run(view: LedgerView, settings: SeasonsSettings) -> Result:
    """Hold the months of the year against each other, a component at a time."""
    found = _read(view, settings.component)
    if not found:
        return Result(_say("none", n=_LEAST), caveats=(_say("spread"),))
    adjusted = false_discovery(np.array([one.chance for one in found]))
    named = {i for i in range(len(found)) if adjusted[i] <= settings.false_discovery}
    sizes = [one.highest(settings.level) for one in found]
    order = sorted(range(len(found)), key=lambda i: (i not in named, -sizes[i][1], -sizes[i][0]))
    shown = order[: settings.most]
    rows: list[tuple[Cell, ...]] = [
        (
            found[i].component,
            int(found[i].failures.sum()),
            _month(found[i].wave),
            *map(rounded, sizes[i], [2] * 3),
            found[i].chance,
            float(adjusted[i]),
            _say("named" if i in named else "not-named"),
        )
        for i in shown
    ]
    table = Table("seasons", "Parts by the season, the clearest first", _COLUMNS, tuple(rows),
                  tuple(found[i].events for i in shown),
                  # What chance explains among so many would look as clear in a picture.
                  marks=tuple(Marks() if i in named else _UNSURE for i in shown))  # fmt: skip
    return Result(
        _headline([found[i] for i in order if i in named], sizes[order[0]], len(found)),
        (table,),
        caveats=all_said(_say("spread"), _say.some(len(found) - len(shown), "not-shown")),
    )


def _headline(named: Sequence[Seasonal], size: tuple[float, float, float], many: int) -> Sentence:
    if not named:
        return _say("alike", n=many)
    first = named[0]
    ratio, low, high = size
    return _say(
        "headline",
        part=part_name(first.component),
        month=_month(first.wave),
        ratio=ratio,
        low=low,
        high=high,
        failed=int(first.failures.sum()),
    )


def _month(wave: Season) -> Sentence:
    return _say(f"month-{int(wave.peak * _MONTHS) % _MONTHS}")


def _read(view: LedgerView, component: str | None) -> list[Seasonal]:
    """Return the components that failed often enough, by name."""
    rows = view.sql(
        """SELECT component, failed, ended_by,
                  date_diff('day', DATE '1970-01-01', started_on) + entry_days AS watched_from,
                  date_diff('day', DATE '1970-01-01', started_on) + lower_days AS watched_until,
                  date_diff('day', DATE '1970-01-01', ended_on) AS ended
           FROM part_lives
           WHERE started_on IS NOT NULL AND lower_days IS NOT NULL
             AND component = coalesce(?, component) ORDER BY component, vehicle_id, position""",
        (component,),
    ).rows
    gathered: dict[str, list[tuple[bool, str, float, float, float | None]]] = {}
    for name, failed, by, start, until, ended in rows:
        gathered.setdefault(str(name), []).append(
            (bool(failed), str(by or ""), float(start or 0.0), float(until), ended)
        )
    made = []
    for name, lives in gathered.items():
        days = np.array(
            [one[4] for one in lives if one[0] and one[4] is not None], dtype=np.float64
        )
        if days.size < _LEAST:
            continue
        month = np.floor((days / _DAYS_PER_YEAR % 1.0) * _MONTHS).astype(np.int64) % _MONTHS
        failures = np.bincount(month, minlength=_MONTHS).astype(np.float64)
        start, until = (np.array([one[i] for one in lives]) for i in (2, 3))
        exposure = np.maximum(watched_by_month(start, np.maximum(until, start)), 1e-9)
        events = tuple(one[1] for one in lives if one[0] and one[1])
        made.append(Seasonal(name, failures, exposure, season(failures, exposure),
                             wave_chance(failures, exposure), events))  # fmt: skip
    return made


_COLUMNS = (
    Column("component", "component", "component", tells=Tells.COMPONENT),
    Column("failed", "failed", "integer"),
    Column("month", "most in"),
    Column("ratio", "times the mean month", "number", tells=Tells.VALUE),
    Column("low", "low", "number", tells=Tells.LOW),
    Column("high", "high", "number", tells=Tells.HIGH),
    Column("chance", "chance", "chance", detail=True),
    Column("adjusted", "adjusted chance", "chance", detail=True),
    Column("words", "in words", "sentence"),
)

SEASONS = Analysis(
    name="seasons",
    title="Parts by the season",
    question="Which parts fail by the season, when most, and how much?",
    run=run,
    settings=SeasonsSettings,
    about=ABOUT,
    answers=Answers.BY_SEASON,
)
