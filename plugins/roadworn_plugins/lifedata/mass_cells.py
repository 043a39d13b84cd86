"""Cells in which an interval-censored sample can have its mass, and the mass in each."""

from dataclasses import dataclass
from typing import Self

import numpy as np

from roadworn_plugins.lifedata import (
    Bools,
    Floats,
    Ints,
    LifeDataError,
    Segments,
    group_order,
)
from roadworn_plugins.lifedata.lives import Lives


@dataclass(frozen=True, eq=False)
class MassCells:
    """Candidate cells of all groups, and for each life the run of cells inside its interval.

    Cells ``first`` to ``beyond - 1`` lie inside; both are row numbers of the flat columns.
    """

    group: Ints
    lower: Floats
    upper: Floats
    segments: Segments
    life_group: Ints
    count: Floats
    first: Ints
    beyond: Ints

    def keep(self, chosen: Bools) -> Self:
        """Leave out the cells that are not chosen."""
        place = np.concatenate(([0], np.cumsum(chosen)))
        group = self.group[chosen]
        return type(self)(
            group,
            self.lower[chosen],
            self.upper[chosen],
            Segments.of_sorted(group, self.segments.lengths.size),
            self.life_group,
            self.count,
            place[self.first],
            place[self.beyond],
        )

    def shares(self, mass: Floats) -> Floats:
        """Return the mass inside each life's interval."""
        before = np.concatenate(([0.0], self.segments.running(np.add, mass)))
        start = self.segments.starts[self.life_group]
        return before[self.beyond] - np.where(self.first > start, before[self.first], 0.0)

    def gradient(self, shares: Floats) -> Floats:
        """Return the gradient of the log likelihood by each cell's mass."""
        size = self.group.size
        weight = self.count / shares
        change = np.bincount(self.first, weight, size + 1) - np.bincount(
            self.beyond, weight, size + 1
        )
        # What ends with its group would otherwise be charged to the first cell of the next.
        end = self.segments.starts + self.segments.lengths
        lasts = self.beyond == end[self.life_group]
        change += np.bincount(self.beyond[lasts], weight[lasts], size + 1)
        return self.segments.running(np.add, change[:size].astype(np.float64))


def candidate_cells(lives: Lives) -> MassCells:
    """Find the cells that can carry mass: a left end followed at once by a right end.

    An interval is (lower, upper], so at one age right ends come before its left end; an
    exact failure is the point itself, so its left end comes before every right end there.
    """
    n = lives.group.size
    exact = lives.exact
    # Order at one age: left end of a point (0), right ends (1), left end of an interval (2).
    rank = np.concatenate((np.where(exact, 0, 2), np.ones(n, dtype=np.int64)))
    age = np.concatenate((lives.lower, lives.upper))
    group = np.concatenate((lives.group, lives.group))
    order = np.lexsort((rank, age))
    order = order[group_order(group[order])]
    left = order < n
    starts_cell = np.zeros(order.size, dtype=bool)
    starts_cell[:-1] = left[:-1] & ~left[1:] & (group[order[:-1]] == group[order[1:]])
    at = np.flatnonzero(starts_cell)
    cell_group = group[order[at]]
    # Cells that start before an end in this order; a row covers those between its two ends.
    before = np.concatenate(([0], np.cumsum(starts_cell)[:-1])) if order.size else order
    position = np.empty(order.size, dtype=np.int64)
    position[order] = before
    return MassCells(
        cell_group,
        age[order[at]],
        age[order[at + 1]],
        Segments.of_sorted(cell_group, lives.n_groups),
        lives.group,
        lives.count,
        position[:n],
        position[n:],
    )


_SMALLEST_BARRIER = 1e-22


_MOST_STEPS = 120


# One matrix of cells by cells is built for a group.
_MOST_CELLS = 2500


# Entries of one stack of such matrices.
_STACK = 4_000_000


def solve_masses(cells: MassCells) -> Floats:
    """Return the mass of each cell; the masses of a group sum to 1.

    Args:
        cells: cells of all groups; each life has at least one.

    Raises:
        LifeDataError: when a group has more cells than can be solved.
    """
    largest = int(cells.segments.lengths.max()) if cells.segments.lengths.size else 0
    if largest > _MOST_CELLS:
        raise LifeDataError(
            f"The mass of a group may lie in {largest} cells and at most {_MOST_CELLS} can be"
            " solved: round the ages."
        )
    mass = np.zeros(cells.group.size)
    for groups in _stacks(cells.segments.lengths):
        _solve(cells, groups, mass)
    return mass


def _stacks(lengths: Ints) -> list[Ints]:
    """Put groups of like size together, each stack small enough for its matrices."""
    stacks = []
    some = np.flatnonzero(lengths > 0)
    some = some[np.argsort(lengths[some], kind="stable")]
    while some.size:
        # The largest group of a stack sets its width, at most one and a half of the smallest.
        width = max(4, int(lengths[some[0]] * 1.5))
        fit = max(1, _STACK // (width + 1) ** 2)
        take = min(fit, int(np.searchsorted(lengths[some], width, side="right")))
        stacks.append(some[:take])
        some = some[take:]
    return stacks


def _solve(cells: MassCells, groups: Ints, mass: Floats) -> None:
    """Write the masses of a stack of groups into ``mass``.

    Newton steps on ``n - d_j = slack_j``, ``slack_j p_j = barrier`` with d the gradient of
    the log likelihood; the barrier falls towards 0 and p and slack stay positive.
    """
    width = int(cells.segments.lengths[groups].max())
    place = np.full(cells.segments.lengths.size, -1)
    place[groups] = np.arange(groups.size)
    rows = np.flatnonzero(place[cells.life_group] >= 0)
    g, count = place[cells.life_group[rows]], cells.count[rows]
    offset = cells.segments.starts[cells.life_group[rows]]
    first, beyond = cells.first[rows] - offset, cells.beyond[rows] - offset
    real = np.arange(width) < cells.segments.lengths[groups, None]
    n = np.bincount(g, count, groups.size).astype(np.float64)[:, None]
    shape = (groups.size, width + 1)

    def gradient_and_curvature(p: Floats) -> tuple[Floats, Floats]:
        total = np.zeros(shape)
        np.cumsum(p, axis=1, out=total[:, 1:])
        weight = count / (total[g, beyond] - total[g, first])
        d = np.zeros(shape)
        np.add.at(d, (g, first), weight)
        np.add.at(d, (g, beyond), -weight)
        # A row curves all pairs of its cells alike: a square, given by its four corners.
        weight = weight * weight / count
        h = np.zeros((groups.size, width + 1, width + 1))
        for i, j, sign in (
            (first, first, 1.0),
            (first, beyond, -1.0),
            (beyond, first, -1.0),
            (beyond, beyond, 1.0),
        ):
            np.add.at(h, (g, i, j), sign * weight)
        return np.cumsum(d, axis=1)[:, :width], h.cumsum(1).cumsum(2)[:, :width, :width]

    p = np.where(real, 1.0 / cells.segments.lengths[groups, None], 0.0)
    slack: Floats = np.where(real, n, 1.0)
    for _ in range(_MOST_STEPS):
        d, h = gradient_and_curvature(p)
        gap = (p * slack).sum(axis=1, keepdims=True) / real.sum(axis=1, keepdims=True)
        off = np.where(real, np.abs(n - d - slack), 0.0).max(axis=1, keepdims=True)
        if ((gap <= _SMALLEST_BARRIER * n) & (off <= 1e-11 * n)).all():
            break
        barrier: Floats = np.maximum(0.1 * gap, 0.1 * _SMALLEST_BARRIER * n)
        safe_p = np.where(real, p, 1.0)
        h[:, np.arange(width), np.arange(width)] += slack / safe_p
        pull = np.where(real, d - n + barrier / safe_p, 0.0)
        step = np.asarray(np.linalg.solve(h, pull[:, :, None])[:, :, 0], dtype=np.float64)
        slack_step = np.where(real, (barrier - slack * step) / safe_p - slack, 0.0)
        reach = np.minimum(_reach(safe_p, step), _reach(slack, slack_step))
        p, slack = p + reach * step, slack + reach * slack_step
    cell_rows, _ = cells.segments.rows_of(groups)
    mass[cell_rows] = (p / p.sum(axis=1, keepdims=True))[real]


def _reach(value: Floats, step: Floats) -> Floats:
    """Return how much of a step keeps every value of its group positive, at most all of it."""
    shrink: Floats = np.where(step < 0.0, -step / value, 0.0).max(axis=1, keepdims=True)
    return np.asarray(np.minimum(1.0, 0.99 / np.maximum(shrink, 1e-300)))
