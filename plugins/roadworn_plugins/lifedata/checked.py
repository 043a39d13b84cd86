"""Input checks shared by the recurrence and count statistics, so that each refuses alike."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadworn_plugins.lifedata.errors import LifeDataError


class NoEstimate(LifeDataError):
    """A figure cannot be computed from these data; the message names the remedy."""

    def __init__(self, message: str) -> None:
        super().__init__(message, ())


Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


def finite(name: str, values: ArrayLike, *, least: float = -np.inf) -> Floats:
    """Turn input into a float array, refusing NaN, infinities and values below a bound.

    Args:
        name: What the values are, for the message.
        values: Numbers, any shape.
        least: Smallest value allowed.

    Raises:
        NoEstimate: A value is not a finite number or lies below ``least``.
    """
    try:
        out = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as problem:
        raise NoEstimate(f"The {name} must be numbers; correct the input.") from problem
    bad = ~np.isfinite(out) | (out < least)
    if bad.any():
        where = int(np.argmax(bad.ravel()))
        wanted = "finite numbers" if least == -np.inf else f"finite and at least {least:g}"
        raise NoEstimate(
            f"The {name} must be {wanted}, but item {where} is {out.ravel()[where]:g}; "
            "correct or drop it."
        )
    return out


def same_length(**columns: NDArray[np.generic]) -> int:
    """Return the common length of one-dimensional columns.

    Raises:
        NoEstimate: A column is not one-dimensional or the lengths differ.
    """
    lengths = {name: column.shape for name, column in columns.items()}
    if any(len(shape) != 1 for shape in lengths.values()) or len(set(lengths.values())) > 1:
        listed = ", ".join(f"{name} {shape}" for name, shape in lengths.items())
        raise NoEstimate(f"Give columns of one common length; these are {listed}.")
    return int(next(iter(lengths.values()))[0])


def summed(codes: Integers, weights: Floats, size: int) -> Floats:
    """Sum the weights by code 0 to size - 1, as floats also when there are none."""
    return np.asarray(np.bincount(codes, weights, size), dtype=np.float64)


def tail(level: float) -> float:
    """Return the probability left on each side of a two-sided interval of this level.

    Raises:
        NoEstimate: The level does not lie strictly between 0 and 1.
    """
    if not 0.0 < level < 1.0:
        raise NoEstimate(f"The level must lie between 0 and 1, for instance 0.95, not {level}.")
    return (1.0 - level) / 2.0


def one_of(name: str, choice: str, choices: tuple[str, ...]) -> str:
    """Return the choice if it is allowed.

    Raises:
        NoEstimate: It is not; the message lists what is.
    """
    if choice not in choices:
        raise NoEstimate(f"The {name} must be one of {', '.join(choices)}, not {choice!r}.")
    return choice
