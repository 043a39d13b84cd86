"""The car on the bench today: its past is laid down by hand so that it tells one story.

A coil on the third cylinder that has failed six times, oil from a valve cover gasket that
the owner has declined to have done, brake pads near their end, parts of unknown age. What
was found today stands in the hand-written files beside this package.
"""

from datetime import date, timedelta

from roadworn_demo.car import Car, Fitted
from roadworn_demo.lives import PartLife

#: (component, position) -> true distances in miles at which its parts come to their end.
#: A place that is not named keeps the part it came with; the last figure may lie ahead.
ENDS: dict[tuple[str, str], tuple[int, ...]] = {
    ("ignition.coil", "3"): (61_300, 72_400, 82_100, 91_200, 101_800, 112_600, 122_500),
    ("ignition.coil", "1"): (83_400, 190_000),
    ("engine.cover_gasket", "1"): (110_900,),
    ("brake.pad", "front"): (97_100, 121_300),
    ("brake.pad", "rear"): (70_500, 131_000),
    ("brake.rotor", "front"): (63_700, 128_500),
    ("brake.rotor", "rear"): (152_000,),
    ("wheel.tire", "LF"): (58_200, 94_000, 133_000),
    ("wheel.tire", "RF"): (58_900, 94_600, 134_500),
    ("wheel.tire", "LR"): (66_400, 106_300, 148_000),
    ("wheel.tire", "RR"): (66_400, 107_100, 149_000),
    ("steering.tie_rod_outer", "L"): (118_600,),
    ("suspension.stabilizer_link", "LF"): (71_200, 126_000),
    ("suspension.stabilizer_link", "RF"): (69_800, 124_000),
    ("suspension.shock", "LR"): (78_500, 160_000),
    ("suspension.shock", "RR"): (79_900, 158_000),
    ("wheel.bearing", "RF"): (49_700, 131_000),
    ("electrical.alternator", ""): (52_600, 126_500),
    ("cooling.water_pump", ""): (55_100, 127_000),
    ("cooling.thermostat", ""): (86_300, 175_000),
    ("drivetrain.clutch", ""): (74_200, 165_000),
    ("drivetrain.cv_axle", "LF"): (92_800, 170_000),
    ("emission.oxygen_sensor", "B1S1"): (67_900, 150_000),
    ("emission.exhaust_pipe", ""): (57_700, 125_500),
    ("engine.drive_belt", ""): (64_800, 128_000),
    ("lighting.headlamp", "L"): (73_300, 101_800, 150_000),
}

#: The battery's clock is days; it was exchanged once and is tired again.
BATTERY_ENDS = (date(2022, 1, 24), date(2027, 1, 11))
_FAR = 10.0**7
_DECLINED = frozenset({"engine.cover_gasket"})


def force(car: Car, part: PartLife, position: str, fitted: Fitted, day: date) -> None:
    """Give a part the end that the story asks for instead of the one that was drawn."""
    if part.clock == "days":
        later = [end for end in BATTERY_ENDS if end > day]
        fitted.ends_on = later[0] if later else day + timedelta(days=3_650)
        return
    miles = car.road.at(day)
    later_miles = [float(end) for end in ENDS.get((part.component, position), ()) if end > miles]
    fitted.ends_miles = later_miles[0] if later_miles else _FAR


def answer(component: str) -> str:
    """Return what the owner says to an estimate line for a failed part."""
    return "declined" if component in _DECLINED else "approved"
