"""How long a vehicle is worth keeping: cost by distance, and keeping against replacing.

Repair cost grows with age while the price of a replacement spreads over more distance; the sum
is lowest somewhere. Comparing two ways of going on needs money of different months in one unit,
which is a level monthly amount of the same present value.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata.checked import Floats, LifeDataError, finite


@dataclass(frozen=True, eq=False)
class EconomicLife:
    """Average cost by the age at which the vehicle is replaced.

    Attributes:
        age: Ages, shape (ages,).
        average: Average cost for each unit of age when replaced at it, same shape.
        best: Age of the lowest average on the grid, refined by a parabola in between.
        lowest: Average cost there.
        inside: False when the lowest is at the end of the grid, so that within the ages given
            it pays to keep on (last age) or never to have begun (first age).
        within: First and last age at which the average is at most 2 % above the lowest: the
            minimum is flat, so the range says more than the point.
    """

    age: Floats
    average: Floats
    best: float
    lowest: float
    inside: bool
    within: tuple[float, float]


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
    near = average <= average[i] + 0.02 * abs(average[i])
    first = i - int(np.argmin(near[i::-1])) + 1 if not near[: i + 1].all() else 0
    last = i + int(np.argmin(near[i:])) - 1 if not near[i:].all() else t.size - 1
    inside = 0 < i < t.size - 1
    best, lowest = float(t[i]), float(average[i])
    if inside:
        best, lowest = _vertex(t[i - 1 : i + 2], average[i - 1 : i + 2])
    return EconomicLife(t, average, best, lowest, inside, (float(t[first]), float(t[last])))


def present_value(amounts: ArrayLike, yearly_rate: float, *, months: ArrayLike) -> Floats:
    """Present value of amounts due in some months, summed over the last axis.

    Args:
        amounts: Money, shape (..., payments).
        yearly_rate: Effective interest a year, for instance 0.05; above -1.
        months: Months from now to each payment, shape (payments,).

    Raises:
        LifeDataError: The rate is -100 % or less, or amounts and months do not fit.
    """
    due = finite("months", months, least=0.0)
    money = finite("amounts", amounts)
    if due.ndim != 1 or money.shape[-1:] != due.shape:
        raise LifeDataError("Give each amount the month in which it is due.")
    return np.asarray(np.sum(money * monthly_factor(yearly_rate) ** -due, axis=-1))


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


@dataclass(frozen=True)
class Choice:
    """One way of going on, as a level monthly amount.

    Attributes:
        monthly: Equivalent monthly cost over its own span.
        present: Present value of all its payments.
        months: Span.
        first_month: Payments due at once.
    """

    monthly: float
    present: float
    months: int
    first_month: float


def going_on(now: float, running_cost: ArrayLike, value_then: float, yearly_rate: float) -> Choice:
    """Equivalent monthly cost of one way of going on.

    For keeping, ``now`` is what the vehicle would fetch today - by keeping it that money is
    forgone - plus repairs due at once; for replacing it is the price of the other vehicle.
    Ways of different spans may be compared by their monthly cost if each can be repeated.

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
    due = np.arange(1, costs.size + 1, dtype=np.float64)
    running = float(present_value(costs, yearly_rate, months=due))
    end = float(present_value([left], yearly_rate, months=due[-1:]))
    present = start + running - end
    monthly = float(level_monthly(present, yearly_rate, costs.size))
    return Choice(monthly, present, int(costs.size), start)


def best_month_to_replace(
    running_cost: ArrayLike, value: ArrayLike, other_monthly: float, yearly_rate: float
) -> tuple[int, Floats]:
    """Find the month after which replacing the present vehicle is cheapest.

    Keeping for m months and then going over to another vehicle at ``other_monthly`` for ever
    costs value(0) + running(1..m) - value(m) + other_monthly / r, the last two discounted; what
    counts is the saving against replacing now.

    Args:
        running_cost: Expected cost of the present vehicle in each month, shape (months,).
        value: Its resale value now and at the end of each month, shape (months + 1,).
        other_monthly: Equivalent monthly cost of the other vehicle.
        yearly_rate: Effective interest a year.

    Returns:
        The month, 0 for now, and the present value of the saving for each month from 0.

    Raises:
        LifeDataError: Lengths do not fit or an amount is not finite.
    """
    costs, worth = finite("running costs", running_cost), finite("values", value, least=0.0)
    if costs.ndim != 1 or worth.shape != (costs.size + 1,):
        raise LifeDataError("Give one more value than months: the value now comes first.")
    discount = monthly_factor(yearly_rate) ** -np.arange(costs.size + 1.0)
    spared = float(finite("cost of the other vehicle", other_monthly)) - costs
    saved = np.concatenate([[0.0], np.cumsum(spared * discount[1:])])
    saving = saved + worth * discount - worth[0]
    return int(np.argmax(saving)), saving


def _vertex(t: Floats, c: Floats) -> tuple[float, float]:
    """Lowest point of the parabola through three points around a minimum."""
    left, right = (c[1] - c[0]) / (t[1] - t[0]), (c[2] - c[1]) / (t[2] - t[1])
    bend = (right - left) / (t[2] - t[0])
    if bend <= 0.0:
        return float(t[1]), float(c[1])
    best = (t[0] + t[1]) / 2.0 - left / (2.0 * bend)
    return float(best), float(c[1] + (best - t[1]) * (left + bend * (best - t[0])))
