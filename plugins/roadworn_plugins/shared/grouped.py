"""Part lives and paces from the read model, as the arrays that the statistics take.

Group labels become small integers in the database: arrays of strings would double the time
of the fits. Distances are in thousands of kilometres, so that powers of an age stay within
floating point; the unit a person sees is chosen when a figure is shown.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from roadworn.columns.view import LedgerView
from roadworn.model.units import KM_PER_MILE
from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.counts import LogRank, log_rank
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.projection.belief import DistanceAhead, distance_ahead

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Clock = Literal["distance", "age"]
Unit = Literal["mi", "km"]

#: Stands for a supplier, part number or duty that nobody wrote down.
NOT_RECORDED = "(not recorded)"
#: What lives may be grouped by, and the column it stands in.
GROUPINGS = {
    "component": "component",
    "class": "vehicle_class",
    "supplier": f"coalesce(supplier, '{NOT_RECORDED}')",
    "part-number": f"coalesce(part_number, '{NOT_RECORDED}')",
    "position": "coalesce(position, '')",
    "duty": f"coalesce(duty, '{NOT_RECORDED}')",
    "vehicle": "vehicle_id",
}
_SCALE = {"distance": 1000.0, "age": 365.25}


def shown_distance(thousand_km: Floats | float, unit: Unit) -> Floats:
    """Convert thousands of kilometres to the unit shown."""
    km = np.asarray(thousand_km, dtype=np.float64) * 1000.0
    return km if unit == "km" else km / KM_PER_MILE


@dataclass(frozen=True, eq=False)
class GroupedLives:
    """Lives of fitted parts with dense group numbers.

    Attributes:
        by: the groupings, keys of `GROUPINGS`.
        labels: one tuple of texts for each group, in group order.
        group, entry, lower, upper, failed, running: one entry a life; ages in thousand km or
            years, `upper` infinite for a part that had not failed.
        worn: of the failures, those replaced as worn out; None where that was not read.
    """

    by: tuple[str, ...]
    labels: list[tuple[str, ...]]
    group: Ints
    entry: Floats
    lower: Floats
    upper: Floats
    failed: Bools
    running: Bools
    worn: Bools | None = None

    @property
    def exit_age(self) -> Floats:
        """Age at failure or at the end of observation; an interval counts at its middle."""
        return np.where(self.failed, (self.lower + np.minimum(self.upper, 1e12)) / 2.0, self.lower)

    @property
    def interval(self) -> Bools:
        """Whether the failure is only known to lie between two looks."""
        return self.failed & (self.upper > self.lower)

    def lives(self, n_groups: int | None = None) -> Lives:
        """Return them in the form the estimators take; `n_groups` when regrouped."""
        n = len(self.labels) if n_groups is None else n_groups
        return Lives.from_intervals(
            self.lower, self.upper, entry=self.entry, group=self.group, n_groups=n
        )

    def exact_lives(self) -> Lives:
        """Return them with each interval taken at its middle, for Kaplan-Meier."""
        return Lives.from_ages(
            self.exit_age,
            self.failed,
            entry=self.entry,
            group=self.group,
            n_groups=len(self.labels),
        )

    def counts(self) -> tuple[Ints, Ints, Ints]:
        """Return lives, failures and still running parts of each group."""
        n = len(self.labels)
        return (
            np.bincount(self.group, minlength=n),
            np.bincount(self.group[self.failed], minlength=n),
            np.bincount(self.group[self.running], minlength=n),
        )


def _keys(by: Sequence[str]) -> tuple[str, str]:
    """Return the columns of groupings as they are selected, and the names they are given."""
    names = [f"k{i}" for i in range(len(by))]
    keys = (f"{GROUPINGS[key]} AS {name}" for key, name in zip(by, names, strict=True))
    return ", ".join(keys), ", ".join(names)


def load(
    view: LedgerView,
    by: tuple[str, ...],
    *,
    component: str | None = None,
    clock: Clock = "distance",
) -> GroupedLives:
    """Read the lives of fitted parts.

    Args:
        view: the ledger as of a day.
        by: groupings, keys of `GROUPINGS`.
        component: only this component.
        clock: ages by distance or by calendar.
    """
    keys, listed = _keys(by)
    suffix = "km" if clock == "distance" else "days"
    lives = f"""
        SELECT {keys}, entry_{suffix} AS entry, lower_{suffix} AS lower, upper_{suffix} AS upper,
               failed, running, coalesce(failed AND reason = 'worn_out', FALSE) AS worn
        FROM part_lives
        WHERE coalesce(upper_{suffix}, 'infinity'::DOUBLE) > entry_{suffix}
          AND lower_{suffix} >= entry_{suffix}
          AND (failed OR lower_{suffix} > entry_{suffix})
          AND component = coalesce(?, component)"""
    groups = (
        f"SELECT {listed}, row_number() OVER (ORDER BY {listed}) - 1 AS g FROM ("
        f"SELECT DISTINCT {listed} FROM ({lives}))"
    )
    labels = view.sql(f"SELECT {listed} FROM ({groups}) ORDER BY g", (component,)).rows
    data = view.arrays(
        f"""SELECT g, entry, lower, upper, failed, running, worn
            FROM ({lives}) AS l JOIN ({groups}) AS n USING ({listed})
            ORDER BY g, lower, upper, entry""",
        (component, component),
    )
    scale = _SCALE[clock]
    upper = data["upper"].astype(np.float64)
    return GroupedLives(
        by=by,
        labels=labels,
        group=data["g"].astype(np.int64),
        entry=data["entry"].astype(np.float64) / scale,
        lower=data["lower"].astype(np.float64) / scale,
        upper=np.where(np.isnan(upper), np.inf, upper) / scale,
        failed=data["failed"].astype(bool),
        running=data["running"].astype(bool),
        worn=data["worn"].astype(bool),
    )


def coded(labels: list[tuple[str, ...]], *places: int) -> tuple[Ints, list[tuple[str, ...]]]:
    """Return a dense number for each label by the cells at `places`, and what each stands for."""
    if not labels:
        return np.zeros(0, dtype=np.int64), []
    # Hundreds of thousands of labels: texts become numbers a column at a time (their hashes are
    # kept, a tuple's are not), and the numbers of a label one number.
    joined = np.zeros(len(labels), dtype=np.int64)
    for place in places:
        column = list(map(itemgetter(place), labels))
        numbers = {text: number for number, text in enumerate(dict.fromkeys(column))}
        codes = np.fromiter(map(numbers.__getitem__, column), np.int64, len(column))
        joined = joined * len(numbers) + codes
    _joined, first, code = np.unique(joined, return_index=True, return_inverse=True)
    shown = map(labels.__getitem__, first.tolist())
    if len(places) == 1:
        return code.astype(np.int64), [(label[places[0]],) for label in shown]
    return code.astype(np.int64), list(map(itemgetter(*places), shown))


def log_rank_of(
    grouped: GroupedLives,
    rows: Ints,
    mine: Bools,
    strata: Ints | None = None,
    level: float = 0.95,
) -> LogRank | None:
    """Compare some lives with others by a log-rank test, None when never at risk together.

    Args:
        grouped: all lives.
        rows: those compared.
        mine: of each life, on which side it is.
        strata: of each group, within which of them it is compared; None for all.
        level: of the limits.
    """
    try:
        return log_rank(
            mine[rows],
            grouped.entry[rows],
            grouped.exit_age[rows],
            grouped.failed[rows],
            stratum=None if strata is None else strata[grouped.group[rows]],
            level=level,
        )
    except LifeDataError:
        return None


def left_out_by(
    view: LedgerView, lives: GroupedLives, component: str | None = None
) -> list[dict[str, int]]:
    """Return why -> how many stays could not be counted, for each group of lives.

    Who supplied a part of unknown age is unknown too: groups told apart by supplier or part
    number get what is left out of all of them together.
    """
    known = [key for key in lives.by if key not in ("supplier", "part-number")]
    places = [lives.by.index(key) for key in known]
    keys, listed = _keys(known)
    rows = view.sql(
        f"""SELECT {listed}, why, count(*)
            FROM (SELECT {keys}, why
                  FROM (SELECT o.*, v.vehicle_class, v.duty
                        FROM part_lives_left_out AS o JOIN vehicles AS v USING (vehicle_id))
                  WHERE component = coalesce(?, component))
            GROUP BY {listed}, why ORDER BY {listed}, why""",
        (component,),
    ).rows
    found: dict[tuple[str, ...], dict[str, int]] = {}
    for *key, why, number in rows:
        found.setdefault(tuple(str(cell) for cell in key), {})[why] = int(number)
    return [found.get(tuple(label[i] for i in places), {}) for label in lives.labels]


def unrecorded(view: LedgerView) -> tuple[int, float]:
    """Return the vehicles not watched until their first record, and the years before it in all."""
    ((number, days),) = view.sql(
        """SELECT count(*), coalesce(sum(date_diff('day', enrolled_on, observed_on)), 0)
           FROM vehicles WHERE observed_by = 'first_record'"""
    ).rows
    return int(number), float(days) / 365.25


def failure_events(
    view: LedgerView, by: tuple[str, ...], component: str | None = None, most: int = 60
) -> dict[tuple[str, ...], tuple[str, ...]]:
    """Return group label -> ids of the events that ended its failed lives, latest first."""
    keys, listed = _keys(by)
    rows = view.sql(
        f"""SELECT {listed}, list(ended_by ORDER BY ended_on DESC, ended_by)[1:{most}]
            FROM (SELECT {keys}, ended_by, ended_on FROM part_lives
                  WHERE failed AND ended_by IS NOT NULL AND component = coalesce(?, component))
            GROUP BY {listed}""",
        (component,),
    ).rows
    return {tuple(str(cell) for cell in row[:-1]): tuple(row[-1]) for row in rows}


DAYS_PER_MONTH = 365.25 / 12.0
# A vehicle not seen for longer than this is not assumed to have gone on at its old pace.
_LONGEST_GAP_DAYS = 180.0
# Used only where no vehicle of the ledger has a pace: common practice, no source.
_USUAL_KM, _USUAL_SPREAD = 1600.0, 0.5
#: A class of fewer vehicles with a pace says no more of another one than the fleet does.
_FEWEST_OF_CLASS = 3
_WIDEST = 2.5


@dataclass(frozen=True, eq=False)
class Paces:
    """The pace of every vehicle that is still here.

    Attributes:
        index: vehicle id -> place in the arrays.
        per_month: km a month.
        sd_month: spread of a single month around it, km.
        sd_pace: uncertainty of the pace itself, km a month.
        days_since: days since it was last seen, at most 180.
        km_since: what it has gone since its last reading at that pace, likewise.
        assumed: whether the pace is the fleet's for want of readings.
        common: relative variance of what a year adds to the pace of all vehicles alike.
    """

    index: dict[str, int]
    per_month: Floats
    sd_month: Floats
    sd_pace: Floats
    days_since: Floats
    km_since: Floats
    assumed: Bools
    common: float = 0.0

    def ahead(
        self,
        months: float,
        km: float | None = None,
        points: tuple[Floats, Floats] | None = None,
    ) -> DistanceAhead:
        """Return the distance ahead in km: of `months` with its spread, or exactly `km`.

        Args:
            months: how far ahead.
            km: how far ahead by distance instead.
            points: see `belief.distance_ahead`.
        """
        if km is not None:
            weight = np.ones(1) if points is None else points[1]
            return DistanceAhead(np.full((weight.size, self.per_month.size), km), weight)
        # The spread of the whole stretch is held to what a lognormal can stand for.
        widest = _WIDEST * self.per_month / 2.0
        return distance_ahead(
            self.per_month,
            float(months),
            sd_pace=np.minimum(self.sd_pace, widest),
            sd_month=np.minimum(self.sd_month, widest * np.sqrt(max(months, 1e-9))),
            points=points,
        )


def load_paces(view: LedgerView) -> Paces:
    """Return the pace of every vehicle that has not left, read once for a view."""
    return view.kept((Paces,), lambda: _read_paces(view))


def _read_paces(view: LedgerView) -> Paces:
    today = view.today.isoformat()
    rows = view.sql(
        """SELECT v.vehicle_id, u.km_per_month, u.sd_km_per_month,
                  date_diff('day', u.from_on, u.to_on),
                  date_diff('day', v.last_seen_on, CAST(? AS DATE)),
                  date_diff('day', coalesce(v.last_reading_on, v.last_seen_on), CAST(? AS DATE)),
                  coalesce(v.vehicle_class, '')
           FROM vehicles AS v LEFT JOIN usage_rates AS u USING (vehicle_id)
           WHERE v.retired_on IS NULL ORDER BY v.vehicle_id""",
        (today, today),
    ).rows
    pace, spread, watched, seen_days, read_days = (
        np.array([np.nan if row[i] is None else row[i] for row in rows], dtype=np.float64)
        for i in range(1, 6)
    )
    seen = pace > 0.0
    usual = float(np.median(pace[seen])) if seen.any() else _USUAL_KM
    among = float(np.std(pace[seen])) if seen.sum() > 2 else usual * _USUAL_SPREAD
    typical = float(np.nanmedian(spread)) if np.isfinite(spread).any() else usual * 0.25
    monthly = np.where(seen & np.isfinite(spread), spread, typical)
    per_month = np.where(seen, pace, usual)
    # Who has no pace of its own yet is taken to go as far as its class does.
    kinds = np.array([row[6] for row in rows], dtype=object)
    for kind in set(kinds[~seen].tolist()):
        alike = seen & (kinds == kind)
        if alike.sum() >= _FEWEST_OF_CLASS:
            per_month[~seen & (kinds == kind)] = np.median(pace[alike])
    months = np.maximum(np.where(seen, watched, 0.0) / DAYS_PER_MONTH, 1.0)
    gap = np.clip(np.nan_to_num(read_days), 0.0, _LONGEST_GAP_DAYS)
    month_by_month = float(np.median((monthly / np.maximum(per_month, 1.0)) ** 2)) if rows else 0.0
    own, common = _swings(view, month_by_month / 12.0)
    return Paces(
        index={row[0]: i for i, row in enumerate(rows)},
        per_month=per_month,
        sd_month=monthly,
        # The mean of so many months, and what one year differs from the two before it; an
        # assumed pace may be any of the fleet's.
        sd_pace=np.where(
            seen, np.hypot(monthly / np.sqrt(months), per_month * np.sqrt(own + common)), among
        ),
        days_since=np.clip(np.nan_to_num(seen_days), 0.0, _LONGEST_GAP_DAYS),
        km_since=per_month * gap / DAYS_PER_MONTH,
        assumed=~seen,
        common=common,
    )


# Before any year is seen: what one year's pace differs from another's, for all vehicles alike
# and for each, as relative variances that count for so many years. Common practice, no source.
_COMMON, _OWN, _YEARS_HELD = 0.03**2, 0.08**2, 2.0
_LEAST_DAYS = 200
_FEWEST_VEHICLES = 4


def _swings(view: LedgerView, noise: float) -> tuple[float, float]:
    """Return how much a year's pace differs from the two before: each vehicle's own, and common.

    Relative variances. Years are counted back from the last reading of the ledger, so that they
    end where the time ahead begins.

    Args:
        view: the ledger as of a day.
        noise: relative variance of a year's pace by the ups and downs of its months.
    """
    rows = view.sql(
        f"""WITH years AS (
              SELECT vehicle_id, date_diff('day', occurred_on, CAST(? AS DATE)) // 365 AS year,
                     (max(true_km) - min(true_km)) / date_diff('day', min(occurred_on),
                                                               max(occurred_on)) AS pace
              FROM readings WHERE used
              GROUP BY vehicle_id, year
              HAVING date_diff('day', min(occurred_on), max(occurred_on)) >= {_LEAST_DAYS}
                 AND max(true_km) > min(true_km)
            )
            SELECT year, ln(pace) - avg(ln(pace)) OVER (PARTITION BY vehicle_id) AS off,
                   count(*) OVER (PARTITION BY vehicle_id) AS years
            FROM years ORDER BY year, off""",
        (view.today.isoformat(),),
    ).rows
    year, off, years = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    some = years > 1
    year, off, years = year[some].astype(np.int64), off[some], years[some]
    if not off.size:
        return 1.5 * _OWN, 1.5 * _COMMON
    # A vehicle's mean takes up a share of what its years differ by.
    off = off * np.sqrt(years / (years - 1.0))
    number = np.bincount(year)
    mean = np.bincount(year, off) / np.maximum(number, 1)
    held = number >= _FEWEST_VEHICLES
    within = float(np.mean((off - mean[year]) ** 2))
    common = float(np.sum(np.maximum(mean[held] ** 2 - within / number[held], 0.0)))
    count = max(int(held.sum()) - 1, 0)
    common = (common + _YEARS_HELD * _COMMON) / (count + _YEARS_HELD)
    vehicles = off.size / float(years.mean())
    own = max(within - noise, 0.0)
    own = (own * vehicles + _OWN * _YEARS_HELD) / (vehicles + _YEARS_HELD)
    # What comes differs from the mean of two years by its own swing and half of theirs.
    return 1.5 * own, 1.5 * common
