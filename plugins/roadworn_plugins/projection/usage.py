"""Distance ahead of a vehicle whose monthly distance is known only with a spread.

Twice the distance is more than twice the chance of a worn-out part, so a chance at the mean
distance is not the mean chance; it is averaged over a few distances that stand for the spread.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata.checked import Floats, NoEstimate, finite
from roadworn_plugins.projection.belief import LifeBelief
from roadworn_plugins.projection.renewal import (
    NODES,
    CountMoments,
    Expected,
    count_moments,
    expected_failures,
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
        NoEstimate: A value is negative or not finite, no node is asked for, or the spread is
            more than three times the mean.
    """
    mean_pace = finite("distances a month", pace, least=0.0)
    ahead = finite("months ahead", months, least=0.0)
    lasting = finite("spreads of the pace", sd_pace, least=0.0)
    monthly = finite("spreads of a month", sd_month, least=0.0)
    if mean_pace.ndim != 1 or nodes < 1:
        raise NoEstimate("Give one distance a month for each vehicle, and at least one node.")
    mean = mean_pace[:, None] * np.atleast_1d(ahead)
    lasting, monthly = (np.broadcast_to(x, mean_pace.shape)[:, None] for x in (lasting, monthly))
    variance = (np.atleast_1d(ahead) * lasting) ** 2 + np.atleast_1d(ahead) * monthly**2
    relative = np.sqrt(variance) / np.where(mean > 0.0, mean, 1.0)
    if np.any(relative[mean > 0.0] > _WIDEST):
        raise NoEstimate(
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
        NoEstimate: As for :func:`renewal.expected_failures`.
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
        NoEstimate: As for :func:`renewal.count_moments`, also for more than one horizon.
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
