"""Charts of part lives as data: survival of the largest groups, and reasons that compete."""

import numpy as np

from roadworn.analysis import Chart, Series
from roadworn_plugins.lifespans.figures import Figures, Group
from roadworn_plugins.lifespans.reasons import FAILED, WORN

_MOST = 5


def charts(figures: Figures, told: list[Group]) -> tuple[Chart, ...]:
    """Return the charts of the groups that have figures, most failures first."""
    if not told:
        return ()
    return (_survival(figures, told[:_MOST]), *_reasons(figures, told))


def _ages(figures: Figures, ages: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> list[float]:
    return [figures.shown.age(float(age)) or 0.0 for age in ages]


def _survival(figures: Figures, told: list[Group]) -> Chart:
    curve, series = figures.curve, []
    for group in told:
        rows = curve.group_slice(group.g)
        series.append(
            Series(
                name=", ".join(group.label),
                x=(0.0, *_ages(figures, curve.age[rows])),
                y=(1.0, *(float(s) for s in curve.s[rows])),
                shape="step",
                low=(1.0, *(float(s) for s in np.nan_to_num(curve.lower[rows], nan=0.0))),
                high=(1.0, *(float(s) for s in np.nan_to_num(curve.upper[rows], nan=1.0))),
            )
        )
    gone = "; ".join(
        f"{', '.join(group.label)}: half gone by {figures.shown.said(group.b50)}" for group in told
    )
    return Chart(
        "survival",
        f"{series[0].name} fails most often of these",
        f"age ({figures.shown.word})",
        "share still working",
        tuple(series),
        gone,
    )


def _reasons(figures: Figures, told: list[Group]) -> tuple[Chart, ...]:
    """Return the cumulative incidence of the group with most failures that has both reasons."""
    for group in told:
        if not figures.reasons.both[group.g]:
            continue
        ages, shares = figures.reasons.steps(group.g)
        names = {FAILED: "failed", WORN: "worn out"}
        last = shares[-1]
        name = ", ".join(group.label)
        return (
            Chart(
                "reasons",
                f"{name}: gone by failing and by wear",
                f"age ({figures.shown.word})",
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
                f"{name}: {last[FAILED]:.0%} failed and {last[WORN]:.0%} worn out at the oldest "
                "age seen",
            ),
        )
    return ()
