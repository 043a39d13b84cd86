"""Service schedules as data, and what is due by one."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Literal

from roadworn.columns.view import UNSEEN_DAYS, LedgerView
from roadworn.model.messages import Sentence
from roadworn.model.units import convert
from roadworn.trade import DataFile, Key
from roadworn.trade.warranty import add_months
from roadworn_plugins.shared.settings import Packaged

Timing = Literal["early", "on time", "late"]
#: A metre, so that converted miles do not fall off an edge they stand on.
_KM = 1e-3


@dataclass(frozen=True, slots=True)
class Interval:
    """A service interval; at least one of the two is given.

    Attributes:
        km: distance, or None.
        months: time, or None.
    """

    km: float | None = None
    months: int | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """A moment in a vehicle's life; the distance may be unknown.

    Attributes:
        on, km: the day, and the true distance by then.
        event: what says so, empty for today.
    """

    on: date
    km: float | None
    event: str = ""


@dataclass(frozen=True, slots=True)
class Due:
    """When a service falls due, with the window around it.

    Attributes:
        on: last day by months, or None without such a term.
        km: distance, or None without such a term.
        days_window, km_window: how far on either side still is in time.
    """

    on: date | None
    km: float | None
    days_window: float
    km_window: float


def due_after(last: Point, interval: Interval, window: float) -> Due:
    """Return when the service after the one done at `last` falls due.

    Args:
        last: when it was done.
        interval: by distance, months or both.
        window: share of the interval on either side that still is in time.
    """
    on = None if interval.months is None else add_months(last.on, interval.months)
    km = None if interval.km is None or last.km is None else last.km + interval.km
    days = 0.0 if on is None else window * (on - last.on).days
    return Due(on, km, days, window * (interval.km or 0.0))


def timing(due: Due, done: Point) -> Timing:
    """Say whether a service done at `done` was in time: past either window it was late."""
    after: list[tuple[float, float]] = []
    if due.on is not None:
        after.append(((done.on - due.on).days, due.days_window))
    if due.km is not None and done.km is not None:
        after.append((done.km - due.km, due.km_window + _KM))
    if any(late > window for late, window in after):
        return "late"
    if after and all(late < -window for late, window in after):
        return "early"
    return "on time"


def is_past(due: Due, now: Point) -> bool:
    """Whether the service has fallen due by now, by whichever clock."""
    by_time = due.on is not None and now.on >= due.on
    return by_time or (due.km is not None and now.km is not None and now.km >= due.km)


def expected_on(due: Due, now: Point, km_per_day: float | None) -> date | None:
    """Return the day it is expected to fall due, or None when nothing tells.

    Args:
        due: from `due_after`.
        now: today, and the distance by today.
        km_per_day: how far the vehicle usually goes; None or 0 for unknown.
    """
    days = [] if due.on is None else [due.on]
    if due.km is not None and now.km is not None and km_per_day:
        ahead = min((due.km - now.km) / km_per_day, 36_500.0)
        days.append(now.on + timedelta(days=round(max(ahead, 0.0))))
    return min(days, default=None)


#: Words for one fuel, since both are written.
_FUELS = {"petrol": "gasoline", "gas": "gasoline"}
#: Which actions do a service of an action.
_DONE_BY = {
    "replaced": ("replaced", "filled"),
    "adjusted": ("adjusted", "replaced"),
    "cleaned": ("cleaned", "replaced"),
    "inspected": ("inspected", "adjusted", "cleaned", "replaced", "filled"),
}
_HEAD = {"title": Key("text", must=True), "note": Key("text", must=True)}
_ITEM = {
    "component": Key("component", must=True),
    "action": Key("text", words=tuple(_DONE_BY)),
    "distance": Key("figure"),
    "unit": Key("unit"),
    "months": Key("whole"),
    "citation": Key("text", must=True),
    "fuel": Key("any text"),
    "class": Key("any text"),
    "duty": Key("any text"),
}


@dataclass(frozen=True, slots=True)
class Service:
    """One line of a schedule.

    Attributes:
        component: catalogue id.
        action: replaced, adjusted, cleaned or inspected.
        interval: when it is due again.
        citation: where the interval is from.
        fuel, vehicle_class, duty: only for vehicles recorded so; empty for all.
    """

    component: str
    action: str
    interval: Interval
    citation: str
    fuel: str = ""
    vehicle_class: str = ""
    duty: str = ""

    @property
    def conditions(self) -> int:
        """How many conditions it names; of two lines for one component the narrower holds."""
        return sum(bool(text) for text in (self.fuel, self.vehicle_class, self.duty))

    def done_by(self, action: str) -> bool:
        """Whether work of this action does the service."""
        return action in _DONE_BY[self.action]


@dataclass(frozen=True, slots=True)
class Schedule:
    """A service schedule."""

    title: str
    note: str
    services: tuple[Service, ...]

    def for_vehicle(
        self, fuel: str | None, vehicle_class: str, duty: str | None
    ) -> tuple[Service, ...]:
        """Return the services that hold for a vehicle, one for each component and action."""
        chosen: dict[tuple[str, str], Service] = {}
        for service in self.services:
            fits = (
                service.fuel in ("", _fuel(fuel))
                and service.vehicle_class in ("", vehicle_class)
                and service.duty in ("", duty or "")
            )
            key = service.component, service.action
            if fits and (key not in chosen or service.conditions > chosen[key].conditions):
                chosen[key] = service
        return tuple(chosen.values())


def _service(file: DataFile, where: str, row: dict[str, Any]) -> Service:
    distance, months = row.get("distance"), row.get("months")
    if distance is None and months is None:
        file.refuse(where, "it says no interval: add distance with its unit, months, or both")
    if (distance is None) != ("unit" not in row):
        file.refuse(where, "distance and unit go together: write unit as mi or km")
    file.word(row, "unit", ("mi", "km"), where)
    for key in ("distance", "months"):
        if key in row and not row[key] > 0:
            file.refuse(where, f"{key} is {row[key]}: an interval is more than 0")
    km = None if distance is None else convert(distance, row["unit"], "km")
    return Service(
        component=row["component"],
        action=row.get("action", "replaced"),
        interval=Interval(km, months),
        citation=row["citation"],
        fuel=_fuel(row.get("fuel", "")),
        vehicle_class=row.get("class", ""),
        duty=row.get("duty", ""),
    )


def _fuel(text: str | None) -> str:
    word = (text or "").casefold()
    return _FUELS.get(word, word)


def _schedule(file: DataFile) -> Schedule:
    file.sections(("schedule", "item"))
    head = file.table(_HEAD, "schedule")
    services = tuple(_service(file, where, row) for where, row in file.rows("item", _ITEM))
    note = head["note"]
    if file.name in SCHEDULES.names():
        note = Sentence(f"maintenance-due.{file.name}", note)
    return Schedule(head["title"], note, services)


SCHEDULES = Packaged(
    "schedule", "schedule_", "schedule_common_practice", "ROADWORN_SCHEDULE", _schedule
)
load_schedule = SCHEDULES.load


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

    `here` is false for one that has left or has not been seen for long; `kind` is its class.
    """

    name: str
    kind: str
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
    absent = set(view.sql("SELECT vehicle_id, component FROM absent_parts WHERE axle = ''").rows)
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
                kind,
                tuple(
                    one
                    for one in schedule.for_vehicle(fuel, kind, duty)
                    if (name, one.component) not in absent
                ),
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
    vehicles: Iterable[Serviced],
    done: Done,
    window: float,
    ahead_months: float,
    never: Collection[tuple[str, str]] = (),
) -> list[DueService]:
    """Return how each service of each vehicle that is here stands.

    Args:
        vehicles: from `serviced`.
        done: from `services_done`.
        window: share of an interval that still is in time.
        ahead_months: what falls due within it is `soon`.
        never: component and action of what is never recorded here, which has no state.
    """
    return [
        DueService(vehicle.name, service)
        if (service.component, service.action) in never
        else _standing(vehicle, service, history_of(vehicle, service, done), window, ahead_months)
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
