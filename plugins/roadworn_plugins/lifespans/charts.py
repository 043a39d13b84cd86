"""Charts of part lives as data: survival of the largest groups, and reasons that compete.

Beside the steps of what was seen stands the very fit whose figures the table prints, so that
a reader sees where it departs from the record.
"""

import numpy as np

from roadworn.analysis.result import Chart, Column, Series, Table
from roadworn.model.messages import Joined, Sentence
from roadworn_plugins.lifedata.survival import at_risk
from roadworn_plugins.lifespans.figures import FAILED, WORN, Figures, Group
from roadworn_plugins.shared.grouped import Floats

_MOST = 5
_POINTS = 40
_MOST_AGES = 6


def charts(figures: Figures, told: list[Group]) -> tuple[Chart, ...]:
    """Return the charts of the groups that have figures, most failures first."""
    if not told:
        return ()
    return (_survival(figures, told[:_MOST]), *_reasons(figures, told))


def at_risk_table(figures: Figures, told: list[Group], keys: tuple[Column, ...]) -> Table | None:
    """Return how many parts of each charted group are watched at round ages.

    A curve is only as good as the parts still watched; its far end may rest on one or two. None
    when there is no chart.

    Args:
        figures: of all groups.
        told: groups that have figures, in the order of the chart.
        keys: columns that name a group.
    """
    shown = told[:_MOST]
    if not shown:
        return None
    lives = figures.lives.exact_lives()
    ages = _round_ages(max(figures.shown.exact(figures.oldest[group.g]) for group in shown))
    new = lives.per_group(lives.entry == 0.0)
    watched = [new, *(at_risk(lives, figures.shown.stored(age)) for age in ages[1:])]
    word = figures.shown.word
    return Table(
        name="survival_at_risk",
        title=Sentence(
            "part-lifespans.at-risk",
            "Parts still under observation at each age, in {unit}",
            unit=word,
        ),
        columns=(
            *keys,
            *(Column(f"at_{age:.10g}", f"{age:,.10g}", "integer") for age in ages),
        ),
        rows=tuple((*group.label, *(int(one[group.g]) for one in watched)) for group in shown),
    )


def _round_ages(oldest: float) -> list[float]:
    """Return round ages from 0 to the oldest seen, at most `_MOST_AGES` steps apart."""
    rough = oldest / _MOST_AGES
    unit = 10.0 ** np.floor(np.log10(rough))
    step = next(float(unit * one) for one in (1.0, 2.0, 2.5, 5.0, 10.0) if unit * one >= rough)
    return [step * number for number in range(int(oldest / step * (1.0 + 1e-9)) + 1)]


def _ages(figures: Figures, ages: Floats) -> list[float]:
    return [figures.shown.age(float(age)) or 0.0 for age in ages]


def _survival(figures: Figures, told: list[Group]) -> Chart:
    curve, series = figures.curve, []
    for group in told:
        rows = curve.group_slice(group.g)
        name = group.name
        series += [
            Series(
                name=name,
                x=(0.0, *_ages(figures, curve.age[rows])),
                y=(1.0, *(float(s) for s in curve.s[rows])),
                shape="step",
                low=(1.0, *(float(s) for s in np.nan_to_num(curve.lower[rows], nan=0.0))),
                high=(1.0, *(float(s) for s in np.nan_to_num(curve.upper[rows], nan=1.0))),
            ),
            _fitted(figures, group, name),
        ]
    gone = Joined(
        (
            Sentence(
                "part-lifespans.half-gone",
                "{name}: half gone by {age}",
                name=group.name,
                age=figures.shown.said(group.b50),
            )
            for group in told
        ),
        "; ",
    )
    first = told[0]
    return Chart(
        "survival",
        Sentence(
            "part-lifespans.fails-most",
            "{name} fails most often of these, half by {age}",
            name=first.name,
            age=figures.shown.said(first.b50),
        ),
        Sentence("part-lifespans.age", "age ({unit})", unit=figures.shown.word),
        "share still working",
        tuple(series),
        gone,
    )


def _fitted(figures: Figures, group: Group, of: str) -> Series:
    """Return the fit that B10 and B50 are read from, over the ages that were seen."""
    ages = np.linspace(0.0, float(figures.oldest[group.g]), _POINTS)
    scale, shape = float(figures.fit.scale[group.g]), float(figures.fit.shape[group.g])
    return Series(
        name="fitted",
        of=of,
        x=tuple(figures.shown.exact(float(age)) for age in ages),
        y=tuple(float(s) for s in np.exp(-((ages / scale) ** shape))),
    )


def _reasons(figures: Figures, told: list[Group]) -> tuple[Chart, ...]:
    """Return the cumulative incidence of the group with most failures that has both reasons."""
    for group in told:
        if not figures.reasons.both[group.g]:
            continue
        ages, shares = figures.reasons.steps(group.g)
        names = {FAILED: "failed", WORN: "worn out"}
        last = shares[-1]
        return (
            Chart(
                "reasons",
                Sentence(
                    "part-lifespans.reasons",
                    "{name}: gone by failing and by wear",
                    name=group.name,
                ),
                Sentence("part-lifespans.age", "age ({unit})", unit=figures.shown.word),
                "share gone",
                tuple(
                    Series(
                        name=word,
                        x=(0.0, *_ages(figures, ages)),
                        y=(0.0, *(float(s) for s in shares[:, kind])),
                        shape="step",
                    )
                    for kind, word in names.items()
                ),
                Sentence(
                    "part-lifespans.gone",
                    "{name}: {failed:.0%} failed and {worn:.0%} worn out at the oldest age seen",
                    name=group.name,
                    failed=float(last[FAILED]),
                    worn=float(last[WORN]),
                ),
            ),
        )
    return ()
