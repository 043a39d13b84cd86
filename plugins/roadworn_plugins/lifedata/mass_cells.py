"""Where the mass of a life distribution can lie when failures are known to an interval.

Only cells that start at the left end of some interval and stop at the next right end can
carry mass; everything else would gain by moving there (Peto 1973, Applied Statistics
22:86-91; Turnbull 1976, JRSS-B 38:290-295).
"""

from dataclasses import dataclass
from typing import Self

import numpy as np

from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.segments import Bools, Floats, Ints, Segments, group_order


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
