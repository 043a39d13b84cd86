"""The vehicles of the demo, and what is thrown for them: distances and chances.

The table of vehicles is a file one can edit; each vehicle has a stream of chance of its own.
"""

import csv
import math
import random
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from importlib import resources
from typing import Literal, TypeVar

from pydantic import TypeAdapter

from roadworn.model.units import KM_PER_MILE
from roadworn.trade.vin import check_digit
from roadworn_demo.truth import LAST_DAY

T = TypeVar("T")
Unit = Literal["km", "mi"]
_YEAR_LETTERS = "ABCDEFGHJKLMNPRSTVWXY123456789"


@dataclass(frozen=True, slots=True)
class Plan:
    """Who a vehicle is and when it is under the garage's eye.

    Attributes:
        enrolled_miles: true distance at enrolment, miles.
        parts: what the garage knows of the fitted parts: original, mixed or unknown.
        unit: what its odometer shows.
        daily_miles: mean over a year.
        leaves: ``sold``, ``scrapped``, ``not_seen`` (no event says so) or empty.
        leaves_on: the last day it is seen, or None.
        digits: figures on the odometer when they matter, or None.
        use, inspected_by: what its owner needs it for and where it is inspected, where he said.
    """

    vehicle_id: str
    label: str
    make: str
    model: str
    model_year: int
    vehicle_class: str
    engine: str
    gearbox: str
    fuel: str
    duty: str
    in_service: date
    enrolled_on: date
    enrolled_miles: int
    parts: Literal["original", "mixed", "unknown"]
    unit: Unit
    daily_miles: float
    owner: str
    leaves: str
    leaves_on: date | None
    digits: int | None
    use: str
    inspected_by: str

    @property
    def private(self) -> bool:
        """True for a customer's own vehicle, False for one of a fleet."""
        return self.owner.removeprefix("owner-").isdigit()


def invented_vin(plan: Plan) -> str:
    """Return a vehicle identification number that belongs to no vehicle.

    Its shape follows 49 CFR 565.15 (check digit, model year letter, a letter in position 7
    for light vehicles from 2010 on). It begins with A0, an area that, from memory, has been
    given to no country, so no real maker can have issued it.
    """
    kind, _, number = plan.vehicle_id.partition("-")
    year = _YEAR_LETTERS[(plan.model_year - 1980) % 30]
    seventh = "K" if plan.model_year >= 2010 else "5"
    maker = {"Tavenor": "T", "Brackwell": "B", "Ostrel": "R"}[plan.make]
    body = {"bus": "BU", "van": "VA", "car": "CA", "pickup": "PC", "truck": "TR"}[kind]
    without = f"A0{maker}{body}4{seventh}2"
    serial = f"{year}H{100_000 + 137 * int(number) + plan.model_year:06d}"
    return without + check_digit(f"{without}0{serial}") + serial


def fleet() -> list[Plan]:
    """Return every vehicle of the demo, in the order of the table."""
    text = resources.files(__package__).joinpath("fleet.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(text.splitlines())
    told = [row | {name: row[name] or None for name in ("leaves_on", "digits")} for row in rows]
    return TypeAdapter(list[Plan]).validate_python(told)


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
