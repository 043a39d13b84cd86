"""What failed and what would have been usual, added up along the calendar.

A table says that 57 failed where 4 would be usual; when the two parted shows whether it began
with a batch, a season or a repair. The expectation is that of the table, each life's exposure
laid evenly over the days it was watched. The band holds the count of a group that is like the
others, with the uncertainty of their rate, at each day by itself.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binomtest, nbinom, poisson

from roadworn.analysis import Chart, Series
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Sentence
from roadworn_plugins.repeats.levels import Label
from roadworn_plugins.repeats.words import say
from roadworn_plugins.shared.grouped import NOT_RECORDED, Floats

_CONDITIONS = {
    "place": "l.vehicle_class = ? AND l.vehicle_id = ? AND coalesce(l.position, '') = ?",
    "class": "l.vehicle_class = ?",
    "supplier": f"coalesce(supplier, '{NOT_RECORDED}') = ?",
    "part": f"coalesce(supplier, '{NOT_RECORDED}') = ? "
    f"AND coalesce(part_number, '{NOT_RECORDED}') = ?",
}


@dataclass(frozen=True, eq=False)
class DatedLives:
    """Lives whose days are known, one entry each.

    Attributes:
        vehicle_class: of the vehicle it was fitted to.
        entry, lower, leaving: ages in thousand km: at the start of observation, the last one it
            is known to have reached, at its end.
        failed: whether it ended in failure.
        first, last: days since 1970-01-01 of the start and the end of observation.
    """

    vehicle_class: NDArray[np.str_]
    entry: Floats
    lower: Floats
    leaving: Floats
    failed: NDArray[np.bool_]
    first: Floats
    last: Floats


def dated_lives(view: LedgerView, level: str, label: Label) -> DatedLives:
    """Return the lives of one place, class, supplier or supplier's part that have their days.

    Args:
        view: the ledger.
        level: name of the level.
        label: its label, component first.
    """
    data = view.arrays(
        f"""SELECT l.vehicle_class, l.entry_km / 1000 AS entry, l.lower_km / 1000 AS lower,
                   CASE WHEN l.failed THEN l.upper_km ELSE l.lower_km END / 1000 AS leaving,
                   l.failed,
                   date_diff('day', DATE '1970-01-01',
                             coalesce(l.ended_on, v.retired_on, v.last_seen_on)) AS last_day,
                   CASE WHEN l.failed THEN l.upper_days ELSE l.lower_days END - l.entry_days
                     AS days
            FROM part_lives AS l JOIN vehicles AS v USING (vehicle_id)
            WHERE l.component = ? AND {_CONDITIONS[level]}
              AND l.lower_days IS NOT NULL AND l.lower_km IS NOT NULL
            ORDER BY last_day, leaving, entry""",
        label,
    )
    entry, lower, leaving = (
        data[name].astype(np.float64) for name in ("entry", "lower", "leaving")
    )
    last, days = data["last_day"].astype(np.float64), data["days"].astype(np.float64)
    good = np.isfinite(last) & np.isfinite(days) & (days > 0) & (leaving > entry)
    return DatedLives(
        data["vehicle_class"].astype(str)[good],
        entry[good],
        lower[good],
        leaving[good],
        data["failed"].astype(bool)[good],
        (last - days)[good],
        last[good],
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
    since = _EPOCH + timedelta(days=int(np.ceil(middle)))
    expected = total * share
    if not 0.0 < share < 1.0:
        return Trend("too few to tell", later, expected, 1.0, since)
    p = float(binomtest(later, total, share).pvalue)
    if p >= alpha:
        return Trend("no clear change", later, expected, p, since)
    words = "getting worse" if later > expected else "getting better"
    return Trend(words, later, expected, p, since, clear=True)


#: Rows of the table that are drawn.
CHARTED = 4
_EPOCH = date(1970, 1, 1)
_QUARTER = 365.25 / 4.0
#: Steps of a curve: more would not be seen.
_MOST_STEPS = 240
#: Level of the band.
LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Rate:
    """Failures of the others by exposure, and the exposure it rests on."""

    value: float
    exposure: float


@dataclass(frozen=True, eq=False)
class Counted:
    """One row of the table with the lives behind it.

    Attributes:
        name: its component, as an id that a report names in its language, and where it is.
        failed, expected: of the table.
        lives: those whose days are known.
        rates: of the others, by class of vehicle.
        shape: Weibull shape of the component's clock.
    """

    name: str
    failed: int
    expected: float
    lives: DatedLives
    rates: dict[str, Rate]
    shape: float


def chart_of(rows: Sequence[Counted]) -> tuple[Chart, ...]:
    """Return the chart of some rows, none when no day is known."""
    series: list[Series] = []
    told: list[Sentence] = []
    for row in rows:
        if not row.lives.failed.any():
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
    lives = row.lives
    start, end = float(lives.first.min()), float(lives.last.max())
    at = np.append(np.arange(start, end, _QUARTER), end)
    mean, variance = expected_by(row, at)
    low, high = count_band(mean, variance, LEVEL)
    days = np.sort(lives.last[lives.failed])
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
    """Return expected failures up to each day, and the variance that the rate's doubt adds.

    Args:
        row: with its lives.
        days: since 1970-01-01.
    """
    lives, shape = row.lives, row.shape
    # A failure known to lie between two looks counts at the middle, as in the table.
    exit_age = np.where(lives.failed, (lives.lower + lives.leaving) / 2.0, lives.leaving)
    mean, variance = np.zeros(days.size), np.zeros(days.size)
    for vehicle_class, rate in row.rates.items():
        rows = lives.vehicle_class == vehicle_class
        span = (lives.last - lives.first)[rows]
        part = np.clip((days[:, None] - lives.first[rows]) / span, 0.0, 1.0)
        entry = lives.entry[rows]
        age = entry + part * (exit_age[rows] - entry)
        exposure = np.sum(age**shape - entry**shape, axis=1)
        mean += exposure * rate.value
        variance += exposure**2 * rate.value / rate.exposure
    return mean, variance


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
        uncertain = nbinom.ppf(q, np.maximum(a, 1e-9), p)
        ends.append(np.where(sure, np.where(mean > 0, poisson.ppf(q, mean), 0.0), uncertain))
    return np.nan_to_num(ends[0]), np.nan_to_num(ends[1])


def _days(days: Iterable[float]) -> tuple[date, ...]:
    return tuple(_EPOCH + timedelta(days=round(day)) for day in days)
