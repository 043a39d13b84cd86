"""Service schedules as data: what is due on which vehicles, by distance and by months."""

from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from typing import Any

from roadworn.analysis import PackagedFile
from roadworn.trade.data_file import DataFile, Key, kept, own_text
from roadworn.units import to_km
from roadworn_plugins.maintenance_timing import Interval

#: Words for one fuel, since both are written.
_FUELS = {"petrol": "gasoline", "gas": "gasoline"}
#: Which actions do a service of an action.
_DONE_BY = {
    "replaced": ("replaced", "filled"),
    "adjusted": ("adjusted", "replaced"),
    "cleaned": ("cleaned", "replaced"),
    "inspected": ("inspected", "adjusted", "cleaned", "replaced", "filled"),
}
_WHAT = "schedule"
_DEFAULT = "schedule_common_practice"
#: Where a shop keeps the path of its own, so that it need not be typed each time.
VARIABLE = "ROADWORN_SCHEDULE"
_HEAD = {"title": Key("text", must=True), "note": Key("text", must=True)}
_ITEM = {
    "component": Key("component", must=True),
    "action": Key("text"),
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


def packaged_schedules() -> tuple[str, ...]:
    """Return the names of the packaged schedules, sorted."""
    names = (entry.name for entry in files("roadworn_plugins").joinpath("rules").iterdir())
    return tuple(sorted(n.removesuffix(".toml") for n in names if n.startswith("schedule_")))


def schedule_text(name: str) -> str:
    """Return the file of a packaged schedule as it stands, to copy from."""
    folder = files("roadworn_plugins").joinpath("rules")
    return folder.joinpath(f"{name}.toml").read_text(encoding="utf-8")


def load_schedule(name: str = "") -> Schedule:
    """Return a packaged schedule by name, or a shop's own by the path of its TOML file.

    Args:
        name: name or path; without one that of ``ROADWORN_SCHEDULE``, else common practice.

    Raises:
        UsageError: there is none, or the file does not say what a schedule must.
    """
    if not name:
        return kept(VARIABLE, load_schedule, _DEFAULT)
    packaged = packaged_schedules()
    text = schedule_text(name) if name in packaged else own_text(name, _WHAT, packaged)
    file = DataFile.parse(_WHAT, name, text)
    file.sections(("schedule", "item"))
    head = file.table(_HEAD, "schedule")
    services = tuple(_service(file, where, row) for where, row in file.rows("item", _ITEM))
    return Schedule(head["title"], head["note"], services)


def schedule_files() -> tuple[PackagedFile, ...]:
    """Return the packaged schedules as files to copy from."""
    return tuple(
        PackagedFile("schedule", name, _WHAT, "service schedule", partial(schedule_text, name))
        for name in packaged_schedules()
    )


def _service(file: DataFile, where: str, row: dict[str, Any]) -> Service:
    file.word(row, "action", _DONE_BY, where)
    distance, months = row.get("distance"), row.get("months")
    if distance is None and months is None:
        file.refuse(where, "it says no interval: add distance with its unit, months, or both")
    if (distance is None) != ("unit" not in row):
        file.refuse(where, "distance and unit go together: write unit as mi or km")
    file.word(row, "unit", ("mi", "km"), where)
    for key in ("distance", "months"):
        if key in row and not row[key] > 0:
            file.refuse(where, f"{key} is {row[key]}: an interval is more than 0")
    km = None if distance is None else to_km(distance, row["unit"])
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
