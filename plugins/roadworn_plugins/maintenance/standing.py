"""How every service of a schedule stands on every vehicle today."""

from collections.abc import Iterable, Mapping
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
        last, last_event: when it was done last, None and empty without a record.
        due: None without a record.
        expected: the day it falls due by the vehicle's own pace, None when nothing tells.
        km_left: distance left, negative when over, None without a term by distance.
    """

    vehicle: str
    service: Service
    state: State
    last: Point | None
    last_event: str
    due: Due | None
    expected: date | None
    km_left: float | None


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
    start_event: str
    here: bool


@dataclass(frozen=True, slots=True)
class Done:
    """One time that a service was done."""

    at: Point
    event: str


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
    condition = " WHERE v.vehicle_id = ?" if vehicle else ""
    rows = view.sql(
        f"""SELECT v.vehicle_id, v.vehicle_class, v.fuel, v.duty, v.parts, v.in_service_date,
                   v.enrolment_event, v.last_km, v.last_reading_on, u.km_per_day,
                   v.retired_on IS NULL, v.last_seen_on
            FROM vehicles AS v LEFT JOIN usage_rates AS u USING (vehicle_id){condition}
            ORDER BY v.vehicle_id""",
        (vehicle,) if vehicle else (),
    ).rows
    found = []
    for name, kind, fuel, duty, parts, service, event, km, read_on, pace, here, seen in rows:
        gap = 0 if read_on is None else (view.today - read_on).days
        now_km = None if km is None else km + (pace or 0.0) * min(max(gap, 0), _LONGEST_GAP_DAYS)
        # Fluids and filters of a vehicle with its original parts have been in it since new.
        start = Point(service, 0.0) if parts == "original" and service is not None else None
        services = schedule.for_vehicle(fuel, kind, duty)
        # Of one that is asked for by name the answer is wanted however long ago it was seen.
        present = here and (vehicle is not None or (view.today - seen).days <= UNSEEN_DAYS)
        found.append(
            Serviced(name, services, Point(view.today, now_km), pace, start, event, bool(present))
        )
    return found


def services_done(view: LedgerView, schedule: Schedule) -> Mapping[tuple[str, str], list[Done]]:
    """Return (vehicle, component and action) -> when it was done, oldest first, one a day."""
    components = sorted({service.component for service in schedule.services})
    marks = ", ".join("?" * len(components))
    rows = view.sql(
        f"""SELECT vehicle_id, component, action, occurred_on, true_km, event_id FROM (
              SELECT vehicle_id, component, action, occurred_on, seq, true_km, event_id
              FROM maintenance_done WHERE component IN ({marks})
              UNION ALL
              SELECT vehicle_id, component, 'replaced', occurred_on, seq, true_km, event_id
              FROM replacements WHERE component IN ({marks}))
            ORDER BY vehicle_id, component, occurred_on, seq""",
        (*components, *components),
    ).rows
    by_component = {
        name: {s.action: s for s in schedule.services if s.component == name}.values()
        for name in components
    }
    found: dict[tuple[str, str], list[Done]] = {}
    for vehicle, component, action, on, km, event in rows:
        for service in by_component[component]:
            if service.done_by(action):
                series = found.setdefault((vehicle, f"{component} {service.action}"), [])
                if not series or series[-1].at.on != on:
                    series.append(Done(Point(on, km), event))
    return found


def history_of(
    vehicle: Serviced, service: Service, done: Mapping[tuple[str, str], list[Done]]
) -> list[Done]:
    """Return when a service of a vehicle was done, oldest first, from new where that is known."""
    own = done.get((vehicle.name, f"{service.component} {service.action}"), [])
    if vehicle.start is None:
        return own
    return [
        Done(vehicle.start, vehicle.start_event),
        *(d for d in own if d.at.on > vehicle.start.on),
    ]


def standing_of(
    vehicles: Iterable[Serviced],
    done: Mapping[tuple[str, str], list[Done]],
    window: float,
    ahead_months: float,
) -> list[DueService]:
    """Return how each service of each vehicle that is here stands."""
    found = []
    for vehicle in vehicles:
        if not vehicle.here:
            continue
        for service in vehicle.services:
            history = history_of(vehicle, service, done)
            if not history:
                found.append(
                    DueService(vehicle.name, service, "no record", None, "", None, None, None)
                )
                continue
            last = history[-1]
            due = due_after(last.at, service.interval, window)
            expected = expected_on(due, vehicle.now, vehicle.km_per_day)
            left = None if due.km is None or vehicle.now.km is None else due.km - vehicle.now.km
            state = _state(due, vehicle.now, expected, ahead_months)
            found.append(
                DueService(vehicle.name, service, state, last.at, last.event, due, expected, left)
            )
    return found


def _state(due: Due, now: Point, expected: date | None, ahead_months: float) -> State:
    if timing(due, now) == "late":
        return "overdue"
    if is_past(due, now):
        return "due"
    until = now.on + timedelta(days=round(ahead_months * 365.25 / 12))
    return "soon" if expected is not None and expected <= until else "later"
