"""How many repairs a vehicle of a class has had by a distance, and whether they come faster."""

from dataclasses import dataclass
from typing import Annotated

import numpy as np
from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Cell,
    Chart,
    Column,
    Result,
    Series,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Says
from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.power_law import laplace
from roadworn_plugins.lifedata.recurrence import MeanCumulative, mean_cumulative
from roadworn_plugins.lifedata.repair_history import RepairHistory
from roadworn_plugins.shared.grouped import Floats, Unit, shown_distance
from roadworn_plugins.shared.settings import Level, OnlyComponent, ShownUnit, all_said, in_unit

ABOUT = """\
Question: How many failures has a vehicle of each class had by a distance, and do they come faster?

Method: Mean cumulative function over the true distance (Lawless and Nadeau, robust limits): a
vehicle counts from its enrolment to its last reading, so those that came late or left early are
neither forgotten nor counted as faultless. Laplace's test asks whether failures come faster or
slower with distance.

Assumptions: Only parts replaced because they failed are failures: a tire or a wiper blade that
was worn out came to its end as planned, and counts only when wear=true asks for it. Those of one
job on one day count each. Vehicles of a class are alike in use.

Reading: 31 (26 to 37) by 100,000 mi: a vehicle of the class has had about 31 by then. Classes
were watched over different distances, so they stand in the order of failures by 10,000 mi.

Reference: Lawless and Nadeau, Technometrics 37 (1995) 158-168; Nelson, Recurrent Events Data
Analysis (2003).
"""

_CLEAR = 0.05
_EVENTS_NAMED = 40
#: The distance that failures are counted for, to compare classes watched over different ones.
_EACH = 10_000.0
_COLUMNS = (
    Column("class", "class", tells=Tells.NAME),
    Column("vehicles", "vehicles", "integer"),
    Column("failures", "failures", "integer"),
    Column("at", "by", "distance"),
    Column("mean", "mean number", "number"),
    Column("mean_low", "low", "number", tells=Tells.LOW),
    Column("mean_high", "high", "number", tells=Tells.HIGH),
    Column("rate", "in each 10,000", "number", tells=Tells.VALUE),
    Column("chance", "chance without a trend", "chance"),
    Column("words", "in words", "sentence"),
)
_say = Says(
    "cumulative-repairs",
    {
        "none": "No vehicle has covered any distance on record yet.",
        "record": "Record odometer readings and replacements with their reason.",
        "too-few": "too few to tell ({n} {n:failure|failures})",
        "no-trend": "no trend that chance could not make",
        "faster": "failures come faster with distance",
        "slower": "failures come slower with distance",
        "observed": "A vehicle counts only for the distance it was under observation.",
        "worn": "Parts replaced because they were worn out are not counted: {n}. wear=true counts "
        "them too.",
        "each": "Failures of several parts on one day count each.",
        "chart": "{vehicle_class}: {mean:.0f} {mean:failure|failures} a vehicle by {at:,.0f} "
        "{unit}",
        "of-class": "{vehicle_class}: {mean:.1f} by {at:,.0f}",
        "all-too-few": "Too few failures to tell how many come by a distance, in any of {n} "
        "{n:class|classes}.",
        "headline": "Most for its distance: {vehicle_class}, {rate:.1f} failures a vehicle in each "
        "10,000 {unit}; {mean:.0f} by {at:,.0f} {unit} ({low:.0f} to {high:.0f}).",
        "axis": "distance ({unit})",
    },
)


class CumulativeRepairsSettings(Settings):
    """Which failures are counted."""

    component: OnlyComponent = None
    unit: ShownUnit = None
    level: Level = 0.95
    wear: Annotated[bool, Field(description="count parts that were worn out as failures too")] = (
        False
    )
    least: Annotated[int, Field(ge=1, description="fewer failures than this: too few to tell")] = 5


@dataclass(frozen=True, eq=False)
class _Class:
    """One class: its failures by vehicle and distance, and the spans it was watched in km."""

    name: str
    unit: Floats
    age: Floats
    start: Floats
    stop: Floats
    events: tuple[str, ...]


def run(view: LedgerView, settings: CumulativeRepairsSettings) -> Result:
    """Estimate the mean cumulative number of failures of each class."""
    unit = settings.unit or view.usual_unit()
    classes, worn = _classes(view, settings.component, wear=settings.wear)
    if not classes:
        return Result(_say("none"), caveats=(_say("record"),))
    rows: list[tuple[float, _Class, tuple[Cell, ...]]] = []
    few: list[tuple[_Class, tuple[Cell, ...]]] = []
    told: list[dict[str, str | float]] = []
    series: list[Series] = []
    for one in classes:
        failures, vehicles = one.age.size, one.start.size
        if failures < settings.least:
            words = _say("too-few", n=failures)
            few.append((one, (one.name, vehicles, failures, *(None,) * 6, words)))
            continue
        windows = (np.arange(vehicles, dtype=np.float64), one.start, one.stop)
        curve = mean_cumulative(one.unit, one.age, windows, level=settings.level)
        figures = _told(curve, vehicles, unit)
        cells = (one.name, vehicles, failures, *figures.values(), *_trend(one))
        rows.append((figures["rate"], one, cells))
        told.append({"vehicle_class": one.name, "unit": unit, **figures})
        series.append(_series(one.name, curve, unit))
    rows.sort(key=lambda row: -row[0])
    ordered = [*((one, cells) for _rate, one, cells in rows), *few]
    table = Table(
        "cumulative_repairs",
        "Failures by distance, mean of each class",
        in_unit(_COLUMNS, unit),
        tuple(cells for _one, cells in ordered),
        tuple(one.events for one, _cells in ordered),
    )
    caveats = all_said(_say("observed"), _say("each"), _say.some(worn, "worn"))
    if not told:
        return Result(_say("all-too-few", n=len(classes)), (table,), caveats=caveats)
    told.sort(key=lambda one: -float(one["rate"]))
    most = told[0]
    chart = Chart(
        name="cumulative_repairs",
        title=_say("chart", **most),
        x_title=_say("axis", unit=unit),
        y_title="failures a vehicle",
        series=tuple(series),
        alternative=Joined((_say("of-class", **one) for one in told), "; "),
    )
    return Result(_say("headline", **most), (table,), charts=(chart,), caveats=caveats)


def _classes(view: LedgerView, component: str | None, *, wear: bool) -> tuple[list[_Class], int]:
    """Return the classes with their failures, and how many worn parts were not counted."""
    spans: dict[str, dict[str, tuple[float, float]]] = {}
    for name, vehicle, start, stop in view.sql(
        """SELECT vehicle_class, vehicle_id, coalesce(enrolment_km, 0), last_km FROM vehicles
           WHERE last_km > coalesce(enrolment_km, 0) ORDER BY vehicle_class, vehicle_id"""
    ).rows:
        spans.setdefault(name, {})[vehicle] = (start, stop)
    failures: dict[str, list[tuple[str, float, str]]] = {}
    worn = 0
    for name, *failure in view.sql(
        """SELECT v.vehicle_class, r.vehicle_id, r.true_km, r.event_id, r.reason
           FROM replacements AS r JOIN vehicles AS v USING (vehicle_id)
           WHERE r.reason IN ('failed', 'worn_out') AND r.along_with IS NULL
             AND r.component = coalesce(?, r.component)
             AND r.true_km > coalesce(v.enrolment_km, 0) AND r.true_km <= v.last_km
           ORDER BY r.occurred_at DESC, r.seq DESC""",
        (component,),
    ).rows:
        if failure[3] == "worn_out" and not wear:
            worn += 1
            continue
        failures.setdefault(name, []).append((failure[0], failure[1], failure[2]))
    found = []
    for name, watched in spans.items():
        index = {vehicle: i for i, vehicle in enumerate(watched)}
        own = failures.get(name, [])
        start, stop = np.array(list(watched.values()), dtype=np.float64).T
        found.append(
            _Class(
                name=name,
                unit=np.array([index[vehicle] for vehicle, _, _ in own], dtype=np.float64),
                age=np.array([km for _, km, _ in own], dtype=np.float64),
                start=start,
                stop=stop,
                events=tuple(event for _, _, event in own[:_EVENTS_NAMED]),
            )
        )
    return found, worn


def _told(curve: MeanCumulative, vehicles: int, unit: Unit) -> dict[str, float]:
    """Return the mean number by a distance at which a third of the class is still watched."""
    # The far end rests on the one or two oldest vehicles.
    watched = np.flatnonzero(curve.at_risk >= max(1.0, vehicles / 3.0))
    last = int(np.max(watched, initial=0))
    at, mean = float(shown_distance(float(curve.age[last]) / 1000.0, unit)), float(curve.mcf[last])
    return {
        "at": at,
        "mean": mean,
        "low": float(curve.lower[last]),
        "high": float(curve.upper[last]),
        "rate": mean / at * _EACH if at > 0.0 else 0.0,
    }


def _trend(one: _Class) -> tuple[float | None, str]:
    """Return the chance of such a trend without any, and its direction in words."""
    try:
        unit = one.unit.astype(np.int64)
        found = laplace(RepairHistory.of(one.age, one.stop, unit=unit, starts=one.start))
    except LifeDataError:
        return None, ""
    if found.p >= _CLEAR:
        return found.p, _say("no-trend")
    return found.p, _say("faster" if found.statistic > 0 else "slower")


def _series(name: str, curve: MeanCumulative, unit: Unit) -> Series:
    return Series(
        name,
        tuple(shown_distance(curve.age / 1000.0, unit).tolist()),
        tuple(curve.mcf.tolist()),
        "step",
        tuple(curve.lower.tolist()),
        tuple(curve.upper.tolist()),
    )


CUMULATIVE_REPAIRS = Analysis(
    name="cumulative-repairs",
    title="Failures by distance",
    question="How many failures has a vehicle of each class had by a distance; do they speed up?",
    run=run,
    settings=CumulativeRepairsSettings,
    about=ABOUT,
    answers=Answers.CUMULATIVE,
)
