"""Turnbull's estimate: survival without a model when failures are known to an interval.

A failure between two looks says only that the mass of the life distribution inside
(lower, upper] is not zero. The estimate puts mass into a few cells and says nothing about
where inside a cell it lies; inside a cell survival is undefined, so only its ends are given.

A large group starts from a few cells and is given those that its gradient shows missing,
until no cell has a gradient above n: that is the condition of the maximum, so the result
is checked, not only iterated.

Source: Turnbull (1976) JRSS-B 38:290-295; Gentleman & Geyer (1994) Biometrika 81:618-623
for the condition.
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
)
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.mass_cells import MassCells, candidate_cells, solve_masses

# Masses below this are 0: the method approaches them but never arrives.
_NO_MASS = 1e-10
# A group with more candidate cells starts from a few, and gets those that it misses.
_LARGE, _MOST_ADDED, _MOST_ROUNDS = 100, 60, 200
# Relative excess of the gradient over n that is rounding.
_OPTIMAL = 1e-9


@dataclass(frozen=True, eq=False)
class Turnbull(ByGroup):
    """Mass of each cell of each group, sorted by group and cell; cells without mass left out.

    Attributes:
        group: group number, shape (n_cells,).
        lower: start of the cell, itself outside it unless ``lower == upper``.
        upper: end of the cell; inf for the mass beyond the last look.
        mass: share of failures in the cell; sums to 1 in each group with lives.
        s: survival at the end of the cell.
        loglik: log likelihood of each group, shape (n_groups,).
        segments: rows of each group.
    """

    group: Ints
    lower: Floats
    upper: Floats
    mass: Floats
    s: Floats
    loglik: Floats
    segments: Segments


def turnbull(lives: Lives) -> Turnbull:
    """Estimate the masses of each group by maximum likelihood, to 1e-9.

    Args:
        lives: exact, running and interval rows without late entry.

    Raises:
        LifeDataError: for late entry, which makes the estimate ambiguous, and for a group
            whose mass may lie in more cells than can be solved.
    """
    if (lives.entry > 0.0).any():
        raise LifeDataError(
            "Turnbull's estimate cannot take late entry: leave out the parts that entered late,"
            " or fit a Weibull or lognormal life, which can."
        )
    cells = candidate_cells(lives)
    n = lives.per_group(np.ones(lives.group.size, dtype=bool))
    chosen = _first_cells(cells)
    for _ in range(_MOST_ROUNDS):
        part = cells.keep(chosen)
        mass = solve_masses(part)
        shares = part.shares(mass)
        missing = _missing_cells(cells, cells.gradient(shares), n)
        if not missing.any():
            break
        chosen[np.flatnonzero(chosen)[mass < _NO_MASS]] = False
        chosen |= missing
    loglik = np.bincount(lives.group, lives.count * np.log(shares), lives.n_groups)
    some = mass > _NO_MASS
    group = part.group[some]
    segments = Segments.of_sorted(group, lives.n_groups)
    kept = mass[some]
    kept = kept / segments.spread(segments.sum(kept))
    upper = part.upper[some]
    failed = np.minimum(segments.running(np.add, kept), 1.0)
    # The last cell takes what is left, which rounding must not keep from 0.
    last = np.zeros(group.size, dtype=bool)
    last[(segments.starts + segments.lengths - 1)[segments.lengths > 0]] = True
    s = np.where(last, 0.0, 1.0 - failed)
    return Turnbull(group, part.lower[some], upper, kept, s, loglik.astype(np.float64), segments)


def _first_cells(cells: MassCells) -> Bools:
    """Choose the cells to start with: all of a small group, enough of a large group.

    Enough means that each life has one, or its likelihood would be 0: going by the ends of
    the intervals, the last cell of each interval that has none yet.
    """
    large = cells.segments.lengths > _LARGE
    chosen = ~large[cells.group]
    rows = np.flatnonzero(large[cells.life_group])
    rows = rows[np.argsort(cells.beyond[rows], kind="stable")]
    newest = -1
    for first, beyond in zip(cells.first[rows].tolist(), cells.beyond[rows].tolist(), strict=True):
        if newest < first:
            newest = beyond - 1
            chosen[newest] = True
    return chosen


def _missing_cells(cells: MassCells, gradient: Floats, n: Floats) -> Bools:
    """Choose the cells into which mass should move: peaks of the gradient above n."""
    above = gradient > n[cells.group] * (1.0 + _OPTIMAL)
    fresh = np.concatenate(([True], cells.group[1:] != cells.group[:-1], [True]))
    left = np.concatenate(([-np.inf], gradient[:-1]))
    right = np.concatenate((gradient[1:], [-np.inf]))
    peak = ((gradient > left) | fresh[:-1]) & ((gradient >= right) | fresh[1:])
    found = np.flatnonzero(above & peak)
    # The highest first, so that the matrices stay small.
    found = found[np.argsort(-gradient[found], kind="stable")]
    found = found[group_order(cells.group[found])]
    rank = np.arange(found.size) - np.searchsorted(cells.group[found], cells.group[found])
    chosen = np.zeros(cells.group.size, dtype=bool)
    chosen[found[rank < _MOST_ADDED]] = True
    return chosen
