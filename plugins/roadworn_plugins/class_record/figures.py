"""Failures, cost and hours of groups of vehicles, each against all the others at the same distance.

A class that is driven further fails more, so what is usual is what happened to the others in the
same band of distance: indirect standardisation (Breslow and Day, Statistical Methods in Cancer
Research II, 1987, from memory). Ratios of observed to usual borrow from each other by a Gamma
prior that they set together (`lifedata.shrinkage`), so few failures stand near "as usual".
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import place_sql
from roadworn_plugins.lifedata.shrinkage import GammaPrior, fit_prior
from roadworn_plugins.lifedata.special import gammaincinv, ndtri

Floats = NDArray[np.float64]

#: What vehicles may be put together by, and the column of `vehicles` it stands in.
GROUPINGS = {
    "class": "vehicle_class",
    "make": "make",
    "model": "concat_ws(' ', make, model)",
    "engine": "engine",
    "gearbox": "gearbox",
    "year": "CAST(model_year AS VARCHAR)",
}
#: Width of a band of distance and of a band of age.
_BAND_KM, _BANDS = 40_000.0, 12
AGE_BANDS = ((0, 5), (5, 10), (10, 15), (15, 99))
#: Before pairs have set it, a ratio is taken to lie within a factor of about two of usual.
_USUAL = GammaPrior(4.0, 4.0, "common practice, no source")
#: The spread of log hours between groups, before the jobs speak (common practice, no source).
_HOURS_SPREAD = 0.25
_FROM_THREE = 3
_PLACE = place_sql("component", "position")


@dataclass(frozen=True, slots=True)
class Job:
    """One failure put right: by the axle where it is done so.

    `hours` and `cost` are None where nobody wrote them down; `band` is -1 without a distance.
    """

    vehicle: str
    group: str
    component: str
    km: float | None
    age: float | None
    hours: float | None
    cost: float | None
    events: tuple[str, ...]

    @property
    def band(self) -> int:
        """The band of distance it happened in."""
        return -1 if self.km is None else min(int(max(self.km, 0.0) / _BAND_KM), _BANDS - 1)


@dataclass(frozen=True, eq=False)
class Record:
    """What the ledger has on groups of vehicles.

    Attributes:
        groups: their names, sorted.
        vehicles: of each group.
        km: driven under the ledger's eye, shape (groups, bands).
        years: the same by bands of age in years, shape (groups, age bands).
        jobs: failures put right.
        currency: of the costs.
        cars: group, class and distances of each vehicle.
        fitted: (class, component) that something was ever written down of: a diesel has no coil.
    """

    groups: tuple[str, ...]
    vehicles: Mapping[str, int]
    km: Floats
    years: Floats
    jobs: tuple[Job, ...]
    currency: str
    cars: tuple[tuple[int, str, Floats], ...]
    fitted: frozenset[tuple[str, str]]

    def km_with(self, component: str) -> Floats:
        """Return the distances of the vehicles that have a component, shape (groups, bands)."""
        found = np.zeros_like(self.km)
        for group, kind, km in self.cars:
            if (kind, component) in self.fitted:
                found[group] += km
        return found

    def of(self, group: str) -> int:
        """Return the number of a group."""
        return self.groups.index(group)


def load_record(view: LedgerView, by: str) -> Record:
    """Read the groups, how far they went, and what failed on them."""
    today = view.today.isoformat()
    rows = view.sql(
        f"""SELECT vehicle_id, {GROUPINGS[by]} AS name, enrolment_km, last_km,
                   coalesce(in_service_date, make_date(model_year, 7, 1)),
                   enrolled_on, coalesce(retired_on, last_seen_on, CAST(? AS DATE)), vehicle_class
            FROM vehicles ORDER BY vehicle_id""",
        (today,),
    ).rows
    known = [row for row in rows if row[1]]
    groups = tuple(sorted({str(row[1]) for row in known}))
    index = {name: i for i, name in enumerate(groups)}
    km, years = np.zeros((len(groups), _BANDS)), np.zeros((len(groups), len(AGE_BANDS)))
    vehicles: dict[str, int] = defaultdict(int)
    group, born = {}, {}
    cars: list[tuple[int, str, Floats]] = []
    ends = np.array([*(np.arange(_BANDS) * _BAND_KM), np.inf])
    for vehicle, name, first, last, new, enrolled, seen, kind in known:
        i = index[str(name)]
        vehicles[str(name)] += 1
        group[vehicle], born[vehicle] = str(name), new
        if last is not None:
            start, stop = float(first or 0.0), float(last)
            far = np.clip(np.minimum(stop, ends[1:]) - np.maximum(start, ends[:-1]), 0.0, None)
            km[i] += far
            cars.append((i, str(kind), far))
        if new is not None:
            ages = [(day - new).days / 365.25 for day in (enrolled, seen)]
            for b, (low, high) in enumerate(AGE_BANDS):
                years[i, b] += max(0.0, min(ages[1], high) - max(ages[0], low))
    currency, jobs = _jobs(view, group, born)
    fitted = view.sql(
        """SELECT DISTINCT vehicle_class, component FROM vehicles JOIN (
             SELECT vehicle_id, component FROM replacements
             UNION ALL SELECT vehicle_id, component FROM repairs
             UNION ALL SELECT vehicle_id, component FROM findings
             UNION ALL SELECT vehicle_id, component FROM maintenance_done) USING (vehicle_id)"""
    ).rows
    has = frozenset((str(kind), str(component)) for kind, component in fitted)
    return Record(groups, dict(vehicles), km, years, jobs, currency, tuple(cars), has)


def _jobs(
    view: LedgerView, group: Mapping[str, str], born: Mapping[str, object]
) -> tuple[str, tuple[Job, ...]]:
    totals = view.sql(
        """SELECT currency, count(*) FROM replacements WHERE total_cost > 0
           GROUP BY currency ORDER BY count(*) DESC, currency"""
    ).rows
    currency = str(totals[0][0]) if totals else ""
    jobs = []
    for vehicle, component, km, hours, cost, events, age in view.sql(
        f"""SELECT w.vehicle_id, w.component, max(w.true_km), sum(w.labour_hours),
                   sum(CASE WHEN w.currency = ? THEN CAST(w.total_cost AS DOUBLE) END),
                   list(w.event_id ORDER BY w.seq),
                   date_diff('day', any_value(coalesce(v.in_service_date,
                                                       make_date(v.model_year, 7, 1))),
                             w.occurred_on) / 365.25
            FROM (SELECT vehicle_id, component, position, occurred_on, true_km, labour_hours,
                         total_cost, currency, event_id, seq
                  FROM replacements WHERE reason IN ('failed', 'worn_out') AND along_with IS NULL
                  UNION ALL
                  SELECT vehicle_id, component, position, occurred_on, true_km, labour_hours,
                         total_cost, currency, event_id, seq FROM repairs) AS w
            JOIN vehicles AS v USING (vehicle_id)
            GROUP BY w.vehicle_id, w.component, w.occurred_on, {_PLACE}
            ORDER BY min(w.seq)""",
        (currency,),
    ).rows:
        if vehicle in group:
            new = age if born[vehicle] else None
            name = group[vehicle]
            jobs.append(Job(vehicle, name, component, km, new, hours, cost, tuple(events)))
    return currency, tuple(jobs)


@dataclass(frozen=True, slots=True)
class Against:
    """A count against what is usual.

    Attributes:
        seen: failures.
        usual: as the others failed at the same distances.
        ratio, low, high: shrunken ratio with its limits.
        raw: the ratio as it stands, None where nothing is usual.
    """

    seen: int
    usual: float
    ratio: float
    low: float
    high: float
    raw: float | None


def counts_of(record: Record, jobs: Iterable[Job]) -> Floats:
    """Return failures with a known distance, shape (groups, bands)."""
    found = np.zeros_like(record.km)
    for job in jobs:
        if job.band >= 0:
            found[record.of(job.group), job.band] += 1.0
    return found


def usual_of(counts: Floats, km: Floats) -> Floats:
    """Return what is usual for each group: its distance at the others' rates, band by band.

    Where the others never went, their rate over all bands stands in.

    Args:
        counts: failures, shape (groups, bands).
        km: distance, the same shape.
    """
    others, far = counts.sum(axis=0) - counts, km.sum(axis=0) - km
    overall = others.sum(axis=1, keepdims=True) / np.maximum(far.sum(axis=1, keepdims=True), 1.0)
    rate = np.where(far > 0.0, others / np.where(far > 0.0, far, 1.0), overall)
    return np.asarray((rate * km).sum(axis=1))


def compared(pairs: Sequence[tuple[float, float]], level: float) -> list[Against]:
    """Return each count against what is usual, drawn towards each other.

    Args:
        pairs: failures and what is usual, a pair a group and component.
        level: of the limits.
    """
    seen, usual = (np.array([pair[i] for pair in pairs], dtype=np.float64) for i in (0, 1))
    kept = usual > 0.0
    prior = fit_prior(seen[kept], usual[kept]) if kept.sum() >= _FROM_THREE else _USUAL
    if prior.status != "fitted":
        prior = _USUAL
    a, b = prior.a + seen, prior.b + usual
    side = (1.0 - level) / 2.0
    return [
        Against(
            int(seen[i]),
            float(usual[i]),
            float(a[i] / b[i]),
            float(gammaincinv(a[i], side) / b[i]),
            float(gammaincinv(a[i], 1.0 - side) / b[i]),
            float(seen[i] / usual[i]) if usual[i] > 0.0 else None,
        )
        for i in range(len(pairs))
    ]


@dataclass(frozen=True, slots=True)
class Hours:
    """Hours of a group's jobs against others' for the same components.

    Attributes:
        jobs: with hours on record, of components that others had done too.
        ratio, low, high: shrunken, 1.2 where the same job takes a fifth longer.
    """

    jobs: int
    ratio: float
    low: float
    high: float


def hours_against(record: Record, group: str, level: float) -> Hours | None:
    """Return how hard a group is to work on, None without jobs to compare.

    The mean of the logarithm of hours over the others' mean for the same component, weighed by
    the jobs on both sides, and drawn towards none as far as its own error goes.
    """
    own: dict[str, list[float]] = defaultdict(list)
    others: dict[str, list[float]] = defaultdict(list)
    for job in record.jobs:
        if job.hours is not None and job.hours > 0.0:
            (own if job.group == group else others)[job.component].append(float(np.log(job.hours)))
    shared = sorted(own.keys() & others.keys())
    if not shared:
        return None
    left = np.concatenate(
        [np.array(side[c]) - np.mean(side[c]) for c in shared for side in (own, others)]
    )
    freedom = left.size - 2 * len(shared)
    # Without repeats the spread of one job is taken from the trade (common practice, no source).
    spread = float(np.sum(left**2)) / freedom if freedom > 0 else 0.15**2
    weight = np.array([1.0 / (1.0 / len(own[c]) + 1.0 / len(others[c])) for c in shared])
    apart = np.array([np.mean(own[c]) - np.mean(others[c]) for c in shared])
    error = max(spread, 1e-4) / weight.sum()
    pull = _HOURS_SPREAD**2 / (_HOURS_SPREAD**2 + error)
    middle, sd = pull * float(weight @ apart / weight.sum()), float(np.sqrt(pull * error))
    wide = float(ndtri((1.0 + level) / 2.0)) * sd
    return Hours(
        sum(len(own[c]) for c in shared), *(float(np.exp(middle + x)) for x in (0.0, -wide, wide))
    )
