"""What is planted in the demo, by name, so that a test can ask whether it is found.

The island of Haldersey, its garage, makers, suppliers and vehicles are invented.
"""

from dataclasses import dataclass, field
from datetime import date

from roadworn_demo.lives import PART_LIVES, VAN, PartLife, true_scale

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


@dataclass(frozen=True, slots=True)
class BadBatch:
    """Parts of one number from one supplier, fitted between two days, that fail early."""

    component: str = "wheel.bearing"
    supplier: str = "Lowmoor Spares"
    part_number: str = "LS-WBEA-77"
    fitted_from: date = date(2022, 11, 1)
    fitted_to: date = date(2024, 1, 31)
    life_factor: float = 0.25


@dataclass(frozen=True, slots=True)
class PartEater:
    """One vehicle that eats one part for a cause of its own: another part, never replaced."""

    vehicle: str = "bus-7"
    component: str = "electrical.alternator"
    cause: str = "engine.mount"
    cause_position: str = "front"
    since: date = date(2022, 5, 16)
    shape: float = 2.0
    scale_miles: float = 12_000.0


@dataclass(frozen=True, slots=True)
class WeakOnOneClass:
    """One component that fails early on one class of vehicle."""

    component: str = "cooling.water_pump"
    vehicle_class: str = VAN
    life_factor: float = 1 / 3


@dataclass(frozen=True, slots=True)
class OdometerTruth:
    """What happened to odometers, by vehicle."""

    exchanged: str = "van-3"
    exchanged_on: date = date(2021, 6, 14)
    rolled_over: str = "truck-1"
    slip_corrected: str = "van-6"
    entered_on_wrong_vehicle: str = "bus-2"
    lower_left_standing: str = "car-4"


@dataclass(frozen=True, slots=True)
class CodeTruth:
    """How often the first work for a code was the wrong one; the code then comes back.

    `tried_first` maps the code to the part that is tried before the one that had failed.
    """

    tried_first: dict[str, str] = field(
        default_factory=lambda: {
            "P0420": "emission.oxygen_sensor",
            "P0562": "electrical.battery",
        }
    )
    wrong_first_chance: float = 0.35


@dataclass(frozen=True, slots=True)
class Recall:
    """A campaign of a maker: parts replaced that had not failed."""

    component: str = "fuel.pump"
    make: str = "Ostrel"
    vehicle_class: str = VAN
    model_years: tuple[int, ...] = (2018, 2019, 2020)
    starts: date = date(2022, 3, 7)


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything known about the demo's world that its ledger does not say outright.

    Attributes:
        lives: Weibull shape and scale of each component, see `scale` for a class.
        tyre_shop: vehicles whose tyres were fitted elsewhere in `tyre_shop_year`; those
            rows are not generated, they stand in the hand-written CSV file.
    """

    lives: tuple[PartLife, ...] = PART_LIVES
    batch: BadBatch = BadBatch()
    eater: PartEater = PartEater()
    weak: WeakOnOneClass = WeakOnOneClass()
    odometers: OdometerTruth = OdometerTruth()
    codes: CodeTruth = field(default_factory=CodeTruth)
    recall: Recall = Recall()
    tyre_shop: tuple[str, ...] = (
        "car-1",
        "car-2",
        "car-5",
        "pickup-3",
        "pickup-4",
        "pickup-7",
        "pickup-8",
        "van-14",
        "van-15",
    )
    tyre_shop_year: int = 2024

    def life(self, component: str) -> PartLife:
        """Return the truth about one component.

        Raises:
            KeyError: the demo has no such component.
        """
        for part in self.lives:
            if part.component == component:
                return part
        raise KeyError(component)

    def scale(self, component: str, vehicle_class: str) -> float:
        """Return the Weibull scale on a class, in miles (days for the battery)."""
        return true_scale(self.life(component), vehicle_class)


TRUTH = Truth()
