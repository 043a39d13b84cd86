"""A made fleet with known lives: its ledger to a day, and what really happened after it.

Half of the vehicles are watched from new, half come late with parts of unknown age. Whatever
fails is replaced at once, with the reason and the price written down. Components, lives and
prices are invented; the truth stays here and is never shown to the code under test.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from roadworn.model.events import NewEvent
from roadworn.testing import event

Floats = NDArray[np.float64]
WHEELS = ("LF", "RF", "LR", "RR")
#: Component, positions, Weibull shape, scale in thousand km (in years where "age"), price.
PARTS: tuple[tuple[str, tuple[str, ...], str, float, float, float], ...] = (
    ("brake.pad", ("front", "rear"), "distance", 3.0, 62.0, 260.0),
    ("brake.rotor", ("front", "rear"), "distance", 2.6, 120.0, 380.0),
    ("wheel.tire", WHEELS, "distance", 3.4, 68.0, 170.0),
    ("wheel.bearing", WHEELS, "distance", 1.8, 260.0, 290.0),
    ("suspension.strut", ("LF", "RF"), "distance", 2.2, 170.0, 350.0),
    ("steering.tie_rod_outer", ("L", "R"), "distance", 2.2, 160.0, 180.0),
    ("electrical.battery", ("",), "age", 2.8, 5.0, 190.0),
    ("electrical.alternator", ("",), "distance", 1.4, 230.0, 520.0),
    ("electrical.starter", ("",), "distance", 1.3, 280.0, 430.0),
    ("cooling.water_pump", ("",), "distance", 2.0, 190.0, 480.0),
    ("cooling.thermostat", ("",), "distance", 1.1, 210.0, 210.0),
    ("fuel.pump", ("",), "distance", 1.8, 260.0, 620.0),
    ("engine.drive_belt", ("",), "distance", 2.5, 110.0, 130.0),
    ("emission.oxygen_sensor", ("",), "distance", 1.3, 220.0, 250.0),
    ("hvac.compressor", ("",), "distance", 1.2, 320.0, 900.0),
)
CLASSES = ("small van", "large van", "pickup", "car")
START = date(2016, 1, 1)
YEAR = 365.25
_MONTH = YEAR / 12.0
_COST_SPREAD = 0.35


@dataclass(frozen=True)
class Setting:
    """Size of the fleet and how prices go."""

    vehicles: int = 200
    years: int = 8
    yearly_rise: float = 0.0
    readings_days: float = 91.0


@dataclass
class Vehicle:
    """One vehicle: when it came, and its distance by the month."""

    name: str
    kind: int
    born: float  # days from START; negative for those that come late
    enrolled: float
    edges: Floats
    km: Floats

    def at(self, day: float) -> float:
        """Distance on a day, in km."""
        return float(np.interp(day, self.edges, self.km))

    def day_of(self, km: float) -> float:
        """Day on which a distance is reached; the end and more when it is not."""
        return float(np.interp(km, self.km, self.edges, right=np.inf))


@dataclass
class Truth:
    """What happened, by (vehicle, component, position)."""

    failures: dict[tuple[str, str, str], list[float]] = field(default_factory=dict)
    costs: dict[tuple[str, str, str], list[float]] = field(default_factory=dict)
    scale: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    vehicles: dict[str, Vehicle] = field(default_factory=dict)

    def within(self, key: tuple[str, str, str], first: float, last: float) -> list[float]:
        """Costs of the failures of a place from the day after the first to the last."""
        return [cost for _day, cost in self.dated(key, first, last)]

    def dated(
        self, key: tuple[str, str, str], first: float, last: float
    ) -> list[tuple[float, float]]:
        """Days and costs of the same."""
        pairs = zip(self.failures.get(key, []), self.costs.get(key, []), strict=True)
        # An event is written down with its day only.
        return [(day, cost) for day, cost in pairs if first < np.floor(day) <= last]

    def age(self, key: tuple[str, str, str], day: float, clock: str) -> float:
        """True age of the part at a place, in thousand km or years."""
        car = self.vehicles[key[0]]
        fitted = max((d for d in self.failures.get(key, []) if d <= day), default=car.born)
        if clock == "age":
            return (day - fitted) / YEAR
        return (car.at(day) - car.at(fitted)) / 1000.0


def on(day: float) -> str:
    """Day number as a date."""
    return (START + timedelta(days=int(day))).isoformat()


def play(rng: np.random.Generator, setting: Setting) -> tuple[list[NewEvent], Truth]:
    """Return every event in the order of happening, and the truth."""
    truth = Truth(
        scale=np.exp(rng.normal(0.0, 0.25, (len(CLASSES), len(PARTS)))),
    )
    prices = np.exp(rng.normal(0.0, 0.2, (len(CLASSES), len(PARTS))))
    events: list[tuple[float, NewEvent]] = []
    for number in range(setting.vehicles):
        car = _vehicle(rng, number, setting)
        truth.vehicles[car.name] = car
        events += _watched(car, setting)
        for p, (component, positions, clock, shape, scale, price) in enumerate(PARTS):
            own_scale = scale * truth.scale[car.kind, p]
            for position in positions:
                days = _failures(rng, car, clock, shape, own_scale)
                middle = price * prices[car.kind, p]
                costs = [
                    middle
                    * float(np.exp(rng.normal(0.0, _COST_SPREAD)))
                    * (1.0 + setting.yearly_rise) ** (day / YEAR)
                    for day in days
                ]
                key = (car.name, component, position)
                truth.failures[key], truth.costs[key] = days, costs
                events += [
                    (day, _replacement(car, component, position, day, cost))
                    for day, cost in zip(days, costs, strict=True)
                    if day > car.enrolled
                ]
    events.sort(key=lambda item: item[0])
    return [one for _day, one in events], truth


def _vehicle(rng: np.random.Generator, number: int, setting: Setting) -> Vehicle:
    late = number % 2 == 1
    enrolled = float(rng.uniform(0.0, 2.0 * YEAR))
    born = enrolled - float(rng.uniform(2.0, 9.0) * YEAR) * late
    kind = number // 2 % len(CLASSES)
    pace = 1500.0 * float(np.exp(rng.normal(0.0, 0.4)))
    edges = np.arange(born, (setting.years + 0.2) * YEAR, _MONTH)
    years = np.exp(rng.normal(-0.005, 0.1, edges.size // 12 + 1))
    monthly = pace * years[np.arange(edges.size - 1) // 12]
    monthly = monthly * np.exp(rng.normal(-0.03, 0.25, edges.size - 1))
    km = np.concatenate([[20.0], 20.0 + np.cumsum(monthly)])
    return Vehicle(f"v{number:03d}", kind, born, enrolled, edges, km)


def _failures(
    rng: np.random.Generator, car: Vehicle, clock: str, shape: float, scale: float
) -> list[float]:
    """Days of all failures at one place since the vehicle was new."""
    days = []
    if clock == "age":
        day = car.born
        while True:
            day += scale * YEAR * float(rng.weibull(shape))
            if day >= car.edges[-1]:
                return days
            days.append(day)
    km = float(car.km[0])
    while True:
        km += scale * 1000.0 * float(rng.weibull(shape))
        day = car.day_of(km)
        if day >= car.edges[-1]:
            return days
        days.append(day)


def _watched(car: Vehicle, setting: Setting) -> list[tuple[float, NewEvent]]:
    late = car.born < car.enrolled
    first = event(
        car.name,
        "enrolment",
        on(car.enrolled),
        odometer=round(car.at(car.enrolled)),
        unit="km",
        vehicle_class=CLASSES[car.kind],
        in_service_date=on(car.born),
        parts="unknown" if late else "original",
    )
    days = np.arange(car.enrolled + setting.readings_days, car.edges[-1], setting.readings_days)
    return [(car.enrolled, first)] + [
        (
            float(day),
            event(car.name, "odometer_reading", on(day), odometer=round(car.at(day)), unit="km"),
        )
        for day in days
    ]


def _replacement(car: Vehicle, component: str, position: str, day: float, cost: float) -> NewEvent:
    where = {"position": position} if position else {}
    return event(
        car.name,
        "replacement",
        on(day),
        odometer=round(car.at(day)),
        unit="km",
        component=component,
        reason="failed",
        part_kind="new",
        parts_cost={"amount": f"{cost:.2f}", "currency": "USD"},
        **where,
    )
