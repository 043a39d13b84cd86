"""When it began: what failed and what would have been usual, added up along the calendar.

A table says that 57 failed where 14 would be usual; when the two parted shows whether it began
with a batch, a season or a repair. What would have been usual is what the same places would have
needed over the same distance: a part that fails early is followed by another, and a good one
in its place would have gone on ageing. The band holds the count of a group that is like the
others, with the uncertainty of their rate, at each day by itself.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from roadworn.analysis import Chart, Series
from roadworn.model.messages import Joined, Sentence
from roadworn_plugins.lifedata import summed
from roadworn_plugins.lifedata.counts import (
    binomial_chance,
    negative_binomial_quantile,
    poisson_quantile,
)
from roadworn_plugins.repeats.levels import Law, Lives
from roadworn_plugins.repeats.words import say
from roadworn_plugins.shared.grouped import Bools, Floats, Ints


@dataclass(frozen=True, eq=False)
class Cusum:
    """A sequential score of failures against what was expected.

    Attributes:
        score: after each step.
        began: number of the step after the last one at which it was zero before its top.
    """

    score: Floats
    began: int


def cusum(failed: Floats, expected: Floats, ratio: float) -> Cusum:
    """Add up, step by step, what speaks for a rate so many times the usual; never below zero.

    W = max(0, W + failed log(ratio) - (ratio - 1) expected): Biswas and Kalbfleisch, Statistics
    in Medicine 27 (2008) 3382-3406, from memory.

    Args:
        failed: of each step.
        expected: of each step.
        ratio: times the usual rate, above 1.
    """
    step = failed * np.log(ratio) - (ratio - 1.0) * expected
    total = np.concatenate(([0.0], np.cumsum(step)))
    least = np.minimum.accumulate(total)
    score = total - least
    top = int(np.argmax(score))
    began = int(np.flatnonzero(score[: top + 1] <= 1e-12)[-1])
    return Cusum(score[1:], min(began, failed.size - 1))


@dataclass(frozen=True, eq=False)
class Places:
    """The stretches over which the places of a finding were watched, one entry each.

    Attributes:
        usual: failures that would have been usual there, renewals counted.
        first, last: days since 1970-01-01; nan where unknown.
        at_age: failures expected at the ages that the parts of the finding had.
    """

    usual: Floats
    first: Floats
    last: Floats
    at_age: float

    @classmethod
    def joined(cls, parts: "Sequence[Places]") -> "Places":
        """Return several as one."""
        return cls(
            np.concatenate([part.usual for part in parts]),
            np.concatenate([part.first for part in parts]),
            np.concatenate([part.last for part in parts]),
            sum(part.at_age for part in parts),
        )


def places_of(
    lives: Lives, rows: Ints, place: Ints, law: Law, mine: Bools, rate: Floats,
    since: float | None, boost: Floats, early: Floats | None,
) -> Places:  # fmt: skip
    """Return what the places of some lives would have needed without their fault.

    Each place is followed from the first of its suspect parts, or from the day, to the end of
    its record, and needs what a renewal process of usual parts needs over that distance; what
    its later, unsuspected parts are expected to bring of it is taken off.

    Args:
        lives: all.
        rows: of one component, with known ages.
        place: code of the place of each of them.
        law: of the component.
        mine: which of them are suspect.
        rate: times the law, of each by its class.
        since: day it began, None for whole lives.
        boost: times the law, for other findings.
        early: comebacks expected of each, where they count.
    """
    entry, leaving = lives.entry[law.clock, rows], lives.leaving[law.clock, rows]
    first, last = lives.first[rows], lives.last[rows]
    if since is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            part = np.clip((since - first) / (last - first), 0.0, 1.0)
        entry = entry + np.where(np.isfinite(part), part, 0.0) * (leaving - entry)
        first = np.fmax(first, since)
    # Lives without a day stand by themselves: what came after them is not known.
    alone = np.where(np.isfinite(first), -1, np.arange(rows.size))
    order = np.lexsort((last, first, alone, place))
    key = np.stack((place[order], alone[order]))
    new = np.append(True, np.any(np.diff(key, axis=1) != 0, axis=0))
    stretch = np.cumsum(new) - 1
    seen = np.cumsum(mine[order])
    before: Ints = (seen - mine[order])[new][stretch]
    within = seen > before
    order, stretch = order[within], stretch[within]
    codes, stretch = np.unique(stretch, return_inverse=True)
    n = codes.size
    head = np.append(True, np.diff(stretch) > 0) if n else np.zeros(0, dtype=bool)
    length = summed(stretch, (leaving - entry)[order], n)
    start, factor = entry[order][head], (rate * boost)[order][head]
    usual = np.zeros(n)
    for value in np.unique(np.round(factor, 6)):
        some = np.abs(factor - value) < 1e-5
        usual[some] = renewals(law, float(value), start[some], length[some])
    at_age = (law.upto(leaving) - law.upto(entry)) * rate * boost
    if early is not None:
        soon = np.where(mine, early * rate, 0.0)
        at_age = at_age + soon
        usual = usual + summed(stretch, soon[order], n)
    others = summed(stretch, np.where(mine[order], 0.0, at_age[order]), n)
    least = summed(stretch, np.where(mine[order], at_age[order], 0.0), n)
    ends = np.full(n, -np.inf)
    np.maximum.at(ends, stretch, last[order])
    ends = np.where(np.isfinite(ends), ends, np.nan)
    own = np.minimum(least, usual)
    return Places(np.maximum(usual - others, own), first[order][head], ends, float(least.sum()))


_STEPS = 240


def renewals(law: Law, rate: float, age: Floats, length: Floats) -> Floats:
    """Return expected failures of places with a part of an age, each renewed when it fails.

    The renewal equation M(x) = F(x) + sum of M(x - u) dF(u), stepwise, the first part given its
    age (Cox, Renewal Theory, 1962, from memory).

    Args:
        law: of the lives.
        rate: times its hazard.
        age: of the part at the start.
        length: of the stretch, in the unit of the age.
    """
    longest = float(length.max()) if length.size else 0.0
    if longest <= 0.0:
        return np.zeros(length.size)
    grid = np.linspace(0.0, longest, _STEPS + 1)
    failed = -np.expm1(-rate * law.upto(grid))
    step = np.diff(failed)
    renewed = np.zeros(_STEPS + 1)
    for i in range(1, _STEPS + 1):
        # A step's failures are taken at its middle, between two values of what follows; the
        # first step's have the value sought on one side.
        back = (renewed[i - 1 :: -1] + renewed[i:0:-1]) / 2.0
        renewed[i] = failed[i] + float(np.sum(step[:i] * back))
        renewed[i] /= 1.0 - step[0] / 2.0
    found = np.zeros(length.size)
    for low in range(0, length.size, 2000):
        some = slice(low, low + 2000)
        at = np.minimum(grid[None, :], length[some, None])
        gone = law.upto(age[some, None] + at) - law.upto(age[some])[:, None]
        first = -np.expm1(-rate * gone)
        middle = length[some, None] - (at[:, 1:] + at[:, :-1]) / 2.0
        again = np.interp(middle, grid, renewed)
        found[some] = first[:, -1] + np.sum(np.diff(first, axis=1) * again, axis=1)
    return found


@dataclass(frozen=True, eq=False)
class DatedLives:
    """Lives whose days are known, one entry each.

    Attributes:
        entry, leaving: ages in the unit of their clock at the start and the end of observation.
        failed: whether it ended in failure.
        first, last: days since 1970-01-01 of the start and the end of observation.
    """

    entry: Floats
    leaving: Floats
    failed: Bools
    first: Floats
    last: Floats

    @classmethod
    def of(cls, lives: Lives, rows: Bools, clock: int) -> "DatedLives":
        """Return some lives that have their days and ages."""
        entry, leaving = lives.entry[clock], lives.leaving[clock]
        with np.errstate(invalid="ignore"):
            good = rows & (lives.last > lives.first) & (leaving > entry)
        return cls(
            entry[good], leaving[good], lives.failed[good], lives.first[good], lives.last[good]
        )


# With fewer failures even an even split and a one-sided one cannot be told apart at 5 %.
_LEAST = 6


@dataclass(frozen=True, slots=True)
class Trend:
    """Later half of the record against the earlier.

    Attributes:
        words: the answer.
        later, expected: failures in the later half, and as many as its exposure would give.
        p: two-sided chance if nothing had changed; 1 where it cannot be told.
        since: first day of the later half.
        clear: whether it is more than chance makes.
    """

    words: str
    later: int = 0
    expected: float = 0.0
    p: float = 1.0
    since: date | None = None
    clear: bool = False

    def said(self) -> str:
        """Return what is said of a clear change, else an empty text."""
        return say.when(
            self.clear,
            "trend",
            trend=self.words,
            later=self.later,
            since=self.since,
            expected=self.expected,
            p=self.p,
        )


def trend_of(lives: DatedLives, shape: float) -> Trend:
    """Compare the two halves of the record of one class, supplier or part.

    Args:
        lives: those whose days are known.
        shape: Weibull shape of the component's clock.
    """
    if int(lives.failed.sum()) < _LEAST:
        return Trend("too few to tell")
    return judged(lives, float(lives.first.min() + lives.last.max()) / 2.0, shape)


def judged(lives: DatedLives, middle: float, shape: float, alpha: float = 0.05) -> Trend:
    """Compare failures after a day with those before it, by exposure.

    Args:
        lives: those whose days are known.
        middle: the day that divides the record, since 1970-01-01.
        shape: Weibull shape of the clock.
        alpha: chance below which a change is named.
    """
    entry, leaving = lives.entry, lives.leaving
    part = np.clip((middle - lives.first) / (lives.last - lives.first), 0.0, 1.0)
    at_middle = entry + part * (leaving - entry)
    early = float(np.sum(at_middle**shape - entry**shape))
    late = float(np.sum(leaving**shape - at_middle**shape))
    total, later = int(lives.failed.sum()), int(np.sum(lives.failed & (lives.last > middle)))
    share = late / (early + late)
    since = EPOCH + timedelta(days=int(np.ceil(middle)))
    expected = total * share
    if not 0.0 < share < 1.0:
        return Trend("too few to tell", later, expected, 1.0, since)
    p = binomial_chance(later, total, share)
    if p >= alpha:
        return Trend("no clear change", later, expected, p, since)
    words = "getting worse" if later > expected else "getting better"
    return Trend(words, later, expected, p, since, clear=True)


#: Rows of the table that are drawn.
CHARTED = 4
EPOCH = date(1970, 1, 1)
_QUARTER = 365.25 / 4.0
#: Steps of a curve: more would not be seen.
_MOST_STEPS = 240
#: Level of the band.
LEVEL = 0.95


@dataclass(frozen=True, eq=False)
class Counted:
    """One row of the table with what is behind it.

    Attributes:
        name: its component, as an id that a report names in its language, and where it is.
        failed, expected: of the table.
        days: on which it failed, since 1970-01-01, those known.
        places: what would have been usual, by stretch.
        doubt: variance of the expectation, as a share of its square.
    """

    name: str
    failed: int
    expected: float
    days: Floats
    places: Places
    doubt: float


def chart_of(rows: Sequence[Counted]) -> tuple[Chart, ...]:
    """Return the chart of some rows, none when no day is known."""
    series: list[Series] = []
    told: list[Sentence] = []
    for row in rows:
        if not row.days.size or not np.isfinite(row.places.first).any():
            continue
        came, usual = _pair(row)
        series += [came, usual]
        told.append(
            say(
                "curve",
                name=row.name,
                came=came.y[-1],
                day=came.x[-1],
                missing=say.some(row.failed - int(came.y[-1]), "without-day"),
                usual=usual.y[-1],
            )
        )
    if not series:
        return ()
    first = rows[0]
    title = say("chart", name=first.name, failed=first.failed, expected=first.expected)
    told_all = Joined(told, "; ")
    return (Chart("along_time", title, "day", "failures so far", tuple(series), told_all),)


def _pair(row: Counted) -> tuple[Series, Series]:
    """Return what came and what was expected, with its band, of one row."""
    start = float(np.nanmin(np.append(row.places.first, row.days)))
    end = float(np.nanmax(np.append(row.places.last, row.days)))
    at = np.append(np.arange(start, end, _QUARTER), end)
    mean, variance = expected_by(row, at)
    low, high = count_band(mean, variance, LEVEL)
    days = np.sort(row.days)
    # One step for each day, up to what had failed by its end; of very many, every so-manieth.
    shown = np.flatnonzero(np.append(np.diff(days) > 0, True))
    shown = shown[:: -(-shown.size // _MOST_STEPS)]
    steps = _days([start, *days[shown], end])
    heights = (0.0, *(shown + 1.0).tolist(), float(days.size))
    return (
        Series(row.name, steps, heights, "step"),
        Series(
            "expected",
            _days(at),
            tuple(mean.tolist()),
            low=tuple(low.tolist()),
            high=tuple(high.tolist()),
            of=row.name,
        ),
    )


def expected_by(row: Counted, days: Floats) -> tuple[Floats, Floats]:
    """Return usual failures up to each day, and the variance that the rate's doubt adds.

    What a stretch would have needed is laid evenly over its days; what has no day lies at the
    start.

    Args:
        row: with its stretches.
        days: since 1970-01-01.
    """
    places = row.places
    known = np.isfinite(places.first) & np.isfinite(places.last)
    first, usual = places.first[known], places.usual[known]
    span = np.maximum(places.last[known] - first, 1.0)
    part = np.clip((days[:, None] - first) / span, 0.0, 1.0)
    mean = part @ usual + float(places.usual[~known].sum())
    return mean, row.doubt * mean**2


def count_band(mean: Floats, variance: Floats, level: float) -> tuple[Floats, Floats]:
    """Return the central limits of a count whose mean is uncertain by a Gamma law.

    The count is negative binomial, as in `excess`; Poisson where the mean is certain.

    Args:
        mean: of the count.
        variance: of that mean.
        level: of the limits.
    """
    sure = variance <= 1e-9 * np.maximum(mean, 1e-12)
    a = mean**2 / np.where(sure, 1.0, variance)
    p = 1.0 / (1.0 + np.where(sure, 1.0, variance) / np.maximum(mean, 1e-12))
    ends = []
    for q in ((1.0 - level) / 2.0, (1.0 + level) / 2.0):
        uncertain = negative_binomial_quantile(q, np.maximum(a, 1e-9), p)
        certain = poisson_quantile(q, np.where(mean > 0, mean, 1.0))
        ends.append(np.where(sure, np.where(mean > 0, certain, 0.0), uncertain))
    return np.nan_to_num(ends[0]), np.nan_to_num(ends[1])


def _days(days: Iterable[float]) -> tuple[date, ...]:
    return tuple(EPOCH + timedelta(days=round(day)) for day in days)
