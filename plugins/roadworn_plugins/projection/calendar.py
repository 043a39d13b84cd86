"""What to expect month by month, in failures and in money.

Streams over the groups, so that a fleet of ten thousand vehicles needs room for its vehicles
and months, never for every part at every month.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata.checked import Floats, NoEstimate, finite, summed
from roadworn_plugins.projection.belief import LifeBelief
from roadworn_plugins.projection.renewal import (
    NODES,
    by_group,
    checked_parts,
    of_group,
)
from roadworn_plugins.projection.usage import DistanceAhead


@dataclass(frozen=True, eq=False)
class Calendar:
    """Expected failures and their cost in each period of each row.

    Attributes:
        number: Expected failures, shape (rows, periods).
        cost: Expected cost, same shape.
        chance: Chance of at least one failure up to the last period, shape (parts,).
    """

    number: Floats
    cost: Floats
    chance: Floats

    def by(self, months: int) -> "Calendar":
        """Gather monthly periods into longer ones, for instance 3 for quarters.

        Args:
            months: Periods to add up; the number of periods must be a multiple of it.

        Raises:
            NoEstimate: It is not.
        """
        rows, periods = self.number.shape
        if months < 1 or periods % months:
            raise NoEstimate(
                f"{periods} periods do not make whole ones of {months}; change the horizon."
            )
        shape = (rows, periods // months, months)
        number, cost = (x.reshape(shape).sum(axis=2) for x in (self.number, self.cost))
        return Calendar(number, cost, self.chance)


def calendar(
    belief: LifeBelief,
    group: ArrayLike,
    age: ArrayLike,
    vehicle: ArrayLike,
    ahead: DistanceAhead,
    cost: ArrayLike,
    *,
    row: ArrayLike | None = None,
    nodes: int = NODES,
) -> Calendar:
    """Expected failures and cost by period.

    Args:
        belief: Shape and rate of each group.
        group: Group of each part, shape (parts,).
        age: Age of each part, nan where unknown.
        vehicle: Vehicle of each part, an index into the vehicles of ``ahead``.
        ahead: Distance from now to the end of each period, distances of shape
            (usage nodes, vehicles, periods) as from :func:`usage.distance_ahead`.
        cost: Mean cost of one replacement of each part, nan where no price is known; such
            parts count among the failures and add no cost.
        row: Row of the answer that each part belongs to, from 0, for instance its component;
            its vehicle by default.
        nodes: Rates that stand for the belief of each group.

    Raises:
        NoEstimate: Unusable parts, or horizons that do not grow from period to period.
    """
    if ahead.distance.ndim != 3 or np.any(np.diff(ahead.distance, axis=2) < 0.0):
        raise NoEstimate("Give the distance to the end of each period, never falling.")
    car = np.asarray(vehicle, dtype=np.int64)
    code, now, _ = checked_parts(belief, group, age, np.zeros(car.shape))
    price = np.nan_to_num(np.asarray(cost, dtype=np.float64), nan=0.0)
    target = car if row is None else np.asarray(row, dtype=np.int64)
    if price.shape != car.shape or target.shape != car.shape:
        raise NoEstimate("Give one vehicle, one cost and one row for each part.")
    finite("costs", price, least=0.0)
    rows = ahead.distance.shape[1] if row is None else int(target.max(initial=-1)) + 1
    periods = ahead.distance.shape[2]
    reached = np.zeros((2, periods, rows))
    chance = np.zeros(car.size)
    for distance, weight in zip(ahead.distance, ahead.weight, strict=True):
        for parts in by_group(code):
            far = distance[car[parts]]
            found = of_group(belief, int(code[parts[0]]), now[parts], far, nodes=nodes)
            chance[parts] += weight * found.chance[:, -1] if periods else 0.0
            for period in range(periods):
                number = weight * found.number[:, period]
                reached[0, period] += summed(target[parts], number, rows)
                reached[1, period] += summed(target[parts], number * price[parts], rows)
    each = np.diff(reached, axis=1, prepend=0.0).transpose(0, 2, 1)
    return Calendar(each[0], each[1], chance)
