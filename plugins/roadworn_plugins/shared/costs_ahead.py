"""What the failures ahead cost: their chances and counts, with the prices of the parts."""

from dataclasses import dataclass, replace

import numpy as np

from roadworn.analysis.life_law import SHAPES
from roadworn_plugins.lifedata.special import ndtri
from roadworn_plugins.projection.belief import CostSpread
from roadworn_plugins.projection.totals import CELLS, grid_total, totals
from roadworn_plugins.shared.grouped import Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.projected import LEVEL, Aged, Counted, taken

# A grid holds one vehicle; more parts than this are summed by their cumulants.
_MOST_ON_GRID = 450


@dataclass(frozen=True, slots=True)
class Band:
    """A total with its central band."""

    expected: float
    low: float
    high: float


def money(
    parts: PartsAhead, found: Counted, rows: Ints, level: float = LEVEL, cells: int = CELLS
) -> Band:
    """Return the total cost of these parts with its band; unpriced parts add nothing.

    Args:
        parts: what is fitted.
        found: their projection, or what of it falls between two horizons.
        rows: the parts to add up.
        level: of the band.
        cells: of the grid of money that the total of one vehicle is laid on.
    """
    priced = _priced(parts, rows)
    if priced.size == 0:
        return Band(0.0, 0.0, 0.0)
    cost = cost_of(parts, found, priced)
    counts = [taken(c, priced) for c in found.counts]
    if priced.size <= _MOST_ON_GRID and np.unique(parts.car[priced]).size == 1:
        total = grid_total(counts, cost, usage_weight=found.weight, cells=cells)
        low, high = total.band(level)
        return Band(total.expected, low, high)
    summed = totals(
        counts, cost, usage_weight=found.weight, vehicle=parts.car[priced], levels=(level,)
    )
    expected, sd = float(summed.expected[0]), float(summed.sd[0])
    if sd <= 0.0:
        return Band(expected, expected, expected)
    # The shapes are shared by all vehicles, so what is not known of them does not average out.
    wider = float(np.hypot(1.0, _shape_sd(parts, found, priced, cost) / sd))
    low, high = (expected + (float(end[0]) - expected) * wider for end in summed.bands[level])
    # What a year does to all vehicles, to their parts or to their distance, does not either.
    pace = 0.0
    if found.pace is not None:
        money_of = cost.mean() * found.number[priced]
        pace = float(found.pace[priced] @ money_of / max(float(money_of.sum()), 1e-300))
    year = float(
        np.sqrt(
            np.log1p(parts.among_years + parts.level_variance)
            + pace**2 * parts.paces.common
            + parts.beyond**2
        )
    )
    side = -float(ndtri((1.0 - level) / 2.0)) * year
    up = float(np.hypot(np.log(max(high, expected) / expected), side))
    down = float(np.hypot(np.log(expected / low), side)) if low > 0.0 else np.inf
    stays = expected * found.staying
    return Band(stays, stays * float(np.exp(-down)), stays * float(np.exp(up)))


def expected_cost(parts: PartsAhead, found: Counted, rows: Ints) -> float:
    """Return the total of `money` for the parts of one vehicle, without the work of its band."""
    priced = _priced(parts, rows)
    if priced.size == 0:
        return 0.0
    counts = [taken(c, priced) for c in found.counts]
    cost = cost_of(parts, found, priced)
    return float(totals(counts, cost, usage_weight=found.weight, levels=()).expected[0])


def chance_below(parts: PartsAhead, found: Counted, rows: Ints, amount: float) -> float | None:
    """Return the chance that these parts of one vehicle cost less, None when none has a price."""
    priced = _priced(parts, rows)
    if priced.size == 0:
        return None
    if amount <= 0:
        return 0.0
    counts = [taken(c, priced) for c in found.counts]
    total = grid_total(counts, cost_of(parts, found, priced), usage_weight=found.weight)
    return 1.0 - total.chance_above(amount)


def _priced(parts: PartsAhead, rows: Ints) -> Ints:
    return np.array([i for i in rows if parts.price[i] is not None], dtype=np.int64)


def _shape_sd(parts: PartsAhead, found: Counted, rows: Ints, cost: CostSpread) -> float:
    """Return the standard deviation that unknown shapes add to a total, in money."""
    some = parts.take(rows)
    ahead, weight = some.ahead(12.0, None, "km")
    shift, chance = Aged.of(some).shape_shift(weight @ ahead)
    money_of = cost.mean() * found.number[rows]
    code = np.unique(some.component, return_inverse=True)[1]
    variance = 0.0
    for j in range(SHAPES):
        total = np.bincount(code, money_of * shift[j])
        held = np.zeros(total.size)
        held[code] = chance[j]
        variance += float(held @ total**2)
    return float(np.sqrt(variance))


def cost_of(parts: PartsAhead, found: Counted, rows: Ints) -> CostSpread:
    """Return the cost of one failure of each of these parts, early ones at what they cost here."""
    cost = spread(parts, rows)
    return cost if found.price is None else replace(cost, median=cost.median * found.price[rows])


def spread(parts: PartsAhead, rows: Ints) -> CostSpread:
    """Return the cost of one replacement of each of these parts, all of them priced.

    The range gives the spread, what was paid on average the level: quantiles of a few skewed
    prices do not tell their mean.
    """
    found = [parts.price[i] for i in rows]
    low, middle, high = (
        np.array([getattr(price, name) for price in found], dtype=np.float64)
        for name in ("low", "middle", "high")
    )
    middle = np.maximum(middle, 1e-6)
    by_range = CostSpread.quantiles(
        np.clip(low, middle * 0.05, middle), middle, np.maximum(high, middle), level=LEVEL
    )
    paid = np.array([np.nan if p is None or p.mean is None else p.mean for p in found])
    level = np.where(np.isnan(paid), 1.0, paid / by_range.mean())
    return replace(by_range, median=by_range.median * level)
