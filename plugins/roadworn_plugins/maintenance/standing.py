"""How every service of a schedule stands on every vehicle today."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from roadworn.columns.view import UNSEEN_DAYS, LedgerView
from roadworn_plugins.maintenance.schedule import (
    Due,
    Point,
    Schedule,
    Service,
    due_after,
    expected_on,
    is_past,
    load_schedule,
    timing,
)

State = Literal["overdue", "due", "soon", "later", "no record"]
STATES: tuple[State, ...] = ("overdue", "due", "soon", "no record", "later")
#: A vehicle not seen for longer is not assumed to have gone on at its old pace.
_LONGEST_GAP_DAYS = 180


@dataclass(frozen=True, slots=True)
class DueService:
    """How one service of one vehicle stands today.

    Attributes:
        vehicle, service: what.
        state: overdue (past its window), due, soon, later, or no record.
        last: when it was done last.
        due: when it falls due again; None without a record, as `last` is.
        expected: the day it falls due by the vehicle's own pace, None when nothing tells.
        km_left: distance left, negative when over, None without a term by distance.
    """

    vehicle: str
    service: Service
    state: State = "no record"
    last: Point | None = None
    due: Due | None = None
    expected: date | None = None
    km_left: float | None = None


@dataclass(frozen=True, slots=True)
class Serviced:
    """A vehicle with the services that hold for it; `start` is when its fluids were new.

    `here` is false for one that has left or has not been seen for long.
    """

    name: str
    services: tuple[Service, ...]
    now: Point
    km_per_day: float | None
    start: Point | None
    here: bool


#: (vehicle, component, action of the service) -> when it was done, oldest first, one a day.
Done = Mapping[tuple[str, str, str], list[Point]]


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
        serviced(view, chosen, vehicle), services_done(view, chosen), window, ahead_months
    )


def serviced(view: LedgerView, schedule: Schedule, vehicle: str | None) -> list[Serviced]:
    """Return the vehicles, those that have left as well, with what the schedule asks of them."""
    found = []
    for name, kind, fuel, duty, parts, service, event, km, read_on, pace, here, seen in view.sql(
        """SELECT v.vehicle_id, v.vehicle_class, v.fuel, v.duty, v.parts, v.in_service_date,
                  v.enrolment_event, v.last_km, v.last_reading_on, u.km_per_day,
                  v.retired_on IS NULL, v.last_seen_on
           FROM vehicles AS v LEFT JOIN usage_rates AS u USING (vehicle_id)
           WHERE v.vehicle_id = coalesce(?, v.vehicle_id) ORDER BY v.vehicle_id""",
        (vehicle,),
    ).rows:
        gap = 0 if read_on is None else (view.today - read_on).days
        now_km = None if km is None else km + (pace or 0.0) * min(max(gap, 0), _LONGEST_GAP_DAYS)
        # Fluids and filters of a vehicle with its original parts have been in it since new.
        new = parts == "original" and service is not None
        # Of one that is asked for by name the answer is wanted however long ago it was seen.
        present = here and (vehicle is not None or (view.today - seen).days <= UNSEEN_DAYS)
        found.append(
            Serviced(
                name,
                schedule.for_vehicle(fuel, kind, duty),
                Point(view.today, now_km),
                pace,
                Point(service, 0.0, event) if new else None,
                bool(present),
            )
        )
    return found


def services_done(view: LedgerView, schedule: Schedule) -> Done:
    """Return when each service of the schedule was done."""
    by_component: dict[str, dict[str, Service]] = {}
    for service in schedule.services:
        by_component.setdefault(service.component, {})[service.action] = service
    found: dict[tuple[str, str, str], list[Point]] = {}
    for vehicle, component, action, *done in view.sql(
        """SELECT vehicle_id, component, action, occurred_on, true_km, event_id FROM (
             SELECT vehicle_id, component, action, occurred_on, seq, true_km, event_id
             FROM maintenance_done
             UNION ALL
             SELECT vehicle_id, component, 'replaced', occurred_on, seq, true_km, event_id
             FROM replacements)
           WHERE component IN (SELECT unnest(?))
           ORDER BY vehicle_id, component, occurred_on, seq""",
        (sorted(by_component),),
    ).rows:
        for service in by_component[component].values():
            if service.done_by(action):
                series = found.setdefault((vehicle, component, service.action), [])
                if not series or series[-1].on != done[0]:
                    series.append(Point(*done))
    return found


def history_of(vehicle: Serviced, service: Service, done: Done) -> list[Point]:
    """Return when a service of a vehicle was done, oldest first, from new where that is known."""
    own = done.get((vehicle.name, service.component, service.action), [])
    if vehicle.start is None:
        return own
    return [vehicle.start, *(point for point in own if point.on > vehicle.start.on)]


def standing_of(
    vehicles: Iterable[Serviced], done: Done, window: float, ahead_months: float
) -> list[DueService]:
    """Return how each service of each vehicle that is here stands."""
    return [
        _standing(vehicle, service, history_of(vehicle, service, done), window, ahead_months)
        for vehicle in vehicles
        if vehicle.here
        for service in vehicle.services
    ]


def _standing(
    vehicle: Serviced,
    service: Service,
    history: Sequence[Point],
    window: float,
    ahead_months: float,
) -> DueService:
    if not history:
        return DueService(vehicle.name, service)
    now = vehicle.now
    due = due_after(history[-1], service.interval, window)
    expected = expected_on(due, now, vehicle.km_per_day)
    left = None if due.km is None or now.km is None else due.km - now.km
    until = now.on + timedelta(days=round(ahead_months * 365.25 / 12))
    state: State = "soon" if expected is not None and expected <= until else "later"
    if timing(due, now) == "late":
        state = "overdue"
    elif is_past(due, now):
        state = "due"
    return DueService(vehicle.name, service, state, history[-1], due, expected, left)
