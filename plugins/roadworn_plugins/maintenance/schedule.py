"""Service schedules as data: what is due on which vehicles, by distance and by months."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Literal

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
