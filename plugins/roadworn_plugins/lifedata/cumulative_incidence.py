"""Cumulative incidence: failures of each of several causes that compete."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import (
    ByGroup,
    Floats,
    Ints,
    LifeDataError,
    Segments,
    group_order,
    normal_reach,
)
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.survival import log_log_limits, risk_table


@dataclass(frozen=True, eq=False)
class CumulativeIncidence(ByGroup):
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


def cumulative_incidence(
    lives: Lives, reason: ArrayLike, *, n_reasons: int = 1, level: float = 0.95
) -> CumulativeIncidence:
    """Estimate the share gone by each reason, for all groups at once.

    Args:
        lives: exact failures (gone by whatever reason) and running parts.
        reason: number of the reason of each life, from 0; not read while a part is running.
        n_reasons: number of reasons.
        level: confidence level.

    Raises:
        LifeDataError: when a reason is out of range.
    """
    z = normal_reach(level)
    why = np.asarray(reason, dtype=np.int64)
    if why.shape != lives.group.shape or ((why < 0) | (why >= n_reasons))[lives.exact].any():
        raise LifeDataError(
            f"A reason is missing or out of range: number them from 0 to {n_reasons - 1}."
        )
    group, age, at_risk, gone = risk_table(lives)
    segments = Segments.of_sorted(group, lives.n_groups)
    events = _events_by_reason(lives, why, n_reasons, age.size)
    s = segments.running(np.multiply, (at_risk - gone) / at_risk)
    before = np.concatenate(([1.0], s[:-1]))
    before[segments.starts[segments.lengths > 0]] = 1.0
    incidence, se = np.empty_like(events), np.empty_like(events)
    for k in range(n_reasons):
        d = events[:, k]
        f = segments.running(np.add, before * d / at_risk)
        incidence[:, k] = f
        se[:, k] = np.sqrt(_variance(segments, at_risk, gone, d, before, f))
    # Sums that should reach 1 may miss it by rounding.
    inside = (incidence > 0.0) & (incidence < 1.0 - 1e-12)
    error = np.divide(se, incidence, out=np.zeros_like(se), where=inside)
    lower, upper = log_log_limits(incidence, error, inside, z)
    return CumulativeIncidence(
        group, age, at_risk, events, s, incidence, se, lower, upper, segments
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
