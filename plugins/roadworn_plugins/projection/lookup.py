"""Bilinear look-up for many parts at many horizons, the one step whose cost grows with a fleet."""

from dataclasses import dataclass

import numpy as np
from scipy.special import gamma

from roadworn_plugins.lifedata.checked import Floats, Integers

_FEW = 64
_LEAST_CELLS, _MOST_CELLS = 64, 4096
_ROWS = 1_000  # few enough to stay in the processor's cache


@dataclass(frozen=True, eq=False)
class _Mesh:
    """Points to tabulate at, and where each value lies among them."""

    points: Floats
    cell: Integers
    part: Floats | None  # None when every value is a point

    @classmethod
    def make(cls, values: Floats, finest: float) -> "_Mesh":
        """Take the values themselves when they are few, else a mesh crowded at the low end.

        Args:
            values: Any shape, not negative.
            finest: Widest cell wanted, met at the far end.
        """
        if values.size <= 16 * _FEW:
            points, cell = np.unique(values, return_inverse=True)
            if points.size <= _FEW:
                return cls(points, cell.reshape(values.shape), None)
        low, high = (float(np.sqrt(x)) for x in (values.min(), values.max()))
        wanted = 2.0 * high * (high - low) / finest
        cells = int(np.clip(wanted, _LEAST_CELLS, _MOST_CELLS)) if high > low else 1
        place = (np.sqrt(values) - low) * (cells / max(high - low, 1e-300))
        cell = np.minimum(place.astype(np.int64), cells - 1)
        points = np.linspace(low, high, cells + 1) ** 2
        return cls(points, cell, place - cell)


@dataclass(frozen=True, eq=False)
class Lookup:
    """Where each part and horizon lies on a mesh of ages and times.

    Attributes:
        ages: Ages at which to tabulate, in the unit of the parts' ages.
        times: Horizons at which to tabulate.
    """

    ages: Floats
    times: Floats
    _age: _Mesh
    _time: _Mesh

    @classmethod
    def make(cls, age: Floats, ahead: Floats, shape: float, scale: float) -> "Lookup":
        """Lay the meshes fine enough that straight lines between points are off by about 1e-4.

        Args:
            age: Shape (parts,).
            ahead: Shape (parts, horizons).
            shape: Weibull shape; the sharper the lives, the finer the mesh.
            scale: Characteristic life.
        """
        mean = gamma(1.0 + 1.0 / shape)
        spread = scale * float(np.sqrt(gamma(1.0 + 2.0 / shape) - mean**2))
        ages = _Mesh.make(age, min(spread, scale) / 12.0)
        times = _Mesh.make(ahead, min(spread, scale) / 28.0)
        return cls(ages.points, times.points, ages, times)

    def add_to(self, target: Floats, table: Floats) -> None:
        """Add the interpolated table to the target in place.

        Args:
            target: Shape (parts, horizons).
            table: Values at ``ages`` and ``times``, shape (ages, times).
        """
        flat, width = np.ascontiguousarray(table).ravel(), table.shape[1]
        for start in range(0, target.shape[0], _ROWS):
            rows = slice(start, start + _ROWS)
            place = self._age.cell[rows, None] * width + self._time.cell[rows]
            along = None if self._time.part is None else self._time.part[rows]
            found = _straight(flat, place, along)
            if self._age.part is not None:
                place += width
                older = _straight(flat, place, along)
                older -= found
                older *= self._age.part[rows, None]
                found += older
            target[rows] += found


def _straight(flat: Floats, place: Integers, part: Floats | None) -> Floats:
    """Values at these places, or straight between each and the next."""
    left: Floats = flat.take(place, mode="clip")
    if part is None:
        return left
    right = flat.take(place + 1, mode="clip")
    right -= left
    right *= part
    left += right
    return left
