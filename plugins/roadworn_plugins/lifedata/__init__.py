"""Values checked before any mathematics, and sums over groups that lie one after the other.

Every estimator of this package takes arrays from strangers and many groups at once; what both
need is here, so that each of them is only its own mathematics.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadworn.model.errors import ProblemsFound
from roadworn.model.messages import Problem
from roadworn_plugins.lifedata.special import ndtri

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


class LifeDataError(ProblemsFound):
    """Data or a setting cannot be used, or a figure cannot be had from them.

    The message names the remedy; ``problems`` names each row that is at fault.
    """

    def __init__(self, message: str, problems: Sequence[Problem] = ()) -> None:
        super().__init__(message, problems)


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


class ByGroup:
    """What figures in flat columns, sorted by group, have in common.

    Attributes:
        segments: rows of each group.
    """

    segments: Segments

    def group_slice(self, g: int) -> slice:
        """Return the rows of group ``g`` as a slice into the flat columns."""
        start = int(self.segments.starts[g])
        return slice(start, start + int(self.segments.lengths[g]))


def finite(name: str, values: ArrayLike, *, least: float = -np.inf) -> Floats:
    """Turn input into a float array, refusing NaN, infinities and values below a bound.

    Args:
        name: What the values are, for the message.
        values: Numbers, any shape.
        least: Smallest value allowed.

    Raises:
        LifeDataError: A value is not a finite number or lies below ``least``.
    """
    try:
        out = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as problem:
        raise LifeDataError(f"The {name} must be numbers; correct the input.") from problem
    bad = ~np.isfinite(out) | (out < least)
    if bad.any():
        where = int(np.argmax(bad.ravel()))
        wanted = "finite numbers" if least == -np.inf else f"finite and at least {least:g}"
        raise LifeDataError(
            f"The {name} must be {wanted}, but item {where} is {out.ravel()[where]:g}; "
            "correct or drop it."
        )
    return out


def whole_counts(name: str, values: ArrayLike) -> Floats:
    """Return counts as floats, refusing negative and fractional ones.

    Raises:
        LifeDataError: A value is no count.
    """
    counts = finite(name, values, least=0.0)
    if np.any(counts != np.floor(counts)):
        raise LifeDataError(f"The {name} must be whole numbers; count events, do not scale them.")
    return counts


def same_length(**columns: NDArray[np.generic]) -> int:
    """Return the common length of one-dimensional columns.

    Raises:
        LifeDataError: A column is not one-dimensional or the lengths differ.
    """
    lengths = {name: column.shape for name, column in columns.items()}
    if any(len(shape) != 1 for shape in lengths.values()) or len(set(lengths.values())) > 1:
        listed = ", ".join(f"{name} {shape}" for name, shape in lengths.items())
        raise LifeDataError(f"Give columns of one common length; these are {listed}.")
    return int(next(iter(lengths.values()))[0])


def summed(codes: Ints, weights: Floats, size: int) -> Floats:
    """Sum the weights by code 0 to size - 1, as floats also when there are none."""
    return np.asarray(np.bincount(codes, weights, size), dtype=np.float64)


def tail(level: float) -> float:
    """Return the probability left on each side of a two-sided interval of this level.

    Raises:
        LifeDataError: The level does not lie above 0 and up to 0.9999.
    """
    if not 0.0 < level <= 0.9999:
        raise LifeDataError(f"The level must lie between 0 and 1, for instance 0.95, not {level}.")
    return (1.0 - level) / 2.0


def normal_reach(level: float) -> float:
    """Return how many standard errors a two-sided normal interval of this level reaches.

    Raises:
        LifeDataError: As for :func:`tail`.
    """
    tail(level)
    return float(ndtri(0.5 + level / 2.0))


def bisected(excess: Callable[[float], float], inside: float, outside: float) -> float:
    """Return where a function that is above 0 at ``inside`` and not at ``outside`` reaches 0."""
    for _ in range(60):
        middle = (inside + outside) / 2.0
        inside, outside = (middle, outside) if excess(middle) > 0.0 else (inside, middle)
    return (inside + outside) / 2.0


def climb(
    at: Callable[[Floats], tuple[float, Floats, Floats]], x: Floats, *, longest: float
) -> tuple[Floats, float, Floats, float]:
    """Climb to a maximum of one smooth function by Newton's method, uphill at every step.

    Args:
        at: Returns height, gradient and second derivatives at a point.
        x: Where to start, shape (parameters,).
        longest: No parameter moves further than this in one step.

    Returns:
        The point, its height, the second derivatives there, and twice the height that one more
        step promises: not near 0 where no maximum was reached.
    """
    value, slope, bend = at(x)
    gain, near = np.inf, 1e-7  # nearer than this the height is too coarse a judge of a step
    for _step in range(200):
        values, vectors = np.linalg.eigh(-bend)
        # Where the curvature is not that of a maximum it is turned round.
        lifted = np.maximum(np.abs(values), 1e-12 * max(float(np.abs(values).max()), 1e-12))
        move = vectors @ ((vectors.T @ slope) / lifted)
        gain = float(slope @ move)
        if gain < 1e-16:
            break
        reach = min(1.0, longest / float(np.abs(move).max()))
        new = at(x + reach * move)
        for _ in range(40):
            if new[0] >= value + 1e-4 * reach * gain or (gain < near and new[0] > value - near):
                break
            reach *= 0.3
            new = at(x + reach * move)
        x = x + reach * move
        value, slope, bend = new
    return x, value, bend, gain


def climb_all(
    at: Callable[[Floats], tuple[Floats, Floats, Floats]], x: Floats, *, longest: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Climb as :func:`climb` does to the maxima of many functions at once.

    Args:
        at: Returns heights, gradients and second derivatives, shapes (functions,), (functions,
            parameters) and (functions, parameters, parameters).
        x: Where to start, shape (functions, parameters).
        longest: No parameter moves further than this in one step.

    Returns:
        As there, one for each function.
    """
    value, slope, bend = at(x)
    gain, near = np.full(value.shape, np.inf), 1e-7
    moving = np.ones(value.shape, dtype=bool)
    for _step in range(200):
        values, vectors = np.linalg.eigh(-bend)
        size = np.abs(values)
        lifted = np.maximum(size, 1e-12 * np.maximum(size.max(axis=1, keepdims=True), 1e-12))
        along = np.einsum("fij,fi->fj", vectors, slope) / lifted
        move = np.einsum("fij,fj->fi", vectors, along)
        gain = np.where(moving, np.einsum("fi,fi->f", slope, move), gain)
        moving &= ~(gain < 1e-16)
        if not moving.any():
            break
        # One that has arrived stays where it is.
        step = np.minimum(1.0, longest / np.maximum(np.abs(move).max(axis=1), 1e-300))
        reach = np.where(moving, step, 0.0)
        new = at(x + reach[:, None] * move)
        for _ in range(40):
            up = (new[0] >= value + 1e-4 * reach * gain) | ((gain < near) & (new[0] > value - near))
            down = moving & ~up
            if not down.any():
                break
            reach = np.where(down, 0.3 * reach, reach)
            new = at(x + reach[:, None] * move)
        x = x + reach[:, None] * move
        value, slope, bend = new
    return x, value, bend, gain
