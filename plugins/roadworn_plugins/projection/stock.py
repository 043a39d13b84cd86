"""How many parts of a kind to have on the shelf for the time ahead."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadworn_plugins.lifedata.checked import Floats, Integers, NoEstimate, finite
from roadworn_plugins.projection.count_law import two_moment_count
from roadworn_plugins.projection.renewal import CountMoments
from roadworn_plugins.projection.totals import law_of

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
            NoEstimate: The level is not strictly between 0 and 1.
        """
        if not 0.0 < service < 1.0:
            raise NoEstimate("A service level lies between 0 and 1, for instance 0.95.")
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
        NoEstimate: Pieces do not fit.

    Reference: probability generating functions, Feller I (1968), ch. XI. From memory.
    """
    size = counts.group.size
    each = np.ones(size) if pieces is None else finite("pieces", pieces, least=1.0)
    if each.shape != (size,) or np.any(each != np.rint(each)):
        raise NoEstimate("Pieces are whole numbers from 1, one for each part.")
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
    counts: CountMoments, places: Integers, turn: NDArray[np.complex128]
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
