"""Chances and counts of what fails ahead, from `parts_ahead` and the renewal mathematics."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

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
class Counted:
    """What a total is made of.

    Attributes:
        number: expected failures of each part, the replacement's own included.
        counts: moments at each distance ahead.
        weight: of each distance ahead.
    """

    number: Floats
    counts: tuple[CountMoments, ...]
    weight: Floats


@dataclass(frozen=True, eq=False)
class Projection(Counted):
    """What lies ahead of each part.

    Attributes:
        chance: of at least one failure, shape (parts,).
        low, high: limits of that chance as the rate is uncertain.
    """

    chance: Floats
    low: Floats
    high: Floats


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
    """
    ahead, weight = parts.ahead(months, distance, unit)
    watched = ahead if share is None else ahead * share
    return _projected(parts, [watched], weight, [measured or {}])[0]


def project_months(
    parts: PartsAhead, months: Sequence[float], *, measured: Sequence[dict[int, Floats]] = ()
) -> dict[float, Projection]:
    """Project every part to several horizons at once, which is quicker than one by one.

    Args:
        parts: what is fitted.
        months: how far ahead.
        measured: as for `project`, one for each horizon, or none.
    """
    ahead = [parts.ahead(m, None, "km") for m in months]
    worn = list(measured) or [{}] * len(ahead)
    found = _projected(parts, [far for far, _weight in ahead], ahead[0][1], worn)
    return dict(zip(months, found, strict=True))


def _projected(
    parts: PartsAhead, ahead: list[Floats], weight: Floats, measured: list[dict[int, Floats]]
) -> list[Projection]:
    aged = _Aged.of(parts)
    counts = iter(aged.counts([stretch for far in ahead for stretch in far]))
    found = []
    for far, worn in zip(ahead, measured, strict=True):
        own = tuple(_with_measured(next(counts), worn, node) for node in range(weight.size))
        chance = np.asarray(sum(w * c.at_least_one() for w, c in zip(weight, own, strict=True)))
        number = np.asarray(sum(w * c.mean() for w, c in zip(weight, own, strict=True)))
        ends = (aged.at_rate(far, weight, q) for q in ((1.0 - LEVEL) / 2.0, (1.0 + LEVEL) / 2.0))
        low, high = np.minimum(next(ends), chance), np.maximum(next(ends), chance)
        for i in worn:
            low[i] = high[i] = chance[i]
        found.append(Projection(number, own, weight, chance, low, high))
    return found


@dataclass(frozen=True, eq=False)
class _Aged:
    """Parts with one row for a known age and AGES for an unknown one.

    Attributes:
        index: part of each row.
        age: of each row.
        share: chance of that age.
    """

    parts: PartsAhead
    index: Ints
    age: Floats
    share: Floats

    @classmethod
    def of(cls, parts: PartsAhead) -> "_Aged":
        """Lay out the ages that each part may have."""
        repeats = np.where(parts.known, 1, AGES)
        index = np.repeat(np.arange(parts.size), repeats)
        first = np.cumsum(repeats) - repeats
        column = np.arange(index.size) - first[index]
        age = parts.age[index, column] if parts.size else np.zeros(0)
        return cls(parts, index, age, np.where(parts.known, 1.0, 1.0 / AGES)[index])

    def counts(self, stretches: list[Floats]) -> list[CountMoments]:
        """Return the moments of every part at each stretch, many stretches at a time.

        Each group of parts is looked up in a table of its own; asking once for all stretches
        makes the table once.
        """
        found: list[CountMoments] = []
        many = max(1, _MOST_ROWS // max(self.index.size, 1))
        for start in range(0, len(stretches), many):
            some = stretches[start : start + many]
            raw = count_moments(
                self.parts.belief,
                np.tile(self.parts.group[self.index], len(some)),
                np.tile(self.age, len(some)),
                np.concatenate([stretch[self.index] for stretch in some]),
            )
            size = self.index.size
            found += [self._joined(raw, slice(j * size, (j + 1) * size)) for j in range(len(some))]
        return found

    def _joined(self, raw: CountMoments, rows: slice) -> CountMoments:
        """Average the moments over the ages that one part may have."""
        starts = np.flatnonzero(np.diff(self.index, prepend=-1))

        def averaged(values: Floats) -> Floats:
            if not self.index.size:
                return values[rows]
            return np.add.reduceat(values[rows] * self.share[:, None], starts, axis=0)

        return replace(
            raw,
            group=self.parts.group,
            chance=averaged(raw.chance),
            number=averaged(raw.number),
            pairs=averaged(raw.pairs),
        )

    def at_rate(self, ahead: Floats, weight: Floats, q: float) -> Floats:
        """Return the chance of failing if the rate stood at its quantile `q`."""
        belief, group = self.parts.belief, self.parts.group[self.index]
        rate = (gammaincinv(belief.a, q) / belief.b)[group]
        shape = belief.shape[group]
        out = np.zeros(self.parts.size)
        for w, far in zip(weight, ahead, strict=True):
            grown = (self.age + far[self.index]) ** shape - self.age**shape
            np.add.at(out, self.index, w * self.share * -np.expm1(-rate * grown))
        return out


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
