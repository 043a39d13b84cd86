"""Where a vehicle's distance comes from, and what its odometer makes of it."""

from bisect import bisect_left
from datetime import date, timedelta

from roadworn_demo.dice import Dice
from roadworn_demo.fleet import Plan, Unit
from roadworn_demo.truth import LAST_DAY

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
