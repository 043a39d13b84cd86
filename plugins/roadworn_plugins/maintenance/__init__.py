"""Which service is due or overdue, and how much of it was done in time."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from itertools import pairwise
from typing import Annotated

from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Cell,
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
from roadworn.model.messages import Says
from roadworn.trade.warranty import add_months
from roadworn_plugins.lifedata.counts import jeffreys_interval
from roadworn_plugins.maintenance.schedule import (
    SCHEDULES,
    STATES,
    Done,
    DueService,
    Serviced,
    due_after,
    history_of,
    load_schedule,
    serviced,
    services_done,
    standing_of,
    timing,
)
from roadworn_plugins.shared.grouped import Unit
from roadworn_plugins.shared.prices import Prices
from roadworn_plugins.shared.settings import (
    MostRows,
    OnlyVehicle,
    ShownUnit,
    all_said,
    classes_nobody_has,
    first_of,
    in_unit,
    on_vehicle,
    whole_distance,
)

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
_say = Says(
    "maintenance-due",
    {
        "headline": "{overdue} services overdue{on_vehicle}, {due} due now, {soon} more within "
        "{ahead:g} months{in_time}.",
        "in-time": "; in {months} months {in_time} of {n} were done in time",
        "title": "Service as it stands on {day}",
        "share": "{in_time} of {n} in {months} months; {early}{late} late, {not_done} not done",
        "early": "{n} too early, ",
        "method": "on time over due, Jeffreys limits",
        "none-due": "No service fell due in that time, so there is no share.",
        "unknown": "no record of the time before",
        "unseen": "{n} vehicles not seen for {days} days are left out.",
        "no-record": "For {n} services nobody wrote down when they were last done: {names}.",
        "not-shown": "{n} more rows are not shown; raise the setting most.",
    },
)
_COLUMNS = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("component", "component", "component", tells=Tells.COMPONENT, brief=1),
    Column("action", "action", detail=True),
    Column("state", "state", tells=Tells.STATE, brief=2),
    Column("last_on", "last done", "date"),
    Column("due_on", "due by", "date", brief=3),
    Column("due_at", "due at", "distance", brief=4),
    Column("left", "left", "distance"),
    Column("expected_on", "expected", "date"),
    Column("cost", "usual cost", "money", tells=Tells.VALUE, brief=5),
    Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
    Column("citation", "interval from", detail=True),
)


class MaintenanceDueSettings(Settings):
    """Which schedule, and how far to look."""

    vehicle: OnlyVehicle = None
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
    unit: ShownUnit = None
    most: MostRows = 60


def run(view: LedgerView, settings: MaintenanceDueSettings) -> Result:
    """List what is due, and count what was done in time."""
    schedule = load_schedule(settings.schedule)
    unit = settings.unit or view.usual_unit()
    vehicles = serviced(view, schedule, settings.vehicle)
    done = services_done(view, schedule)
    standing = standing_of(vehicles, done, settings.window, settings.ahead_months)
    states = Counter(one.state for one in standing)
    wanted = [s for s in standing if settings.vehicle is not None or s.state in STATES[:3]]
    wanted.sort(key=lambda s: (STATES.index(s.state), s.expected or date.max, s.vehicle))
    shown = wanted[: settings.most]
    count, events = _compliance(view.today, vehicles, done, settings)
    # One not done and past its window counts as due.
    count["not done"] = states["overdue"]
    due = count.total()
    in_time = count["on time"] + (count["early"] if settings.early_counts else 0)
    kinds = {one.name: one.kind for one in vehicles}
    prices = Prices.load(view)
    unknown = [one.service.component for one in standing if one.state == "no record"]
    unseen = view.sql(
        """SELECT count(*) FROM vehicles
           WHERE retired_on IS NULL AND last_seen_on < CAST(? AS DATE) - CAST(? AS INTEGER)""",
        (view.today.isoformat(), UNSEEN_DAYS),
    ).rows[0][0]
    return Result(
        headline=_say(
            "headline",
            overdue=states["overdue"],
            on_vehicle=on_vehicle(settings.vehicle),
            due=states["due"],
            soon=states["soon"],
            ahead=settings.ahead_months,
            in_time=_say.some(due, "in-time", months=settings.months, in_time=in_time),
        ),
        tables=(
            Table(
                "maintenance_due",
                _say("title", day=view.today),
                in_unit(_COLUMNS, unit),
                tuple(_row(one, kinds, prices, unit) for one in shown),
                tuple((one.last.event,) if one.last else () for one in shown),
                Holds.SERVICES,
                tuple(Marks({Mark.LATER} if one.state == "later" else ()) for one in shown),
            ),
        ),
        estimates=(_share(count, in_time, events, len(unknown), settings),),
        caveats=all_said(
            schedule.note,
            *classes_nobody_has([s.vehicle_class for s in schedule.services], view),
            _say.some(unseen, "unseen", days=UNSEEN_DAYS),
            _say.some(
                len(unknown), "no-record", names=first_of(sorted(map(part_name, set(unknown))))
            ),
            _say.some(len(wanted) - len(shown), "not-shown"),
            *prices.caveats(one.service.component for one in shown),
        ),
    )


def _compliance(
    today: date, vehicles: Iterable[Serviced], done: Done, settings: MaintenanceDueSettings
) -> tuple[Counter[str], list[str]]:
    """Count services done within the time asked about by their timing, with their events."""
    since = add_months(today, -settings.months)
    count, events = Counter[str](), []
    for vehicle in vehicles:
        for service in vehicle.services:
            for last, this in pairwise(history_of(vehicle, service, done)):
                if since < this.on <= today:
                    count[timing(due_after(last, service.interval, settings.window), this)] += 1
                    events.append(this.event)
    return count, events


def _row(one: DueService, kinds: Mapping[str, str], prices: Prices, unit: Unit) -> tuple[Cell, ...]:
    service = one.service
    kind, work = kinds[one.vehicle], service.action
    price = prices.of(service.component, kind, one.vehicle, work=work)
    # Labour without the part is no price.
    priced = price is not None and price.number
    return (
        one.vehicle,
        service.component,
        service.action,
        one.state,
        None if one.last is None else one.last.on,
        None if one.due is None else one.due.on,
        None if one.due is None else whole_distance(one.due.km, unit),
        whole_distance(one.km_left, unit),
        one.expected if one.state not in ("overdue", "no record") else None,
        round(price.middle, 2) if price is not None and priced else None,
        price.currency if price is not None and priced else "",
        service.citation,
    )


def _share(
    count: Counter[str],
    in_time: int,
    events: Sequence[str],
    unknown: int,
    settings: MaintenanceDueSettings,
) -> Estimate:
    """Return the share done in time; `unknown` services have no record of the time before."""
    due = count.total()
    limits = jeffreys_interval(in_time, due) if due else None
    return Estimate(
        name="service done in time",
        value=in_time / due if due else None,
        unit="share",
        low=None if limits is None else float(limits.lower),
        high=None if limits is None else float(limits.upper),
        method=_say.when(due, "method"),
        left_out=unknown,
        why_left_out=_say.when(unknown, "unknown"),
        words=_say(
            "share",
            in_time=in_time,
            n=due,
            months=settings.months,
            early="" if settings.early_counts else _say("early", n=count["early"]),
            late=count["late"],
            not_done=count["not done"],
        )
        if due
        else _say("none-due"),
        evidence=tuple(sorted(set(events))),
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
