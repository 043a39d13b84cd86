"""Which service is due or overdue, and how much of it was done in time."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from statistics import quantiles
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
from roadworn.model.messages import Joined, Says
from roadworn.trade.warranty import add_months, due_after, timing
from roadworn_plugins.lifedata.counts import jeffreys_interval
from roadworn_plugins.maintenance.schedule import (
    SCHEDULES,
    STATES,
    Done,
    DueService,
    Schedule,
    Service,
    Serviced,
    history_of,
    load_schedule,
    never_recorded,
    serviced,
    services_done,
    standing_of,
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

#: Services of a ledger that followed another one before its own interval is told.
_FEWEST_OWN = 5

ABOUT = """\
Question: Which service is due or overdue, and how much of it was done in time?

Method: From the last time each service of the schedule was done, the next falls due by distance,
by months or by hours of the engine, whichever comes first. Compliance is services done in time over
services due in the time asked about; one not done and past its window counts as due.

Assumptions: A service is in time within a window on either side of its interval. The vehicle
has gone on at its usual distance since its last reading. A part replaced for any reason starts
its interval anew.

Reading: "no record" means that nobody wrote down when it was last done; it is not called
overdue. A service that is written down on no vehicle of the ledger, though it would have fallen
due several times, is told once as never recorded here. Over the fleet a second table says how
far apart each service is done, with quartiles, where one followed another five times or more. The
maker's schedule comes first: name a file of your own as the schedule.

Reference: Compliance as on time over due, window of 10 %: common practice, no source.
"""
_say = Says(
    "maintenance-due",
    {
        "headline": "{overdue} {overdue:service|services} overdue{on_vehicle}, {due} due now, "
        "{soon} more within {ahead:g} {ahead:month|months}{in_time}.",
        "in-time": "; in {months} {months:month|months} {in_time} of {n} {in_time:was|were} done "
        "in time",
        "title": "Service as it stands on {day}",
        "share": "{in_time} of {n} in {months} {months:month|months}; {early}{late} late, "
        "{not_done} not done",
        "early": "{n} too early, ",
        "method": "on time over due, Jeffreys limits",
        "none-due": "No service fell due in that time, so there is no share.",
        "unknown": "no record of the time before",
        "unseen": "{n} {n:vehicle|vehicles} not seen for {days} {days:day|days} {n:is|are} left "
        "out.",
        "no-record": "For {n} {n:service|services} nobody wrote down when {n:it was|they were} "
        "last done: {names}.",
        "never-recorded": "Never recorded here: {names}. Nobody wrote down on any vehicle that it "
        "was done, so it is not called overdue.",
        "own-intervals": "How often each service is done here, beside the plan",
        "not-shown": "{n} more {n:row|rows} {n:is|are} not shown; raise the setting most.",
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
#: Behind what is left by distance, where a service is told by the hours of an engine.
_HOURS = (
    Column("due_hours", "due at hours", "number"),
    Column("left_hours", "hours left", "number"),
)

_INTERVALS = (
    Column("component", "component", "component", tells=Tells.COMPONENT),
    Column("action", "action", detail=True),
    Column("times", "times", "integer"),
    Column("plan", "plan", "distance"),
    Column("distance_low", "quarter within", "distance"),
    Column("distance", "usually after", "distance"),
    Column("distance_high", "three quarters within", "distance"),
    Column("plan_months", "plan, months", "integer"),
    Column("months_low", "quarter within, months", "number"),
    Column("months", "usually after, months", "number"),
    Column("months_high", "three quarters within, months", "number"),
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


def never_here(view: LedgerView, schedule: Schedule) -> frozenset[tuple[str, str]]:
    """Return component and action of the services that nobody here ever writes down, found once.

    Args:
        view: the ledger as of a day.
        schedule: whose services.
    """

    def find() -> frozenset[tuple[str, str]]:
        return never_recorded(serviced(view, schedule, None), services_done(view, schedule))

    return view.kept((never_here, schedule), find)


def due_services(
    view: LedgerView,
    vehicle: str | None = None,
    *,
    schedule: str = "",
    window: float = 0.1,
    ahead_months: float = 12.0,
) -> list[DueService]:
    """Return how every service of the schedule stands on vehicles that are still here.

    Args:
        view: the ledger as of a day.
        vehicle: only this one.
        schedule: packaged name, or path of a shop's own; see `load_schedule`.
        window: share of an interval that still is in time.
        ahead_months: what falls due within it is `soon`.
    """
    chosen = load_schedule(schedule)
    return standing_of(
        serviced(view, chosen, vehicle),
        services_done(view, chosen),
        window,
        ahead_months,
        never_here(view, chosen),
    )


def run(view: LedgerView, settings: MaintenanceDueSettings) -> Result:
    """List what is due, and count what was done in time."""
    schedule = load_schedule(settings.schedule)
    unit = settings.unit or view.usual_unit()
    everyone = serviced(view, schedule, None)
    alone = settings.vehicle is not None
    vehicles = serviced(view, schedule, settings.vehicle) if alone else everyone
    done = services_done(view, schedule)
    never = never_here(view, schedule)
    standing = standing_of(vehicles, done, settings.window, settings.ahead_months, never)
    states = Counter(one.state for one in standing)
    wanted = [s for s in standing if settings.vehicle is not None or s.state in STATES[:3]]
    wanted.sort(key=lambda s: (STATES.index(s.state), s.expected or date.max, s.vehicle))
    shown = wanted[: settings.most]
    by_hours = any(one.due is not None and one.due.hours is not None for one in shown)
    count, events = _compliance(view.today, vehicles, done, settings)
    # One not done and past its window counts as due.
    count["not done"] = states["overdue"]
    due = count.total()
    in_time = count["on time"] + (count["early"] if settings.early_counts else 0)
    kinds = {one.name: one.kind for one in vehicles}
    prices = Prices.load(view)
    unknown = [
        one.service.component
        for one in standing
        if one.state == "no record" and (one.service.component, one.service.action) not in never
    ]
    unkept = sorted({one.service.component for one in standing} & {name for name, _action in never})
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
                in_unit((*_COLUMNS[:8], *(_HOURS if by_hours else ()), *_COLUMNS[8:]), unit),
                tuple(_row(one, kinds, prices, unit, by_hours=by_hours) for one in shown),
                tuple((one.last.event,) if one.last else () for one in shown),
                Holds.SERVICES,
                tuple(Marks({Mark.LATER} if one.state == "later" else ()) for one in shown),
            ),
            *(() if alone else _own(schedule, everyone, done, unit)),
        ),
        estimates=(_share(count, in_time, events, len(unknown), settings),),
        caveats=all_said(
            schedule.note,
            *classes_nobody_has([s.vehicle_class for s in schedule.services], view),
            _say.some(0 if settings.vehicle else unseen, "unseen", days=UNSEEN_DAYS),
            _say.some(
                len(unknown), "no-record", names=first_of(sorted(map(part_name, set(unknown))))
            ),
            _say.when(unkept, "never-recorded", names=Joined(map(part_name, unkept))),
            _say.some(len(wanted) - len(shown), "not-shown"),
            *prices.caveats(one.service.component for one in shown),
        ),
    )


@dataclass(frozen=True, slots=True)
class OwnInterval:
    """How far apart a service is done here: quartiles of what lies between two of a vehicle.

    Attributes:
        service: of the schedule.
        number: how many times one followed another.
        km: lower quartile, median and upper quartile, or None where too few have a distance.
        days: likewise.
        events: ids of the services behind it.
    """

    service: Service
    number: int
    km: tuple[float, float, float] | None
    days: tuple[float, float, float]
    events: tuple[str, ...]


def own_intervals(schedule: Schedule, done: Done) -> list[OwnInterval]:
    """Return how often each service is done here, where it followed itself often enough.

    Args:
        schedule: whose services.
        done: from `services_done`.
    """
    found: list[OwnInterval] = []
    for service in dict.fromkeys(schedule.services):
        pairs = [
            pair
            for (_vehicle, *key), points in sorted(done.items())
            if key == [service.component, service.action]
            for pair in pairwise(points)
        ]
        told = any(
            (o.service.component, o.service.action) == (service.component, service.action)
            for o in found
        )
        if len(pairs) < _FEWEST_OWN or told:
            continue
        kms = [b.km - a.km for a, b in pairs if a.km is not None and b.km is not None]
        days = _quartiles([(b.on - a.on).days for a, b in pairs])
        km = _quartiles(kms) if len(kms) >= _FEWEST_OWN else None
        events = tuple(dict.fromkeys(point.event for pair in pairs for point in pair))
        found.append(OwnInterval(service, len(pairs), km, days, events))
    return found


def _quartiles(values: Sequence[float]) -> tuple[float, float, float]:
    low, middle, high = quantiles(values, n=4, method="inclusive")
    return low, middle, high


def _own(
    schedule: Schedule, vehicles: Iterable[Serviced], done: Done, unit: Unit
) -> tuple[Table, ...]:
    """Return how often each service is done here beside what the schedule asks, if anything."""
    # A line for machines run by hours asks nothing of a fleet that has none.
    held = {service for one in vehicles for service in one.services}
    asked = tuple(one for one in schedule.services if one in held or not one.run_by)
    learnt = own_intervals(replace(schedule, services=asked), done)
    rows: list[tuple[Cell, ...]] = []
    for one in learnt:
        plan, km = one.service.interval, one.km or (None, None, None)
        months = (round(days * 12 / 365.25, 1) for days in one.days)
        distances = (whole_distance(value, unit) for value in (plan.km, *km))
        row = (one.service.component, one.service.action, one.number)
        rows.append((*row, *distances, plan.months, *months))
    if not rows:
        return ()
    events = tuple(one.events for one in learnt)
    title = _say("own-intervals")
    return (Table("own_intervals", title, in_unit(_INTERVALS, unit), tuple(rows), events),)


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


def _row(
    one: DueService, kinds: Mapping[str, str], prices: Prices, unit: Unit, *, by_hours: bool
) -> tuple[Cell, ...]:
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
        *(_hours(one) if by_hours else ()),
        one.expected if one.state not in ("overdue", "no record") else None,
        round(price.middle, 2) if price is not None and priced else None,
        price.currency if price is not None and priced else "",
        service.citation,
    )


def _hours(one: DueService) -> tuple[Cell, Cell]:
    """Return at how many hours of the engine a service is due, and how many are left."""
    at = None if one.due is None else one.due.hours
    left = one.hours_left
    return None if at is None else round(at), None if left is None else round(left)


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
