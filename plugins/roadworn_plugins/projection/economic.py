"""How long a vehicle is worth keeping: cost by distance, and keeping against replacing.

Repair cost grows with age while the price of a replacement spreads over more distance; the sum
is lowest somewhere. Comparing two ways of going on needs money of different months in one unit,
which is a level monthly amount of the same present value.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import Floats, LifeDataError, finite


@dataclass(frozen=True, eq=False)
class EconomicLife:
    """Average cost by the age at which the vehicle is replaced.

    Attributes:
        best: Age of the lowest average on the grid, refined by a parabola in between.
        lowest: Average cost for each unit of age when replaced then.
        inside: False when the lowest is at the end of the grid, so that within the ages given
            it pays to keep on (last age) or never to have begun (first age).
    """

    best: float
    lowest: float
    inside: bool


def economic_life(
    age: ArrayLike, running_cost: ArrayLike, price: float, resale: ArrayLike
) -> EconomicLife:
    """Average cost of keeping a vehicle to each age, and its minimum.

    c(t) = (price - resale(t) + running_cost(t)) / t, the long-run cost of a cycle over its
    length (renewal reward; Barlow and Proschan, Mathematical Theory of Reliability, 1965,
    ch. 4, from memory).

    Args:
        age: Increasing ages above zero, distance or months, at least three.
        running_cost: Repairs and upkeep from 0 to each age, cumulated.
        price: Price at age 0.
        resale: What the vehicle fetches at each age.

    Raises:
        LifeDataError: Lengths differ, ages do not increase from above zero, or a sum is negative.
    """
    t, spent = finite("ages", age, least=0.0), finite("running costs", running_cost, least=0.0)
    fetched = finite("resale values", resale, least=0.0)
    bought = float(finite("price", price, least=0.0))
    if not (t.ndim == 1 and t.size >= 3 and t.shape == spent.shape == fetched.shape):
        raise LifeDataError(
            "Give at least three ages, each with its running cost and resale value."
        )
    if t[0] <= 0.0 or np.any(np.diff(t) <= 0.0):
        raise LifeDataError("Ages must increase and start above zero; sort or drop some.")
    average = (bought - fetched + spent) / t
    i = int(np.argmin(average))
    inside = 0 < i < t.size - 1
    best, lowest = float(t[i]), float(average[i])
    if inside:
        best, lowest = _vertex(t[i - 1 : i + 2], average[i - 1 : i + 2])
    return EconomicLife(best, lowest, inside)


def monthly_factor(yearly_rate: float) -> float:
    """Growth of money in one month at an effective yearly rate.

    Raises:
        LifeDataError: The rate is -100 % or less, or not a finite number.
    """
    if not -1.0 < yearly_rate < np.inf:
        raise LifeDataError("The yearly rate is a fraction above -1, for instance 0.05.")
    return float((1.0 + yearly_rate) ** (1.0 / 12.0))


def level_monthly(value: ArrayLike, yearly_rate: float, months: int) -> Floats:
    """Level amount at the end of each month that has this present value.

    value r / (1 - (1 + r)^-n), r the monthly rate and n the months: the annuity formula of any
    text of engineering economics; value / n without interest.

    Args:
        value: Present value, any shape.
        yearly_rate: Effective interest a year.
        months: Number of months, at least 1.

    Raises:
        LifeDataError: No month, or an impossible rate.
    """
    if months < 1:
        raise LifeDataError("A level amount needs at least one month.")
    worth = finite("present values", value)
    log_factor = np.log(monthly_factor(yearly_rate))
    if abs(log_factor) < 1e-12:
        return np.asarray(worth / months)
    return np.asarray(worth * np.expm1(log_factor) / -np.expm1(-months * log_factor))


def going_on(now: float, running_cost: ArrayLike, value_then: float, yearly_rate: float) -> float:
    """Level monthly amount of one way of going on.

    For keeping, ``now`` is what the vehicle would fetch today - by keeping it that money is
    forgone - plus repairs due at once; for replacing it is the price of the other vehicle.
    Ways of different spans may be compared by it if each can be repeated.

    Args:
        now: Money tied up at the start.
        running_cost: Expected cost in each month, due at its end, shape (months,).
        value_then: Resale value at the end of the span.
        yearly_rate: Effective interest a year.

    Raises:
        LifeDataError: No month, or an amount or rate that is impossible.

    Reference: equivalent annual cost, any text of engineering economics.
    """
    costs = finite("running costs", running_cost)
    start = float(finite("money at the start", now))
    left = float(finite("value at the end", value_then))
    if costs.ndim != 1 or costs.size == 0:
        raise LifeDataError("Give the expected cost of each month, at least one.")
    discount = monthly_factor(yearly_rate) ** -np.arange(1.0, costs.size + 1.0)
    present = start + float(np.sum(costs * discount)) - left * float(discount[-1])
    return float(level_monthly(present, yearly_rate, costs.size))


def _vertex(t: Floats, c: Floats) -> tuple[float, float]:
    """Lowest point of the parabola through three points around a minimum."""
    left, right = (c[1] - c[0]) / (t[1] - t[0]), (c[2] - c[1]) / (t[2] - t[1])
    bend = (right - left) / (t[2] - t[0])
    if bend <= 0.0:
        return float(t[1]), float(c[1])
    best = (t[0] + t[1]) / 2.0 - left / (2.0 * bend)
    return float(best), float(c[1] + (best - t[1]) * (left + bend * (best - t[0])))
