"""The whole distribution of one total, by Fourier transform: for a single vehicle.

With few parts a total is lumpy - nothing at all, or one dear repair - and no curve with three
moments follows it. The characteristic function of the total is a product over the parts, mixed
over what they share, and one transform turns it into chances on a grid of money.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadworn_plugins.lifedata.checked import Floats, LifeDataError, tail
from roadworn_plugins.projection.costs import CostSpread
from roadworn_plugins.projection.renewal import CountMoments
from roadworn_plugins.projection.totals import law_of, totals, usage_nodes

CELLS = 2048
_MOST_PARTS = 500
_POINTS = 32
_REACH = 9.0  # standard deviations above the mean that the grid holds


@dataclass(frozen=True, eq=False)
class GridTotal:
    """Distribution of one total on a grid from 0.

    Attributes:
        expected: Expected total.
        step: Width of a cell of the grid.
        chance: Chance of each cell; cell i stands for the total i * step.
    """

    expected: float
    step: float
    chance: Floats

    def quantile(self, q: ArrayLike) -> Floats:
        """Return totals that are not exceeded with these chances, straight within a cell."""
        reached = np.cumsum(self.chance)
        wanted = np.asarray(q, dtype=np.float64)
        cell = np.minimum(np.searchsorted(reached, wanted - 1e-12), reached.size - 1)
        before = np.where(cell > 0, reached[cell - 1], 0.0)
        held = np.maximum(self.chance[cell], 1e-300)
        within = np.clip((wanted - before) / held, 0.0, 1.0) - 0.5
        return np.asarray(np.where(cell == 0, 0.0, (cell + within) * self.step))

    def band(self, level: float) -> tuple[float, float]:
        """Return the central band of this level.

        Raises:
            LifeDataError: The level is not between 0 and 1.
        """
        side = tail(level)
        lower, upper = self.quantile([side, 1.0 - side])
        return float(lower), float(upper)

    def chance_above(self, amount: float) -> float:
        """Return the chance that the total exceeds an amount, for instance a reserve."""
        return float(np.sum(self.chance[int(np.floor(amount / self.step + 0.5)) + 1 :]))


def grid_total(
    counts: CountMoments | Sequence[CountMoments],
    cost: CostSpread,
    *,
    usage_weight: ArrayLike = (1.0,),
    cells: int = CELLS,
) -> GridTotal:
    """Distribute one total over a grid of money.

    Exact but for the grid: rates shared within a group and a distance shared by all parts are
    mixed as they are, each cost is 32 equally likely ones split between neighbouring cells so
    that means are kept, and the law of a part's failures is that of :mod:`count_law`. What is
    shared is a few nodes, which would show as lumps if hundreds of parts shared them: take
    ``totals`` there.

    Args:
        counts: Moments of the parts' failures; one for each usage node.
        cost: Cost of one replacement of each part.
        usage_weight: Weights of the usage nodes.
        cells: Cells of the grid.

    Raises:
        LifeDataError: Lengths differ, or there are more than 500 parts.

    Reference: Feller, An Introduction to Probability Theory II (1971), ch. XV, for
    characteristic functions of compound sums. From memory.
    """
    nodes, weight = usage_nodes(counts, cost, usage_weight)
    if cost.median.size > _MOST_PARTS:
        raise LifeDataError("A grid is meant for a vehicle; use totals() for more than 500 parts.")
    rough = totals(counts, cost, usage_weight=usage_weight, levels=())
    if rough.expected.size == 0 or rough.expected[0] <= 0.0:
        return GridTotal(0.0, 1.0, np.array([1.0]))
    dearest = float(np.max(cost.points(_POINTS)))
    step = (float(rough.expected[0]) + _REACH * float(rough.sd[0]) + dearest) / (cells - 2)
    prices = _price_transform(cost, step, cells)
    transform = np.zeros(cells // 2 + 1, dtype=np.complex128)
    for node, share in zip(nodes, weight, strict=True):
        transform += share * _one_usage(node, prices)
    chance = np.maximum(np.fft.irfft(transform, cells), 0.0)
    return GridTotal(float(rough.expected[0]), step, chance / chance.sum())


def _price_transform(cost: CostSpread, step: float, cells: int) -> NDArray[np.complex128]:
    """Transform of each part's cost on the grid, shape (parts, frequencies)."""
    place = cost.points(_POINTS) / step
    cell = np.minimum(place.astype(np.int64), cells - 2)
    rest = np.minimum(place - cell, 1.0)
    grid = np.zeros((cost.median.size, cells))
    row = np.arange(cost.median.size)[:, None]
    np.add.at(grid, (row, cell), (1.0 - rest) / _POINTS)
    np.add.at(grid, (row, cell + 1), rest / _POINTS)
    return np.asarray(np.fft.rfft(grid, axis=1))


def _one_usage(counts: CountMoments, prices: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Transform of the total at one distance: a product over groups, each mixed over its rates."""
    law = law_of(counts)
    out = np.ones(prices.shape[1], dtype=np.complex128)
    for group in np.unique(counts.group):
        rates = np.flatnonzero(counts.weight[group] > 0.0)
        held = np.ones((rates.size, prices.shape[1]), dtype=np.complex128)
        for part in np.flatnonzero(counts.group == group):
            one = law.take(int(part), rates)
            held *= one.generating(prices[None, part])
        # Not as a matrix product: for seven rows the threads of the library cost more than the sum.
        out *= np.sum(counts.weight[group, rates, None] * held, axis=0)
    return out
