"""How many repairs a unit has had by an age: the mean cumulative function.

Repairs of one vehicle are neither independent nor of constant rate, so the curve assumes no
model and its standard error is the robust one of Lawless and Nadeau (Technometrics 37 (1995)
158-168), which lets the repairs of a unit hang together. Units may be watched in several
windows; a unit is at risk while start < age <= stop, also at its own end.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadworn_plugins.lifedata import (
    ByGroup,
    Floats,
    Ints,
    LifeDataError,
    Segments,
    finite,
    same_length,
    summed,
    tail,
    whole_counts,
)
from roadworn_plugins.lifedata.special import ndtri


@dataclass(frozen=True, eq=False)
class MeanCumulative(ByGroup):
    """Mean cumulative functions of all groups, flat, one row per group and age with repairs.

    Attributes:
        group: Number of the group, an index into ``labels``.
        age: Age of the step, rising within a group.
        at_risk: Units under observation at that age.
        repairs: Repairs at that age.
        mcf: Mean number of repairs per unit up to and including that age.
        se: Its standard error.
        lower: Lower limit.
        upper: Upper limit.
        segments: Rows of each group.
        labels: Label of each group.
        units: Units of each group.
        last: Oldest age under observation in each group; the curve says nothing beyond it.
    """

    group: Ints
    age: Floats
    at_risk: Ints
    repairs: Floats
    mcf: Floats
    se: Floats
    lower: Floats
    upper: Floats
    segments: Segments
    labels: tuple[Any, ...]
    units: Ints
    last: Floats

    def at(self, number: int, ages: ArrayLike) -> tuple[Floats, Floats]:
        """Return the curve and its standard error at given ages, both 0 before any repair.

        Raises:
            LifeDataError: An age lies beyond the oldest one observed in the group.
        """
        wanted = finite("ages", ages)
        if np.any(wanted > self.last[number]):
            raise LifeDataError(
                f"Group {self.labels[number]!r} was observed up to {self.last[number]:g} only; "
                "ask for a younger age."
            )
        rows = self.group_slice(number)
        place = np.searchsorted(self.age[rows], wanted, side="right")
        mcf, se = (np.concatenate([[0.0], x[rows]])[place] for x in (self.mcf, self.se))
        return mcf, se


@dataclass(frozen=True, eq=False)
class _Windows:
    """Checked observation windows, sorted by unit and start."""

    unit: Ints
    start: Floats
    stop: Floats
    group_of_unit: Ints
    group_labels: tuple[Any, ...]
    unit_labels: NDArray[np.generic]


def mean_cumulative(
    unit: ArrayLike,
    age: ArrayLike,
    windows: tuple[ArrayLike, ArrayLike, ArrayLike],
    *,
    count: ArrayLike | None = None,
    group: ArrayLike | None = None,
    level: float = 0.95,
) -> MeanCumulative:
    """Estimate the mean cumulative number of repairs, for all groups at once.

    Args:
        unit: Unit of each repair.
        age: Age at each repair; repairs at one age are one step with one risk set.
        windows: Unit, start and stop of each observation window; units without a repair too.
        count: Repairs at that age; 1 by default.
        group: Group of each window (not of each repair); a unit belongs to one group.
        level: Two-sided level of the limits, which keep above zero.

    Raises:
        LifeDataError: Invalid windows, or a repair outside the windows of its unit.
    """
    z = float(-ndtri(tail(level)))
    seen = _windows(*windows, group)
    codes, ages, counts = _repairs(unit, age, count, seen)
    groups = seen.group_of_unit[codes]
    order = np.lexsort((ages, groups))
    codes, ages, counts, groups = codes[order], ages[order], counts[order], groups[order]
    fresh = np.ones(ages.size, dtype=bool)
    fresh[1:] = (np.diff(groups) != 0) | (np.diff(ages) != 0)
    step = np.cumsum(fresh) - 1
    step_group, step_age = groups[fresh], ages[fresh]
    repairs = summed(step, counts, step_age.size)
    window_group = seen.group_of_unit[seen.unit]
    risk = _below(window_group, seen.start, step_group, step_age) - _below(
        window_group, seen.stop, step_group, step_age
    )
    each = repairs / risk
    mcf = _running(step_group, each)
    var = _robust(seen, codes, ages, counts, step, step_group, step_age, risk, repairs)
    se = np.sqrt(np.maximum(var, 0.0))
    reach = np.exp(z * se / mcf)
    n_groups = len(seen.group_labels)
    last = np.zeros(n_groups)
    np.maximum.at(last, window_group, seen.stop)
    return MeanCumulative(
        group=step_group,
        age=step_age,
        at_risk=risk,
        repairs=repairs,
        mcf=mcf,
        se=se,
        lower=mcf / reach,
        upper=mcf * reach,
        segments=Segments.of_sorted(step_group, n_groups),
        labels=seen.group_labels,
        units=np.bincount(seen.group_of_unit, minlength=n_groups).astype(np.int64),
        last=last,
    )


def _windows(
    unit: ArrayLike, start: ArrayLike, stop: ArrayLike, group: ArrayLike | None
) -> _Windows:
    labels, codes = np.unique(np.asarray(unit), return_inverse=True)
    starts, stops = finite("window starts", start, least=0.0), finite("window stops", stop)
    named = np.zeros(codes.size, dtype=np.int64) if group is None else np.asarray(group)
    if same_length(unit=codes, start=starts, stop=stops, group=named) == 0:
        raise LifeDataError("There are no observation windows; give one for each unit.")
    group_labels, group_codes = np.unique(named, return_inverse=True)
    order = np.lexsort((starts, codes))
    codes, starts, stops = codes[order], starts[order], stops[order]
    of_window = group_codes[order]
    same = np.diff(codes, prepend=-1) == 0  # the window before is of the same unit
    for wrong, sentence in (
        (stops <= starts, "A window of unit {} ends no later than it starts; correct it."),
        (
            same & (starts < np.roll(stops, 1)),
            "Two windows of unit {} overlap; join or correct them.",
        ),
        (same & (of_window != np.roll(of_window, 1)), "Unit {} stands in two groups; give it one."),
    ):
        if wrong.any():
            raise LifeDataError(sentence.format(labels[codes[np.argmax(wrong)]]))
    first = np.unique(codes, return_index=True)[1]
    return _Windows(
        codes.astype(np.int64),
        starts,
        stops,
        of_window[first].astype(np.int64),
        (None,) if group is None else tuple(group_labels.tolist()),
        labels,
    )


def _repairs(
    unit: ArrayLike, age: ArrayLike, count: ArrayLike | None, seen: _Windows
) -> tuple[Ints, Floats, Floats]:
    """Return unit codes, ages and counts, one row per unit and age, each inside a window."""
    names, ages = np.asarray(unit), finite("repair ages", age)
    counts = np.ones(ages.shape) if count is None else whole_counts("counts", count)
    if same_length(unit=names, age=ages, count=counts) == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0)
    codes = np.minimum(np.searchsorted(seen.unit_labels, names), seen.unit_labels.size - 1)
    unknown = seen.unit_labels[codes] != names
    if np.any(unknown):
        raise LifeDataError(f"Unit {names[unknown][0]!s} has repairs but no window; give it one.")
    place = _below(seen.unit, seen.start, codes, ages) + np.searchsorted(seen.unit, codes) - 1
    inside = (place >= 0) & (seen.unit[place] == codes) & (ages <= seen.stop[place])
    if not np.all(inside):
        which = int(np.argmax(~inside))
        raise LifeDataError(
            f"The repair of unit {names[which]!s} at {ages[which]:g} lies in none of its windows "
            "(start < age <= stop); correct the age or the window."
        )
    pairs, back = np.unique(np.stack([codes, ages]), axis=1, return_inverse=True)
    total = summed(back.ravel(), counts, pairs.shape[1])
    some = total > 0
    return pairs[0][some].astype(np.int64), pairs[1][some], total[some]


def _below(key: Ints, value: Floats, by_key: Ints, by_value: Floats) -> Ints:
    """Count, for each query, the values below it that carry the same key."""
    keys, values = np.concatenate([key, by_key]), np.concatenate([value, by_value])
    query = np.arange(keys.size) >= key.size
    # At equal values the query comes first, so that only smaller values are counted.
    order = np.lexsort((~query, values, keys))
    counted = np.cumsum(~query[order])
    out = np.empty(keys.size, dtype=np.int64)
    out[order] = counted
    before = np.searchsorted(np.sort(key), by_key)
    return np.asarray(out[key.size :] - before)


def _running(group: Ints, values: Floats) -> Floats:
    """Cumulative sum that starts again in each group."""
    total = np.cumsum(values)
    first = np.searchsorted(group, group)
    return np.asarray(total - (total - values)[first])


def _robust(
    seen: _Windows,
    codes: Ints,
    ages: Floats,
    counts: Floats,
    step: Ints,
    step_group: Ints,
    step_age: Floats,
    risk: Ints,
    repairs: Floats,
) -> Floats:
    """Sum over units of squared residual processes, without a matrix of units and ages.

    The residual of a unit is U(t) = sum of (its repairs - d/r) / r over its time at risk. At
    each age the residuals of the units at risk change by amounts that add up to zero, so their
    sum S changes only when a window opens or closes, and V = sum of U^2 follows step by step.
    """
    drift = repairs / risk.astype(np.float64) ** 2
    # Totals run over the groups without a restart: only differences inside a group are used.
    drifted = np.concatenate([[0.0], np.cumsum(drift)])

    def total_drift(unit: Ints, until: Floats, inclusive: bool) -> Floats:
        """Drift of all steps of the unit's group before (or up to) an age."""
        key = seen.group_of_unit[unit]
        edge = np.nextafter(until, np.inf) if inclusive else until
        place = _below(step_group, step_age, key, edge) + np.searchsorted(step_group, key)
        return np.asarray(drifted[place])

    opened = total_drift(seen.unit, seen.start, True)
    closed = total_drift(seen.unit, seen.stop, True)
    own_first = np.searchsorted(seen.unit, seen.unit)
    spent = np.cumsum(closed - opened)
    # Drift that a unit has undergone in its earlier windows.
    earlier = (spent - (closed - opened)) - (spent - (closed - opened))[own_first]

    by_unit = np.lexsort((ages, codes))
    jump = counts / risk[step]
    gained = np.concatenate([[0.0], np.cumsum(jump[by_unit])])
    unit_sorted, age_sorted = codes[by_unit], ages[by_unit]

    def gain(unit: Ints, until: Floats, inclusive: bool) -> Floats:
        """Sum of the unit's own jumps before (or up to) an age."""
        first = np.searchsorted(unit_sorted, unit)
        edge = np.nextafter(until, np.inf) if inclusive else until
        place = first + _below(unit_sorted, age_sorted, unit, edge)
        return np.asarray(gained[place] - gained[first])

    window = _below(seen.unit, seen.start, codes, ages) + np.searchsorted(seen.unit, codes) - 1
    before = gain(codes, ages, False) - (
        earlier[window] + total_drift(codes, ages, False) - opened[window]
    )
    at_open = gain(seen.unit, seen.start, True) - earlier
    at_close = gain(seen.unit, seen.stop, True) - earlier - (closed - opened)

    window_group = seen.group_of_unit[seen.unit]
    entered, left = (
        _weight_below(window_group, x, w, step_group, step_age)
        for x, w in ((seen.start, at_open), (seen.stop, at_close))
    )
    on_units = summed(step, 2.0 * (before - drift[step]) * jump + jump**2, step_age.size)
    change = -2.0 * drift * (entered - left) + risk * drift**2 + on_units
    var = _running(step_group, change)
    # Rounding leaves a trace where the exact sum is zero, for instance with a single unit.
    size = _running(step_group, summed(step, jump**2, step_age.size))
    return np.asarray(np.where(var < 1e-13 * size, 0.0, var))


def _weight_below(
    key: Ints, value: Floats, weight: Floats, by_key: Ints, by_value: Floats
) -> Floats:
    """Sum, for each query, the weights of the values below it that carry the same key."""
    order = np.lexsort((value, key))
    total = np.concatenate([[0.0], np.cumsum(weight[order])])
    first = np.searchsorted(key[order], by_key)
    return np.asarray(total[first + _below(key, value, by_key, by_value)] - total[first])
