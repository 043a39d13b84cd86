"""What falls into a span of time, and what to hold in stock for it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma

from roadworn_plugins.lifedata.checked import Floats, Ints, LifeDataError, finite
from roadworn_plugins.projection.belief import LifeBelief
from roadworn_plugins.projection.renewal import CountMoments
from roadworn_plugins.projection.totals import law_of, two_moment_count

_LEAST = 1e-12


def increments(
    earlier: CountMoments, later: CountMoments, belief: LifeBelief, width: ArrayLike
) -> CountMoments:
    """Return the moments of the failures after one horizon up to a farther one.

    Args:
        earlier: by the nearer horizon.
        later: by the farther one; same parts and rates.
        belief: what both were made from.
        width: distance or time between the two horizons, shape (parts,).

    Raises:
        LifeDataError: they are not of the same parts and rates.

    Reference: Cox, Renewal Theory (1962), section 4.5, for the pairs of a renewal process.
    """
    if earlier.number.shape != later.number.shape:
        raise LifeDataError("Both horizons must be of the same parts at the same rates.")
    rate, _weight = belief.rates(later.number.shape[1])
    shape = belief.shape[later.group][:, None]
    rate = rate[later.group]
    far = np.broadcast_to(np.asarray(width, dtype=np.float64), later.group.shape)[:, None]
    first = np.maximum(later.chance - earlier.chance, 0.0)
    number = np.maximum(later.number - earlier.number, first)
    # Mean renewal function of a new part over the stretch: its cumulative hazard while it is
    # short, and never more than one failure a mean life once parts wear (Barlow and Proschan,
    # Mathematical Theory of Reliability (1965), ch. 3: M(t) <= t / mean; from memory).
    hazard = rate * far**shape / (1.0 + shape)
    steady = far * rate ** (1.0 / shape) / (2.0 * gamma(1.0 + 1.0 / shape))
    more = 2.0 * np.where(shape > 1.0, np.minimum(hazard, steady), hazard)
    # One failure or more: as if each brought a Poisson number of mean `more` along.
    one = number * np.where(more > _LEAST, -np.expm1(-more) / np.maximum(more, _LEAST), 1.0)
    chance = np.clip(np.maximum(one, first), 0.0, np.minimum(number, 1.0))
    return replace(later, chance=chance, number=number, pairs=number * more)


_MANY = 100  # places from which on two moments of their sum say all


@dataclass(frozen=True, eq=False)
class Stock:
    """Distribution of the number of one kind of part that will be needed.

    Attributes:
        expected: Expected number.
        chance: Chance of each number from 0, shape (numbers,).
    """

    expected: float
    chance: Floats

    def to_hold(self, service: float) -> int:
        """Return the smallest number that suffices with this chance, without reordering.

        Args:
            service: Service level between 0 and 1, for instance 0.95.

        Raises:
            LifeDataError: The level is not strictly between 0 and 1.
        """
        if not 0.0 < service < 1.0:
            raise LifeDataError("A service level lies between 0 and 1, for instance 0.95.")
        return int(np.searchsorted(np.cumsum(self.chance), service - 1e-9))


def stock(counts: CountMoments, *, pieces: ArrayLike | None = None) -> Stock:
    """Distribute the number of parts needed by all these places together.

    With the rates known the total is a sum of independent counts; places of a group share the
    rate, so it is mixed over the rates. From 100 places of a group on, the first two moments of
    their sum stand for its law. Where distances are uncertain, pass the moments averaged by
    :func:`usage.over_usage`. Where a hundred places share one rate its few nodes would show as
    lumps: ask :func:`renewal.count_moments` for 25 of them.

    Args:
        counts: Moments of the failures of the places that take this part.
        pieces: Pieces that one replacement takes, whole numbers, 1 by default.

    Raises:
        LifeDataError: Pieces do not fit.

    Reference: probability generating functions, Feller I (1968), ch. XI. From memory.
    """
    size = counts.group.size
    each = np.ones(size) if pieces is None else finite("pieces", pieces, least=1.0)
    if each.shape != (size,) or np.any(each != np.rint(each)):
        raise LifeDataError("Pieces are whole numbers from 1, one for each part.")
    # Long enough that nothing wraps round, whichever of the rates is true.
    most = float(np.sum(counts.number.max(axis=1, initial=0.0) * each))
    widest = float(each.max(initial=1.0))
    length = int(np.ceil(most + 12.0 * np.sqrt(widest * (most + 1.0)) + 12.0 * widest))
    turn = np.exp(-2j * np.pi * np.arange(length // 2 + 1) / length)
    out = np.ones(turn.size, dtype=np.complex128)
    for group in np.unique(counts.group):
        held = np.ones((counts.weight.shape[1], turn.size), dtype=np.complex128)
        for number in np.unique(each[counts.group == group]):
            places = np.flatnonzero((counts.group == group) & (each == number))
            held *= _sum_of(counts, places, turn[None, :] ** number)
        out *= counts.weight[group] @ held
    chance = np.maximum(np.fft.irfft(out, length), 0.0)
    return Stock(float(np.sum(counts.mean() * each)), chance / chance.sum())


def _sum_of(
    counts: CountMoments, places: Ints, turn: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Generating function of the sum over places of one group, at each of its rates."""
    if places.size < _MANY:
        law = law_of(counts)
        held = np.ones((counts.weight.shape[1], turn.shape[1]), dtype=np.complex128)
        for place in places:
            held *= law.take(int(place)).generating(turn)
        return held
    number = counts.number[places]
    mean = number.sum(axis=0)
    variance = np.sum(counts.pairs[places] + number - number**2, axis=0)
    dispersion = variance / np.maximum(mean, 1e-300) - 1.0
    return two_moment_count(turn, mean[:, None], dispersion[:, None])
