"""How long a class of vehicles is worth keeping, from what its own vehicles have cost.

The running cost is the mean cumulative cost by true distance, so vehicles that came late or
left early count for the stretch they were seen. What a vehicle fetches falls exponentially
with distance, fitted to the valuations on record.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadworn.view import LedgerView
from roadworn_plugins.lifedata.errors import LifeDataError
from roadworn_plugins.lifedata.recurrence import mean_cumulative
from roadworn_plugins.projection.economic import economic_life

Floats = NDArray[np.float64]

_GRID = 60
_RESAMPLES = 100
_LEAST_VEHICLES = 5
_LEAST_VALUES = 5


@dataclass(frozen=True, slots=True)
class ClassEconomics:
    """Economic life of one class in km; None where the record cannot say.

    `low` and `high` hold 80 % of the resampled answers; `average` is money per km at the best.
    """

    vehicle_class: str
    vehicles: int
    best: float | None
    low: float | None
    high: float | None
    average: float | None
    words: str


@dataclass(frozen=True, eq=False)
class _Record:
    """One class: windows of distance by vehicle, and jobs by vehicle and distance."""

    start: Floats
    stop: Floats
    job_vehicle: NDArray[np.int64]
    job_km: Floats
    job_cost: Floats


def economics_of_classes(view: LedgerView, price: float, currency: str) -> list[ClassEconomics]:
    """Return the economic life of each class that has vehicles, by name."""
    windows = view.sql(
        """SELECT vehicle_class, vehicle_id, coalesce(enrolment_km, 0), last_km FROM vehicles
           WHERE last_km > coalesce(enrolment_km, 0) ORDER BY vehicle_class, vehicle_id"""
    ).rows
    jobs = view.sql(
        """SELECT vehicle_id, true_km, CAST(total_cost AS DOUBLE) FROM (
             SELECT vehicle_id, true_km, total_cost, currency FROM replacements
             UNION ALL SELECT vehicle_id, true_km, total_cost, currency FROM repairs
             UNION ALL SELECT vehicle_id, true_km, total_cost, currency FROM maintenance_done)
           WHERE total_cost > 0 AND currency = ? AND true_km IS NOT NULL
           ORDER BY vehicle_id, true_km""",
        (currency,),
    ).rows
    values = view.sql(
        """SELECT v.vehicle_class, w.true_km, CAST(w.value AS DOUBLE) FROM valuations AS w
           JOIN vehicles AS v USING (vehicle_id)
           WHERE w.currency = ? AND w.value > 0 AND w.true_km IS NOT NULL
           ORDER BY v.vehicle_class, w.true_km""",
        (currency,),
    ).rows
    found = []
    for name in dict.fromkeys(row[0] for row in windows):
        own = {row[1]: i for i, row in enumerate(r for r in windows if r[0] == name)}
        spans = [row for row in windows if row[0] == name]
        inside = [job for job in jobs if job[0] in own]
        record = _Record(
            start=np.array([row[2] for row in spans], dtype=np.float64),
            stop=np.array([row[3] for row in spans], dtype=np.float64),
            job_vehicle=np.array([own[job[0]] for job in inside], dtype=np.int64),
            job_km=np.array([job[1] for job in inside], dtype=np.float64),
            job_cost=np.array([job[2] for job in inside], dtype=np.float64),
        )
        worth = np.array([(row[1], row[2]) for row in values if row[0] == name])
        found.append(_one(name, record, worth, price))
    return found


def _one(name: str, record: _Record, worth: Floats, price: float) -> ClassEconomics:
    vehicles = record.start.size

    def unsaid(words: str) -> ClassEconomics:
        return ClassEconomics(name, vehicles, None, None, None, None, words)

    if vehicles < _LEAST_VEHICLES or record.job_cost.size < vehicles:
        return unsaid(f"too few to tell ({vehicles} vehicles, {record.job_cost.size} jobs)")
    if len(worth) < _LEAST_VALUES:
        return unsaid("too few valuations on record to say what such a vehicle fetches")
    slope, intercept = np.polyfit(worth[:, 0], np.log(worth[:, 1]), 1)
    if slope >= 0:
        return unsaid("the valuations on record do not fall with distance")
    if np.exp(intercept) >= price:
        return unsaid(
            f"valuations point to {np.exp(intercept):,.0f} at no distance, no less than the price "
            "given: buying and selling at once would be free; give the price really paid"
        )
    reach = float(np.quantile(record.stop, 0.75))
    ages = np.linspace(reach / _GRID, reach, _GRID)
    resale = np.exp(intercept + slope * ages)
    everyone = np.arange(vehicles)
    answer = _economic(record, everyone, ages, resale, price)
    if answer is None:
        return unsaid("nobody of this class was seen early enough to add its costs up from new")
    rng = np.random.default_rng(20260101)
    drawn = [
        _economic(record, rng.integers(0, vehicles, vehicles), ages, resale, price)
        for _ in range(_RESAMPLES)
    ]
    bests = np.array([one[0] for one in drawn if one is not None])
    low, high = (float(q) for q in np.quantile(bests, [0.1, 0.9]))
    best, average, inside = answer
    words = "" if inside else "still falling at the oldest age seen: keeping on has paid so far"
    return ClassEconomics(name, vehicles, best, low, high, average, words)


def _economic(
    record: _Record, drawn: NDArray[np.int64], ages: Floats, resale: Floats, price: float
) -> tuple[float, float, bool] | None:
    """Return best age, average cost there and whether it is an inner minimum."""
    running = _running_cost(record, drawn, ages)
    if running is None:
        return None
    life = economic_life(ages, running, price, resale)
    return life.best, life.lowest, life.inside


def _running_cost(record: _Record, drawn: NDArray[np.int64], ages: Floats) -> Floats | None:
    """Mean cumulative cost at `ages` over the vehicles drawn, each draw a unit of its own."""
    units, ages_of, cost = [], [], []
    for unit, vehicle in enumerate(drawn):
        own = record.job_vehicle == vehicle
        inside = own & (record.job_km > record.start[vehicle])
        inside &= record.job_km <= record.stop[vehicle]
        units.append(np.full(int(inside.sum()), unit))
        ages_of.append(record.job_km[inside])
        cost.append(np.round(record.job_cost[inside]))
    windows = (np.arange(drawn.size), record.start[drawn], record.stop[drawn])
    try:
        curve = mean_cumulative(
            np.concatenate(units), np.concatenate(ages_of), windows, count=np.concatenate(cost)
        )
        steps, _se = curve.at(0, np.minimum(ages, curve.last[0]))
    except LifeDataError:
        return None
    return steps
