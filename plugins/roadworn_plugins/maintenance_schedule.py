"""Service schedules as data: what is due on which vehicles, by distance and by months."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from roadworn.catalogue import catalogue
from roadworn.errors import UsageError
from roadworn.units import UnitError, to_km
from roadworn_plugins.inspection_rules import read_own_file
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


def load_schedule(name: str) -> Schedule:
    """Return a packaged schedule by name, or a shop's own by the path of its TOML file.

    Raises:
        UsageError: there is none, or the file does not say what a schedule must.
    """
    if name in packaged_schedules():
        folder = files("roadworn_plugins").joinpath("rules")
        text = folder.joinpath(f"{name}.toml").read_text(encoding="utf-8")
    else:
        text = read_own_file(name, "schedule", packaged_schedules())
    try:
        data = tomllib.loads(text)
        services = tuple(_service(row) for row in data["item"])
        return Schedule(data["schedule"]["title"], data["schedule"]["note"], services)
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError) as error:
        raise UsageError(
            f"The schedule {name} cannot be read: {type(error).__name__} {error}; compare it with "
            "the packaged schedule_common_practice.toml."
        ) from None


def _service(row: Mapping[str, Any]) -> Service:
    component, action = row["component"], row.get("action", "replaced")
    if catalogue().find(component) is None or action not in _DONE_BY:
        raise KeyError(f"{component} {action}")
    distance, months = row.get("distance"), row.get("months")
    if distance is None and months is None:
        raise KeyError(f"distance or months of {component}")
    for figure in (distance, months):
        if figure is not None and not (isinstance(figure, int | float) and figure > 0):
            raise ValueError(f"{figure!r} of {component} is no interval")
    try:
        km = None if distance is None else to_km(distance, row["unit"])
    except UnitError as error:
        raise ValueError(str(error)) from None
    return Service(
        component=component,
        action=action,
        interval=Interval(km, None if months is None else int(months)),
        citation=row["citation"],
        fuel=_fuel(row.get("fuel", "")),
        vehicle_class=row.get("class", ""),
        duty=row.get("duty", ""),
    )


def _fuel(text: str | None) -> str:
    word = (text or "").casefold()
    return _FUELS.get(word, word)
