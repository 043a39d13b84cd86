"""What is believed about the life of a part, the distance ahead and the cost of a replacement.

The first two are uncertain and shared.

Vehicles of one class share the rate of failure, so its uncertainty does not average out over a
fleet. A few rates with weights stand for the Gamma posterior; whatever follows is computed at
each. Likewise a vehicle's distance is known with a spread: twice the distance is more than twice
the chance of a worn-out part, so a chance is averaged over a few distances that stand for it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import Floats, Ints, LifeDataError, finite, same_length, tail
from roadworn_plugins.lifedata.special import ndtr, ndtri
from roadworn_plugins.projection.excess import RenewalFunction, solve


@dataclass(frozen=True, eq=False)
class LifeBelief:
    """Weibull lives with survival exp(-rate * t^shape) and a Gamma(a, b) belief of the rate.

    Attributes:
        shape: Weibull shape of each group, shape (groups,).
        a: Gamma shape of the rate; inf where the rate is taken as known.
        b: Exposure, in units of age to the power of the shape; where ``a`` is inf the inverse
            of the known rate.
    """

    shape: Floats
    a: Floats
    b: Floats

    @classmethod
    def gamma(cls, shape: ArrayLike, a: ArrayLike, b: ArrayLike) -> "LifeBelief":
        """Take posteriors as :class:`lifedata.shrinkage.Posterior` holds them, one a group.

        The lives so far of the fitted parts must be in the exposure already, as they are when
        it was summed over all lives of the ledger. For a part that is not in it, make a group
        of its own with ``b + age^shape``.

        Args:
            shape: Weibull shapes.
            a: Gamma shapes.
            b: Exposures.

        Raises:
            LifeDataError: Lengths differ, or a value is not finite and above zero.
        """
        values = [_above_zero(n, v) for n, v in (("shapes", shape), ("a", a), ("b", b))]
        return cls(*np.broadcast_arrays(*values))

    @classmethod
    def known(cls, shape: ArrayLike, scale: ArrayLike) -> "LifeBelief":
        """Take shape and scale as if they were known exactly (the plug-in projection).

        Args:
            shape: Weibull shapes.
            scale: Characteristic lives, in the unit of the ages.

        Raises:
            LifeDataError: Lengths differ, or a value is not finite and above zero.
        """
        shapes, scales = _above_zero("shapes", shape), _above_zero("scales", scale)
        shapes, scales = np.broadcast_arrays(shapes, scales)
        return cls(shapes, np.full(shapes.shape, np.inf), scales**shapes)

    def rates(self, nodes: int = 7) -> tuple[Floats, Floats]:
        """Return rates and weights that stand for the belief, each of shape (groups, nodes).

        Gauss quadrature with generalised Laguerre polynomials: exact for polynomials in the
        rate up to degree 2 * nodes - 1. Nodes and weights are eigenvalues and squared first
        components of the Jacobi matrix (Golub and Welsch, Math. Comp. 23 (1969) 221-230). A
        known rate gets all the weight on the first node.

        Args:
            nodes: Number of rates a group.

        Raises:
            LifeDataError: Fewer than one node.
        """
        if nodes < 1:
            raise LifeDataError("At least one rate is needed; ask for 1 or more nodes.")
        certain = np.isinf(self.a)
        alpha = np.where(certain, 1.0, self.a) - 1.0
        order = np.arange(nodes)
        jacobi = np.zeros((self.a.size, nodes, nodes))
        jacobi[:, order, order] = 2.0 * order + alpha[:, None] + 1.0
        beside = order[1:]
        beside_diagonal = np.sqrt(beside * (beside + alpha[:, None]))
        jacobi[:, beside, beside - 1] = beside_diagonal
        values, vectors = np.linalg.eigh(jacobi)
        rate = np.where(certain[:, None], 1.0, np.maximum(values, 1e-300)) / self.b[:, None]
        weight = np.where(certain[:, None], order == 0, vectors[:, 0, :] ** 2)
        return rate, weight / weight.sum(axis=1, keepdims=True)

    def chance(self, group: ArrayLike, age: ArrayLike, ahead: ArrayLike) -> Floats:
        """Chance that a part of this age fails at least once within the distance ahead.

        1 - (b / (b + (age + ahead)^k - age^k))^a, or with a known rate
        1 - exp(-((age + ahead)^k - age^k) / b).

        Args:
            group: Group of each part.
            age: Present ages, same shape or broadcast.
            ahead: Distance or time ahead, same unit; broadcast.
        """
        code = np.asarray(group)
        k, a, b = self.shape[code], self.a[code], self.b[code]
        now = np.asarray(age, dtype=np.float64)
        grown = ((now + np.asarray(ahead, dtype=np.float64)) ** k - now**k) / b
        known = np.isinf(a)
        hazard = np.where(known, grown, np.where(known, 1.0, a) * np.log1p(grown))
        return np.asarray(-np.expm1(-hazard))


def _above_zero(name: str, values: ArrayLike) -> Floats:
    out = np.atleast_1d(finite(name, values, least=0.0))
    same_length(values=out)
    if np.any(out == 0.0):
        raise LifeDataError(f"The {name} must be above zero; correct them.")
    return out


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
    points: tuple[Floats, Floats] | None = None,
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
        points: standard normal points and their weights instead, each of shape (nodes,), where
            something else varies with the distance.

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
    z, weight = np.polynomial.hermite_e.hermegauss(nodes) if points is None else points
    weight = weight / weight.sum()
    sigma = np.where(mean > 0.0, np.sqrt(np.log1p(relative**2)), 0.0)
    factor = np.exp(sigma * z[:, None, None])
    distance = mean * factor / np.tensordot(weight, factor, axes=1)
    return DistanceAhead(distance[:, :, 0] if ahead.ndim == 0 else distance, weight)


@dataclass(frozen=True, eq=False)
class CostSpread:
    """Two-piece lognormal cost of one replacement of each part.

    Attributes:
        median: Half of the costs lie below it, shape (parts,).
        below: Standard deviation of the logarithm below the median, shape (parts,).
        above: The same above it.
    """

    median: Floats
    below: Floats
    above: Floats

    @classmethod
    def quantiles(
        cls, low: ArrayLike, middle: ArrayLike, high: ArrayLike, *, level: float = 0.8
    ) -> "CostSpread":
        """Take low, middle and high figures, for instance the 10, 50 and 90 % quantiles.

        Args:
            low: Above zero and at most ``middle``, shape (parts,).
            middle: The median.
            high: At least ``middle``.
            level: Share of costs between low and high, half of the rest on each side.

        Raises:
            LifeDataError: The figures are not in order, or not above zero.
        """
        lower, median, upper = (
            np.atleast_1d(finite(f"{name} costs", values, least=0.0))
            for name, values in (("low", low), ("middle", middle), ("high", high))
        )
        if np.any(lower <= 0.0) or np.any(median < lower) or np.any(upper < median):
            raise LifeDataError("Costs need 0 < low <= middle <= high; correct or drop the others.")
        z = -float(ndtri(tail(level)))
        return cls(median, np.log(median / lower) / z, np.log(upper / median) / z)

    def take(self, rows: Ints) -> "CostSpread":
        """Return the costs of these parts only."""
        return CostSpread(self.median[rows], self.below[rows], self.above[rows])

    def mean(self) -> Floats:
        """Mean cost, shape (parts,)."""
        return np.asarray(self.moments()[0])

    def moments(self) -> Floats:
        """Return E[X], E[X^2] and E[X^3], shape (3, parts)."""
        out = [
            self.median**j
            * (
                np.exp((j * self.below) ** 2 / 2.0) * ndtr(-j * self.below)
                + np.exp((j * self.above) ** 2 / 2.0) * ndtr(j * self.above)
            )
            for j in range(1, 4)
        ]
        return np.stack(out)

    def points(self, number: int) -> Floats:
        """Return equally likely costs whose mean is exact, shape (parts, number).

        Each is the mean of one of ``number`` slices of equal chance, an even number.
        """
        z = ndtri(np.linspace(0.0, 1.0, number + 1))
        half = number // 2
        sides = []
        for sigma, edges in ((self.below, z[: half + 1]), (self.above, z[half:])):
            s = sigma[:, None]
            held = np.diff(ndtr(edges - s), axis=1) * number
            sides.append(np.exp(s**2 / 2.0) * held)
        return np.asarray(self.median[:, None] * np.concatenate(sides, axis=1))


#: Ages that stand for a part of unknown age.
AGES = 6
_GRID = 160


def unknown_ages(least: Floats, most: Floats, shape: Floats, rate: Floats) -> Floats:
    """Return AGES equally likely ages of parts seen running for `least` on vehicles of `most`.

    The chance of an age in (a, a + da) is S(a) m(T - a) da, and that of the vehicle's own age T
    is S(T), all given that the age is at least what was seen (Cox, Renewal Theory, 1962,
    section 5.2: the backward recurrence time). Each age is the mean of a sixth of that
    distribution, so that their mean is its mean.

    Args:
        least: how long each was seen running, shape (parts,).
        most: how long the vehicle has run in all, at least `least`.
        shape: Weibull shape of each part, within `weibull_renewal.SHAPES`.
        rate: cumulative hazard at age 1 of each part.

    Returns:
        Shape (parts, AGES), rising.
    """
    ages = np.empty((least.size, AGES))
    scaled = rate ** (1.0 / np.maximum(shape, 1e-9))
    for one in np.unique(shape):
        rows = np.flatnonzero(shape == one)
        unit = scaled[rows]
        oldest = most[rows] * unit
        if not np.any(oldest > 0.0):
            ages[rows] = least[rows, None]
            continue
        renewal = solve(float(one), float(oldest.max()))
        seen = least[rows] * unit
        # The four tires that a vehicle came with are of one age.
        first, like = _alike(seen, oldest, unit)
        found = _ages(renewal, seen[first], oldest[first]) / unit[first, None]
        ages[rows] = found[like]
    return ages


def _alike(*columns: Floats) -> tuple[Ints, Ints]:
    """Return the first of each kind of rows that are equal in all columns, and the kind of each."""
    order = np.lexsort(columns)
    new = np.ones(order.size, dtype=bool)
    new[1:] = np.any([one[order][1:] != one[order][:-1] for one in columns], axis=0)
    like = np.empty(order.size, dtype=np.int64)
    like[order] = np.cumsum(new) - 1
    return order[new], like


def _ages(renewal: RenewalFunction, least: Floats, most: Floats) -> Floats:
    """Return ages in units of the scale."""
    grid = least[:, None] + (most - least)[:, None] * np.linspace(0.0, 1.0, _GRID)
    hazard = grid**renewal.shape
    # Relative to the youngest age: what matters is how the chances compare.
    survival = np.exp(hazard[:, :1] - hazard)
    fitted = renewal.failures(most[:, None] - grid)
    mass = np.concatenate(
        [
            (survival[:, 1:] + survival[:, :-1]) / 2.0 * np.maximum(-np.diff(fitted), 0.0),
            survival[:, -1:],
        ],
        axis=1,
    )
    total = np.sum(mass, axis=1, keepdims=True)
    middle = np.concatenate([(grid[:, 1:] + grid[:, :-1]) / 2.0, grid[:, -1:]], axis=1)
    # Where nothing could have survived so long, take it as seen: the youngest age possible.
    share = mass / np.where(total > 0.0, total, 1.0)
    reached = np.cumsum(share, axis=1)
    sums = np.cumsum(share * middle, axis=1)
    sixths = (np.arange(1, AGES) / AGES - 1e-12).tolist()
    cell = np.stack([np.count_nonzero(reached < sixth, axis=1) for sixth in sixths], axis=1)
    cell = np.minimum(cell, _GRID - 1)
    # The sum of share times age up to each sixth; ages are straight within a cell.
    over = np.take_along_axis(reached, cell, axis=1) - np.arange(1, AGES) / AGES
    upto = np.take_along_axis(sums, cell, axis=1)
    upto -= over * np.take_along_axis(middle, cell, axis=1)
    upto = np.concatenate([np.zeros((most.size, 1)), upto, sums[:, -1:]], axis=1)
    found = np.clip(np.diff(upto, axis=1) * AGES, least[:, None], most[:, None])
    return np.where(total > 0.0, found, least[:, None])
