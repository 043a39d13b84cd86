"""Cumulative incidence: the share gone by each reason, when several reasons compete.

A pad that wore out can no longer fail, so treating it as merely censored overstates what
failing alone would take. Aalen and Johansen's estimate shares survival out among the
reasons instead; with survival they add up to 1.

Source: Aalen & Johansen (1978) Scand. J. Statist. 5:141-150; variance by the delta method,
Marubini & Valsecchi, Analysing Survival Data from Clinical Trials, ch. 10.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from roadworn_plugins.lifedata.checked import (
    Floats,
    Ints,
    LifeDataError,
    Segments,
    check_level,
    group_order,
)
from roadworn_plugins.lifedata.lives import Column, Lives
from roadworn_plugins.lifedata.survival import risk_table

STILL_RUNNING = -1


@dataclass(frozen=True, eq=False)
class CumulativeIncidence:
    """Share gone by each reason at each age at which one went, sorted by group and age.

    Attributes:
        group: group number, shape (n_ages,).
        age: age of the events.
        at_risk: lives with ``entry < age <= exit``.
        events: events by reason, shape (n_ages, n_reasons).
        s: survival of all reasons just after that age, shape (n_ages,).
        incidence: share gone by each reason up to that age, shape (n_ages, n_reasons).
        se: standard error of ``incidence``.
        lower: lower limit, symmetric on the scale log(-log incidence); nan where it is 0.
        upper: upper limit.
        segments: rows of each group.
        level: confidence level.
    """

    group: Ints
    age: Floats
    at_risk: Floats
    events: Floats
    s: Floats
    incidence: Floats
    se: Floats
    lower: Floats
    upper: Floats
    segments: Segments
    level: float

    def group_slice(self, g: int) -> slice:
        """Return the rows of group ``g`` as a slice into the flat columns."""
        start = int(self.segments.starts[g])
        return slice(start, start + int(self.segments.lengths[g]))

    def at(self, g: int, ages: Floats | float) -> Floats:
        """Return the incidence of group ``g`` at ages, shape (n_ages, n_reasons)."""
        rows = self.group_slice(g)
        step = np.searchsorted(self.age[rows], np.asarray(ages, dtype=np.float64), side="right")
        none = np.zeros((1, self.incidence.shape[1]))
        return np.concatenate((none, self.incidence[rows]))[step]


def cumulative_incidence(
    age: Column,
    reason: Sequence[int] | Ints,
    *,
    entry: Column | None = None,
    group: Column | None = None,
    count: Column | None = None,
    n_groups: int | None = None,
    n_reasons: int | None = None,
    level: float = 0.95,
) -> CumulativeIncidence:
    """Estimate the share gone by each reason with late entry, for all groups at once.

    Args:
        age: age at the end of observation, shape (n,).
        reason: number of the reason from 0, or -1 for a part still running.
        entry: age at which observation began, 0 by default.
        group: group number of each row, 0 by default.
        count: multiplicity of each row, 1 by default.
        n_groups: number of groups, by default the largest group number plus one.
        n_reasons: number of reasons, by default the largest reason number plus one.
        level: confidence level.

    Raises:
        LifeDataError: when rows cannot be lives or a reason is out of range.
    """
    check_level(level)
    why = np.asarray(reason, dtype=np.int64)
    kinds = n_reasons if n_reasons is not None else max(int(why.max(initial=0)) + 1, 1)
    if ((why < STILL_RUNNING) | (why >= kinds)).any():
        raise LifeDataError(
            f"A reason is out of range: number them from 0 to {kinds - 1}, -1 for still running."
        )
    size = why.size
    times = np.ones(size) if count is None else np.asarray(count, dtype=np.float64)
    # Rows that stand for no life would be dropped by Lives and put the reasons out of step.
    keep = times != 0.0

    def kept(column: Column | None) -> Floats | None:
        return None if column is None else np.asarray(column)[keep]

    ages = np.asarray(age)[keep]
    why = why[keep]
    lives = Lives.from_ages(
        ages,
        why >= 0,
        entry=kept(entry),
        group=kept(group),
        count=times[keep],
        n_groups=n_groups,
    )
    where, at, at_risk, gone = risk_table(lives)
    segments = Segments.of_sorted(where, lives.n_groups)
    events = _events_by_reason(lives, why, kinds, at.size)
    s = segments.running(np.multiply, (at_risk - gone) / at_risk)
    before = np.concatenate(([1.0], s[:-1]))
    before[segments.starts[segments.lengths > 0]] = 1.0
    incidence, se = np.empty_like(events), np.empty_like(events)
    for k in range(kinds):
        d = events[:, k]
        f = segments.running(np.add, before * d / at_risk)
        incidence[:, k] = f
        se[:, k] = np.sqrt(_variance(segments, at_risk, gone, d, before, f))
    lower, upper = _limits(incidence, se, level)
    return CumulativeIncidence(
        where, at, at_risk, events, s, incidence, se, lower, upper, segments, level
    )


def _events_by_reason(lives: Lives, why: Ints, kinds: int, n_ages: int) -> Floats:
    """Split the events of the risk table by reason; its rows are the distinct event ages."""
    rows = np.flatnonzero(lives.exact)
    rows = rows[group_order(lives.group[rows], lives.exit[rows])]
    group, at = lives.group[rows], lives.exit[rows]
    new = (group[1:] != group[:-1]) | (at[1:] != at[:-1])
    line = np.concatenate(([0], np.cumsum(new))) if rows.size else rows
    cell = line * kinds + why[rows]
    events = np.bincount(cell, lives.count[rows], n_ages * kinds).astype(np.float64)
    return events.reshape(n_ages, kinds)


def _variance(
    segments: Segments, at_risk: Floats, gone: Floats, d: Floats, before: Floats, f: Floats
) -> Floats:
    """Return the delta-method variance of one reason's incidence.

    The sums over earlier ages hold ``f(t) - f(t_j)``; multiplied out they are running sums.
    """

    def total(values: Floats) -> Floats:
        return segments.running(np.add, values)

    left = at_risk - gone
    # When nobody is left f cannot grow any more, and the term is 0.
    a = np.divide(gone, at_risk * left, out=np.zeros_like(f), where=left > 0.0)
    b = before * d / at_risk**2
    c = before**2 * d * (at_risk - d) / at_risk**3
    variance = f * f * total(a) - 2.0 * f * total(a * f) + total(a * f * f)
    variance += total(c) - 2.0 * (f * total(b) - total(b * f))
    return np.maximum(variance, 0.0)


def _limits(incidence: Floats, se: Floats, level: float) -> tuple[Floats, Floats]:
    z = float(ndtri(0.5 + level / 2.0))
    # Sums that should reach 1 may miss it by rounding.
    inside = (incidence > 0.0) & (incidence < 1.0 - 1e-12)
    log_f = np.log(incidence, out=np.full_like(incidence, -1.0), where=inside)
    spread = np.divide(se, incidence * -log_f, out=np.zeros_like(se), where=inside)
    reach = np.exp(np.minimum(z * spread, 700.0))
    return (
        np.where(inside, np.exp(log_f * reach), np.nan),
        np.where(inside, np.exp(log_f / reach), np.nan),
    )
