"""What is compared with what: a place, a component on a class, a supplier, a supplier's part."""

from dataclasses import dataclass, replace
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from roadworn_plugins.excess import Excess, against_others, coded, exposures
from roadworn_plugins.grouped import NOT_RECORDED, Floats, GroupedLives, Ints
from roadworn_plugins.life_model import ComponentModel
from roadworn_plugins.repeats.adjust import Reach, adjusted, reach_of

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
