"""Chances and counts of what fails ahead, from `parts_ahead` and the renewal mathematics."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import gammaincinv

from roadworn_plugins.lifedata import summed
from roadworn_plugins.projection.belief import AGES
from roadworn_plugins.projection.life_law import SHAPES, LifeLaw
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
        measured: for parts with a wear line of their own: part -> chance of reaching the limit
            at each distance ahead; better than the lives of others.
        share: of the way ahead that each part is watched for, all of it by default.
    """
    ahead, weight = parts.ahead(months, distance, unit)
    watched = ahead if share is None else ahead * share
    return _projected(parts, [months], [watched], weight, [measured or {}])[0]


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
    found = _projected(parts, months, [far for far, _weight in ahead], ahead[0][1], worn)
    return dict(zip(months, found, strict=True))


def _projected(
    parts: PartsAhead,
    months: Sequence[float],
    ahead: list[Floats],
    weight: Floats,
    measured: list[dict[int, Floats]],
) -> list[Projection]:
    aged = Aged.of(parts)
    moments, early_numbers = aged.counts(months, ahead)
    counts, soon = iter(moments), iter(early_numbers)
    found = []
    for by, far, worn in zip(months, ahead, measured, strict=True):
        own = tuple(_with_measured(next(counts), worn, node) for node in range(weight.size))
        chance = np.asarray(sum(w * c.at_least_one() for w, c in zip(weight, own, strict=True)))
        number = np.asarray(sum(w * c.mean() for w, c in zip(weight, own, strict=True)))
        ends = aged.limits(by, far, weight)
        low, high = np.minimum(ends[0], chance), np.maximum(ends[1], chance)
        for i in worn:
            low[i] = high[i] = chance[i]
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
        by_group: rows of each group.
    """

    parts: PartsAhead
    index: Ints
    age: Floats
    share: Floats
    by_group: list[tuple[int, Ints]]

    @classmethod
    def of(cls, parts: PartsAhead) -> "Aged":
        """Lay out the ages that each part may have."""
        repeats = np.where(parts.known, 1, AGES)
        index = np.repeat(np.arange(parts.size), repeats)
        first = np.cumsum(repeats) - repeats
        column = np.arange(index.size) - first[index]
        age = parts.age[index, column] if parts.size else np.zeros(0)
        share = np.where(parts.known, 1.0, 1.0 / AGES)[index]
        code = parts.group[index]
        order = np.argsort(code, kind="stable")
        split = np.split(order, np.flatnonzero(np.diff(code[order])) + 1)
        groups = [(int(code[rows[0]]), rows) for rows in split if rows.size]
        return cls(parts, index, age, share, groups)

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
        chance, number, pairs = counts.chance.copy(), counts.number.copy(), counts.pairs.copy()
        early = np.zeros(self.index.size)
        plain = np.einsum("pn,pn->p", counts.weight[counts.group], chance)
        for rows, law, place, planned in self._laws():
            age, ahead = self.age[rows], far[self.index[rows]]
            m = hazard[self.index[rows]]
            survive, _mean, _square = _over_shapes(law, place, age, ahead, m)
            fails, fresh = 1.0 - survive, np.zeros(rows.size)
            if planned is not None:
                fails, fresh = _before_planned(fails, planned, place, age, ahead)
                new = _over_shapes(law, place, np.zeros(rows.size), ahead / 2.0, m)[1]
                fresh = fresh * np.minimum(new, 1.0)
            ratio = (fails / np.maximum(plain[rows], 1e-12))[:, None]
            ratio = np.where(plain[rows, None] > 1e-12, ratio, 1.0)
            c = np.clip(chance[rows] * ratio, 0.0, 1.0)
            n = np.maximum(number[rows] * ratio, c)
            p = pairs[rows] * ratio
            soon = (law.early.chance(age, ahead) + fresh)[:, None]
            later = law.early.after(ahead)[:, None]
            more = later / (1.0 - later)
            chance[rows] = 1.0 - (1.0 - c) * (1.0 - soon)
            number[rows] = n * (1.0 + more) + soon * (1.0 + more)
            pairs[rows] = p * (1.0 + more) ** 2 + 2.0 * n * (more + soon)
            mean = np.einsum("r,pr->p", counts.weight[counts.group[rows[0]]], n)
            early[rows] = (soon * (1.0 + more))[:, 0] - fresh + mean * more[:, 0]
        return replace(counts, chance=chance, number=number, pairs=pairs), early

    def _laws(self) -> Iterator[tuple[Ints, LifeLaw, int | None, LifeLaw | None]]:
        """Yield the rows of each group with the laws of its component and its class."""
        parts = self.parts
        for _group, rows in self.by_group:
            first = int(self.index[rows[0]])
            model = parts.models[parts.component[first]].model
            place = model.place(parts.vehicle_class[first])
            yield rows, model.law, place, model.planned

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
        parts = self.parts
        out = np.zeros((2, parts.size))
        far, effect = weight @ ahead, parts.effect * parts.seasonal(months)
        for rows, law, place, _planned in self._laws():
            index = self.index[rows]
            age, share = self.age[rows], self.share[rows]
            _survive, mean, square = _over_shapes(law, place, age, far[index], effect[index])
            own = (1.0 + parts.vehicle_variance[index]) * (1.0 + parts.place_variance[index])
            soon, unsure = law.early.hazard_ahead(age, far[index])
            both = np.maximum(mean + soon, 1e-300)
            variance = (square * own - mean**2 + soon**2 * unsure) / both**2
            variance = np.maximum(variance, 1e-9)
            for end, q in enumerate(((1.0 - LEVEL) / 2.0, (1.0 + LEVEL) / 2.0)):
                hazard = both * gammaincinv(1.0 / variance, q) * variance
                np.add.at(out[end], index, share * -np.expm1(-hazard))
        return out

    def pace(self, ahead: Floats) -> Floats:
        """Return by how many per cent each part's hazard ahead changes with the distance by one."""
        parts = self.parts
        out = np.zeros(parts.size)
        for rows, law, _place, _planned in self._laws():
            if parts.clock[int(self.index[rows[0]])] == "distance":
                k, age, far = law.wear.shape, self.age[rows], ahead[self.index[rows]]
                then = age + far
                gone = np.maximum(then**k - age**k, 1e-300)
                slope = np.where(far > 0.0, k * far * then ** (k - 1.0) / gone, 1.0)
                np.add.at(out, self.index[rows], self.share[rows] * slope)
        return out

    def shape_shift(self, ahead: Floats) -> tuple[Floats, Floats]:
        """Return how the hazard ahead goes with the shape: relative to its mean, and weights.

        Shape (shapes, parts) and (shapes, parts).
        """
        parts = self.parts
        shift, weight = (np.zeros((SHAPES, parts.size)) for _ in range(2))
        for rows, law, place, _planned in self._laws():
            wear = law.wear
            a, b = wear.of(place)
            k = wear.shapes[:, None]
            age, index = self.age[rows], self.index[rows]
            gone = (a / b)[:, None] * ((age + ahead[index]) ** k - age**k)
            mean = np.maximum(wear.weight @ gone, 1e-300)
            for j in range(wear.shapes.size):
                np.add.at(shift[j], index, self.share[rows] * (gone[j] / mean - 1.0))
                weight[j, index] = wear.weight[j]
        return shift, weight


def _before_planned(
    fails: Floats, planned: LifeLaw, place: int | None, age: Floats, ahead: Floats
) -> tuple[Floats, Floats]:
    """Return the chance to fail before the planned change, and that of the change before.

    Two causes compete; over one stretch their hazards are taken as of one form, so that each has
    its share of what happens.

    Args:
        fails: chance to fail if nothing were planned.
        planned: law of the planned changes.
        place: of the class in it, None for one never seen.
        age: of each part.
        ahead: of each part.
    """
    own = -np.log1p(-np.minimum(fails, 1.0 - 1e-12))
    other = _over_shapes(planned, place, age, ahead, np.ones(age.size))[1]
    both = np.maximum(own + other, 1e-300)
    ended = -np.expm1(-both)
    return ended * own / both, ended * other / both


def _over_shapes(
    law: LifeLaw, place: int | None, age: Floats, ahead: Floats, effect: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return the chance to outlast what lies ahead, and mean and mean square of its hazard.

    Averaged over shape and rate; of wear alone.
    """
    wear = law.wear
    a, b = (one[:, None] for one in wear.of(place))
    k = wear.shapes[:, None]
    gone = effect * ((age + ahead) ** k - age**k) / b
    survive = wear.weight @ np.exp(-a * np.log1p(gone))
    mean = wear.weight @ (a * gone)
    square = wear.weight @ (a * (a + 1.0) * gone**2)
    return survive, mean, square


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


def taken(counts: CountMoments, rows: Ints) -> CountMoments:
    """Return the moments of these parts only."""
    return replace(
        counts,
        group=counts.group[rows],
        chance=counts.chance[rows],
        number=counts.number[rows],
        pairs=counts.pairs[rows],
    )
