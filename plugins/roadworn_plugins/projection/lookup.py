"""Bilinear look-up for many parts at many horizons, the one step whose cost grows with a fleet."""

from dataclasses import dataclass

import numpy as np
from scipy.special import gamma

from roadworn_plugins.lifedata.checked import Floats, Integers

_FEW = 64
_LEAST_CELLS, _MOST_CELLS = 64, 4096


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
        if values.size <= _FEW * _FEW:
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
        row, column = self._age.cell[:, None], self._time.cell
        if self._age.part is None:
            target += self._along(table, row, column)
            return
        share = self._age.part[:, None]
        lower, upper = self._along(table, row, column), self._along(table, row + 1, column)
        upper -= lower
        upper *= share
        lower += upper
        target += lower

    def _along(self, table: Floats, row: Integers, column: Integers) -> Floats:
        start = row * table.shape[1] + column
        flat = np.ascontiguousarray(table).ravel()
        left: Floats = flat.take(start)
        if self._time.part is None:
            return left
        right = flat.take(start + 1)
        right -= left
        right *= self._time.part
        left += right
        return left
