"""What each mile costs in repairs and upkeep, and how long a class is worth keeping."""

from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Column,
    Estimate,
    Holds,
    Result,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.model.units import KM_PER_MILE
from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.recurrence import mean_cumulative
from roadworn_plugins.projection.economic import economic_life
from roadworn_plugins.shared.grouped import Unit
from roadworn_plugins.shared.settings import MostRows, OnlyVehicle, ShownUnit, all_said

Floats = NDArray[np.float64]

_GRID = 60
_RESAMPLES = 100
_LEAST_VEHICLES = 5
_LEAST_VALUES = 5
_say = Says(
    "cost-per-distance",
    {
        "too-few": "too few to tell ({vehicles} {vehicles:vehicle|vehicles}, {jobs} "
        "{jobs:job|jobs})",
        "no-values": "too few valuations on record to say what such a vehicle fetches",
        "values-rise": "the valuations on record do not fall with distance",
        "free": "valuations point to {value:,.0f} at no distance, no less than the price given: "
        "buying and selling at once would be free; give the price really paid",
        "seen-late": "nobody of this class was seen early enough to add its costs up from new",
        "falling": "still falling at the oldest age seen: keeping on has paid so far",
        "no-price": "No work with a price is on record in this period.",
        "record": "Record replacements and maintenance with --price or --hours and --rate.",
        "title": "Repairs and upkeep by distance, {period}",
        "per": "cost per {unit}",
        "all": "all on record",
        "last": "last {months:g} {months:month|months}",
        "spent": "{cost:,.0f} {currency} were spent ({period}), over no recorded distance.",
        "rate": "{rate:.3f} {currency} per {unit} over {distance:,.0f} {unit} ({period}); dearest: "
        "{dearest}.",
        "then": "{currency} per {unit} then",
        "life": "economic life of {vehicle_class}",
        "not-in-it": "Fuel, insurance, fees and loss of value are not in these figures.",
        "other-currencies": "{n} {n:job|jobs} paid in another currency {n:is|are} left out.",
        "no-distance": "{n} {n:row|rows} {n:has|have} no recorded distance, so no cost per "
        "distance.",
    },
)


_WORK = " UNION ALL ".join(
    "SELECT seq, event_id, vehicle_id, occurred_on, true_km, component, total_cost, currency "
    f"FROM {table} WHERE total_cost IS NOT NULL"
    for table in ("replacements", "repairs", "maintenance_done")
)


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
        f"""SELECT vehicle_id, true_km, CAST(total_cost AS DOUBLE) FROM ({_WORK}) AS work
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

    def unsaid(word: str, **arguments: object) -> ClassEconomics:
        words = _say(word, **arguments)
        return ClassEconomics(name, vehicles, None, None, None, None, words)

    jobs = record.job_cost.size
    if vehicles < _LEAST_VEHICLES or jobs < vehicles:
        return unsaid("too-few", vehicles=vehicles, jobs=jobs)
    if len(worth) < _LEAST_VALUES:
        return unsaid("no-values")
    slope, intercept = np.polyfit(worth[:, 0], np.log(worth[:, 1]), 1)
    if slope >= 0:
        return unsaid("values-rise")
    if np.exp(intercept) >= price:
        return unsaid("free", value=np.exp(intercept))
    reach = float(np.quantile(record.stop, 0.75))
    ages = np.linspace(reach / _GRID, reach, _GRID)
    resale = np.exp(intercept + slope * ages)
    everyone = np.arange(vehicles)
    answer = _economic(record, everyone, ages, resale, price)
    if answer is None:
        return unsaid("seen-late")
    rng = np.random.default_rng(20260101)
    drawn = [
        _economic(record, rng.integers(0, vehicles, vehicles), ages, resale, price)
        for _ in range(_RESAMPLES)
    ]
    bests = np.array([one[0] for one in drawn if one is not None])
    low, high = (float(q) for q in np.quantile(bests, [0.1, 0.9]))
    best, average, inside = answer
    words = _say.when(not inside, "falling")
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


ABOUT = """\
Question: What does each mile cost in repairs and upkeep, and when is a vehicle past its best?

Method: Parts and labour of replacements, repairs and maintenance in the period, over the true
distance covered in it. With the price of a replacement vehicle given, the average cost of
keeping a class to an age is (price - resale + mean cumulative cost) / age; its minimum is the
economic life, with a band from resampling whole vehicles.

Assumptions: Fuel, insurance, fees and loss of value are not in the cost per distance. Two
currencies are never added: the one most used counts, the rest is named.

Reading: 0.11 USD a mile means 1,100 USD of repairs and upkeep in 10,000 miles.

Reference: cost per mile is all cost in the window over all miles in it (common practice, no
source); average-cost minimum by renewal reward, Barlow and Proschan (1965), ch. 4.
"""
By = Literal["vehicle", "class", "system", "year"]


class CostPerDistanceSettings(Settings):
    """Over what the cost is spread, and in which period."""

    vehicle: OnlyVehicle = None
    by: Annotated[By, Field(description="vehicle, class, system or year")] = "vehicle"
    months: Annotated[float | None, Field(gt=0, description="only the last so many months")] = None
    unit: ShownUnit = None
    replacement_price: Annotated[
        float | None, Field(gt=0, description="price of a replacement vehicle, for economic life")
    ] = None
    most: MostRows = 60


_KEYS = {
    "vehicle": "vehicle_id",
    "class": "vehicle_class",
    "system": "split_part(component, '.', 1)",
    "year": "CAST(year(occurred_on) AS VARCHAR)",
}
_EVENTS_NAMED = 40


@dataclass(frozen=True, slots=True)
class _Period:
    """Condition on `occurred_on` and its parameters."""

    condition: str
    parameters: tuple[str, ...]
    words: str


def run(view: LedgerView, settings: CostPerDistanceSettings) -> Result:
    """Add up cost and distance, and divide where there is distance."""
    unit = settings.unit or view.usual_unit()
    period = _period(view, settings)
    currency, others = _currency(view, period)
    if not currency:
        return Result(_say("no-price"), caveats=(_say("record"),))
    spent = _spent(view, settings.by, period, currency)
    driven = _driven(view, settings.by, period)
    scale = 1.0 if unit == "km" else KM_PER_MILE
    found = []
    for key in sorted(set(spent) | set(driven)):
        cost, jobs, events = spent.get(key, (0.0, 0, ()))
        distance = driven.get(key if settings.by != "system" else "", 0.0) / scale
        rate = cost / distance if distance > 0 else None
        found.append(((key, round(distance), jobs, round(cost, 2), rate, currency), events))
    found.sort(key=lambda one: (-(one[0][4] or 0.0), one[0][0]))
    shown = found[: settings.most]
    table = Table(
        name="cost_per_distance",
        title=_say("title", period=period.words),
        columns=(
            Column("key", settings.by, tells=Tells.NAME),
            Column("distance", "distance", "distance", unit),
            Column("jobs", "jobs", "integer"),
            Column("cost", "cost", "money"),
            Column("per_distance", _say("per", unit=unit), "number", tells=Tells.VALUE),
            Column("currency", "currency", tells=Tells.CURRENCY),
        ),
        rows=tuple(row for row, _events in shown),
        holds=Holds.BY_DISTANCE,
        evidence=tuple(events for _row, events in shown),
    )
    lives = []
    if settings.replacement_price is not None and settings.vehicle is None:
        lives = economics_of_classes(view, settings.replacement_price, currency)
    return Result(
        headline=_headline(
            sum(cost for cost, _jobs, _events in spent.values()),
            sum(driven.values()),
            shown[0][0][0] if shown else "",
            unit,
            currency,
            period,
        ),
        tables=(table, *_economic_table(lives, unit, scale, currency)),
        estimates=tuple(_estimate(life, unit, scale) for life in lives if life.best is not None),
        caveats=all_said(
            _say("not-in-it"),
            _say.some(others, "other-currencies"),
            _say.some(sum(1 for row, _events in found if row[4] is None), "no-distance"),
        ),
    )


def _period(view: LedgerView, settings: CostPerDistanceSettings) -> _Period:
    conditions, parameters = ["TRUE"], []
    words: str = _say("all")
    if settings.months is not None:
        conditions.append("occurred_on > CAST(? AS DATE) - to_days(CAST(? AS INTEGER))")
        parameters += [view.today.isoformat(), str(round(settings.months * 30.4375))]
        words = _say("last", months=settings.months)
    if settings.vehicle is not None:
        conditions.append("vehicle_id = ?")
        parameters.append(settings.vehicle)
        words = Joined((words, settings.vehicle))
    return _Period(" AND ".join(conditions), tuple(parameters), words)


def _currency(view: LedgerView, period: _Period) -> tuple[str, int]:
    rows = view.sql(
        f"""SELECT currency, count(*) FROM ({_WORK}) AS work WHERE {period.condition}
            GROUP BY currency ORDER BY count(*) DESC, currency""",
        period.parameters,
    ).rows
    return (str(rows[0][0]) if rows else "", sum(int(row[1]) for row in rows[1:]))


def _spent(
    view: LedgerView, by: By, period: _Period, currency: str
) -> dict[str, tuple[float, int, tuple[str, ...]]]:
    rows = view.sql(
        f"""SELECT {_KEYS[by]} AS k, CAST(sum(total_cost) AS DOUBLE), count(*),
                   list(event_id ORDER BY total_cost DESC, event_id)[1:{_EVENTS_NAMED}]
            FROM (SELECT w.*, v.vehicle_class FROM ({_WORK}) AS w
                  JOIN vehicles AS v USING (vehicle_id)) AS work
            WHERE {period.condition} AND currency = ?
            GROUP BY k""",
        (*period.parameters, currency),
    ).rows
    return {str(key): (float(cost), int(jobs), tuple(ids)) for key, cost, jobs, ids in rows}


def _driven(view: LedgerView, by: By, period: _Period) -> dict[str, float]:
    """Return km by key; by system every system shares the whole distance, under ''."""
    keys = {"vehicle": "vehicle_id", "class": "vehicle_class", "system": "''", "year": "y"}
    rows = view.sql(
        f"""WITH steps AS (
              SELECT t.vehicle_id, v.vehicle_class, t.occurred_on,
                     CAST(year(t.occurred_on) AS VARCHAR) AS y,
                     t.true_km - lag(t.true_km) OVER (
                       PARTITION BY t.vehicle_id ORDER BY t.occurred_at, t.seq) AS km
              FROM true_distance AS t JOIN vehicles AS v USING (vehicle_id) WHERE t.used)
            SELECT {keys[by]} AS k, sum(km) FROM steps
            WHERE km IS NOT NULL AND {period.condition} GROUP BY k""",
        period.parameters,
    ).rows
    return {str(key): float(km) for key, km in rows}


def _headline(
    cost: float, km: float, dearest: str, unit: Unit, currency: str, period: _Period
) -> Sentence:
    distance = km / (1.0 if unit == "km" else KM_PER_MILE)
    if distance <= 0:
        return _say("spent", cost=cost, currency=currency, period=period.words)
    told = {"currency": currency, "unit": unit, "period": period.words, "dearest": dearest}
    return _say("rate", rate=cost / distance, distance=distance, **told)


def _economic_table(
    lives: list[ClassEconomics], unit: Unit, scale: float, currency: str
) -> tuple[Table, ...]:
    if not lives:
        return ()

    def shown(km: float | None) -> float | None:
        return None if km is None else round(km / scale, -2)

    columns = (
        Column("class", "class"),
        Column("vehicles", "vehicles", "integer"),
        Column("best", "cheapest kept to", "distance", unit),
        Column("low", "low", "distance", unit, tells=Tells.LOW),
        Column("high", "high", "distance", unit, tells=Tells.HIGH),
        Column("average", _say("then", currency=currency, unit=unit), "number"),
        Column("words", "in words", "sentence"),
    )
    rows = tuple(
        (
            *(life.vehicle_class, life.vehicles),
            *(shown(km) for km in (life.best, life.low, life.high)),
            *(None if life.average is None else life.average * scale, life.words),
        )
        for life in lives
    )
    return (Table("economic_life", "How long a class is worth keeping", columns, rows),)


def _estimate(life: ClassEconomics, unit: Unit, scale: float) -> Estimate:
    return Estimate(
        name=_say("life", vehicle_class=life.vehicle_class),
        value=None if life.best is None else life.best / scale,
        unit=unit,
        low=None if life.low is None else life.low / scale,
        high=None if life.high is None else life.high / scale,
        level=0.8,
        method="average-cost minimum; band from resampling vehicles",
        words=life.words,
    )


COST_PER_DISTANCE = Analysis(
    name="cost-per-distance",
    title="Cost by distance",
    question="What does each mile cost in repairs and upkeep, and how long is a class worth it?",
    run=run,
    settings=CostPerDistanceSettings,
    about=ABOUT,
    answers=Answers.COST_BY_DISTANCE,
)
