"""The band of a total over parts that each fail or do not: skewed, so never a normal band."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_CELLS = 2000


def cost_band(chance: Floats, cost: Floats, level: float) -> tuple[float, float]:
    """Return the central band of the sum of independent costs.

    The distribution is built on a grid of money, part by part; each cost is split between its
    two neighbouring cells so that the mean is kept exactly.

    Args:
        chance: chance of each cost falling due.
        cost: each cost, not negative.
        level: share of outcomes in the band, for instance 0.8.

    Returns:
        Lower and upper end, 0 and 0 without parts.
    """
    some = (chance > 0.0) & (cost > 0.0)
    chance, cost = chance[some], cost[some]
    if chance.size == 0:
        return 0.0, 0.0
    mean = float(np.sum(chance * cost))
    spread = float(np.sqrt(np.sum(chance * (1.0 - chance) * cost**2)))
    reach = min(float(cost.sum()), mean + 8.0 * spread + float(cost.max()))
    step = reach / (_CELLS - 2)
    if chance.size > _CELLS:
        # Thousands of parts of like size: the grid would be slow and the normal is close.
        z = 1.2815515655446004 if level == 0.8 else _normal_quantile(level)
        return max(0.0, mean - z * spread), mean + z * spread
    density = np.zeros(_CELLS)
    density[0] = 1.0
    for p, money in zip(chance, cost, strict=True):
        cell, rest = divmod(money / step, 1.0)
        start = int(cell)
        moved = np.zeros(_CELLS)
        moved[start:] += (1.0 - rest) * density[: _CELLS - start]
        if start + 1 < _CELLS:
            moved[start + 1 :] += rest * density[: _CELLS - start - 1]
        density = (1.0 - p) * density + p * moved
    reached = np.cumsum(density)
    side = (1.0 - level) / 2.0
    low, high = (int(np.searchsorted(reached, q - 1e-12)) for q in (side, 1.0 - side))
    return low * step, min(high, _CELLS - 1) * step


def _normal_quantile(level: float) -> float:
    from scipy.special import ndtri

    return float(ndtri((1.0 + level) / 2.0))
