"""Charts of part lives as data: survival of the largest groups, and reasons that compete.

Beside the steps of what was seen stands the very fit whose figures the table prints, so that
a reader sees where it departs from the record.
"""

from dataclasses import replace

import numpy as np

from roadworn.analysis import Chart, Column, Series, Table
from roadworn.model.messages import Joined
from roadworn_plugins.lifedata.survival import at_risk
from roadworn_plugins.lifespans.figures import Figures, Group, say
from roadworn_plugins.lifespans.reasons import FAILED, WORN
from roadworn_plugins.shared.grouped import Floats

_MOST = 5
_POINTS = 40
_MOST_AGES = 6


def charts(figures: Figures, told: list[Group]) -> tuple[Chart, ...]:
    """Return the charts of the groups that have figures, most failures first."""
    if not told:
        return ()
    return (_survival(figures, told[:_MOST]), *_reasons(figures, told))


def at_risk_table(
    figures: Figures, told: list[Group], keys: tuple[Column, ...]
) -> tuple[Table, ...]:
    """Return how many parts of each charted group are watched at round ages.

    A curve is only as good as the parts still watched; its far end may rest on one or two. No
    table where there is no chart.

    Args:
        figures: of all groups.
        told: groups that have figures, in the order of the chart.
        keys: columns that name a group.
    """
    groups = told[:_MOST]
    if not groups:
        return ()
    shown, lives = figures.shown, figures.lives.exact_lives()
    ages = _round_ages(max(shown.exact(figures.oldest[group.g]) for group in groups))
    new = lives.per_group(lives.entry == 0.0)
    watched = [new, *(at_risk(lives, shown.stored(age)) for age in ages[1:])]
    return (
        Table(
            "survival_at_risk",
            say("at-risk", unit=shown.word),
            (*keys, *(Column(f"at_{age:.10g}", say("at", age=age), "integer") for age in ages)),
            tuple((*group.label, *(int(one[group.g]) for one in watched)) for group in groups),
        ),
    )


def _round_ages(oldest: float) -> list[float]:
    """Return round ages from 0 to the oldest seen, at most `_MOST_AGES` steps apart."""
    rough = oldest / _MOST_AGES
    unit = 10.0 ** np.floor(np.log10(rough))
    step = next(float(unit * one) for one in (1.0, 2.0, 2.5, 5.0, 10.0) if unit * one >= rough)
    return [step * number for number in range(int(oldest / step * (1.0 + 1e-9)) + 1)]


def _step(figures: Figures, name: str, start: float, ages: Floats, shares: Floats) -> Series:
    """Return the steps of a curve that begins at age 0."""
    x = (0.0, *(figures.shown.age(float(age)) or 0.0 for age in ages))
    return Series(name, x, (start, *shares.tolist()), "step")


def _survival(figures: Figures, told: list[Group]) -> Chart:
    curve, series = figures.curve, []
    for group in told:
        rows = curve.group_slice(group.g)
        seen = _step(figures, group.name, 1.0, curve.age[rows], curve.s[rows])
        low = (1.0, *np.nan_to_num(curve.lower[rows], nan=0.0).tolist())
        high = (1.0, *np.nan_to_num(curve.upper[rows], nan=1.0).tolist())
        series += [replace(seen, low=low, high=high), _fitted(figures, group)]
    return Chart(
        "survival",
        say("fails-most", name=told[0].name, age=figures.said(told[0].b50)),
        say("axis", unit=figures.shown.word),
        "share still working",
        tuple(series),
        Joined(
            (say("half-gone", name=group.name, age=figures.said(group.b50)) for group in told),
            "; ",
        ),
    )


def _fitted(figures: Figures, group: Group) -> Series:
    """Return the fit that B10 and B50 are read from, over the ages that were seen."""
    ages = np.linspace(0.0, float(figures.oldest[group.g]), _POINTS)
    scale, shape = float(figures.fit.scale[group.g]), float(figures.fit.shape[group.g])
    x = tuple(figures.shown.exact(float(age)) for age in ages)
    return Series("fitted", x, tuple(np.exp(-((ages / scale) ** shape)).tolist()), of=group.name)


def _reasons(figures: Figures, told: list[Group]) -> tuple[Chart, ...]:
    """Return the cumulative incidence of the group with most failures that has both reasons."""
    group = next((group for group in told if figures.reasons.both[group.g]), None)
    if group is None:
        return ()
    ages, shares = figures.reasons.steps(group.g)
    failed, worn = shares[-1, FAILED], shares[-1, WORN]
    return (
        Chart(
            "reasons",
            say("reasons", name=group.name),
            say("axis", unit=figures.shown.word),
            "share gone",
            tuple(
                _step(figures, word, 0.0, ages, shares[:, kind])
                for kind, word in ((FAILED, "failed"), (WORN, "worn out"))
            ),
            say("gone", name=group.name, failed=float(failed), worn=float(worn)),
        ),
    )
