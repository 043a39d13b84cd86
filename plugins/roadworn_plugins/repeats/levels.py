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
from scipy.special import betainc, gammaln

from roadworn.model.catalogue import catalogue
from roadworn_plugins.lifedata import summed
from roadworn_plugins.shared.grouped import Bools, Floats, Ints

#: What is compared, and its part of the alarms that chance may raise: places are thousands, classes
#: few. They add up to less than one, for what ages do is not known exactly.
FAMILIES = {
    "place": 0.26,
    "vehicle": 0.10,
    "class": 0.07,
    "supplier": 0.03,
    "part": 0.04,
    "batch": 0.22,
    "fleet since": 0.05,
    "class since": 0.03,
    "vehicle since": 0.02,
}
FAMILY = {name: number for number, name in enumerate(FAMILIES)}
#: Neighbouring first days share their lives: so many of them count as separate looks. From
#: `tests/simulations/repeat_failures.py --scans`.
OVERLAP = 0.5
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
    fit = np.zeros(_SHAPES.size)
    for i, shape in enumerate(_SHAPES):
        lived = np.exp(shape * end)
        lived[late] -= begin[late] ** shape
        exposure = summed(kind, lived, n)[some]
        fit[i] = total * np.log(shape) + shape * logs - float(died[some] @ np.log(exposure))
    held = fit - np.count_nonzero(some) * np.log(_SHAPES)
    held -= (np.log(_SHAPES / habit) / _SPREAD) ** 2 / 2.0
    i = int(np.clip(np.argmax(held), 1, _SHAPES.size - 2))
    low, middle, high = held[i - 1 : i + 2]
    bend = low - 2.0 * middle + high
    move = float(np.clip((low - high) / (2.0 * bend), -1.0, 1.0)) if bend < 0 else 0.0
    shape = float(np.exp(np.log(_SHAPES[i]) + move * np.log(_SHAPES[1] / _SHAPES[0])))
    constant = float(died[some] @ np.log(died[some])) - logs - total * np.log(longest)
    return shape, float(fit[i]) + constant


@dataclass(frozen=True, eq=False)
class Entries:
    """Comparisons, one entry each.

    Attributes:
        family: number of what is compared, in the order of `FAMILIES`.
        ident: which of them: code of place, vehicle, class, supplier or number.
        since: number of the first day tried, -1 for the whole record.
        observed, mean: failures, and those expected.
        doubt: variance of that mean.
        spread: what the variance grows by for each unit of dispersion among vehicles.
    """

    family: Ints
    ident: Ints
    since: Ints
    observed: Floats
    mean: Floats
    doubt: Floats
    spread: Floats

    @classmethod
    def of(
        cls, family: str, ident: Ints, observed: Floats, mean: Floats, doubt: Floats,
        spread: Floats, since: Ints | None = None,
    ) -> "Entries":  # fmt: skip
        """Make entries of one family, those without an expectation left out."""
        good = (mean > _TINY) & np.isfinite(mean) & np.isfinite(doubt)
        none = np.full(ident.size, -1) if since is None else since
        number = np.full(ident.size, FAMILY[family])
        figures = (observed[good], mean[good], doubt[good], spread[good])
        return cls(number[good], ident[good], none[good], *figures)

    @classmethod
    def joined(cls, parts: "list[Entries]") -> "Entries":
        """Return several as one."""
        names = cls.__dataclass_fields__
        if not parts:
            return cls(*(np.zeros(0, dtype=np.int64),) * 3, *(np.zeros(0),) * 4)
        return cls(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in names})

    def chance(self, among: "Dispersion") -> Floats:
        """Return the chance of at least so many failures if it were like the others."""
        return tail(self.observed, self.mean, self.variance(among))

    def variance(self, among: "Dispersion") -> Floats:
        """Return the variance of the mean with what vehicles and places differ by."""
        place = self.family == FAMILY["place"]
        return self.doubt + np.where(place, among.places, among.vehicles) * self.spread


def tail(count: Floats, mean: Floats, variance: Floats) -> Floats:
    """Return the chance of at least `count` failures where their mean is uncertain by a Gamma law.

    The count is negative binomial (Gelman et al., Bayesian Data Analysis, section 2.6).

    Args:
        count: failures.
        mean: of the count.
        variance: of that mean, above zero.
    """
    a, odds = mean**2 / variance, variance / (mean + variance)
    return np.where(count > 0, betainc(np.maximum(count, 1.0), a, odds), 1.0)


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Variance of the rates of vehicles and places around those of their kind."""

    vehicles: float = 0.0
    places: float = 0.0


_GRID = np.array([0.0, 0.01, 0.02, 0.04, 0.07, 0.11, 0.17, 0.25, 0.4, 0.6, 1.0])
# So many of them may be out, by so much, without the others being held for mixed.
_OUT, _TIMES = 0.03, 5.0
#: Which part of the belief about the dispersion lies below what is used.
CAUTION = 0.75


def dispersion(observed: Floats, mean: Floats, doubt: Floats, caution: float = CAUTION) -> float:
    """Return how much rates differ around the usual, the few that are clearly out aside.

    A negative binomial law with a share of outliers, averaged over a grid; the upper part of
    the belief is taken, since a few counts say little about it.

    Args:
        observed: failures.
        mean: those expected.
        doubt: variance of that mean.
        caution: part of the belief below what is returned.
    """
    some = mean > 0.02
    observed, mean, doubt = observed[some], mean[some], doubt[some]
    if observed.size < 3:
        return 0.05
    fit = np.zeros(_GRID.size)
    for number, value in enumerate(_GRID):
        variance = doubt + value * mean**2 + 1e-6 * mean**2
        alike = _log_count(observed, mean, variance)
        out = _log_count(observed, _TIMES * mean, _TIMES**2 * variance)
        fit[number] = np.sum(np.logaddexp(np.log1p(-_OUT) + alike, np.log(_OUT) + out))
    # Few fleets differ much; the prior has a mean of about 0.1.
    fit -= _GRID / 0.1
    weight = np.exp(fit - fit.max())
    return float(np.interp(caution, np.cumsum(weight) / weight.sum(), _GRID))


def _log_count(count: Floats, mean: Floats, variance: Floats) -> Floats:
    a = mean**2 / variance
    share = variance / (mean + variance)
    ways = gammaln(count + a) - gammaln(a) - gammaln(count + 1.0)
    return np.asarray(ways + a * np.log1p(-share) + count * np.log(share))


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


@dataclass(frozen=True, eq=False)
class Reach:
    """What chances the comparisons of one family can show if all were alike (Heyse, 2011).

    `least` failures are listed, and a `share` of the comparisons counts as separate.
    """

    mean: Floats
    variance: Floats
    least: int
    share: float = 1.0

    def most(self, p: float) -> float:
        """Return how many would show a chance of p or less if any chance could be shown."""
        return self.share * p * self.mean.size

    def expected(self, p: float) -> float:
        """Return how many would show a chance of p or less: each by its first count that can."""
        p *= 1.0 + 1e-9
        low = np.full(self.mean.size, float(max(self.least, 1)))
        chance = tail(low, self.mean, self.variance)
        found = np.where(chance <= p, chance, 0.0)
        still = np.flatnonzero(chance > p)
        low, step = low[still], np.ones(still.size)
        # Strides double until the chance is low enough, and halve back to the first such count.
        high = low + step
        best = tail(high, self.mean[still], self.variance[still])
        while np.any(best > p):
            on = np.flatnonzero(best > p)
            low[on] = high[on]
            step[on] *= 2.0
            high[on] += step[on]
            best[on] = tail(high[on], self.mean[still[on]], self.variance[still[on]])
        while np.any(high - low > 1.0):
            on = np.flatnonzero(high - low > 1.0)
            middle = np.floor((low[on] + high[on]) / 2.0)
            at = tail(middle, self.mean[still[on]], self.variance[still[on]])
            enough = at <= p
            high[on] = np.where(enough, middle, high[on])
            low[on] = np.where(enough, low[on], middle)
            best[on] = np.where(enough, at, best[on])
        found[still] = best
        return self.share * float(found.sum())
