"""Chances and counts of what fails ahead, from `parts_ahead` and the renewal mathematics."""

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

from roadworn.analysis.life_law import (
    SHAPES,
    LifeLaw,
    early_after,
    early_chance,
    early_unsure,
)
from roadworn_plugins.lifedata import summed
from roadworn_plugins.lifedata.special import gammaincinv
from roadworn_plugins.projection.belief import AGES
from roadworn_plugins.projection.renewal import CountMoments, count_moments
from roadworn_plugins.shared.grouped import Floats, Ints, Unit
from roadworn_plugins.shared.parts_ahead import PartsAhead

LEVEL = 0.8
# Rows that are held in memory at once, some 170 bytes each.
_MOST_ROWS = 250_000


@dataclass(frozen=True, eq=False)
class Counted:
    """What a total is made of.

    Attributes:
        number: expected failures of each part, the replacement's own included.
        counts: moments at each distance ahead.
        weight: of each distance ahead.
        price: of each part, the usual price of its failures as a share of that of its kind; less
            than 1 where early failures are often free. None for 1.
        pace: of each part, by how many per cent its failures change with the distance by one.
        staying: share of the time ahead that a vehicle is here, on average.
    """

    number: Floats
    counts: tuple[CountMoments, ...]
    weight: Floats
    price: Floats | None = None
    pace: Floats | None = None
    staying: float = 1.0


@dataclass(frozen=True, eq=False)
class Projection(Counted):
    """What lies ahead of each part.

    Attributes:
        chance: of at least one failure, shape (parts,).
        low, high: limits of that chance as the rate is uncertain.
    """

    chance: Floats = field(default_factory=lambda: np.zeros(0))
    low: Floats = field(default_factory=lambda: np.zeros(0))
    high: Floats = field(default_factory=lambda: np.zeros(0))


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
        measured: part -> chance by a wear line of its own at each distance ahead and its limits,
            shape (3, distances); better than the lives of others.
        share: of the way ahead that each part is watched for, all of it by default.
    """
    ahead, weight = parts.ahead(months, distance, unit)
    watched = ahead if share is None else ahead * share
    time = parts.months(months, distance, unit) * (1.0 if share is None else share)
    return _projected(parts, [months], [watched], weight, [measured or {}], [time])[0]


def project_months(
    parts: PartsAhead, months: Sequence[float], *, measured: Sequence[dict[int, Floats]] = ()
) -> dict[float, Projection]:
    """Project every part to several horizons at once, quicker than one by one; see `project`."""
    ahead = [parts.ahead(m, None, "km") for m in months]
    worn = list(measured) or [{}] * len(ahead)
    time = [parts.months(m, None, "km") for m in months]
    found = _projected(parts, months, [far for far, _weight in ahead], ahead[0][1], worn, time)
    return dict(zip(months, found, strict=True))


def _projected(
    parts: PartsAhead,
    months: Sequence[float],
    ahead: list[Floats],
    weight: Floats,
    measured: list[dict[int, Floats]],
    time: list[Floats],
) -> list[Projection]:
    aged = Aged.of(parts)
    moments, early_numbers = aged.counts(months, ahead)
    counts, soon = iter(moments), iter(early_numbers)
    found = []
    for by, far, worn, span in zip(months, ahead, measured, time, strict=True):
        known = None if parts.facts is None else parts.facts.within(span)
        lives = (next(counts) for _ in range(weight.size))
        told = lives if known is None else map(known.of, lives)
        own = tuple(_with_measured(one, worn, node) for node, one in enumerate(told))
        chance = np.asarray(sum(w * c.at_least_one() for w, c in zip(weight, own, strict=True)))
        number = np.asarray(sum(w * c.mean() for w, c in zip(weight, own, strict=True)))
        by_lives = aged.limits(by, far, weight)
        ends = by_lives if known is None else known.limits(by_lives)
        low, high = np.minimum(ends[0], chance), np.maximum(ends[1], chance)
        for i, by_node in worn.items():
            slow, fast = by_node[1:] @ weight
            low[i], high[i] = min(slow, chance[i]), max(fast, chance[i])
        early = np.asarray(sum(w * next(soon) for w in weight))
        price = 1.0 - (1.0 - parts.early_price) * np.minimum(early / np.maximum(number, 1e-12), 1.0)
        found.append(
            Projection(
                number=number,
                counts=own,
                weight=weight,
                price=price,
                pace=aged.pace(weight @ far),
                staying=_staying(parts.leaving * by / 12.0),
                chance=chance,
                low=low,
                high=high,
            )
        )
    return found


def _staying(leaving: float) -> float:
    """Return the mean share of the time ahead that those who leave at an even rate are here."""
    return float(-np.expm1(-leaving) / leaving) if leaving > 1e-9 else 1.0


@dataclass(frozen=True, eq=False)
class Aged:
    """Parts with one row for a known age and AGES for an unknown one.

    Attributes:
        index: part of each row.
        age: of each row.
        share: chance of that age.
        laws: of wear and early failure, of each row.
        planned: rows whose part is changed by plan, and the laws of these changes.
    """

    parts: PartsAhead
    index: Ints
    age: Floats
    share: Floats
    laws: "_Laws"
    planned: "tuple[Ints, _Laws]"

    @classmethod
    def of(cls, parts: PartsAhead) -> "Aged":
        """Lay out the ages that each part may have."""
        repeats = np.where(parts.known, 1, AGES)
        index = np.repeat(np.arange(parts.size), repeats)
        first = np.cumsum(repeats) - repeats
        column = np.arange(index.size) - first[index]
        age = parts.age[index, column] if parts.size else np.zeros(0)
        share = np.where(parts.known, 1.0, 1.0 / AGES)[index]
        _codes, first, group = np.unique(parts.group, return_index=True, return_inverse=True)
        models = [parts.models[parts.component[i]].model for i in first]
        places = [m.place(parts.vehicle_class[i]) for i, m in zip(first, models, strict=True)]
        kind = group[index]
        laws = _Laws.of([m.law for m in models], places, kind, age)
        by_plan = [m.planned for m in models]
        some = np.flatnonzero(np.array([law is not None for law in by_plan], dtype=bool)[kind])
        changes = [law or m.law for law, m in zip(by_plan, models, strict=True)]
        planned = (some, _Laws.of(changes, places, kind[some], age[some]))
        return cls(parts, index, age, share, laws, planned)

    def counts(
        self, months: Sequence[float], ahead: list[Floats]
    ) -> tuple[list[CountMoments], list[Floats]]:
        """Return the moments of every part at each node of each horizon, many at a time.

        Beside them the expected number of early failures of each part, shape (parts,).

        Each group of parts is looked up in a table of its own; asking once for all stretches
        makes the table once. A multiplier m of the hazard is as if age and distance were
        m^(1/k) times as long.
        """
        found: list[CountMoments] = []
        early: list[Floats] = []
        belief, group = self.parts.belief, self.parts.group
        power = 1.0 / belief.shape[group]
        stretches = []
        for by, far in zip(months, ahead, strict=True):
            hazard = self.parts.multipliers(by)
            stretches += [(far[node], m, m**power) for node, m in enumerate(hazard)]
        many = max(1, _MOST_ROWS // max(self.index.size, 1))
        for start in range(0, len(stretches), many):
            some = stretches[start : start + many]
            raw = count_moments(
                belief,
                np.tile(group[self.index], len(some)),
                np.concatenate([self.age * faster[self.index] for _far, _m, faster in some]),
                np.concatenate([(far * faster)[self.index] for far, _m, faster in some]),
            )
            size = self.index.size
            for j, (far, m, _faster) in enumerate(some):
                rows = slice(j * size, (j + 1) * size)
                here = replace(
                    raw,
                    group=group[self.index],
                    chance=raw.chance[rows],
                    number=raw.number[rows],
                    pairs=raw.pairs[rows],
                )
                whole, soon = self._whole_law(here, far, m)
                found.append(self._joined(whole))
                early.append(summed(self.index, self.share * soon, self.parts.size))
        return found, early

    def _whole_law(
        self, counts: CountMoments, far: Floats, hazard: Floats
    ) -> tuple[CountMoments, Floats]:
        """Put what is not known of the shape, and early failures, to the moments of wear.

        The chance of the next failure is averaged over the shapes that the lives allow, and what
        follows it goes with it. An early failure brings a new part; each new part may fail early
        in its turn. What is changed as planned before it fails does not fail. Beside the moments
        the expected number of early failures of each row.
        """
        laws, weight = self.laws, counts.weight[counts.group]
        ahead, m = far[self.index], hazard[self.index]
        plain = np.einsum("pn,pn->p", weight, counts.chance)
        fails, fresh = 1.0 - laws.ahead(ahead, m)[0], np.zeros(ahead.size)
        rows, changes = self.planned
        if rows.size:
            some = ahead[rows]
            fails[rows], due = _before_planned(fails[rows], changes, some)
            new = laws.take(rows).as_new().ahead(some / 2.0, m[rows])[1]
            fresh[rows] = due * np.minimum(new, 1.0)
        seen = plain > 1e-12
        ratio = np.where(seen, fails / np.where(seen, plain, 1.0), 1.0)[:, None]
        c = np.clip(counts.chance * ratio, 0.0, 1.0)
        n = np.maximum(counts.number * ratio, c)
        soon = (early_chance(laws.early_share, laws.early_mean, self.age, ahead) + fresh)[:, None]
        later = early_after(laws.early_share, laws.early_mean, ahead)[:, None]
        more = later / (1.0 - later)
        mean = np.einsum("pn,pn->p", weight, n)
        early = (soon * (1.0 + more))[:, 0] - fresh + mean * more[:, 0]
        whole = replace(
            counts,
            chance=1.0 - (1.0 - c) * (1.0 - soon),
            number=n * (1.0 + more) + soon * (1.0 + more),
            pairs=counts.pairs * (ratio * (1.0 + more) ** 2) + 2.0 * n * (more + soon),
        )
        return whole, early

    def _joined(self, raw: CountMoments) -> CountMoments:
        """Average the moments over the ages that one part may have."""
        starts = np.flatnonzero(np.diff(self.index, prepend=-1))

        def averaged(values: Floats) -> Floats:
            if not self.index.size:
                return values
            return np.add.reduceat(values * self.share[:, None], starts, axis=0)

        return replace(
            raw,
            group=self.parts.group,
            chance=averaged(raw.chance),
            number=averaged(raw.number),
            pairs=averaged(raw.pairs),
        )

    def limits(self, months: float, ahead: Floats, weight: Floats) -> Floats:
        """Return limits of each part's chance as its hazard is uncertain, shape (2, parts).

        Rate, shape, the early law, and the effects of vehicle and place make the cumulative
        hazard of what lies ahead uncertain; a Gamma of its mean and variance stands for it.
        """
        parts, laws, index = self.parts, self.laws, self.index
        far, effect = (weight @ ahead)[index], parts.effect * parts.seasonal(months)
        _survive, mean, square = laws.ahead(far, effect[index])
        own = ((1.0 + parts.vehicle_variance) * (1.0 + parts.place_variance))[index]
        own = own * (1.0 + parts.level_variance)
        soon = early_chance(laws.early_share, laws.early_mean, self.age, far)
        soon = -np.log1p(-np.minimum(soon, 1.0 - 1e-9))
        unsure = early_unsure(laws.early_failures, laws.early_mean, self.age)
        both = np.maximum(mean + soon, 1e-300)
        variance = np.maximum((square * own - mean**2 + soon**2 * unsure) / both**2, 1e-9)
        ends = []
        for q in ((1.0 - LEVEL) / 2.0, (1.0 + LEVEL) / 2.0):
            hazard = both * gammaincinv(1.0 / variance, q) * variance
            ends.append(summed(index, self.share * -np.expm1(-hazard), parts.size))
        return np.stack(ends)

    def pace(self, ahead: Floats) -> Floats:
        """Return by how many per cent each part's hazard ahead changes with the distance by one."""
        parts, index = self.parts, self.index
        k = np.exp(np.sum(self.laws.weight * np.log(self.laws.shape), axis=0))
        far, then = ahead[index], self.age + ahead[index]
        gone = np.maximum(then**k - self.age**k, 1e-300)
        slope = np.where(far > 0.0, k * far * then ** (k - 1.0) / gone, 1.0)
        by_distance = np.array([clock == "distance" for clock in parts.clock], dtype=bool)
        return np.where(by_distance, summed(index, self.share * slope, parts.size), 0.0)

    def shape_shift(self, ahead: Floats) -> tuple[Floats, Floats]:
        """Return how the hazard ahead goes with the shape: relative to its mean, and weights.

        Shape (shapes, parts) and (shapes, parts).
        """
        size, laws, index = self.parts.size, self.laws, self.index
        gone = laws.a * laws.gone(ahead[index], 1.0)
        mean = np.maximum(np.sum(laws.weight * gone, axis=0), 1e-300)
        off = self.share * (gone / mean - 1.0)
        shift = np.stack([summed(index, row, size) for row in off])
        weight = np.zeros((laws.weight.shape[0], size))
        weight[:, index] = laws.weight
        return shift, weight


@dataclass(frozen=True, eq=False)
class _Laws:
    """The law of each row, gathered so that all rows are worked out at once.

    Attributes:
        shape: Weibull shapes of the row's law, shape (shapes, rows).
        weight: of each shape, shape (shapes, rows).
        a, b: Gamma shape and exposure of the rate of the row's class, shape (shapes, rows).
        before: age to the power of each shape, shape (shapes, rows).
        age: of each row.
        early_share, early_mean, early_failures: of the early law of each row.
    """

    shape: Floats
    weight: Floats
    a: Floats
    b: Floats
    before: Floats
    age: Floats
    early_share: Floats
    early_mean: Floats
    early_failures: Floats

    @classmethod
    def of(
        cls, laws: Sequence[LifeLaw], places: Sequence[int | None], kind: Ints, age: Floats
    ) -> "_Laws":
        """Gather the laws of rows; a law of fewer shapes is filled up with shapes of no weight.

        Args:
            laws: of each kind of part.
            places: of its class in the law, None for one never seen.
            kind: of each row.
            age: of each row.
        """
        nodes = max(SHAPES, *(law.wear.shapes.size for law in laws), 1)
        figures = np.ones((4, nodes, len(laws)))
        figures[1] = 0.0
        for i, (law, place) in enumerate(zip(laws, places, strict=True)):
            wear = law.wear
            figures[:, : wear.shapes.size, i] = (wear.shapes, wear.weight, *wear.of(place))
        shape, weight, a, b = figures[:, :, kind]
        early = np.array(
            [(law.early.share, law.early.mean, law.early.failures) for law in laws]
        ).reshape(-1, 3)
        return cls(shape, weight, a, b, _power(age, shape), age, *early[kind].T)

    def take(self, rows: Ints) -> "_Laws":
        """Return the laws of these rows only."""
        return _Laws(*(getattr(self, one.name)[..., rows] for one in fields(self)))

    def as_new(self) -> "_Laws":
        """Return the laws with every part new."""
        return replace(self, before=np.zeros_like(self.before), age=np.zeros_like(self.age))

    def gone(self, ahead: Floats, effect: Floats | float) -> Floats:
        """Return what lies ahead in exposures of the class, shape (shapes, rows)."""
        return np.asarray(effect * (_power(self.age + ahead, self.shape) - self.before) / self.b)

    def ahead(self, ahead: Floats, effect: Floats | float) -> tuple[Floats, Floats, Floats]:
        """Return the chance to outlast what lies ahead, and mean and mean square of its hazard.

        Averaged over shape and rate; of wear alone.
        """
        gone = self.gone(ahead, effect)
        survive = np.sum(self.weight * np.exp(-self.a * np.log1p(gone)), axis=0)
        own = self.weight * self.a * gone
        return survive, np.sum(own, axis=0), np.sum(own * (self.a + 1.0) * gone, axis=0)


def _power(age: Floats, shape: Floats) -> Floats:
    """Return age to the power of each shape, by a logarithm that all shapes share."""
    return np.asarray(np.exp(shape * np.log(np.maximum(age, 1e-300))))


def _before_planned(fails: Floats, planned: _Laws, ahead: Floats) -> tuple[Floats, Floats]:
    """Return the chance to fail before the planned change, and that of the change before.

    Two causes compete; over one stretch their hazards are taken as of one form.

    Args:
        fails: chance to fail if nothing were planned.
        planned: laws of the planned changes.
        ahead: of each part.
    """
    own = -np.log1p(-np.minimum(fails, 1.0 - 1e-12))
    other = planned.ahead(ahead, 1.0)[1]
    both = np.maximum(own + other, 1e-300)
    ended = -np.expm1(-both)
    return ended * own / both, ended * other / both


def _with_measured(counts: CountMoments, measured: dict[int, Floats], node: int) -> CountMoments:
    """Put the chances of measured wear in the place of those by the life table.

    The measured part is replaced by its wear; what its successors do is left to the life table,
    in proportion to the chance that there is a successor.
    """
    if not measured:
        return counts
    chance, number, pairs = counts.chance.copy(), counts.number.copy(), counts.pairs.copy()
    for part, by_node in measured.items():
        share = by_node[0, node] / np.maximum(counts.chance[part], 1e-9)
        chance[part] = by_node[0, node]
        number[part] *= share
        # Successors of a part that the life table hardly saw fail are too few to matter.
        number[part] = np.clip(number[part], chance[part], None)
        pairs[part] *= np.minimum(share, 1.0)
    return replace(counts, chance=chance, number=number, pairs=pairs)


def taken(counts: CountMoments, rows: Ints) -> CountMoments:
    """Return the moments of these parts only."""
    return replace(
        counts,
        group=counts.group[rows],
        chance=counts.chance[rows],
        number=counts.number[rows],
        pairs=counts.pairs[rows],
    )
