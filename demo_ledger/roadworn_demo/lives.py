"""How long parts last in the demo: the truth the analyses are asked to find again.

Every figure is invented for the demo. None may be quoted as a life, price or labour time of
a real part.
"""

from dataclasses import dataclass
from typing import Literal

BUS, VAN, CAR, PICKUP, TRUCK = (
    "community bus",
    "delivery van",
    "light car",
    "pickup truck",
    "old truck",
)
CLASSES = (BUS, VAN, CAR, PICKUP, TRUCK)
_ALL = frozenset(CLASSES)
_PETROL = frozenset({VAN, CAR, PICKUP})
_WHEELS = ("LF", "RF", "LR", "RR")


@dataclass(frozen=True, slots=True)
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
    """

    component: str
    positions: tuple[str, ...]
    shape: float
    scale: float
    price: float
    hours: float
    shown: Literal["drive", "wear", "look"]
    codes: tuple[str, ...] = ()
    clock: Literal["miles", "days"] = "miles"
    classes: frozenset[str] = _ALL
    planned: float | None = None
    planned_chance: float = 0.0

    @property
    def system(self) -> str:
        """The part of the id before the dot."""
        return self.component.partition(".")[0]

    def code(self, position: str) -> str | None:
        """Return the code a failure at `position` sets, if any."""
        if not self.codes:
            return None
        return self.codes[self.positions.index(position)] if len(self.codes) > 1 else self.codes[0]


_ONE = ("",)
_AXLES = ("front", "rear")
_SPEED_CODES = ("C0031", "C0034", "C0037", "C003A")
_MISFIRE_CODES = ("P0301", "P0302", "P0303", "P0304")

PART_LIVES: tuple[PartLife, ...] = (
    PartLife("brake.pad", _AXLES, 3.6, 42_000, 78, 1.2, "wear"),
    PartLife("brake.rotor", _AXLES, 3.4, 80_000, 64, 1.4, "wear"),
    PartLife("brake.caliper", _WHEELS, 1.3, 210_000, 145, 1.2, "drive"),
    PartLife("brake.hose", ("LF", "RF"), 3.0, 125_000, 38, 0.8, "look"),
    PartLife("brake.wheel_speed_sensor", _WHEELS, 1.1, 260_000, 62, 0.7, "drive", _SPEED_CODES),
    PartLife("steering.tie_rod_outer", ("L", "R"), 3.2, 92_000, 48, 0.9, "look"),
    PartLife("suspension.ball_joint", ("LF-lower", "RF-lower"), 2.9, 105_000, 66, 1.4, "look"),
    PartLife("suspension.stabilizer_link", ("LF", "RF"), 2.3, 68_000, 29, 0.6, "drive"),
    PartLife("suspension.strut", ("LF", "RF"), 3.1, 92_000, 168, 1.6, "look"),
    PartLife("suspension.shock", ("LR", "RR"), 3.0, 84_000, 74, 0.7, "look"),
    PartLife("wheel.bearing", _WHEELS, 2.6, 112_000, 118, 1.5, "drive"),
    PartLife("wheel.tire", _WHEELS, 4.0, 41_000, 126, 0.4, "wear"),
    PartLife("electrical.battery", _ONE, 3.4, 1_680, 148, 0.4, "drive", clock="days"),
    PartLife("electrical.alternator", _ONE, 2.2, 118_000, 310, 1.6, "drive", ("P0562",)),
    PartLife("electrical.starter", _ONE, 2.0, 135_000, 240, 1.4, "drive", ("P0615",)),
    PartLife("lighting.headlamp", ("L", "R"), 1.2, 62_000, 24, 0.4, "drive"),
    PartLife("cooling.water_pump", _ONE, 2.6, 98_000, 132, 2.6, "drive", ("P0217",)),
    PartLife("cooling.thermostat", _ONE, 1.9, 112_000, 44, 1.1, "drive", ("P0128",)),
    PartLife("cooling.hose", ("upper", "lower"), 3.0, 98_000, 32, 0.8, "look"),
    PartLife("cooling.fan", _ONE, 1.2, 190_000, 180, 1.2, "drive", ("P0480",)),
    PartLife(
        "engine.drive_belt", _ONE, 3.4, 76_000, 42, 0.6, "look", planned=60_000, planned_chance=0.5
    ),
    PartLife("engine.belt_tensioner", _ONE, 2.6, 108_000, 74, 0.8, "drive"),
    PartLife(
        "engine.timing_belt",
        _ONE,
        4.0,
        125_000,
        165,
        4.2,
        "drive",
        planned=72_000,
        planned_chance=0.85,
    ),
    PartLife("engine.mount", _AXLES, 2.4, 118_000, 88, 1.5, "look"),
    PartLife("engine.cover_gasket", ("1",), 2.6, 115_000, 46, 2.0, "look"),
    PartLife(
        "ignition.coil",
        ("1", "2", "3", "4"),
        1.4,
        150_000,
        58,
        0.5,
        "drive",
        _MISFIRE_CODES,
        classes=_PETROL,
    ),
    PartLife(
        "emission.oxygen_sensor",
        ("B1S1", "B1S2"),
        2.0,
        112_000,
        84,
        0.7,
        "drive",
        ("P0135", "P0141"),
        classes=_PETROL,
    ),
    PartLife(
        "emission.catalyst", ("1",), 3.0, 148_000, 690, 2.1, "drive", ("P0420",), classes=_PETROL
    ),
    PartLife(
        "emission.egr_valve",
        _ONE,
        2.1,
        88_000,
        260,
        1.8,
        "drive",
        ("P0401",),
        classes=frozenset({BUS}),
    ),
    PartLife("emission.exhaust_pipe", _ONE, 2.7, 88_000, 190, 1.2, "look"),
    PartLife(
        "emission.purge_valve", _ONE, 1.2, 140_000, 52, 0.5, "drive", ("P0443",), classes=_PETROL
    ),
    PartLife(
        "drivetrain.cv_axle",
        ("LF", "RF"),
        2.5,
        112_000,
        145,
        1.5,
        "look",
        classes=frozenset({VAN, CAR}),
    ),
    PartLife(
        "drivetrain.u_joint",
        _AXLES,
        2.6,
        98_000,
        46,
        1.2,
        "look",
        classes=frozenset({BUS, PICKUP, TRUCK}),
    ),
    PartLife(
        "drivetrain.clutch",
        _ONE,
        2.7,
        104_000,
        260,
        5.5,
        "drive",
        classes=frozenset({VAN, CAR, TRUCK}),
    ),
    PartLife("hvac.compressor", _ONE, 2.0, 155_000, 420, 2.4, "drive"),
    PartLife("hvac.blower", _ONE, 1.6, 125_000, 88, 0.9, "drive"),
    PartLife("body.door_latch", ("LF",), 1.5, 72_000, 70, 1.1, "drive"),
    PartLife("fuel.pump", _ONE, 2.1, 152_000, 290, 2.0, "drive", ("P0230",)),
)

#: (component or system, class) -> factor on the scale; the component's own entry wins.
SCALE_FACTORS: dict[tuple[str, str], float] = {
    ("brake", BUS): 0.80,
    ("brake", VAN): 0.85,
    ("brake", TRUCK): 1.20,
    ("suspension", BUS): 0.85,
    ("suspension", PICKUP): 1.10,
    ("wheel.tire", BUS): 0.90,
    ("body.door_latch", BUS): 0.55,
    ("body.door_latch", VAN): 0.65,
    ("drivetrain.clutch", VAN): 0.80,
    # Planted: the coolant pump of the delivery vans lasts a third of anyone else's.
    ("cooling.water_pump", VAN): 1 / 3,
}

#: Parts of larger vehicles cost more.
PRICE_FACTORS: dict[str, float] = {BUS: 1.5, VAN: 1.1, CAR: 1.0, PICKUP: 1.15, TRUCK: 1.3}


def true_scale(part: PartLife, vehicle_class: str) -> float:
    """Return the Weibull scale of a component on a class, in the part's own clock."""
    own = SCALE_FACTORS.get((part.component, vehicle_class))
    factor = own if own is not None else SCALE_FACTORS.get((part.system, vehicle_class), 1.0)
    return round(part.scale * factor, 1)
