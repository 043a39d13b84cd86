"""Which service is due or overdue, and how much of it was done in time."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Annotated

from pydantic import Field

from roadworn.analysis.result import (
    Analysis,
    Answers,
    Column,
    Estimate,
    Holds,
    Mark,
    Marks,
    Result,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.view import UNSEEN_DAYS, LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Sentence
from roadworn.trade.warranty import add_months
from roadworn_plugins.lifedata.counts import jeffreys_interval
from roadworn_plugins.maintenance.schedule import (
    SCHEDULES,
    Schedule,
    due_after,
    load_schedule,
    timing,
)
from roadworn_plugins.maintenance.standing import (
    STATES,
    Done,
    DueService,
    Serviced,
    history_of,
    serviced,
    services_done,
    standing_of,
)
from roadworn_plugins.shared.asked_for import classes_nobody_has
from roadworn_plugins.shared.grouped import KM_PER_MILE, Unit, preferred_unit
from roadworn_plugins.shared.said import all_said, first_of, if_any, on_vehicle

ABOUT = """\
Question: Which service is due or overdue, and how much of it was done in time?

Method: From the last time each service of the schedule was done, the next falls due by distance
or by months, whichever comes first. Compliance is services done in time over services due in
the time asked about; one not done and past its window counts as due.

Assumptions: A service is in time within a window on either side of its interval. The vehicle
has gone on at its usual distance since its last reading. A part replaced for any reason starts
its interval anew.

Reading: "no record" means that nobody wrote down when it was last done; it is not called
overdue. The maker's schedule comes first: name a file of your own as the schedule.

Reference: Compliance as on time over due, window of 10 %: common practice, no source.
"""


class MaintenanceDueSettings(Settings):
    """Which schedule, and how far to look."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    schedule: Annotated[
        str,
        Field(description="schedule or path of one; else ROADWORN_SCHEDULE, else common practice"),
    ] = ""
    ahead_months: Annotated[float, Field(ge=0, le=60, description="how far to look ahead")] = 3.0
    window: Annotated[
        float, Field(ge=0, lt=1, description="share of an interval that still is in time")
    ] = 0.1
    months: Annotated[int, Field(ge=1, le=240, description="how far back to count")] = 12
    early_counts: Annotated[
        bool, Field(description="whether a service done too early counts as in time")
    ] = False
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 60


@dataclass(slots=True)
class _Count:
    """Services due in the time asked about."""

    on_time: int = 0
    early: int = 0
    late: int = 0
    not_done: int = 0
    events: list[str] | None = None

    @property
    def due(self) -> int:
        return self.on_time + self.early + self.late + self.not_done


def run(view: LedgerView, settings: MaintenanceDueSettings) -> Result:
    """List what is due, and count what was done in time."""
    schedule = load_schedule(settings.schedule)
    unit = settings.unit or preferred_unit(view)
    vehicles = serviced(view, schedule, settings.vehicle)
    done = services_done(view, schedule)
    standing = standing_of(vehicles, done, settings.window, settings.ahead_months)
    wanted = [s for s in standing if settings.vehicle is not None or s.state in STATES[:3]]
    wanted.sort(key=lambda s: (STATES.index(s.state), s.expected or date.max, s.vehicle))
    count = _compliance(view.today, vehicles, done, standing, settings)
    shown = wanted[: settings.most]
    return Result(
        headline=_headline(standing, count, settings),
        tables=(_table(shown, _costs(view), unit, view.today),),
        estimates=_estimates(count, standing, settings),
        caveats=_caveats(view, schedule, standing, len(wanted) - len(shown)),
    )


def _compliance(
    today: date,
    vehicles: Iterable[Serviced],
    done: Mapping[tuple[str, str], list[Done]],
    standing: Iterable[DueService],
    settings: MaintenanceDueSettings,
) -> _Count:
    """Count services done within the time asked about, and those past their window now."""
    since = add_months(today, -settings.months)
    count = _Count(events=[])
    for vehicle in vehicles:
        for service in vehicle.services:
            for last, this in pairwise(history_of(vehicle, service, done)):
                if not since < this.at.on <= today:
                    continue
                due = due_after(last.at, service.interval, settings.window)
                found = timing(due, this.at)
                count.on_time += found == "on time"
                count.early += found == "early"
                count.late += found == "late"
                if count.events is not None:
                    count.events.append(this.event)
    count.not_done = sum(one.state == "overdue" for one in standing)
    return count


def _costs(view: LedgerView) -> Mapping[str, tuple[float, str]]:
    """Return component -> median cost of the service in the currency most used, last two years."""
    rows = view.sql(
        """WITH paid AS (
             SELECT component, currency, CAST(total_cost AS DOUBLE) AS cost FROM maintenance_done
             WHERE total_cost > 0 AND occurred_on > CAST(? AS DATE) - INTERVAL 730 DAY
           ), main AS (
             SELECT currency FROM paid GROUP BY currency ORDER BY count(*) DESC, currency LIMIT 1)
           SELECT component, median(cost), any_value(currency) FROM paid
           WHERE currency IN (SELECT currency FROM main) GROUP BY component ORDER BY component""",
        (view.today.isoformat(),),
    ).rows
    return {component: (round(cost, 2), currency) for component, cost, currency in rows}


def _table(
    shown: Sequence[DueService],
    costs: Mapping[str, tuple[float, str]],
    unit: Unit,
    today: date,
) -> Table:
    scale = KM_PER_MILE if unit == "mi" else 1.0
    rows = []
    for one in shown:
        cost, currency = costs.get(one.service.component, (None, ""))
        rows.append(
            (
                one.vehicle,
                one.service.component,
                one.service.action,
                one.state,
                None if one.last is None else one.last.on,
                None if one.due is None else one.due.on,
                None if one.due is None or one.due.km is None else round(one.due.km / scale),
                None if one.km_left is None else round(one.km_left / scale),
                one.expected if one.state not in ("overdue", "no record") else None,
                cost,
                currency,
                one.service.citation,
            )
        )
    return Table(
        name="maintenance_due",
        holds=Holds.SERVICES,
        marks=tuple(Marks({Mark.LATER} if one.state == "later" else ()) for one in shown),
        title=f"Service as it stands on {today}",
        columns=(
            Column("vehicle", "vehicle", tells=Tells.VEHICLE),
            Column("component", "component", "component", tells=Tells.COMPONENT, brief=1),
            Column("action", "action", detail=True),
            Column("state", "state", tells=Tells.STATE, brief=2),
            Column("last_on", "last done", "date"),
            Column("due_on", "due by", "date", brief=3),
            Column("due_at", "due at", "distance", unit, brief=4),
            Column("left", "left", "distance", unit),
            Column("expected_on", "expected", "date"),
            Column("cost", "usual cost", "money", tells=Tells.VALUE, brief=5),
            Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
            Column("citation", "interval from", detail=True),
        ),
        rows=tuple(rows),
        evidence=tuple((one.last_event,) if one.last_event else () for one in shown),
    )


def _estimates(
    count: _Count, standing: Sequence[DueService], settings: MaintenanceDueSettings
) -> tuple[Estimate, ...]:
    unknown = sum(one.state == "no record" for one in standing)
    why = Sentence("maintenance-due.unknown", "no record of the time before") if unknown else ""
    if not count.due:
        return (
            Estimate(
                name="service done in time",
                value=None,
                unit="share",
                left_out=unknown,
                why_left_out=why,
                words=Sentence(
                    "maintenance-due.none-due",
                    "No service fell due in that time, so there is no share.",
                ),
            ),
        )
    in_time = count.on_time + (count.early if settings.early_counts else 0)
    limits = jeffreys_interval(in_time, count.due)
    words = Sentence(
        "maintenance-due.share",
        "{done} of {due} in {months} months; {early}{late} late, {not_done} not done",
        done=in_time,
        due=count.due,
        months=settings.months,
        early=""
        if settings.early_counts
        else Sentence("maintenance-due.share-early", "{n} too early, ", n=count.early),
        late=count.late,
        not_done=count.not_done,
    )
    return (
        Estimate(
            name="service done in time",
            value=in_time / count.due,
            unit="share",
            low=float(limits.lower),
            high=float(limits.upper),
            method="on time over due, Jeffreys limits",
            left_out=unknown,
            why_left_out=why,
            words=words,
            evidence=tuple(sorted(set(count.events or ()))),
        ),
    )


def _headline(
    standing: Sequence[DueService], count: _Count, settings: MaintenanceDueSettings
) -> str:
    number = {state: sum(one.state == state for one in standing) for state in STATES}
    in_time = count.on_time + (count.early if settings.early_counts else 0)
    return Sentence(
        "maintenance-due.headline",
        "{overdue} services overdue{on_vehicle}, {due} due now, {soon} more within {months:g} "
        "months{share}.",
        overdue=number["overdue"],
        on_vehicle=on_vehicle(settings.vehicle),
        due=number["due"],
        soon=number["soon"],
        months=settings.ahead_months,
        share=if_any(
            count.due,
            "maintenance-due.headline-share",
            "; in {months} months {done} of {n} were done in time",
            months=settings.months,
            done=in_time,
        ),
    )


def _caveats(
    view: LedgerView, schedule: Schedule, standing: Sequence[DueService], cut: int
) -> tuple[str, ...]:
    asked = [service.vehicle_class for service in schedule.services]
    unseen = view.sql(
        """SELECT count(*) FROM vehicles
           WHERE retired_on IS NULL AND last_seen_on < CAST(? AS DATE) - CAST(? AS INTEGER)""",
        (view.today.isoformat(), UNSEEN_DAYS),
    ).rows[0][0]
    unknown = [one.service.component for one in standing if one.state == "no record"]
    return all_said(
        schedule.note,
        *classes_nobody_has(asked, view),
        if_any(
            unseen,
            "maintenance-due.unseen",
            "{n} vehicles not seen for {days} days are left out.",
            days=UNSEEN_DAYS,
        ),
        if_any(
            len(unknown),
            "maintenance-due.no-record",
            "For {n} services nobody wrote down when they were last done: {names}.",
            names=first_of(sorted(map(part_name, set(unknown)))),
        ),
        if_any(
            cut,
            "maintenance-due.not-shown",
            "{n} more rows are not shown; raise the setting most.",
        ),
    )


MAINTENANCE_DUE = Analysis(
    name="maintenance-due",
    title="Service due",
    question="Which service is due or overdue, and how much of it was done in time?",
    run=run,
    settings=MaintenanceDueSettings,
    about=ABOUT,
    answers=Answers.SERVICE_DUE,
    files=SCHEDULES.as_files("schedule", "service schedule"),
)
