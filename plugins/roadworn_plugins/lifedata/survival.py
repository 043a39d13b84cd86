"""Survival without a model: Kaplan and Meier's curve, and cumulative incidence by reason.

Both count those at risk age by age, with late entry. A pad that wore out can no longer fail,
so where reasons compete, treating it as merely censored overstates what failing alone would
take. Aalen and Johansen's estimate shares survival out among the reasons instead; with
survival they add up to 1.

Source: Kaplan & Meier (1958) JASA 53:457-481; Aalen & Johansen (1978) Scand. J. Statist.
5:141-150; variance by the delta method, Marubini & Valsecchi, Analysing Survival Data from
Clinical Trials, ch. 10.
"""

from dataclasses import dataclass

import numpy as np

from roadworn_plugins.lifedata import (
    Bools,
    ByGroup,
    Floats,
    Ints,
    LifeDataError,
    Segments,
    group_order,
    normal_reach,
)
from roadworn_plugins.lifedata.lives import Lives

# Two survival values closer than this are the same value reached by another rounding.
_SAME = 1e-9


@dataclass(frozen=True, eq=False)
class KaplanMeier(ByGroup):
    """Survival at each failure age of each group, in flat columns sorted by group and age.

    At an age where the curve reaches 0 Greenwood's variance and the limits are undefined
    and nan; the curve stays 0 from there on, even when parts at risk follow (late entry).

    Attributes:
        group: group number, shape (n_events,).
        age: age of the failures.
        at_risk: lives with ``entry < age <= exit``; failures come before those that leave
            running at the same age.
        events: failures at that age.
        s: survival just after that age.
        se: Greenwood's standard error of ``s``.
        lower: lower log-log limit of ``s``.
        upper: upper log-log limit of ``s``.
        segments: rows of each group.
        last_age: age up to which each group was observed, shape (n_groups,); nan without lives.
    """

    group: Ints
    age: Floats
    at_risk: Floats
    events: Floats
    s: Floats
    se: Floats
    lower: Floats
    upper: Floats
    segments: Segments
    last_age: Floats

    def quantile(self, p: float) -> tuple[Floats, Floats, Floats]:
        """Return the age by which the share ``p`` has failed, with limits, for each group.

        The limits invert the limits of the curve (Brookmeyer & Crowley 1982). Where the
        curve runs level at exactly ``1 - p`` the middle of that stretch is returned, up to
        the last observed age when the curve ends there.

        Args:
            p: share failed, between 0 and 1, for instance 0.1 for B10.

        Returns:
            Estimate, lower and upper limit, shape (n_groups,) each; nan means not reached.
        """
        if not 0.0 < p < 1.0:
            raise LifeDataError(f"The quantile {p} is out of range: give a share such as 0.1.")
        estimate, lower, upper = (
            self._first_at_or_below(curve, 1.0 - p) for curve in (self.s, self.lower, self.upper)
        )
        return estimate, lower, upper

    def _first_at_or_below(self, curve: Floats, target: float) -> Floats:
        touch = self._first_age(curve <= target + _SAME)
        below = self._first_age(curve < target - _SAME)
        return (touch + np.where(np.isnan(below), self.last_age, below)) / 2.0

    def _first_age(self, chosen: Bools) -> Floats:
        # Ages rise inside a group, so the smallest chosen age is the first.
        first = self.segments.min(np.where(chosen, self.age, np.inf))
        return np.where(np.isfinite(first), first, np.nan)


def kaplan_meier(lives: Lives, *, level: float = 0.95) -> KaplanMeier:
    """Estimate survival of each group by Kaplan and Meier's product.

    Args:
        lives: exact failures and running parts, with or without late entry.
        level: confidence level of the log-log limits.

    Raises:
        LifeDataError: when a failure is known only to an interval; use ``turnbull`` then.
    """
    z = normal_reach(level)
    if lives.interval.any():
        raise LifeDataError(
            "Kaplan-Meier needs exact failure ages and some rows are intervals:"
            " use the Turnbull estimate for them."
        )
    group, age, at_risk, events = risk_table(lives)
    segments = Segments.of_sorted(group, lives.n_groups)
    # Once nobody at risk is left over, the curve is 0 for good.
    s = segments.running(np.multiply, (at_risk - events) / at_risk)
    alive = s > 0.0
    hazard = np.divide(events, at_risk * (at_risk - events), out=np.zeros_like(s), where=alive)
    error = np.sqrt(segments.running(np.add, hazard))
    lower, upper = log_log_limits(s, error, alive, z)
    last = np.full(lives.n_groups, -np.inf)
    np.maximum.at(last, lives.group, lives.exit)
    last[np.isinf(last)] = np.nan
    se = np.where(alive, s * error, np.nan)
    return KaplanMeier(group, age, at_risk, events, s, se, lower, upper, segments, last)


def log_log_limits(share: Floats, error: Floats, inside: Bools, z: float) -> tuple[Floats, Floats]:
    """Return limits of a share that are symmetric on the scale log(-log share).

    Args:
        share: survival or incidence.
        error: standard error of its logarithm.
        inside: rows with a share between 0 and 1; the others get nan.
        z: how many standard errors the limits reach.
    """
    log_share = np.log(share, out=np.full_like(share, -1.0), where=inside)
    reach = np.exp(np.minimum(z * error / -log_share, 700.0))
    return (
        np.where(inside, np.exp(log_share * reach), np.nan),
        np.where(inside, np.exp(log_share / reach), np.nan),
    )


def risk_table(lives: Lives) -> tuple[Ints, Floats, Floats, Floats]:
    """Count those at risk and failing at each failure age of each group.

    Returns:
        Group, age, at risk, events; one row for each distinct failure age of a group,
        sorted by group and age.
    """
    late = lives.entry > 0.0
    group = np.concatenate((lives.group, lives.group[late]))
    age = np.concatenate((lives.exit, lives.entry[late]))
    # At risk just before an age: entered before it, not gone before it.
    change = np.concatenate((-lives.count, lives.count[late]))
    failed = np.concatenate((np.where(lives.exact, lives.count, 0.0), np.zeros(late.sum())))
    order = group_order(group, age)
    group, age, change, failed = group[order], age[order], change[order], failed[order]
    if not group.size:
        return group, age, change, failed
    fresh = np.concatenate(([True], (group[1:] != group[:-1]) | (age[1:] != age[:-1])))
    first = np.flatnonzero(fresh)
    group, age = group[first], age[first]
    change, failed = np.add.reduceat(change, first), np.add.reduceat(failed, first)
    segments = Segments.of_sorted(group, lives.n_groups)
    from_new = lives.per_group(~late)
    at_risk = segments.spread(from_new) + segments.running(np.add, change) - change
    some = failed > 0.0
    return group[some], age[some], at_risk[some], failed[some]


def at_risk(lives: Lives, age: float) -> Floats:
    """Count the lives of each group at risk at an age: ``entry < age <= exit``."""
    return lives.per_group((lives.entry < age) & (lives.exit >= age))
