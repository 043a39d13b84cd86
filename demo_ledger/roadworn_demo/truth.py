"""What is true of the demo's world and planted in it, so that a test can ask whether it is found.

The island of Haldersey, its garage, makers, suppliers and vehicles are invented, and so is every
figure. What is planted and how long parts last stands in scenario.toml.
"""

import tomllib
from dataclasses import dataclass, field
from datetime import date
from importlib import resources
from typing import Literal

from pydantic import TypeAdapter

#: The ledger begins and ends here; the demo is always run as of the last day.
FIRST_DAY = date(2018, 11, 5)
LAST_DAY = date(2026, 11, 20)
DEMO_TODAY = "2026-11-20"
#: The car a returning customer has just brought in.
FEATURED = "car-9"
SEED = "haldersey-1"
SCENE = """\
Haldersey is an island that does not exist. Its one garage keeps the community buses, the
delivery vans and the cars of whoever comes in, and has written everything down for eight
years. Makers, people, prices and the lives of parts are invented.

It is 20 November 2026. The owner of car-9, a Tavenor Dunlin of 2014 with about 119,000 miles,
says the steering feels loose, the engine lamp is on and it shakes when cold. It has been
looked over and read out. What is wrong, what keeps failing, what goes next, is it worth it?"""


BUS, VAN, CAR, PICKUP, TRUCK = CLASSES = (
    "community bus",
    "delivery van",
    "light car",
    "pickup truck",
    "old truck",
)


@dataclass(frozen=True, slots=True, eq=False)
class PartLife:
    """The truth about one component.

    Attributes:
        component: catalogue id.
        positions: where a vehicle has one; ``("",)`` for a component without a position. An
            axle set of two (rotors) lives once under ``front`` or ``rear``.
        shape: Weibull shape.
        scale: Weibull scale in miles, or in days when `clock` is ``days``.
        price: of one part in 2018, USD.
        hours: labour hours of the job.
        shown: how the end of a life comes to light: ``drive`` fails on the road, ``wear`` is
            measured and replaced as worn out, ``look`` waits for the next look-over.
        codes: trouble codes that go with a failure, one a position or one for all.
        clock: what the life is counted in.
        classes: vehicle classes that have the component.
        planned: replace as preventive at this many miles, or None.
        planned_chance: how often that plan is kept.
        said: what is said when it fails on the road.
        found: a note beside a finding that it has failed.
        ends: position -> true distances in miles at which the featured car's parts come to
            their end. A place that is not named keeps the part it came with; the last figure
            may lie ahead.
    """

    component: str
    shape: float
    scale: float
    price: float
    hours: float
    shown: Literal["drive", "wear", "look"]
    positions: tuple[str, ...] = ("",)
    codes: tuple[str, ...] = ()
    clock: Literal["miles", "days"] = "miles"
    classes: frozenset[str] = frozenset(CLASSES)
    planned: float | None = None
    planned_chance: float = 0.0
    said: tuple[str, ...] = ()
    found: str | None = None
    ends: dict[str, tuple[int, ...]] = field(default_factory=dict)

    @property
    def system(self) -> str:
        """The part of the id before the dot."""
        return self.component.partition(".")[0]

    def code(self, position: str) -> str | None:
        """Return the code a failure at `position` sets, if any."""
        if not self.codes:
            return None
        return self.codes[self.positions.index(position)] if len(self.codes) > 1 else self.codes[0]


@dataclass(frozen=True, slots=True)
class BadBatch:
    """Parts of one number from one supplier, fitted between two days, that fail early."""

    component: str
    supplier: str
    part_number: str
    fitted_from: date
    fitted_to: date
    life_factor: float


@dataclass(frozen=True, slots=True)
class PartEater:
    """One vehicle that eats one part for a cause of its own: another part, never replaced."""

    vehicle: str
    component: str
    cause: str
    cause_position: str
    since: date
    shape: float
    scale_miles: float


@dataclass(frozen=True, slots=True)
class WeakOnOneClass:
    """One component that fails early on one class of vehicle."""

    component: str
    vehicle_class: str
    life_factor: float


@dataclass(frozen=True, slots=True)
class OdometerTruth:
    """What happened to odometers, by vehicle."""

    exchanged: str
    exchanged_on: date
    rolled_over: str
    slip_corrected: str
    entered_on_wrong_vehicle: str
    lower_left_standing: str


@dataclass(frozen=True, slots=True)
class CodeTruth:
    """How often the first work for a code was the wrong one; the code then comes back.

    `tried_first` maps the code to the part that is tried before the one that had failed.
    """

    tried_first: dict[str, str]
    wrong_first_chance: float


@dataclass(frozen=True, slots=True)
class Pictures:
    """Vehicles whose codes point elsewhere: `cured` by the coil on those days, open ones today."""

    cured: tuple[str, ...]
    cured_on: tuple[date, ...]
    open_misfire: str
    hybrid: str


@dataclass(frozen=True, slots=True)
class Recall:
    """A campaign of a maker: parts replaced that had not failed."""

    component: str
    make: str
    vehicle_class: str
    model_years: tuple[int, ...]
    starts: date


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything known about the demo's world that its ledger does not say outright.

    Attributes:
        lives: Weibull shape and scale of each component, see `scale` for a class.
        tyre_shop: vehicles whose tyres were fitted elsewhere in `tyre_shop_year`; those
            rows are not generated, they stand in the hand-written CSV file.
        scale_factors: component or system -> class -> factor on the scale; the component's own
            entry wins.
        price_factors: class -> factor on prices; parts of larger vehicles cost more.
    """

    lives: tuple[PartLife, ...]
    batch: BadBatch
    eater: PartEater
    weak: WeakOnOneClass
    odometers: OdometerTruth
    codes: CodeTruth
    recall: Recall
    pictures: Pictures
    tyre_shop: tuple[str, ...]
    tyre_shop_year: int
    scale_factors: dict[str, dict[str, float]]
    price_factors: dict[str, float]

    def life(self, component: str) -> PartLife:
        """Return the truth about one component that the demo has."""
        return next(part for part in self.lives if part.component == component)

    def scale(self, component: str, vehicle_class: str) -> float:
        """Return the Weibull scale on a class, in miles (days for the battery)."""
        return true_scale(self.life(component), vehicle_class)


_SCENARIO = resources.files(__package__).joinpath("scenario.toml").read_text(encoding="utf-8")
TRUTH = TypeAdapter(Truth).validate_python(tomllib.loads(_SCENARIO))
PART_LIVES = TRUTH.lives


def true_scale(part: PartLife, vehicle_class: str) -> float:
    """Return the Weibull scale of a component on a class, in the part's own clock."""
    system = TRUTH.scale_factors.get(part.system, {}).get(vehicle_class, 1.0)
    own = TRUTH.scale_factors.get(part.component, {}).get(vehicle_class, system)
    return round(part.scale * own, 1)
