"""The ways of going on with a vehicle, each as a level amount a month, and where they cross."""

from dataclasses import dataclass

import numpy as np

from roadworn_plugins.projection.economic import going_on, level_monthly, monthly_factor

KEEP, FIX, LET_GO, FIX_AND_LET_GO = (
    "keep as it is",
    "fix what is open and keep",
    "let go as it is",
    "repair, then let go",
)


@dataclass(frozen=True, slots=True)
class Situation:
    """What the comparison rests on; money in one currency.

    Attributes:
        months: horizon.
        yearly_rate: what money is worth a year.
        value: what it would fetch now, as it is.
        value_fixed: what it would fetch with the open work done.
        value_then: share of its value that is left at the horizon.
        fix: cost of the open work: low, middle, high.
        running: repairs to expect over the horizon: low, expected, high.
        to_pass: work that an inspection within the horizon asks for, if nothing is fixed.
        other_price: price of the vehicle that would take its place, None when none is stated.
        other_then: share of that price that is left at the horizon.
        other_running: yearly repairs of that vehicle.
    """

    months: int
    yearly_rate: float
    value: float
    value_fixed: float
    value_then: float
    fix: tuple[float, float, float]
    running: tuple[float, float, float]
    to_pass: float
    other_price: float | None
    other_then: float
    other_running: float


@dataclass(frozen=True, slots=True)
class Option:
    """One way of going on.

    Attributes:
        name: in words.
        monthly, low, high: level cost a month; for keeping the forgone price is in it.
        at_once: money out of the pocket now, less what the sale brings.
        offered: whether it may be chosen.
        why_not: why not, when it may not.
    """

    name: str
    monthly: float
    low: float
    high: float
    at_once: float
    offered: bool = True
    why_not: str = ""


def keeping(s: Situation, *, fixed: bool) -> tuple[float, float, float]:
    """Return the monthly cost of keeping: low, expected, high."""
    value = s.value_fixed if fixed else s.value
    found = []
    for i in range(3):
        # What is kept could be sold today as it is: that money is tied up either way.
        start = s.value + (s.fix[i] if fixed else s.to_pass)
        monthly = np.full(s.months, s.running[i] / s.months)
        found.append(going_on(start, monthly, value * s.value_then, s.yearly_rate).monthly)
    return found[0], found[1], found[2]


def letting_go(s: Situation, *, fixed: bool) -> float:
    """Return the monthly cost of going over to the other vehicle; its price must be stated."""
    price = s.other_price or 0.0
    gained = s.value_fixed - s.value - s.fix[1] if fixed else 0.0
    monthly = np.full(s.months, s.other_running / 12.0)
    return going_on(price - gained, monthly, price * s.other_then, s.yearly_rate).monthly


def value_where_it_flips(s: Situation, gap: float) -> float:
    """Return the value now at which keeping and letting go cost the same.

    Args:
        s: the situation.
        gap: monthly cost of letting go less that of keeping.
    """
    discount = monthly_factor(s.yearly_rate) ** -s.months
    left = s.value_then * discount
    # The part of the value that keeping uses up.
    slope = float(level_monthly(1.0 - left, s.yearly_rate, s.months))
    return s.value + gap / slope if slope > 0 else float("inf")


def repair_that_flips(s: Situation, gap: float) -> float:
    """Return the further repair, paid now, that makes keeping cost as much as letting go."""
    return gap / float(level_monthly(1.0, s.yearly_rate, s.months))


def running_that_flips(s: Situation, gap: float) -> float:
    """Return the repairs over the horizon at which keeping costs as much as letting go."""
    one = np.full(s.months, 1.0 / s.months)
    return s.running[1] + gap / going_on(0.0, one, 0.0, s.yearly_rate).monthly
