"""How many repairs a vehicle of a class has had by a distance, and whether they come faster."""

from dataclasses import dataclass
from typing import Annotated

import numpy as np
from pydantic import Field

from roadworn.analysis.result import Analysis, Cell, Chart, Column, Result, Series, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Sentence
from roadworn_plugins.lifedata.checked import LifeDataError
from roadworn_plugins.lifedata.recurrence import MeanCumulative, mean_cumulative
from roadworn_plugins.lifedata.trend import laplace
from roadworn_plugins.shared.grouped import Floats, Unit, preferred_unit, shown_distance

ABOUT = """\
Question: How many failures has a vehicle of each class had by a distance, and do they come faster?

Method: Mean cumulative function over the true distance (Lawless and Nadeau, robust limits): a
vehicle counts from its enrolment to its last reading, so those that came late or left early are
neither forgotten nor counted as faultless. Laplace's test asks whether failures come faster or
slower with distance.

Assumptions: Replacements for wear or failure are failures; those of one job on one day count
each. Vehicles of a class are alike in use.

Reading: 31 (26 to 37) by 100,000 mi: a vehicle of the class has had about 31 by then.

Reference: Lawless and Nadeau, Technometrics 37 (1995) 158-168; Nelson, Recurrent Events Data
Analysis (2003).
"""

_CLEAR = 0.05
_EVENTS_NAMED = 40


class CumulativeRepairsSettings(Settings):
    """Which failures are counted."""

    component: Annotated[str | None, Field(description="only this component")] = None
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    level: Annotated[float, Field(gt=0.5, lt=1, description="level of the limits")] = 0.95
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

    @property
    def vehicles(self) -> int:
        """Vehicles watched."""
        return int(self.start.size)


@dataclass(frozen=True, slots=True)
class _Told:
    """The mean number by a distance at which a third of the class is still watched."""

    at: float
    mean: float
    low: float
    high: float


def run(view: LedgerView, settings: CumulativeRepairsSettings) -> Result:
    """Estimate the mean cumulative number of failures of each class."""
    unit = settings.unit or preferred_unit(view)
    classes = [_record(view, name, settings.component) for name in _classes(view)]
    if not classes:
        return Result(
            headline=Sentence(
                "cumulative-repairs.none", "No vehicle has covered any distance on record yet."
            ),
            caveats=(
                Sentence(
                    "cumulative-repairs.record",
                    "Record odometer readings and replacements with their reason.",
                ),
            ),
        )
    rows: list[tuple[Cell, ...]] = []
    told: dict[str, _Told] = {}
    series: list[Series] = []
    for one in classes:
        if one.age.size < settings.least:
            words: str = Sentence(
                "cumulative-repairs.too-few", "too few to tell ({n} failures)", n=one.age.size
            )
            rows.append((one.name, one.vehicles, one.age.size, *(None,) * 5, words))
            continue
        windows = (np.arange(one.vehicles, dtype=np.float64), one.start, one.stop)
        curve = mean_cumulative(one.unit, one.age, windows, level=settings.level)
        found = told[one.name] = _told(curve, one.vehicles, unit)
        chance, words = _trend(one)
        figures = (found.at, found.mean, found.low, found.high)
        rows.append((one.name, one.vehicles, one.age.size, *figures, chance, words))
        series.append(_series(one.name, curve, unit))
    table = Table(
        name="cumulative_repairs",
        title="Failures by distance, mean of each class",
        columns=(
            Column("class", "class"),
            Column("vehicles", "vehicles", "integer"),
            Column("failures", "failures", "integer"),
            Column("at", "by", "distance", unit),
            Column("mean", "mean number", "number"),
            Column("mean_low", "low", "number"),
            Column("mean_high", "high", "number"),
            Column("chance", "chance without a trend", "chance"),
            Column("words", "in words", "sentence"),
        ),
        rows=tuple(rows),
        evidence=tuple(one.events for one in classes),
    )
    return Result(
        headline=_headline(told, len(classes), unit),
        tables=(table,),
        charts=_chart(told, series, unit),
        caveats=(
            Sentence(
                "cumulative-repairs.observed",
                "A vehicle counts only for the distance it was under observation.",
            ),
            Sentence("cumulative-repairs.each", "Failures of several parts on one day count each."),
        ),
    )


def _classes(view: LedgerView) -> list[str]:
    return [
        str(row[0])
        for row in view.sql(
            """SELECT DISTINCT vehicle_class FROM vehicles
               WHERE last_km > coalesce(enrolment_km, 0) ORDER BY vehicle_class"""
        ).rows
    ]


def _record(view: LedgerView, vehicle_class: str, component: str | None) -> _Class:
    spans = view.sql(
        """SELECT vehicle_id, coalesce(enrolment_km, 0), last_km FROM vehicles
           WHERE vehicle_class = ? AND last_km > coalesce(enrolment_km, 0) ORDER BY vehicle_id""",
        (vehicle_class,),
    ).rows
    index = {row[0]: i for i, row in enumerate(spans)}
    start = np.array([row[1] for row in spans], dtype=np.float64)
    stop = np.array([row[2] for row in spans], dtype=np.float64)
    condition = " AND r.component = ?" if component else ""
    rows = view.sql(
        f"""SELECT r.vehicle_id, r.true_km, r.event_id FROM replacements AS r
            JOIN vehicles AS v USING (vehicle_id)
            WHERE v.vehicle_class = ? AND r.reason IN ('failed', 'worn_out')
              AND r.along_with IS NULL AND r.true_km IS NOT NULL{condition}
            ORDER BY r.occurred_at DESC, r.seq DESC""",
        (vehicle_class, *((component,) if component else ())),
    ).rows
    inside = [r for r in rows if r[0] in index and start[index[r[0]]] < r[1] <= stop[index[r[0]]]]
    return _Class(
        name=vehicle_class,
        unit=np.array([index[row[0]] for row in inside], dtype=np.float64),
        age=np.array([row[1] for row in inside], dtype=np.float64),
        start=start,
        stop=stop,
        events=tuple(row[2] for row in inside[:_EVENTS_NAMED]),
    )


def _told(curve: MeanCumulative, vehicles: int, unit: Unit) -> _Told:
    # The far end rests on the one or two oldest vehicles; stop where a third is still watched.
    watched = np.flatnonzero(curve.at_risk >= max(1.0, vehicles / 3.0))
    last = int(np.max(watched, initial=0))
    at = float(shown_distance(float(curve.age[last]) / 1000.0, unit))
    return _Told(at, float(curve.mcf[last]), float(curve.lower[last]), float(curve.upper[last]))


def _trend(one: _Class) -> tuple[float | None, str]:
    """Return the chance of such a trend without any, and its direction in words."""
    try:
        found = laplace(one.age, one.stop, unit=one.unit.astype(np.int64), starts=one.start)
    except LifeDataError:
        return None, ""
    if found.p is None or found.p >= _CLEAR:
        return found.p, Sentence(
            "cumulative-repairs.no-trend", "no trend that chance could not make"
        )
    if found.statistic > 0:
        return found.p, Sentence("cumulative-repairs.faster", "failures come faster with distance")
    return found.p, Sentence("cumulative-repairs.slower", "failures come slower with distance")


def _series(name: str, curve: MeanCumulative, unit: Unit) -> Series:
    x = shown_distance(curve.age / 1000.0, unit)
    return Series(
        name=name,
        x=tuple(float(value) for value in x),
        y=tuple(float(value) for value in curve.mcf),
        shape="step",
        low=tuple(float(value) for value in curve.lower),
        high=tuple(float(value) for value in curve.upper),
    )


def _chart(told: dict[str, _Told], series: list[Series], unit: Unit) -> tuple[Chart, ...]:
    if not told:
        return ()
    name, most = _most(told)
    return (
        Chart(
            name="cumulative_repairs",
            title=Sentence(
                "cumulative-repairs.chart",
                "{vehicle_class}: {mean:.0f} failures a vehicle by {at:,.0f} {unit}",
                vehicle_class=name,
                mean=most.mean,
                at=most.at,
                unit=unit,
            ),
            x_title=f"distance ({unit})",
            y_title="failures a vehicle",
            series=tuple(series),
            alternative=Joined(
                (
                    Sentence(
                        "cumulative-repairs.of-class",
                        "{vehicle_class}: {mean:.1f} by {at:,.0f}",
                        vehicle_class=key,
                        mean=one.mean,
                        at=one.at,
                    )
                    for key, one in told.items()
                ),
                "; ",
            ),
        ),
    )


def _most(told: dict[str, _Told]) -> tuple[str, _Told]:
    """Return the class with most failures by distance."""
    return max(told.items(), key=lambda item: item[1].mean / item[1].at)


def _headline(told: dict[str, _Told], classes: int, unit: Unit) -> str:
    if not told:
        return Sentence(
            "cumulative-repairs.too-few-anywhere",
            "Too few failures to tell how many come by a distance, in any of {n} classes.",
            n=classes,
        )
    name, most = _most(told)
    return Sentence(
        "cumulative-repairs.headline",
        "Most by distance: {vehicle_class}, {mean:.0f} failures a vehicle by {at:,.0f} {unit} "
        "({low:.0f} to {high:.0f}).",
        vehicle_class=name,
        mean=most.mean,
        at=most.at,
        unit=unit,
        low=most.low,
        high=most.high,
    )


CUMULATIVE_REPAIRS = Analysis(
    name="cumulative-repairs",
    title="Failures by distance",
    question="How many failures has a vehicle of each class had by a distance; do they speed up?",
    run=run,
    settings=CumulativeRepairsSettings,
    about=ABOUT,
)
