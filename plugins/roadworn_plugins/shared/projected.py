"""Chances and counts of what fails ahead, from `parts_ahead` and the renewal mathematics."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from scipy.special import gammaincinv

from roadworn_plugins.projection.renewal import CountMoments, count_moments
from roadworn_plugins.projection.totals import CELLS, CostSpread, grid_total, totals
from roadworn_plugins.shared.grouped import Floats, Ints, Unit
from roadworn_plugins.shared.parts_ahead import AGES, PartsAhead

LEVEL = 0.8
# A grid holds one vehicle; more parts than this are summed by their cumulants.
_MOST_ON_GRID = 450
# Rows that are held in memory at once, some 170 bytes each.
_MOST_ROWS = 250_000


@dataclass(frozen=True, eq=False)
class Projection:
    """What lies ahead of each part.

    Attributes:
        chance: of at least one failure, shape (parts,).
        low, high: limits of that chance as the rate is uncertain.
        number: expected failures, the replacement's own included.
        counts: moments at each distance ahead, for totals.
        weight: of each distance ahead.
    """

    chance: Floats
    low: Floats
    high: Floats
    number: Floats
    counts: tuple[CountMoments, ...]
    weight: Floats


class Counted(Protocol):
    """What a total is made of: expected failures, and their moments at each distance ahead."""

    @property
    def number(self) -> Floats:
        """Expected failures of each part."""

    @property
    def counts(self) -> tuple[CountMoments, ...]:
        """Moments at each distance ahead."""

    @property
    def weight(self) -> Floats:
        """Weight of each distance ahead."""


@dataclass(frozen=True, slots=True)
class Band:
    """A total with its central band."""

    expected: float
    low: float
    high: float


def project(
    parts: PartsAhead,
    months: float,
    distance: float | None = None,
    unit: Unit = "mi",
    *,
    measured: dict[int, Floats] | None = None,
    share: Floats | None = None,
    level: float = LEVEL,
) -> Projection:
    """Project every part.

    Args:
        parts: what is fitted.
        months: how far ahead.
        distance: how far ahead by distance instead, in `unit`.
        unit: of `distance`.
        measured: for parts with a wear line of their own: part -> chance of reaching the limit
            at each distance ahead; better than the lives of others.
        share: of the way ahead that each part is watched for, all of it by default.
        level: of the limits.
    """
    ahead, weight = parts.ahead(months, distance, unit)
    watched = ahead if share is None else ahead * share
    return _projected(parts, [watched], weight, [measured or {}], level)[0]


def project_months(
    parts: PartsAhead,
    months: Sequence[float],
    *,
    measured: Sequence[dict[int, Floats]] = (),
    level: float = LEVEL,
) -> dict[float, Projection]:
    """Project every part to several horizons at once, which is quicker than one by one.

    Args:
        parts: what is fitted.
        months: how far ahead.
        measured: as for `project`, one for each horizon, or none.
        level: of the limits.
    """
    ahead = [parts.ahead(m, None, "km") for m in months]
    found = _projected(
        parts,
        [far for far, _weight in ahead],
        ahead[0][1],
        list(measured) or [{}] * len(ahead),
        level,
    )
    return dict(zip(months, found, strict=True))


def _projected(
    parts: PartsAhead,
    ahead: list[Floats],
    weight: Floats,
    measured: list[dict[int, Floats]],
    level: float,
) -> list[Projection]:
    index, age = _expanded(parts)
    share = np.where(parts.known, 1.0, 1.0 / AGES)[index]
    counts = _counts(parts, index, age, share, [far[u] for far in ahead for u in range(len(far))])
    found = []
    for h, (far, worn) in enumerate(zip(ahead, measured, strict=True)):
        own = tuple(
            _with_measured(c, worn, u)
            for u, c in enumerate(counts[h * weight.size : (h + 1) * weight.size])
        )
        chance = np.asarray(sum(w * c.at_least_one() for w, c in zip(weight, own, strict=True)))
        number = np.asarray(sum(w * c.mean() for w, c in zip(weight, own, strict=True)))
        limits = [
            _at_rate(parts, index, age, share, far, weight, q)
            for q in ((1.0 - level) / 2.0, (1.0 + level) / 2.0)
        ]
        low, high = np.minimum(limits[0], chance), np.maximum(limits[1], chance)
        for i in worn:
            low[i] = high[i] = chance[i]
        found.append(Projection(chance, low, high, number, own, weight))
    return found


def _counts(
    parts: PartsAhead, index: Ints, age: Floats, share: Floats, stretches: list[Floats]
) -> list[CountMoments]:
    """Return the moments of every part at each stretch, many stretches at a time.

    Each group of parts is looked up in a table of its own; asking once for all stretches makes
    the table once.
    """
    found: list[CountMoments] = []
    many = max(1, _MOST_ROWS // max(index.size, 1))
    for start in range(0, len(stretches), many):
        some = stretches[start : start + many]
        raw = count_moments(
            parts.belief,
            np.tile(parts.group[index], len(some)),
            np.tile(age, len(some)),
            np.concatenate([stretch[index] for stretch in some]),
        )
        for j in range(len(some)):
            rows = slice(j * index.size, (j + 1) * index.size)
            found.append(_joined(raw, rows, index, share, parts))
    return found


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
    cost = spread(parts, priced)
    counts = [taken(c, priced) for c in found.counts]
    if priced.size <= _MOST_ON_GRID and np.unique(parts.car[priced]).size == 1:
        total = grid_total(counts, cost, usage_weight=found.weight, cells=cells)
        low, high = total.band(level)
        return Band(total.expected, low, high)
    summed = totals(
        counts, cost, usage_weight=found.weight, vehicle=parts.car[priced], levels=(level,)
    )
    expected, sd = float(summed.expected[0]), float(summed.sd[0])
    # The shapes are shared by all vehicles, so what is not known of them does not average out.
    wider = float(np.hypot(1.0, _shape_sd(parts, found, priced, cost) / sd)) if sd > 0.0 else 1.0
    low, high = (expected + (float(end[0]) - expected) * wider for end in summed.bands[level])
    return Band(expected, max(low, 0.0), high)


def chance_below(parts: PartsAhead, found: Counted, rows: Ints, amount: float) -> float | None:
    """Return the chance that these parts of one vehicle cost less, None when none has a price."""
    priced = _priced(parts, rows)
    if priced.size == 0:
        return None
    if amount <= 0:
        return 0.0
    counts = [taken(c, priced) for c in found.counts]
    total = grid_total(counts, spread(parts, priced), usage_weight=found.weight)
    return 1.0 - total.chance_above(amount)


def _priced(parts: PartsAhead, rows: Ints) -> Ints:
    return np.array([i for i in rows if parts.price[i] is not None], dtype=np.int64)


def _shape_sd(parts: PartsAhead, found: Counted, rows: Ints, cost: CostSpread) -> float:
    """Return the standard deviation that unknown shapes add to a total, in money."""
    if parts.shape_effect is None:
        return 0.0
    shift = cost.mean() * found.number[rows] * parts.shape_effect[rows]
    code = np.unique([parts.component[i] for i in rows], return_inverse=True)[1]
    return float(np.sqrt(np.sum(np.bincount(code, shift) ** 2)))


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


def taken(counts: CountMoments, rows: Ints) -> CountMoments:
    """Return the moments of these parts only."""
    return replace(
        counts,
        group=counts.group[rows],
        chance=counts.chance[rows],
        number=counts.number[rows],
        pairs=counts.pairs[rows],
    )


def _expanded(parts: PartsAhead) -> tuple[Ints, Floats]:
    """Return part index and age, one row for a known age and AGES for an unknown one."""
    repeats = np.where(parts.known, 1, AGES)
    index = np.repeat(np.arange(parts.size), repeats)
    first = np.cumsum(repeats) - repeats
    column = np.arange(index.size) - first[index]
    return index, parts.age[index, column] if parts.size else np.zeros(0)


def _joined(
    raw: CountMoments, rows: slice, index: Ints, share: Floats, parts: PartsAhead
) -> CountMoments:
    """Average the moments over the ages that one part may have."""
    starts = np.flatnonzero(np.diff(index, prepend=-1))

    def averaged(values: Floats) -> Floats:
        if not index.size:
            return values[rows]
        return np.add.reduceat(values[rows] * share[:, None], starts, axis=0)

    return replace(
        raw,
        group=parts.group,
        chance=averaged(raw.chance),
        number=averaged(raw.number),
        pairs=averaged(raw.pairs),
    )


def _with_measured(counts: CountMoments, measured: dict[int, Floats], node: int) -> CountMoments:
    """Put the chances of measured wear in the place of those by the life table.

    The measured part is replaced by its wear; what its successors do is left to the life table,
    in proportion to the chance that there is a successor.
    """
    if not measured:
        return counts
    chance, number, pairs = counts.chance.copy(), counts.number.copy(), counts.pairs.copy()
    for part, by_node in measured.items():
        share = by_node[node] / np.maximum(counts.chance[part], 1e-9)
        chance[part] = by_node[node]
        number[part] *= share
        # Successors of a part that the life table hardly saw fail are too few to matter.
        number[part] = np.clip(number[part], chance[part], None)
        pairs[part] *= np.minimum(share, 1.0)
    return replace(counts, chance=chance, number=number, pairs=pairs)


def _at_rate(
    parts: PartsAhead,
    index: Ints,
    age: Floats,
    share: Floats,
    ahead: Floats,
    weight: Floats,
    q: float,
) -> Floats:
    """Return the chance of failing if the rate stood at its quantile `q`."""
    group = parts.group[index]
    rate = (gammaincinv(parts.belief.a, q) / parts.belief.b)[group]
    shape = parts.belief.shape[group]
    out = np.zeros(parts.size)
    for u in range(weight.size):
        grown = (age + ahead[u][index]) ** shape - age**shape
        np.add.at(out, index, weight[u] * share * -np.expm1(-rate * grown))
    return out
