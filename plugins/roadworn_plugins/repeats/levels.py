"""What is compared with what, and the chance of so many failures.

A place, a vehicle as a whole, a component on a class, a supplier, a supplier's part, what a
supplier sent since a day, and each component, class and vehicle since a day against its own past:
for each the expected number of failures is its own exposure by age times the rate of comparable
others. That rate is itself uncertain, and vehicles, places and classes differ a little
in every fleet: the count is held against a negative binomial law with both, so that neither a
small fleet nor a mixed one raises alarms that it cannot bear.
"""

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from roadworn.model.catalogue import catalogue
from roadworn_plugins.lifedata import summed
from roadworn_plugins.shared.grouped import Bools, Floats, Ints

#: Alarms a year that begin, if it is looked each month, for each that stands on a day; likewise.
A_YEAR = 1.5
#: Days between the first days that are tried.
STEP = 365.25 / 2.0
_TINY = 1e-9
# Shape before the lives have spoken, and the spread of its logarithm: common practice, no source.
_HABIT = {"wear-out": 2.5, "consumable": 2.5, "service": 2.5, "random": 1.1, "infant": 0.8}
_SPREAD = 0.5
_PER_BIN, _MOST_BINS = 8, 12
#: The first time of a part, in thousand km and years, over which comebacks are spread.
EARLY = (3.0, 0.2)
_CLEARLY, _LEAST_FOR_CLOCK = 4.0, 8


@dataclass(frozen=True, eq=False)
class Lives:
    """Lives and comebacks of fitted parts, one entry each.

    Attributes:
        codes: component, class, vehicle, position, supplier and number -> code of each life.
        names: the same -> what each code stands for; an unknown supplier or number is ''.
        entry, leaving: ages in thousand km and in years, shape (2, lives); nan where unknown.
        failed: whether it ended in failure.
        between: whether that failure is only known to lie between two looks.
        first, last: days since 1970-01-01 of the start and end of observation; nan if unknown.
        event, started: ids of the events that ended and began it, or None.
        came_back: whether that failure is a comeback, soon after the work.
    """

    codes: dict[str, Ints]
    names: dict[str, list[str]]
    entry: Floats
    leaving: Floats
    failed: Bools
    between: Bools
    first: Floats
    last: Floats
    event: NDArray[np.object_]
    started: NDArray[np.object_]
    came_back: Bools

    @classmethod
    def of(cls, texts: dict[str, list[str]], **columns: NDArray[Any]) -> Self:
        """Number the texts of the columns, each number standing for one of them."""
        codes: dict[str, Ints] = {}
        names: dict[str, list[str]] = {}
        for column, values in texts.items():
            numbers = {text: number for number, text in enumerate(dict.fromkeys(values))}
            names[column] = list(numbers)
            codes[column] = np.fromiter(map(numbers.__getitem__, values), np.int64, len(values))
        return cls(codes, names, **columns)

    @property
    def size(self) -> int:
        """Return how many lives there are."""
        return self.failed.size

    def name(self, column: str, row: int) -> str:
        """Return what stands in a column of one life."""
        return self.names[column][int(self.codes[column][row])]

    def code(self, *columns: str) -> Ints:
        """Return one number for the values of several columns together."""
        joined = np.zeros(self.size, dtype=np.int64)
        for column in columns:
            joined = joined * max(len(self.names[column]), 1) + self.codes[column]
        return joined


@dataclass(frozen=True, eq=False)
class Law:
    """Expected failures by age of one component over the classes together.

    A Weibull clock, and within it a hazard in steps where there are failures enough: early
    failures beside wear would bend a single Weibull, and short lives would seem unlikely.

    Attributes:
        clock: 0 by distance, 1 by calendar age.
        sure: whether the other clock is clearly less likely.
        shape: of the Weibull clock.
        knots, height: cumulative hazard at powers of the age.
    """

    clock: int
    sure: bool
    shape: float
    knots: Floats
    height: Floats

    def upto(self, age: Floats) -> Floats:
        """Return the cumulative hazard up to an age."""
        return np.interp(np.maximum(age, 0.0) ** self.shape, self.knots, self.height)


def law_of(
    component: str,
    kind: Ints,
    entry: Floats,
    leaving: Floats,
    failed: Bools,
    clock: int | None,
) -> Law | None:
    """Return the law of a component's lives; None without a failure by any clock.

    Args:
        component: its id, for the habitual shape.
        kind: code of the class of each life.
        entry: age at the start by both clocks, shape (2, lives).
        leaving: age at the end, likewise.
        failed: whether it ended in failure.
        clock: the clock to use; None for the likelier one.
    """
    known = np.isfinite(entry) & np.isfinite(leaving) & (leaving > entry)
    part = catalogue().find(component)
    habit = _HABIT.get(part.wear_type if part else "random", 1.5)
    sure = clock is not None
    if clock is None:
        both = known.all(axis=0)
        clock = int(not known[0].any())
        if int(failed[both].sum()) >= _LEAST_FOR_CLOCK:
            pace = leaving[0, both & failed] / leaving[1, both & failed]
            # Where each class has a pace of its own, only that classes are alike can tell.
            for classes in (kind, np.zeros_like(kind)):
                gains = [
                    _shape(classes[both], entry[c, both], leaving[c, both], failed[both], habit)[1]
                    for c in (0, 1)
                ]
                ahead = gains[1] - gains[0] - float(np.sum(np.log(pace)))
                if abs(ahead) > _CLEARLY:
                    clock, sure = int(ahead > 0), classes is kind
                    break
    rows = known[clock]
    if not failed[rows].any():
        return None
    kind, entry, leaving, failed = (
        kind[rows],
        entry[clock, rows],
        leaving[clock, rows],
        failed[rows],
    )
    shape, _likelihood = _shape(kind, entry, leaving, failed, habit)
    begin, end = entry**shape, leaving**shape
    died = np.sort(end[failed])
    bins = int(np.clip(died.size // _PER_BIN, 1, _MOST_BINS))
    inner = died[(np.arange(1, bins) * died.size) // bins]
    edges = np.unique(np.concatenate(([0.0], inner, [end.max() * 1.0000001])))
    weight: Floats = np.ones(end.size)
    n = int(kind.max()) + 1
    died_here = np.where(failed, 1.0, 0.0)
    for _ in range(2):
        lived = np.array(
            [np.sum(weight * (np.minimum(end, e) - np.minimum(begin, e))) for e in edges]
        )
        exposure = np.diff(lived)
        count = np.diff(np.searchsorted(died, edges, side="right")).astype(np.float64)
        # Each step is drawn to the whole by the weight of one failure.
        hazard = (count + 1.0) / (exposure + exposure.sum() / died.size)
        height = np.concatenate(([0.0], np.cumsum(hazard * np.diff(edges))))
        usual = np.interp(end, edges, height) - np.interp(begin, edges, height)
        factor = (summed(kind, died_here, n) + 2.0) / (summed(kind, usual, n) + 2.0)
        weight = factor[kind]
    # Beyond the oldest age the last step goes on.
    slope = height[-1] / edges[-1]
    return Law(
        clock,
        sure,
        shape,
        np.append(edges, edges[-1] * 1e3),
        np.append(height, height[-1] + slope * edges[-1] * 999.0),
    )


def numbered(codes: Ints) -> tuple[Ints, Ints]:
    """Return `np.unique` of codes from 0 and their inverse, by counting where that is less work."""
    if codes.size and int(codes.max()) > 16 * codes.size:
        # Pairs of a large fleet's vehicles and places have codes far beyond how many there are.
        idents, number = np.unique(codes, return_inverse=True)
        return idents, number.reshape(codes.shape)
    there = np.bincount(codes) > 0
    return np.flatnonzero(there), (np.cumsum(there) - 1)[codes]


# The shapes that are tried.
_SHAPES = np.exp(np.linspace(np.log(0.4), np.log(7.0), 19))


def _shape(
    kind: Ints, entry: Floats, leaving: Floats, failed: Bools, habit: float
) -> tuple[float, float]:
    """Return the shape, drawn towards a habit while failures are few, and the log-likelihood.

    The rate of each class is integrated over its invariant prior, which leaves one power of the
    shape less for each (Lawless, Statistical Models and Methods for Lifetime Data, 2003,
    section 5.1, from memory).
    """
    longest = float(leaving.max())
    end, begin, late = np.log(leaving / longest), entry / longest, entry > 0
    n = int(kind.max()) + 1
    died = summed(kind, np.where(failed, 1.0, 0.0), n)
    some = died > 0
    logs, total = float(end[failed].sum()), float(died.sum())
    lived = np.exp(_SHAPES[:, None] * end)
    lived[:, late] -= begin[late] ** _SHAPES[:, None]
    at = (np.arange(_SHAPES.size)[:, None] * n + kind).ravel()
    exposure = summed(at, lived.ravel(), _SHAPES.size * n).reshape(-1, n)[:, some]
    fit = total * np.log(_SHAPES) + _SHAPES * logs - np.log(exposure) @ died[some]
    held = fit - np.count_nonzero(some) * np.log(_SHAPES)
    held -= (np.log(_SHAPES / habit) / _SPREAD) ** 2 / 2.0
    i = int(np.clip(np.argmax(held), 1, _SHAPES.size - 2))
    low, middle, high = held[i - 1 : i + 2]
    bend = low - 2.0 * middle + high
    move = float(np.clip((low - high) / (2.0 * bend), -1.0, 1.0)) if bend < 0 else 0.0
    shape = float(np.exp(np.log(_SHAPES[i]) + move * np.log(_SHAPES[1] / _SHAPES[0])))
    constant = float(died[some] @ np.log(died[some])) - logs - total * np.log(longest)
    return shape, float(fit[i]) + constant


def of_others(
    own: Floats, lived: Floats, kind: tuple[Floats, Floats], every: tuple[float, float],
    classes: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return expected failures by the rate of the others, and the variance of that mean.

    The rate of the rest of the class has the rest of the component before it as a belief,
    as far as classes are alike (a Gamma law each); alone in its class a thing is measured by
    the other classes, and by half a failure where there are none.

    Args:
        own: failures of what is tested.
        lived: its exposure.
        kind: both of its class, itself included.
        every: both of its component.
        classes: variance among classes.
    """
    rest, rest_lived = np.maximum(kind[0] - own, 0.0), np.maximum(kind[1] - lived, 0.0)
    wider, wider_lived = every[0] - kind[0], np.maximum(every[1] - kind[1], 0.0)
    some = wider_lived > _TINY * np.maximum(every[1], _TINY)
    a = np.where(some, 1.0 / (classes + 1.0 / (np.maximum(wider, 0.0) + 0.5)), 0.5)
    b = np.where(some, a * wider_lived / (np.maximum(wider, 0.0) + 0.5), 0.0)
    a, b = a + rest, b + rest_lived
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(b > _TINY * np.maximum(every[1], _TINY), a / b, np.nan)
        return lived * rate, lived**2 * rate / b


#: A past with fewer failures is none: most parts of a new fleet have yet to come of age.
LEAST_PAST = 3


def of_past(after: Floats, sooner: Floats, before: Floats) -> tuple[Floats, Floats]:
    """Return failures expected since a day by the rate before it, and the variance of that mean.

    Args:
        after: exposure since the day.
        sooner: failures before it; half a one is added, by Jeffreys.
        before: exposure before it.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        some = (sooner >= LEAST_PAST) & (before > _TINY * np.maximum(after, _TINY))
        rate = np.where(some, (sooner + 0.5) / before, np.nan)
        return after * rate, after**2 * rate / before


#: The spread of the logarithm of the years' levels before the record has spoken, common practice,
#: no source; and no year is taken to be further out than so many times.
YEARS_DIFFER, _FURTHEST = 0.2, 1.5


@dataclass(frozen=True, eq=False)
class Years:
    """How much more than usual fails in each year, over everything but one component.

    Attributes:
        edges: days that divide the years, since 1970-01-01.
        upto: level times days, added up to each of them.
    """

    edges: Floats
    upto: Floats

    @classmethod
    def of(cls, edges: Floats, failed: Floats, usual: Floats) -> Self:
        """Return the levels of years, drawn to one while failures are few (a Gamma law)."""
        sure = 1.0 / YEARS_DIFFER**2
        level = np.clip((failed + sure) / (usual + sure), 1.0 / _FURTHEST, _FURTHEST)
        return cls(edges, np.concatenate(([0.0], np.cumsum(level * np.diff(edges)))))

    def over(self, first: Floats, last: Floats) -> Floats:
        """Return the mean level from a day to another; one where a day is unknown."""
        with np.errstate(divide="ignore", invalid="ignore"):
            days = np.interp(last, self.edges, self.upto) - np.interp(first, self.edges, self.upto)
            level = days / (last - first)
        return np.where(np.isfinite(level) & (last > first), level, 1.0)


def by_year(
    edges: Floats, law: Law, ages: tuple[Floats, Floats], days: tuple[Floats, Floats],
    failed: Bools,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return failures of each year, and those usual there, of as many in all.

    Args:
        edges: days that divide the years.
        law: of the lives.
        ages: of each at the start and the end of observation.
        days: likewise.
        failed: whether it ended in failure.
    """
    with np.errstate(invalid="ignore"):
        known = days[1] > days[0]
    (entry, leaving), (first, last) = ([x[known] for x in pair] for pair in (ages, days))
    part = np.clip((edges[:, None] - first) / (last - first), 0.0, 1.0)
    usual = np.diff(law.upto(entry + part * (leaving - entry)).sum(axis=1))
    died = np.histogram(last[failed[known]], edges)[0].astype(np.float64)
    return died, usual * died.sum() / max(float(usual.sum()), _TINY)
