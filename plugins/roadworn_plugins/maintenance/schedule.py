"""Service schedules as data, and what is due by one."""

from bisect import bisect_right
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Literal, Self

from roadworn.columns.view import UNSEEN_DAYS, LedgerView
from roadworn.model.messages import Sentence
from roadworn.model.units import convert
from roadworn.trade import CITED, DataFile, Key
from roadworn.trade.warranty import Due, Interval, Point, due_after, expected_on, is_past, timing
from roadworn_plugins.shared.settings import Packaged

#: An engine runs evenly between two readings, and at the old pace for no longer than this.
_LONGEST_GAP_DAYS = 180
#: The pace is that of so many days before the last reading (common practice, no source).
_PACE_DAYS = 730
_MOST_A_DAY = 24.0


class EngineHours:
    """The hours of all vehicles that have readings of them."""

    def __init__(self, rows: list[tuple[str, date, float]]) -> None:
        """Put readings end to end.

        Args:
            rows: vehicle, day and figure, by vehicle in the order of their happening.
        """
        self._days: dict[str, list[date]] = {}
        self._hours: dict[str, list[float]] = {}
        shown: dict[str, float] = {}
        for vehicle, day, figure in rows:
            days, hours = self._days.setdefault(vehicle, []), self._hours.setdefault(vehicle, [])
            gone = figure - shown.get(vehicle, 0.0)
            # An hour meter that was exchanged begins anew; a slip upwards cannot outrun the day.
            if days:
                gone = max(figure, 0.0) if gone < 0.0 else gone
                gone = min(gone, _MOST_A_DAY * max((day - days[-1]).days, 1))
            total = (hours[-1] if hours else 0.0) + gone
            shown[vehicle] = figure
            if days and days[-1] == day:
                hours[-1] = total
            else:
                days.append(day)
                hours.append(total)

    @classmethod
    def of(cls, view: LedgerView) -> Self:
        """Return those of a view, read once however many ask."""
        query = """SELECT vehicle_id, occurred_on, hours FROM hours_readings
                   ORDER BY vehicle_id, occurred_at, seq"""
        return view.kept((cls,), lambda: cls(view.sql(query).rows))

    def known(self) -> bool:
        """Return whether a vehicle has two readings, without which nothing is known between."""
        return any(len(days) > 1 for days in self._days.values())

    def __contains__(self, vehicle: str) -> bool:
        return vehicle in self._days

    def at(self, vehicle: str, day: date) -> float | None:
        """Return the hours by a day; at the usual pace after the last reading, None before all."""
        days, hours = self._days.get(vehicle), self._hours.get(vehicle)
        if not days or not hours:
            return None
        after = bisect_right(days, day)
        if not after:
            # Before the first reading the pace of those after it tells, never below nothing.
            back = hours[0] - (self.per_day(vehicle) or 0.0) * (days[0] - day).days
            return max(back, 0.0)
        if after == len(days):
            gap = min((day - days[-1]).days, _LONGEST_GAP_DAYS)
            return hours[-1] + (self.per_day(vehicle) or 0.0) * gap
        share = (day - days[after - 1]) / (days[after] - days[after - 1])
        return hours[after - 1] + share * (hours[after] - hours[after - 1])

    def last(self, vehicle: str) -> tuple[date, float] | None:
        """Return the latest reading, put end to end with those before it."""
        days = self._days.get(vehicle)
        return None if not days else (days[-1], self._hours[vehicle][-1])

    def per_day(self, vehicle: str) -> float | None:
        """Return how long the engine usually runs a day, None with a single reading."""
        days, hours = self._days.get(vehicle, []), self._hours.get(vehicle, [])
        if len(days) < 2:
            return None
        first = next(i for i, day in enumerate(days) if (days[-1] - day).days <= _PACE_DAYS)
        first = min(first, len(days) - 2)
        return (hours[-1] - hours[first]) / (days[-1] - days[first]).days


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
    "hours": Key("figure"),
    "run_by": Key("text", words=("distance", "hours")),
    "citation": CITED,
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
        run_by: only for those told by ``distance``, or by ``hours`` of their engine; empty for all.
    """

    component: str
    action: str
    interval: Interval
    citation: str
    fuel: str = ""
    vehicle_class: str = ""
    duty: str = ""
    run_by: str = ""

    @property
    def conditions(self) -> int:
        """How many conditions it names; of two lines for one component the narrower holds."""
        named = (self.fuel, self.vehicle_class, self.duty, self.run_by)
        return sum(bool(text) for text in named)

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
        self, fuel: str | None, vehicle_class: str, duty: str | None, run_by: str = "distance"
    ) -> tuple[Service, ...]:
        """Return the services that hold for a vehicle, one for each component and action."""
        chosen: dict[tuple[str, str], Service] = {}
        for service in self.services:
            fits = (
                service.fuel in ("", _fuel(fuel))
                and service.vehicle_class in ("", vehicle_class)
                and service.duty in ("", duty or "")
                and service.run_by in ("", run_by)
            )
            key = service.component, service.action
            if fits and (key not in chosen or service.conditions > chosen[key].conditions):
                chosen[key] = service
        return tuple(chosen.values())


def _service(file: DataFile, where: str, row: dict[str, Any]) -> Service:
    distance, months, hours = (row.get(key) for key in ("distance", "months", "hours"))
    if distance is None and months is None and hours is None:
        file.refuse(
            where, "it says no interval: add distance with its unit, months, hours, or several"
        )
    if (distance is None) != ("unit" not in row):
        file.refuse(where, "distance and unit go together: write unit as mi or km")
    file.word(row, "unit", ("mi", "km"), where)
    for key in ("distance", "months", "hours"):
        if key in row and not row[key] > 0:
            file.refuse(where, f"{key} is {row[key]}: an interval is more than 0")
    km = None if distance is None else convert(distance, row["unit"], "km")
    return Service(
        component=row["component"],
        action=row.get("action", "replaced"),
        interval=Interval(km, months, None if hours is None else float(hours)),
        citation=row["citation"],
        fuel=_fuel(row.get("fuel", "")),
        vehicle_class=row.get("class", ""),
        duty=row.get("duty", ""),
        run_by=row.get("run_by", ""),
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


#: A service that nobody wrote down must have fallen due so often, and so often on one vehicle,
#: before it is told as never recorded here. Common practice, no source.
_FELL_DUE_BEFORE, _FELL_DUE_ON_ONE = 3, 2
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
        hours_left: likewise of the engine.
    """

    vehicle: str
    service: Service
    state: State = "no record"
    last: Point | None = None
    due: Due | None = None
    expected: date | None = None
    km_left: float | None = None
    hours_left: float | None = None


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
    hours_per_day: float | None = None


#: (vehicle, component, action of the service) -> when it was done, oldest first, one a day.
Done = Mapping[tuple[str, str, str], list[Point]]


def serviced(view: LedgerView, schedule: Schedule, vehicle: str | None) -> list[Serviced]:
    """Return the vehicles, those that have left as well, with what the schedule asks of them."""
    found = []
    run = EngineHours.of(view)
    absent = set(view.sql("SELECT vehicle_id, component FROM absent_parts WHERE axle = ''").rows)
    for (
        name,
        kind,
        fuel,
        duty,
        parts,
        service,
        event,
        km,
        read_on,
        pace,
        here,
        seen,
    ) in view.of_vehicle(
        """SELECT v.vehicle_id, v.vehicle_class, v.fuel, v.duty, v.parts, v.in_service_date,
                  v.enrolment_event, v.last_km, v.last_reading_on, u.km_per_day,
                  v.retired_on IS NULL, v.last_seen_on
           FROM vehicles AS v LEFT JOIN usage_rates AS u USING (vehicle_id)
           WHERE ONLY(v.vehicle_id) ORDER BY v.vehicle_id""",
        vehicle,
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
                    for one in schedule.for_vehicle(
                        fuel, kind, duty, "hours" if km is None and name in run else "distance"
                    )
                    if (name, one.component) not in absent
                ),
                Point(view.today, now_km, hours=run.at(name, view.today)),
                pace,
                Point(service, 0.0, event, 0.0 if name in run else None) if new else None,
                bool(present),
                run.per_day(name),
            )
        )
    return found


def services_done(view: LedgerView, schedule: Schedule) -> Done:
    """Return when each service of the schedule was done."""
    run = EngineHours.of(view)
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
                    on, km, event = done
                    series.append(Point(on, km, event, run.at(vehicle, on)))
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
    expected = expected_on(due, now, vehicle.km_per_day, vehicle.hours_per_day)
    left = None if due.km is None or now.km is None else due.km - now.km
    hours = None if due.hours is None or now.hours is None else due.hours - now.hours
    until = now.on + timedelta(days=round(ahead_months * 365.25 / 12))
    state: State = "soon" if expected is not None and expected <= until else "later"
    if timing(due, now) == "late":
        state = "overdue"
    elif is_past(due, now):
        state = "due"
    return DueService(vehicle.name, service, state, history[-1], due, expected, left, hours)


def never_recorded(vehicles: Iterable[Serviced], done: Done) -> frozenset[tuple[str, str]]:
    """Return component and action of the services that nobody here ever writes down.

    Such a service is done elsewhere, or nobody keeps a record of it; that is not overdue. There
    must be no record of it on any vehicle, though it would have fallen due several times, and
    twice on one vehicle at least: a first service that was forgotten is still called overdue.

    Args:
        vehicles: all of the ledger.
        done: from `services_done`.
    """
    recorded = {(component, action) for _vehicle, component, action in done}
    fell_due: dict[tuple[str, str], list[int]] = {}
    for one in vehicles:
        for service in one.services if one.start is not None else ():
            key = service.component, service.action
            if key not in recorded and one.start is not None:
                fell_due.setdefault(key, []).append(_times(service.interval, one.start, one.now))
    return frozenset(
        key
        for key, times in fell_due.items()
        if sum(times) >= _FELL_DUE_BEFORE and max(times) >= _FELL_DUE_ON_ONE
    )


def _times(interval: Interval, start: Point, now: Point) -> int:
    """Return how often a service fell due between two moments, by whichever clock."""
    by_km = by_time = by_hours = 0.0
    if interval.km and start.km is not None and now.km is not None:
        by_km = (now.km - start.km) / interval.km
    if interval.months:
        by_time = (now.on - start.on).days / (interval.months * 365.25 / 12)
    if interval.hours and start.hours is not None and now.hours is not None:
        by_hours = (now.hours - start.hours) / interval.hours
    return int(max(by_km, by_time, by_hours))
