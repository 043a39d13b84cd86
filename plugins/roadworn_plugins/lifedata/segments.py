"""Arithmetic on rows that belong to groups, without a Python loop over the groups.

Every estimator here sorts its rows by group once and then works on the runs of equal
group number. Sums and running products are taken inside each run, never as differences
of one long cumulative sum: that would leak rounding errors from group to group.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def group_order(group: Ints, within: Floats | None = None) -> Ints:
    """Return the order that sorts rows by group, and by ``within`` inside each group.

    Group numbers are sorted 16 bits at a time, because NumPy's stable sort is a radix
    sort for such short keys and several times faster than a comparison sort.

    Args:
        group: group numbers, not negative, shape (n,).
        within: ages to sort by inside a group, shape (n,); by default rows keep their order.

    Returns:
        Row indices, shape (n,).
    """
    order = np.arange(group.size) if within is None else np.argsort(within)
    top = int(group.max()) if group.size else 0
    shift = 0
    while shift == 0 or top >> shift:
        digit = ((group[order] >> shift) & 0xFFFF).astype(np.uint16)
        if shift or within is not None or np.any(digit[1:] < digit[:-1]):
            order = order[np.argsort(digit, kind="stable")]
        shift += 16
    return order


@dataclass(frozen=True, eq=False)
class Segments:
    """Runs of rows sorted by group.

    Attributes:
        starts: first row of each group, shape (n_groups,).
        lengths: number of rows of each group, may be 0, shape (n_groups,).
    """

    starts: Ints
    lengths: Ints

    @classmethod
    def of_sorted(cls, group: Ints, n_groups: int) -> Self:
        """Find the runs in group numbers that are already sorted."""
        return cls.of_lengths(np.bincount(group, minlength=n_groups))

    @classmethod
    def of_lengths(cls, lengths: Ints) -> Self:
        """Lay runs of the given lengths one behind the other."""
        return cls(np.cumsum(lengths) - lengths, lengths)

    def _reduce(self, ufunc: np.ufunc, values: Floats, empty: float) -> Floats:
        # reduceat takes an empty run for its next row, so empty runs are left out.
        out = np.full(self.lengths.size, empty)
        some = self.lengths > 0
        if some.any():
            out[some] = ufunc.reduceat(values, self.starts[some])
        return out

    def sum(self, values: Floats) -> Floats:
        """Sum inside each group; 0 for a group without rows."""
        return self._reduce(np.add, values, 0.0)

    def max(self, values: Floats) -> Floats:
        """Return the largest value of each group; -inf for a group without rows."""
        return self._reduce(np.maximum, values, -np.inf)

    def min(self, values: Floats) -> Floats:
        """Return the smallest value of each group; inf for a group without rows."""
        return self._reduce(np.minimum, values, np.inf)

    def spread(self, per_group: Floats) -> Floats:
        """Repeat one value a group over the rows of that group."""
        return np.repeat(per_group, self.lengths)

    def rows_of(self, groups: Ints) -> tuple[Ints, Self]:
        """Return the rows of the given groups, in that order, and the runs they form."""
        part = type(self).of_lengths(self.lengths[groups])
        rows = np.repeat(self.starts[groups] - part.starts, part.lengths)
        return rows + np.arange(rows.size), part

    def running(self, ufunc: np.ufunc, values: Floats) -> Floats:
        """Accumulate inside each group, for instance ``np.multiply`` for a product.

        Groups are laid out in rectangles by size class (1, 2, 3-4, 5-8, ... rows), so that
        the padding at most doubles the memory and the loop is over the classes only.
        """
        out = np.empty_like(values)
        size_class = np.ceil(np.log2(np.maximum(self.lengths, 1))).astype(np.int64)
        for width in np.unique(size_class[self.lengths > 0]):
            groups = np.flatnonzero((size_class == width) & (self.lengths > 0))
            column = np.arange(int(self.lengths[groups].max()))
            inside = column < self.lengths[groups, None]
            cells = np.where(inside, self.starts[groups, None] + column, 0)
            # Padding stands behind the rows of its group, so its value reaches no result.
            accumulated = ufunc.accumulate(values[cells], axis=1)
            out[cells[inside]] = accumulated[inside]
        return out
