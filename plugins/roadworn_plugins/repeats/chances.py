"""The chance of so many failures, what speaks for a fault, and what a search could show.

Comparisons of a kind are ranked by how much likelier their count is if so many times as many
fail there as by chance alone: that spends the alarms that chance may raise where a fault would
be seen (Neyman and Pearson, Phil. Trans. R. Soc. A 231 (1933) 289-337). Each is charged with
what chance could show there (Heyse, 2011).
"""

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from roadworn_plugins.lifedata.special import betainc, gammaln
from roadworn_plugins.shared.grouped import Floats, Ints


class Family(NamedTuple):
    """One kind of comparison.

    Attributes:
        share: its part of the alarms that chance may raise; all add up to less than one, for
            what ages do is not known exactly.
        times: by how much a fault may multiply the failures, each as likely.
        counts: what is counted: "wear", "comebacks" or "both".
        overlap: which part of its comparisons counts as separate looks: neighbouring first
            days share their lives. From `tests/simulations/repeat_failures.py --scans`.
    """

    share: float
    times: tuple[float, ...]
    counts: str = "wear"
    overlap: float = 1.0


_FEW, _SOME, _MANY = (1.4, 2.0, 3.0), (1.6, 2.0, 3.0, 5.0), (4.0, 6.0, 8.0, 12.0, 16.0)
#: What is compared: places are thousands, classes few.
FAMILIES = {
    "place": Family(0.30, _MANY),
    "on vehicle": Family(0.06, _MANY),
    "comebacks": Family(0.02, _MANY, "comebacks"),
    "vehicle": Family(0.12, _SOME),
    "class": Family(0.05, _SOME),
    "supplier": Family(0.02, _SOME, "both"),
    "part": Family(0.03, _SOME, "both"),
    "batch": Family(0.20, _SOME, "wear", 0.35),
    "batch comebacks": Family(0.04, _SOME, "comebacks", 0.35),
    "fleet since": Family(0.05, _FEW, "wear", 0.4),
    "class since": Family(0.02, _SOME, "wear", 0.4),
    "vehicle since": Family(0.02, _SOME, "wear", 0.4),
}
FAMILY = {name: number for number, name in enumerate(FAMILIES)}
#: What a supplier sent since a day.
BATCHES = ("batch", "batch comebacks")
#: What is told apart by the origin of parts.
OF_PARTS = ("supplier", "part", *BATCHES)
#: One place of a part, or all its places on one vehicle.
OF_PLACES = ("place", "on vehicle", "comebacks")
_OF_PLACES = [FAMILY[name] for name in OF_PLACES if name != "on vehicle"]
_TINY = 1e-9


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

    def lift(self, among: "Dispersion") -> Floats:
        """Return what the counts say for a fault, see `lift`."""
        variance, found = self.variance(among), np.zeros(self.family.size)
        for number, family in enumerate(FAMILIES.values()):
            some = self.family == number
            if some.any():
                figures = (self.observed[some], self.mean[some], variance[some])
                found[some] = lift(*figures, family.times)
        return found

    def variance(self, among: "Dispersion") -> Floats:
        """Return the variance of the mean with what vehicles and places differ by."""
        place = np.isin(self.family, _OF_PLACES)
        # Places differ by at least what their vehicles do.
        places = max(among.places, among.vehicles)
        return self.doubt + np.where(place, places, among.vehicles) * self.spread


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


def lift(count: Floats, mean: Floats, variance: Floats, times: tuple[float, ...]) -> Floats:
    """Return the logarithm of how much likelier a count is with a fault than without.

    The mean is uncertain by a Gamma law, as in `tail`, and times so much with a fault.

    Args:
        count: failures.
        mean: of the count without a fault.
        variance: of that mean, above zero.
        times: by how much a fault may multiply it, each as likely.
    """
    return Lifts.of(mean, variance, times).at(count)


@dataclass(frozen=True, slots=True)
class Lifts:
    """What `lift` needs besides the counts, each worked out once."""

    weight: Floats
    logs: Floats
    rates: Floats

    @classmethod
    def of(cls, mean: Floats, variance: Floats, times: tuple[float, ...]) -> "Lifts":
        """Return those of means that are uncertain, and what a fault may multiply them by."""
        b, more = mean / variance, np.array(times)[:, None]
        return cls(mean * b, np.log(more), np.log1p((more - 1.0) / (b + 1.0)))

    def of_some(self, rows: Ints) -> "Lifts":
        """Return those of some of the means."""
        return Lifts(self.weight[rows], self.logs, self.rates[:, rows])

    def at(self, count: Floats) -> Floats:
        """Return the logarithm of how much likelier these counts are with a fault."""
        odds = count * self.logs - (self.weight + count) * self.rates
        return np.asarray(np.logaddexp.reduce(odds, axis=0) - np.log(self.logs.size))


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Variance of the rates of vehicles and places around those of their kind."""

    vehicles: float = 0.0
    places: float = 0.0


_GRID = np.array([0.0, 0.01, 0.02, 0.04, 0.07, 0.11, 0.17, 0.25, 0.4, 0.6, 1.0])
# So many of them may be out, by so much each, without the others being held for mixed.
_OUT, _TIMES = 0.02, (3.0, 6.0)
#: Which part of the belief about the dispersion lies below what is used.
CAUTION = 0.85


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
        out = np.logaddexp.reduce(
            [_log_count(observed, times * mean, times**2 * variance) for times in _TIMES]
        ) - np.log(len(_TIMES))
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


@dataclass(frozen=True, eq=False)
class Reach:
    """What the comparisons of one family can show if all were alike (Heyse, 2011).

    `least` failures are listed, a fault may multiply them by `times`, and a part `overlap` of
    the comparisons counts as separate.
    """

    mean: Floats
    variance: Floats
    least: int
    times: tuple[float, ...]
    overlap: float = 1.0

    def most(self, p: float) -> float:
        """Return how many would show a chance of p or less if any chance could be shown."""
        return self.overlap * p * self.mean.size

    def expected(self, speaks: float) -> float:
        """Return how many would speak for a fault as much: each by its first count that does.

        Args:
            speaks: logarithm of how much likelier a count is with a fault, see `lift`.
        """
        if speaks not in self._known:
            self._known[speaks] = self._expected(speaks - 1e-9 * max(abs(speaks), 1.0))
        return self._known[speaks]

    @cached_property
    def _known(self) -> dict[float, float]:
        """What was worked out: as long as nothing else is found the strongest of a family stays."""
        return {}

    @cached_property
    def _at_least(self) -> tuple[Lifts, Floats, Floats]:
        """What counts say, the least that is listed, and what that says of each."""
        said = Lifts.of(self.mean, self.variance, self.times)
        low = np.full(self.mean.size, float(max(self.least, 1)))
        return said, low, said.at(low)

    def _expected(self, speaks: float) -> float:
        said, low, first = self._at_least
        count = low.copy()
        still = np.flatnonzero(first < speaks)
        said, low, step = said.of_some(still), low[still], np.ones(still.size)
        # Strides double until the count speaks enough, and halve back to the first that does.
        high, on = low + step, np.arange(still.size)
        while on.size:
            on = on[said.of_some(on).at(high[on]) < speaks]
            low[on] = high[on]
            step[on] *= 2.0
            high[on] += step[on]
        on = np.flatnonzero(high - low > 1.0)
        while on.size:
            middle = np.floor((low[on] + high[on]) / 2.0)
            less = said.of_some(on).at(middle) < speaks
            low[on[less]], high[on[~less]] = middle[less], middle[~less]
            on = on[high[on] - low[on] > 1.0]
        count[still] = high
        return self.overlap * float(tail(count, self.mean, self.variance).sum())
