"""Chance that falls the same way on every platform and Python version.

Only `random.Random(seed).random()` is used, whose stream Python documents as stable; every
other draw is a transform of it. Results are rounded before they are used, so that a last
digit of a platform's `log` cannot change an event.
"""

import math
import random
from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")


class Dice:
    """One stream of chance, named by its seed text."""

    def __init__(self, seed: str) -> None:
        self._random = random.Random(seed).random  # noqa: S311 - a demo, not a secret

    def chance(self, probability: float) -> bool:
        """Return True with the given probability."""
        return self._random() < probability

    def between(self, low: float, high: float) -> float:
        """Return a number evenly spread over [low, high), to four decimals."""
        return round(low + (high - low) * self._random(), 4)

    def whole(self, low: int, high: int) -> int:
        """Return a whole number from `low` to `high`, both included."""
        return low + int(self._random() * (high - low + 1))

    def pick(self, options: Sequence[T]) -> T:
        """Return one of `options`, each as likely as the other."""
        return options[int(self._random() * len(options))]

    def pick_weighted(self, options: Sequence[tuple[T, float]]) -> T:
        """Return one of `options` with chances in proportion to the weights beside them."""
        point = self._random() * sum(weight for _, weight in options)
        for option, weight in options:
            point -= weight
            if point < 0:
                return option
        return options[-1][0]

    def weibull(self, shape: float, scale: float, survived: float = 0.0) -> float:
        """Draw a Weibull life that is known to be longer than `survived`, to one decimal.

        Inverse of the conditional survival: S(t) = u S(survived), so that
        ``(t / scale) ** shape = (survived / scale) ** shape - log(u)``.

        Args:
            shape: Weibull shape.
            scale: Weibull scale, in the unit of the result.
            survived: age already reached, same unit.
        """
        u = 1.0 - self._random()  # (0, 1], so that the logarithm exists
        hazard = (survived / scale) ** shape - math.log(u)
        life: float = scale * hazard ** (1.0 / shape)
        return round(life, 1)
