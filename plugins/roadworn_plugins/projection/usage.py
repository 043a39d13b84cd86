"""Distance ahead of a vehicle whose monthly distance is known only with a spread.

Twice the distance is more than twice the chance of a worn-out part, so a chance at the mean
distance is not the mean chance; it is averaged over a few distances that stand for the spread.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata.checked import Floats, LifeDataError, finite, summed
from roadworn_plugins.projection.belief import LifeBelief
from roadworn_plugins.projection.renewal import (
    NODES,
    CountMoments,
    Expected,
    by_group,
    checked_parts,
    count_moments,
    expected_failures,
    of_group,
)

_WIDEST = 3.0  # relative spread above which readings say nothing about the distance


@dataclass(frozen=True, eq=False)
class DistanceAhead:
    """Distances that stand for a lognormal spread.

    Attributes:
        distance: Shape (nodes, vehicles) or (nodes, vehicles, horizons); the nodes go from low
            to high, and a low node is low at every horizon.
        weight: Weight of each node, shape (nodes,).
    """

    distance: Floats
    weight: Floats

    def mean(self) -> Floats:
        """Mean distance, shape of one node."""
        return np.asarray(np.tensordot(self.weight, self.distance, axes=1))


def distance_ahead(
    pace: ArrayLike,
    months: ArrayLike,
    *,
    sd_pace: ArrayLike = 0.0,
    sd_month: ArrayLike = 0.0,
    nodes: int = 5,
) -> DistanceAhead:
    """Spread the distance of the coming months lognormally, by Gauss-Hermite quadrature.

    The variance over m months is (m sd_pace)^2 + m sd_month^2: an error of the pace lasts, the
    ups and downs of single months average out. Lognormal keeps distances above zero (common
    practice, no source).

    Args:
        pace: Mean distance a month of each vehicle, shape (vehicles,).
        months: Months ahead, a number or shape (horizons,).
        sd_pace: Standard deviation of the pace itself, a number or shape (vehicles,).
        sd_month: Standard deviation of a single month around the pace, likewise.
        nodes: Number of distances; 1 takes the mean.

    Raises:
        LifeDataError: A value is negative or not finite, no node is asked for, or the spread is
            more than three times the mean.
    """
    mean_pace = finite("distances a month", pace, least=0.0)
    ahead = finite("months ahead", months, least=0.0)
    lasting = finite("spreads of the pace", sd_pace, least=0.0)
    monthly = finite("spreads of a month", sd_month, least=0.0)
    if mean_pace.ndim != 1 or nodes < 1:
        raise LifeDataError("Give one distance a month for each vehicle, and at least one node.")
    mean = mean_pace[:, None] * np.atleast_1d(ahead)
    lasting, monthly = (np.broadcast_to(x, mean_pace.shape)[:, None] for x in (lasting, monthly))
    variance = (np.atleast_1d(ahead) * lasting) ** 2 + np.atleast_1d(ahead) * monthly**2
    relative = np.sqrt(variance) / np.where(mean > 0.0, mean, 1.0)
    if np.any(relative[mean > 0.0] > _WIDEST):
        raise LifeDataError(
            "The spread of a distance is more than three times its mean; take the usual "
            "distance of the fleet for vehicles with too few readings."
        )
    z, weight = np.polynomial.hermite_e.hermegauss(nodes)
    weight = weight / weight.sum()
    sigma = np.where(mean > 0.0, np.sqrt(np.log1p(relative**2)), 0.0)
    factor = np.exp(sigma * z[:, None, None])
    distance = mean * factor / np.tensordot(weight, factor, axes=1)
    return DistanceAhead(distance[:, :, 0] if ahead.ndim == 0 else distance, weight)


def expected_over_usage(
    belief: LifeBelief,
    group: ArrayLike,
    age: ArrayLike,
    vehicle: ArrayLike,
    ahead: DistanceAhead,
    *,
    nodes: int = NODES,
) -> Expected:
    """Average chance and expected number of failures over the spread of the distance.

    Args:
        belief: Shape and rate of each group.
        group: Group of each part, shape (parts,).
        age: Age of each part, nan where unknown.
        vehicle: Vehicle of each part, an index into the vehicles of ``ahead``.
        ahead: Distances of the vehicles.
        nodes: Rates that stand for the belief of each group.

    Returns:
        Figures of shape (parts,) or (parts, horizons).

    Raises:
        LifeDataError: As for :func:`renewal.expected_failures`.
    """
    row = np.asarray(vehicle, dtype=np.int64)
    found = [
        expected_failures(belief, group, age, distance[row], nodes=nodes)
        for distance in ahead.distance
    ]
    chance = np.tensordot(ahead.weight, np.stack([f.chance for f in found]), axes=1)
    number = np.tensordot(ahead.weight, np.stack([f.number for f in found]), axes=1)
    return Expected(np.asarray(chance), np.asarray(number))


def moments_by_usage(
    belief: LifeBelief,
    group: ArrayLike,
    age: ArrayLike,
    vehicle: ArrayLike,
    ahead: DistanceAhead,
    *,
    nodes: int = NODES,
) -> list[CountMoments]:
    """Return moments of the failures at each distance: what ``totals`` and ``grid_total`` take.

    Args:
        belief: Shape and rate of each group.
        group: Group of each part, shape (parts,).
        age: Age of each part, nan where unknown.
        vehicle: Vehicle of each part, an index into the vehicles of ``ahead``.
        ahead: Distances of the vehicles to one horizon.
        nodes: Rates that stand for the belief of each group.

    Raises:
        LifeDataError: As for :func:`renewal.count_moments`, also for more than one horizon.
    """
    row = np.asarray(vehicle, dtype=np.int64)
    return [count_moments(belief, group, age, far[row], nodes=nodes) for far in ahead.distance]


def over_usage(counts: list[CountMoments], weight: ArrayLike) -> CountMoments:
    """Average the moments over the distances, as if each part had a distance of its own.

    Right for one part, and for sums over parts of different vehicles.

    Args:
        counts: Moments at each distance.
        weight: Weights of the distances, adding up to 1.
    """
    share = np.asarray(weight, dtype=np.float64)
    chance, number, pairs = (
        np.tensordot(share, np.stack([getattr(c, name) for c in counts]), axes=1)
        for name in ("chance", "number", "pairs")
    )
    return replace(counts[0], chance=chance, number=number, pairs=pairs)


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
            LifeDataError: It is not.
        """
        rows, periods = self.number.shape
        if months < 1 or periods % months:
            raise LifeDataError(
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
        LifeDataError: Unusable parts, or horizons that do not grow from period to period.
    """
    if ahead.distance.ndim != 3 or np.any(np.diff(ahead.distance, axis=2) < 0.0):
        raise LifeDataError("Give the distance to the end of each period, never falling.")
    car = np.asarray(vehicle, dtype=np.int64)
    code, now, _ = checked_parts(belief, group, age, np.zeros(car.shape))
    price = np.nan_to_num(np.asarray(cost, dtype=np.float64), nan=0.0)
    target = car if row is None else np.asarray(row, dtype=np.int64)
    if price.shape != car.shape or target.shape != car.shape:
        raise LifeDataError("Give one vehicle, one cost and one row for each part.")
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
