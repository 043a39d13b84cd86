"""What was paid for each kind of job, in the money of today, and what is no price.

Work that was free, whole or in its part, and work at a comeback say nothing of a price. An amount
far from all others of its kind is taken for a slip of the pen: it sets neither a price nor a
spread. Far is a modified z-score of the logarithm above 3.5 (Iglewicz and Hoaglin, How to Detect
and Handle Outliers, ASQC 1993), with a spread that is never taken below `_LEAST_SD`.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, place_sql

Floats = NDArray[np.float64]

#: Fewer prices than this tell neither a range nor which of them is a slip.
LEAST = 3
_LATEST = 30
_LEAST_FOR_RISE = 60
_LEAST_YEARS = 2.0
# A rise outside this range is a sign of mixed work, not of money.
_RISES = (0.0, 0.15)
# What a yearly rise may be before a ledger has said anything: common practice, no source.
_RISE_SPREAD = 0.03
_MOST_Z = 3.5
# MAD over this is a standard deviation, where a law is normal (Iglewicz and Hoaglin, 1993).
_MAD_OF_SD = 0.6745
# Honest prices of one job differ by makes and hours; with it a tenth or tenfold is always far,
# a fourfold price never (common practice, no source).
_LEAST_SD = 0.4
# The same between classes of unknown level, and from what trade hours would have it.
_WIDE_SD = 0.8
_LEAST_JOBS_KNOWN = 10
#: Two classes are compared by the components that both have a price of, if there are as many.
LEAST_SHARED = 5
_PLACE = place_sql("j.component", "j.position")
# What is done by the axle is one job, also when each wheel was written down; one side alone
# counts twice, so that all prices of such a component are those of an axle. A part that came
# free of charge, where others of its kind are charged, leaves only labour: no price of the job.
_JOBS = f"""
    SELECT j.component, j.vehicle_class, j.work, max(j.occurred_on) AS occurred_on,
           max(j.seq) AS seq, sum(j.cost) AS paid,
           sum(j.cost) * CASE WHEN bool_and({_PLACE} <> j.position)
                               AND count(DISTINCT j.position) = 1 THEN 2 ELSE 1 END AS cost,
           arg_max(j.event_id, j.cost) AS event_id
    FROM (SELECT r.*, v.vehicle_class, CAST(r.total_cost AS DOUBLE) AS cost,
                 bool_or(r.parts_cost > 0) OVER (PARTITION BY r.component, r.work) AS has_parts
          FROM (SELECT vehicle_id, component, position, 'replaced' AS work, occurred_on, seq,
                       event_id, total_cost, parts_cost, currency FROM replacements
                UNION ALL
                SELECT vehicle_id, component, position, action, occurred_on, seq, event_id,
                       total_cost, parts_cost, currency FROM maintenance_done) AS r
          JOIN vehicles AS v USING (vehicle_id)) AS j
    WHERE j.cost > 0 AND j.currency = ? AND NOT (has_parts AND coalesce(j.parts_cost, 1) = 0)
      AND j.event_id NOT IN (SELECT event_id FROM comebacks)
    GROUP BY j.component, j.vehicle_class, j.work,
             CASE WHEN {_PLACE} <> j.position
                  THEN concat_ws('|', j.vehicle_id, {_PLACE}, j.occurred_on)
                  ELSE j.event_id END"""


@dataclass(frozen=True, slots=True)
class OddPrice:
    """An amount that is taken for a slip of the pen, as it was written down."""

    component: str
    event: str
    amount: float
    currency: str


#: (component, work) -> class of vehicle -> prices, in the money of today.
Kept = dict[tuple[str, str], dict[str, Floats]]


@dataclass(frozen=True, eq=False)
class Job:
    """One priced job: what was paid in the money of today, and as it was written down."""

    today: float
    paid: float
    event: str


#: (component, work, class of vehicle) -> its latest jobs.
Groups = dict[tuple[str, str, str], list[Job]]


def jobs_of(view: LedgerView, currency: str, rise: float) -> Groups:
    """Return the latest priced jobs of each kind, prices raised to today by `rise` a year."""
    rows = view.sql(
        f"""SELECT component, work, vehicle_class, paid, event_id,
                   cost * pow(1 + ?, date_diff('day', occurred_on, CAST(? AS DATE)) / 365.25)
            FROM (SELECT *, row_number() OVER (PARTITION BY component, work, vehicle_class
                                               ORDER BY occurred_on DESC, seq DESC) AS back
                  FROM ({_JOBS}) AS jobs)
            WHERE back <= {_LATEST} ORDER BY component, work, vehicle_class, back""",
        (rise, view.today.isoformat(), currency),
    ).rows
    found = Groups()
    for component, work, kind, cost, event, today in rows:
        found.setdefault((component, work, kind), []).append(Job(today, cost, event))
    return found


def kept_of(groups: Groups, currency: str) -> tuple[Kept, tuple[OddPrice, ...]]:
    """Part prices from slips of the pen: within a class first, then the lonely ones by the rest."""
    kept, odd = Kept(), list[OddPrice]()

    def judge(key: tuple[str, str, str], middle: float, least: float) -> None:
        component, work, kind = key
        paid = np.array([job.today for job in groups[key]])
        logs = np.log(paid)
        far = np.abs(logs - middle) > _MOST_Z * _sd(logs, least)
        odd.extend(
            OddPrice(component, job.event, job.paid, currency)
            for job, is_far in zip(groups[key], far, strict=True)
            if is_far
        )
        if not np.all(far):
            kept.setdefault((component, work), {})[kind] = paid[~far]

    for key, jobs in groups.items():
        if len(jobs) >= LEAST:
            judge(key, float(np.median(np.log([job.today for job in jobs]))), _LEAST_SD)
    by_hours = _by_hours(groups)
    for key in [key for key, jobs in groups.items() if len(jobs) < LEAST]:
        # Two prices cannot say which of them is the slip: other classes can, or the trade hours.
        component, work, kind = key
        others = {name: paid for name, paid in kept.get(key[:2], {}).items() if name != kind}
        ratios = [level_ratio(kept, kind, name, work) for name in others]
        scaled = [
            paid * ratio
            for paid, ratio in zip(others.values(), ratios, strict=True)
            if ratio is not None
        ]
        reference = together(scaled or others.values())
        usual = by_hours.get(component) if work == "replaced" else None
        if reference.size >= LEAST:
            judge(key, float(np.median(np.log(reference))), _LEAST_SD if scaled else _WIDE_SD)
        elif usual is not None:
            judge(key, usual, _WIDE_SD)
        else:
            judge(key, float(np.median(np.log([job.today for job in groups[key]]))), np.inf)
    return kept, tuple(odd)


def _sd(logs: Floats, least: float) -> float:
    """Return the robust spread of log prices, which two prices cannot tell."""
    if logs.size < LEAST:
        return least
    mad = float(np.median(np.abs(logs - np.median(logs))))
    return max(mad / _MAD_OF_SD, least)


def _by_hours(groups: Groups) -> dict[str, float]:
    """Return component -> log price to be expected by its trade hours, as this shop charges.

    From the median price for an hour of trade labour over all kinds of jobs on record; empty
    where fewer than ten are known, or where they differ too much to tell a slip.
    """
    hours = {}
    for key in groups:
        known = catalogue().find(key[0])
        if key[1] == "replaced" and known is not None and known.labour_hours is not None:
            low, high = known.labour_hours
            if low > 0:
                hours[key[0]] = float(np.log(low * high)) / 2.0
    level = np.array(
        [
            np.median(np.log([job.today for job in jobs])) - hours[key[0]]
            for key, jobs in groups.items()
            if key[1] == "replaced" and key[0] in hours
        ]
    )
    if level.size < _LEAST_JOBS_KNOWN or _sd(level, 0.0) > _WIDE_SD:
        return {}
    return {component: hour + float(np.median(level)) for component, hour in hours.items()}


def together(prices: Iterable[Floats]) -> Floats:
    """Return several sets of prices as one."""
    return np.concatenate([np.zeros(0), *prices])


def _log_middle(prices: Floats) -> float:
    """Return the median of the log prices, quicker than NumPy's for the few that there are."""
    logs = np.sort(np.log(prices))
    return float(logs[(logs.size - 1) // 2] + logs[logs.size // 2]) / 2.0


def level_ratio(kept: Kept, one: str, other: str, work: str) -> float | None:
    """Return exp of the median difference of log price over what both classes have a price of."""
    differences = [
        _log_middle(paid[one]) - _log_middle(paid[other])
        for (_component, action), paid in kept.items()
        if action == work and one in paid and other in paid
    ]
    return float(np.exp(np.median(differences))) if len(differences) >= LEAST_SHARED else None


def price_rise(view: LedgerView, currency: str) -> float:
    """Return the yearly rise that the ledger's own prices show, 0 where they are too few.

    The slope of log price on time within component and class, drawn towards none as far as
    its own uncertainty goes, and held between 0 and 15 % a year: a slope that may only go up
    would else raise the prices of a small ledger by its noise. Slips of the pen are left out.
    """
    rows = view.arrays(
        f"""SELECT g, years, y FROM (
              SELECT dense_rank() OVER (ORDER BY component, work, vehicle_class) - 1 AS g,
                     date_diff('day', DATE '2000-01-01', occurred_on) / 365.25 AS years,
                     ln(cost) AS y, seq,
                     abs(ln(cost) - median(ln(cost)) OVER (
                       PARTITION BY component, work, vehicle_class)) AS off
              FROM ({_JOBS}) AS jobs)
            WHERE off <= {_MOST_Z * _WIDE_SD} ORDER BY seq""",
        (currency,),
    )
    years = rows["years"].astype(np.float64)
    if years.size < _LEAST_FOR_RISE or np.ptp(years) < _LEAST_YEARS:
        return 0.0
    group = rows["g"].astype(np.int64)
    size = np.maximum(np.bincount(group), 1)
    x, y = (
        values - (np.bincount(group, values) / size)[group]
        for values in (years, rows["y"].astype(np.float64))
    )
    spread = float(np.sum(x * x))
    freedom = years.size - np.count_nonzero(np.bincount(group)) - 1
    if spread <= 0.0 or freedom < 1:
        return 0.0
    slope = float(np.sum(x * y)) / spread
    error = float(np.sum((y - slope * x) ** 2)) / freedom / spread
    slope *= _RISE_SPREAD**2 / (_RISE_SPREAD**2 + error)
    return float(np.clip(np.expm1(slope), *_RISES))


def labour_rate_of(view: LedgerView, currency: str) -> float | None:
    """Return the usual price of an hour of late, None where none is on record."""
    rows = view.sql(
        """SELECT quantile_cont(rate, 0.5) FROM (
             SELECT CAST(labour_rate AS DOUBLE) AS rate FROM replacements
             WHERE labour_rate > 0 AND currency = ?
             ORDER BY occurred_on DESC, seq DESC LIMIT 50)""",
        (currency,),
    ).rows
    return None if not rows or rows[0][0] is None else float(rows[0][0])
