"""What is compared with what, and observed against expected failures.

A place, a component on a class, a supplier, a supplier's part: for each thing tested the expected
number of failures is its own exposure times the rate of comparable others, its own failures and
exposure left out. That rate is itself uncertain: its Gamma posterior makes the
count negative binomial, so a small fleet does not raise alarms that its size cannot bear.
"""

from dataclasses import dataclass, replace
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

from roadworn_plugins.lifedata import summed
from roadworn_plugins.lifedata.counts import poisson_limits
from roadworn_plugins.shared.grouped import NOT_RECORDED, Bools, Floats, GroupedLives, Ints, coded
from roadworn_plugins.shared.life_model import ComponentModel


@dataclass(frozen=True, eq=False)
class Excess:
    """One entry for each group tested.

    Attributes:
        group: index into the labels of the lives tested.
        observed, expected: failures.
        lower, upper: exact Poisson limits of observed over expected.
        p: chance of at least as many failures if the group were like the others.
        others: failures that the expectation rests on.
        share: its share of the exposure of its stratum; nan when it lies in several.
    """

    group: Ints
    observed: Floats
    expected: Floats
    lower: Floats
    upper: Floats
    p: Floats
    others: Floats
    share: Floats

    def where(self, rows: Bools | Ints) -> "Excess":
        """Return the chosen entries."""
        return Excess(**{name: getattr(self, name)[rows] for name in self.__dataclass_fields__})


@dataclass(frozen=True, eq=False)
class _Tallies:
    """Failures and exposure by group and stratum, one entry for each pair that occurs."""

    group: Ints
    stratum: Ints
    failures: Floats
    exposure: Floats


def exposures(grouped: GroupedLives, models: dict[str, ComponentModel]) -> Floats:
    """Return exit^shape - entry^shape of each life, nan where its component has no model.

    `grouped.by` must begin with the component.
    """
    shapes = np.array(
        [models[label[0]].shape if label[0] in models else np.nan for label in grouped.labels]
    )
    shape = shapes[grouped.group] if shapes.size else np.zeros(0)
    return np.asarray(grouped.exit_age**shape - grouped.entry**shape)


def against_others(
    grouped: GroupedLives,
    group: Ints,
    stratum: Ints,
    exposure: Floats,
    *,
    level: float = 0.95,
) -> Excess:
    """Compare each group with the rest of the strata it is part of.

    Args:
        grouped: the lives.
        group: what is tested, of each life, dense from 0.
        stratum: with whom it is compared, of each life, dense from 0.
        exposure: of each life (see `exposures`); lives with nan are left out.
        level: of the limits of the ratio.

    Returns:
        The groups that have somebody to be compared with.
    """
    known = np.isfinite(exposure)
    tallies = _tally(group[known], stratum[known], grouped.failed[known], exposure[known])
    n_strata = int(tallies.stratum.max()) + 1 if tallies.stratum.size else 0
    total_failures = summed(tallies.stratum, tallies.failures, n_strata)
    total_exposure = summed(tallies.stratum, tallies.exposure, n_strata)
    rest_failures = total_failures[tallies.stratum] - tallies.failures
    rest_exposure = total_exposure[tallies.stratum] - tallies.exposure
    # A stratum that is all one group's says nothing about others.
    some = rest_exposure > 1e-9 * total_exposure[tallies.stratum]
    cells = tallies.group[some]
    n = int(group.max()) + 1 if group.size else 0
    # Jeffreys: half a failure on top, so that "the others had none" is not "they never fail".
    rate = (rest_failures[some] + 0.5) / rest_exposure[some]
    own = tallies.exposure[some]
    mean = summed(cells, own * rate, n)
    variance = summed(cells, own**2 * rate / rest_exposure[some], n)
    observed = summed(cells, tallies.failures[some], n)
    others = summed(cells, rest_failures[some], n)
    strata = np.bincount(cells, minlength=n)
    part = summed(cells, own / (own + rest_exposure[some]), n)
    tested = np.flatnonzero(mean > 0)
    mean, variance, observed = mean[tested], variance[tested], observed[tested]
    # The sum over strata is matched by one Gamma of the same mean and variance.
    a, b = mean**2 / variance, mean / variance
    tail = betainc(np.maximum(observed, 1.0), a, 1.0 / (b + 1.0))
    low, high = poisson_limits(observed, level)
    return Excess(
        group=tested,
        observed=observed,
        expected=mean,
        lower=low / mean,
        upper=high / mean,
        p=np.where(observed > 0, tail, 1.0),
        others=others[tested],
        share=np.where(strata[tested] == 1, part[tested], np.nan),
    )


def _tally(group: Ints, stratum: Ints, failed: Bools, exposure: Floats) -> _Tallies:
    """Add failures and exposure up by the pairs of group and stratum that occur."""
    if group.size == 0:
        none = np.zeros(0)
        return _Tallies(none.astype(np.int64), none.astype(np.int64), none, none)
    width = int(stratum.max()) + 1
    pairs, cell = np.unique(group * width + stratum, return_inverse=True)
    return _Tallies(
        group=pairs // width,
        stratum=pairs % width,
        failures=summed(cell, failed.astype(np.float64), pairs.size),
        exposure=summed(cell, exposure, pairs.size),
    )


# Chances beyond this are never listed, so what is reachable there need not be laid out.
_LARGEST = 0.2
_MOST_STEPS = 400


@dataclass(frozen=True, eq=False)
class Reach:
    """What chances the comparisons of one level can show, as steps of their number expected.

    Attributes:
        at: chances at which a comparison can arrive, ascending.
        below: comparisons expected at or below each of them if all were alike.
        continuous: comparisons that can show any chance.
    """

    at: Floats
    below: Floats
    continuous: int

    def expected(self, p: Floats) -> Floats:
        """Return how many comparisons would show a chance of p or less if all were alike."""
        place = np.searchsorted(self.at, p * (1.0 + 1e-12), side="right")
        return np.asarray(np.concatenate(([0.0], self.below))[place] + self.continuous * p)


def reach_of(total: Floats, share: Floats) -> Reach:
    """Lay out what comparisons within one stratum each can show.

    Given `total` failures in the stratum, those of a group that is like the others are
    binomial with its share of the exposure.

    Args:
        total: failures in the stratum of each comparison, its own included.
        share: its share of the exposure there, between 0 and 1.
    """
    at, gain = [], []
    some = np.flatnonzero((total >= 1) & (share > 0.0) & (share < 1.0))
    n, s = total[some], share[some]
    # Chance of exactly `count` failures, carried on from one count to the next.
    exactly = n * s * np.exp((n - 1.0) * np.log1p(-s))
    count = 1.0
    while n.size and count <= _MOST_STEPS:
        shown = chance_of_so_many(np.full(n.size, count), n - count, s)
        near = shown <= _LARGEST
        at.append(shown[near])
        gain.append(exactly[near])
        # Once the next step is out of reach of any threshold its whole tail hardly counts.
        keep = (n > count) & ((exactly > 1e-13) | (count < n * s))
        n, s, exactly = n[keep], s[keep], exactly[keep]
        exactly = exactly * (n - count) / (count + 1.0) * s / (1.0 - s)
        count += 1.0
    if not at:
        return Reach(np.zeros(0), np.zeros(0), 0)
    chances, gains = np.concatenate(at), np.concatenate(gain)
    order = np.argsort(chances, kind="stable")
    return Reach(chances[order], np.cumsum(gains[order]), 0)


def chance_of_so_many(count: Floats, others: Floats, share: Floats) -> Floats:
    """Return the chance of `count` failures or more, given those of the others.

    The rate of the others is Gamma(others + 1/2) in their exposure, so the count is negative
    binomial. In terms of the total it lies between the exact binomial tail and the one that
    counts the observed number half.
    """
    tail = np.empty(np.shape(share))
    single = count <= 1.0
    # The commonest case by far has a closed form.
    tail[single] = -np.expm1((others[single] + 0.5) * np.log1p(-share[single]))
    more = ~single
    tail[more] = betainc(count[more], others[more] + 0.5, share[more])
    return tail


def adjusted(chances: list[Floats], reaches: list[Reach]) -> list[Floats]:
    """Adjust the chances of all levels together, so that a threshold q keeps that rate.

    Args:
        chances: one array a level.
        reaches: what each level can show.

    Returns:
        Adjusted chances, one array a level, in the order given.
    """
    p = np.concatenate(chances)
    if p.size == 0:
        return [np.zeros(0) for _ in chances]
    expected = np.zeros(p.size)
    for reach in reaches:
        expected += reach.expected(p)
    # Where the steps are not laid out each comparison is charged as if any chance were open.
    expected = np.where(p <= _LARGEST, expected, p.size * p)
    order = np.argsort(p, kind="stable")[::-1]
    rank = np.arange(p.size, 0, -1)
    stepped = expected[order] / rank
    out = np.empty(p.size)
    out[order] = np.minimum(np.minimum.accumulate(stepped), 1.0)
    return np.split(out, np.cumsum([part.size for part in chances])[:-1])


Label = tuple[str, ...]

#: Groupings that lives must be loaded by for `levels_of`.
BY = ("component", "class", "vehicle", "position", "supplier", "part-number")
#: Name of each level as a reader sees it.
SHOWN = {
    "place": "one place",
    "class": "a class",
    "supplier": "a supplier",
    "part": "a supplier's part",
}


@dataclass(frozen=True, eq=False)
class Level:
    """One kind of thing tested, with its comparison.

    Attributes:
        name: key of `SHOWN`.
        labels: what each group number stands for: component first.
        of_life: group number of each life.
        excess: the groups that have somebody to be compared with.
        adjusted: chance adjusted for all that was tested, one for each of them.
    """

    name: str
    labels: list[Label]
    of_life: Ints
    excess: Excess
    adjusted: Floats

    def index(self, label: Label) -> int | None:
        """Return where in the comparison a label stands, or None when it was not compared."""
        if label not in self.labels:
            return None
        found = np.flatnonzero(self.excess.group == self.labels.index(label))
        return int(found[0]) if found.size else None


def levels_of(lives: GroupedLives, models: dict[str, ComponentModel]) -> list[Level]:
    """Compare at every level, and adjust the chances over all of them together.

    Args:
        lives: grouped by `BY`.
        models: of the components, for the shape of their clock.
    """
    exposure = exposures(lives, models)
    group = lives.group
    by_component, _ = coded(lives.labels, 0)
    by_class, class_labels = coded(lives.labels, 0, 1)
    by_place, place_labels = coded(lives.labels, 0, 1, 2, 3)
    found = [
        Level(
            "place",
            place_labels,
            by_place[group],
            _places(lives, by_place, by_class, by_component, exposure),
            np.zeros(0),
        ),
        _level("class", class_labels, by_class[group], by_component[group], lives, exposure),
    ]
    numbers: dict[Label, set[str]] = {}
    for component, supplier, number in set(map(itemgetter(0, 4, 5), lives.labels)):
        numbers.setdefault((component, supplier), set()).add(number)
    for name, places in (("supplier", (0, 4)), ("part", (0, 4, 5))):
        by_origin, labels = coded(lives.labels, *places)
        level = _level(name, labels, by_origin[group], by_class[group], lives, exposure)
        # Parts of unknown origin are not tested, but they are among the others.
        named = np.array([_named(name, label, numbers) for label in labels], dtype=bool)
        found.append(replace(level, excess=level.excess.where(named[level.excess.group])))
    share = adjusted([level.excess.p for level in found], [_reach(level.excess) for level in found])
    return [replace(level, adjusted=q) for level, q in zip(found, share, strict=True)]


def _level(
    name: str,
    labels: list[Label],
    of_life: Ints,
    stratum: Ints,
    lives: GroupedLives,
    exposure: Floats,
) -> Level:
    excess = against_others(lives, of_life, stratum, exposure)
    return Level(name, labels, of_life, excess, np.ones(excess.p.size))


def _places(
    lives: GroupedLives, by_place: Ints, by_class: Ints, by_component: Ints, exposure: Floats
) -> Excess:
    """Compare places within their class, and those alone in it with all classes."""
    by_vehicle, _ = coded(lives.labels, 0, 1, 2)
    n_classes = int(by_class.max()) + 1 if by_class.size else 0
    # One entry for each vehicle of a class, whatever places it has.
    _vehicle, first = np.unique(by_vehicle, return_index=True)
    single = np.bincount(by_class[first], minlength=n_classes) == 1
    alone = np.zeros(int(by_place.max()) + 1 if by_place.size else 0, dtype=bool)
    alone[by_place] = single[by_class]
    group = lives.group
    parts = []
    for strata, lonely in ((by_class, False), (by_component, True)):
        found = against_others(lives, by_place[group], strata[group], exposure)
        parts.append(found.where(alone[found.group] == lonely))
    return Excess(
        **{
            name: np.concatenate([getattr(part, name) for part in parts])
            for name in Excess.__dataclass_fields__
        }
    )


def _named(name: str, label: Label, numbers: dict[Label, set[str]]) -> bool:
    """Tell whether an origin is worth a test of its own."""
    if name == "part":
        return label[1:] != (NOT_RECORDED, NOT_RECORDED)
    # A supplier of one part number is that part; testing both would count it twice.
    return label[1] != NOT_RECORDED and len(numbers[label]) > 1


def _reach(excess: Excess) -> Reach:
    single = np.isfinite(excess.share)
    reach = reach_of(excess.observed[single] + excess.others[single], excess.share[single])
    return replace(reach, continuous=int(np.count_nonzero(~single)))


def rows_of(level: Level, i: int) -> NDArray[np.bool_]:
    """Return which lives belong to entry `i` of the comparison."""
    return np.asarray(level.of_life == level.excess.group[i])
