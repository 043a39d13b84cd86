"""What is thrown for: distances, chances, and the words people write."""

import math
import random
from bisect import bisect_left
from collections.abc import Sequence
from datetime import date, timedelta
from typing import TypeVar

from roadworn_demo.fleet import Plan, Unit
from roadworn_demo.truth import LAST_DAY

T = TypeVar("T")


class Dice:
    """One stream of chance, named by its seed text."""

    def __init__(self, seed: str) -> None:
        self._random = random.Random(seed).random  # noqa: S311 - a demo, not a secret

    def chance(self, probability: float) -> bool:
        """Return True with the given probability."""
        return self._random() < probability

    def between(self, low: float, high: float) -> float:
        """Return a number evenly spread over [low, high), to four decimals."""
        return round(low + (high - low) * self._random(), 4)

    def whole(self, low: int, high: int) -> int:
        """Return a whole number from `low` to `high`, both included."""
        return low + int(self._random() * (high - low + 1))

    def pick(self, options: Sequence[T]) -> T:
        """Return one of `options`, each as likely as the other."""
        return options[int(self._random() * len(options))]

    def pick_weighted(self, options: Sequence[tuple[T, float]]) -> T:
        """Return one of `options` with chances in proportion to the weights beside them."""
        point = self._random() * sum(weight for _, weight in options)
        for option, weight in options:
            point -= weight
            if point < 0:
                return option
        return options[-1][0]

    def weibull(self, shape: float, scale: float, survived: float = 0.0) -> float:
        """Draw a Weibull life that is known to be longer than `survived`, to one decimal.

        Inverse of the conditional survival: S(t) = u S(survived), so that
        ``(t / scale) ** shape = (survived / scale) ** shape - log(u)``.

        Args:
            shape: Weibull shape.
            scale: Weibull scale, in the unit of the result.
            survived: age already reached, same unit.
        """
        u = 1.0 - self._random()  # (0, 1], so that the logarithm exists
        hazard = (survived / scale) ** shape - math.log(u)
        life: float = scale * hazard ** (1.0 / shape)
        return round(life, 1)


#: Summers are busy on an island; the mean is 1.
_SEASON = (0.86, 0.85, 0.93, 0.98, 1.04, 1.12, 1.18, 1.17, 1.06, 0.97, 0.92, 0.92)
KM_PER_MILE = 1.609344


class Road:
    """True distance of one vehicle by day, in miles, from its enrolment to its last day."""

    def __init__(self, plan: Plan, dice: Dice) -> None:
        self.first = plan.enrolled_on
        self.last = min(plan.leaves_on or LAST_DAY, LAST_DAY)
        self._miles: list[float] = [float(plan.enrolled_miles)]
        day, month, pace = self.first, 0, 1.0
        while day < self.last:
            day += timedelta(days=1)
            if day.month != month:
                month, pace = day.month, dice.between(0.82, 1.18)
            # Sundays are quiet; the rest of the week makes up for it.
            week = 0.4 if day.weekday() == 6 else 1.1
            step = plan.daily_miles * _SEASON[month - 1] * pace * week
            self._miles.append(round(self._miles[-1] + step, 1))

    def at(self, day: date) -> float:
        """Return the true distance in miles at the end of `day` within the time on record."""
        return self._miles[(day - self.first).days]

    def day_at(self, miles: float) -> date | None:
        """Return the first day on which the distance is reached, None when it never is."""
        place = bisect_left(self._miles, miles)
        return self.first + timedelta(days=place) if place < len(self._miles) else None


class Odometer:
    """What the instrument shows: its unit, its number of figures, and exchanges."""

    def __init__(self, unit: Unit, digits: int | None) -> None:
        self.unit = unit
        self._wrap = 10 ** (digits or 7)
        self._offset = 0.0

    def shows(self, true_miles: float) -> float:
        """Return the whole figure shown at a true distance."""
        driven = true_miles - self._offset
        figure = driven * KM_PER_MILE if self.unit == "km" else driven
        return float(int(figure) % self._wrap)

    def exchange(self, true_miles: float, new_figure: int) -> None:
        """From now on the instrument shows `new_figure` plus what is driven."""
        driven = new_figure / KM_PER_MILE if self.unit == "km" else float(new_figure)
        self._offset = true_miles - driven


#: component -> what is said when it fails on the road.
SAID: dict[str, tuple[str, ...]] = {
    "brake.caliper": ("Pulls to one side when braking.", "One wheel too hot to touch after a run."),
    "brake.wheel_speed_sensor": ("Antilock warning lamp came on.",),
    "suspension.stabilizer_link": ("Rattles over the harbour cobbles.", "Knocks on small bumps."),
    "wheel.bearing": ("Hum that rises with speed.", "Growls in left-hand bends.", "Drone at 40."),
    "electrical.battery": ("Would not crank this morning.", "Needed a jump start at the ferry."),
    "electrical.alternator": ("Charge lamp on, lights dim.", "Battery flat again after the run."),
    "electrical.starter": ("Only clicks.", "Turn the key and nothing happens, lights are fine."),
    "lighting.headlamp": ("One headlamp out.",),
    "cooling.water_pump": ("Coolant on the yard, gauge climbing.", "Runs hot on the hill."),
    "cooling.thermostat": ("Heater stays lukewarm.", "Gauge never reaches the middle."),
    "cooling.fan": ("Gets hot when standing in the queue for the ferry.",),
    "engine.belt_tensioner": ("Chirps at idle, worse when wet.",),
    "engine.timing_belt": ("Stopped dead and will not restart.",),
    "ignition.coil": ("Shakes at idle, lamp flashes.", "Jerks on the hill to the school."),
    "emission.oxygen_sensor": ("Engine lamp came on, drives as always.",),
    "emission.catalyst": ("Engine lamp came on.", "Lamp on again, a bit down on power."),
    "emission.egr_valve": ("Smokes and hesitates when pulling away.",),
    "emission.purge_valve": ("Hard to start after filling up.",),
    "drivetrain.clutch": ("Slips on the hill with a load.", "Bites right at the top."),
    "hvac.compressor": ("No cold air.", "Screech when the cooling is switched on."),
    "hvac.blower": ("Fan works on the top setting only.",),
    "body.door_latch": ("Door does not stay shut.", "Door will not open from inside."),
    "fuel.pump": ("Cuts out after twenty minutes.", "Cranks and cranks before it starts."),
}

#: component -> a note beside a finding that it has failed.
FOUND: dict[str, str] = {
    "brake.hose": "cracked to the cords",
    "steering.tie_rod_outer": "play in the joint",
    "suspension.ball_joint": "play with the wheel unloaded, boot torn",
    "suspension.strut": "oil down the body, no damping",
    "suspension.shock": "leaking past the seal",
    "cooling.hose": "swollen and soft",
    "engine.drive_belt": "ribs torn",
    "engine.mount": "rubber torn through",
    "engine.cover_gasket": "oil in the plug wells",
    "emission.exhaust_pipe": "holed at the seam, blowing",
    "drivetrain.cv_axle": "boot split, joint clicks on lock",
    "drivetrain.u_joint": "dry, notchy",
}

#: What is noted beside a part that is on its way out.
WEARING = ("first signs", "will want doing", "watch this", "not long now", "some wear")

#: The planted cause, written down at every look-over and never acted on.
EATER_NOTE = "front mount cracked on one side, engine rocks and the belt runs out of line"

#: Items an official station may send a vehicle back for that are no part's end of life.
STATION_ITEMS = ("headlamp aim", "plate lamp", "wiper smears", "loose exhaust shield", "horn weak")
