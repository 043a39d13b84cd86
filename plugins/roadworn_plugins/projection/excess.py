"""Failures beyond the first of a part that is already of some age, tabulated by age and horizon.

The chance of a first failure has a closed form; what is added by the parts fitted afterwards is
a convolution of the first remaining life with the renewal function. In units of the Weibull
scale one table for each shape serves all parts, classes and rates.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import gamma, gammainc

from roadworn_plugins.lifedata.checked import Floats, Integers
from roadworn_plugins.projection.weibull_renewal import RenewalFunction, solve

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(3)
_FINE_NODES, _FINE_WEIGHTS = np.polynomial.legendre.leggauss(40)
_OLDEST_HAZARD = 60.0  # one part in e^60 gets so old; older ones are treated as of this age
_FAR_RATIO = 1.08


@dataclass(frozen=True, eq=False)
class ExcessTable:
    """Expected failures beyond the first, for Weibull lives of scale 1.

    Attributes:
        renewal: The renewal function it is made from.
        age_mesh: Uniform mesh of arcsinh(age^(min(k, 1) / 2)), shape (ages,).
        time_mesh: Mesh of horizons in the coordinate ``_time_place``, shape (times,).
        moments: E[N] - P(N >= 1) and E[N (N - 1)] / 2, shape (2, ages, times).
        stationary: The same two for a part of unknown age, shape (2, times).
    """

    renewal: RenewalFunction
    age_mesh: Floats
    time_mesh: Floats
    moments: Floats
    stationary: Floats

    def at(self, ages: Floats, times: Floats, *, moments: int = 2) -> Floats:
        """Interpolate for every pair of an age and a horizon; shape (moments, ages, times).

        Args:
            ages: Ages in units of the scale, shape (ages,); beyond the last age of the mesh,
                which hardly a part reaches, the values of that age are given.
            times: Horizons in units of the scale, within the horizon of the table.
            moments: 1 for the expected number only, 2 for pairs too.
        """
        place = np.minimum(_age_place(ages, self.renewal.shape), self.age_mesh[-1])
        rows = _blend(self.moments[:moments], *_four_points(self.age_mesh, place), axis=1)
        return _blend(rows, *self._columns(times), axis=2)

    def unknown(self, times: Floats) -> Floats:
        """Interpolate for a part of unknown age; shape (2, times)."""
        return _blend(self.stationary, *self._columns(times), axis=1)

    def _columns(self, times: Floats) -> tuple[Integers, Floats]:
        return _four_points(self.time_mesh, _time_place(times, self.renewal.shape))


def tabulate(shape: float, oldest: float, horizon: float) -> ExcessTable:
    """Return a table that reaches at least so far, kept for the next call that asks for the like.

    Args:
        shape: Weibull shape.
        oldest: Highest age, in units of the scale.
        horizon: Longest time, in units of the scale, above zero.

    Raises:
        NoEstimate: The shape is outside :data:`weibull_renewal.SHAPES`.
    """
    return _tabulated(shape, _rounded_up(max(oldest, 0.1)), _rounded_up(horizon))


def _rounded_up(value: float) -> float:
    """Return the next of a series of steps of 19 %, so that neighbouring calls share a table."""
    return float(2.0 ** (np.ceil(4.0 * np.log2(value) - 1e-9) / 4.0))


@lru_cache(maxsize=512)
def _tabulated(shape: float, oldest: float, horizon: float) -> ExcessTable:
    """Tabulate for ages up to ``oldest`` and times up to ``horizon``, in units of the scale.

    With F_a the distribution of the remaining life at age a, E[N] - F_a = F_a * M and
    E[N (N - 1)] / 2 = F_a * (M + M * M) (delayed renewal process, Cox, Renewal Theory, 1962,
    sections 2.2 and 4.1-4.5). A part of unknown age has the remaining life of the equilibrium
    process, density S(t) / mean, for which E[N] = t / mean.
    """
    renewal = solve(shape, horizon)
    spread = _spread(renewal)
    last = min(oldest, _OLDEST_HAZARD ** (1.0 / shape))
    top = float(_age_place(np.array([max(last, 1e-6)]), shape)[0])
    age_mesh = np.linspace(0.0, top, max(6, int(np.ceil(top / min(spread / 8.0, 0.06))) + 1))
    ages = np.sinh(age_mesh) ** (2.0 / min(shape, 1.0))
    if shape >= 1.0:
        cells = _cells(renewal, spread, horizon)
        times = cells[::2]
        near = int(np.searchsorted(cells, min(horizon, renewal.end) * (1.0 + 1e-12))) - 1
        moments = _by_cells(renewal, ages, cells, near)
    else:
        span = float(_time_place(np.array([horizon]), shape)[0])
        times = _to_time(np.linspace(0.0, span, max(12, int(np.ceil(span / 0.04)) + 1)), shape)
        moments = _by_nodes(renewal, ages, times)
    stationary = _stationary(renewal, times)
    for shared in (age_mesh, moments, stationary):
        shared.flags.writeable = False
    return ExcessTable(renewal, age_mesh, _time_place(times, shape), moments, stationary)


def _spread(renewal: RenewalFunction) -> float:
    return float(np.sqrt(gamma(1.0 + 2.0 / renewal.shape) - renewal.mean**2))


def _age_place(ages: Floats, shape: float) -> Floats:
    return np.asarray(np.arcsinh(ages ** (min(shape, 1.0) / 2.0)))


def _time_place(times: Floats, shape: float) -> Floats:
    return times if shape >= 1.0 else np.asarray(np.arcsinh(times**shape))


def _to_time(mesh: Floats, shape: float) -> Floats:
    return np.asarray(np.sinh(mesh) ** (1.0 / shape))


def _survival(shape: float, ages: Floats, ahead: Floats) -> Floats:
    """Survival of parts of these ages, shape (ages, *ahead.shape)."""
    now = ages.reshape((-1,) + (1,) * ahead.ndim)
    return np.asarray(np.exp(now**shape - (now + ahead) ** shape))


def _cells(renewal: RenewalFunction, spread: float, horizon: float) -> Floats:
    """Mesh of the first life: even cells while M waves, growing ones where it is straight."""
    near = min(horizon, renewal.end)
    even = 2 * max(12, int(np.ceil(near / min(spread / 6.0, 0.06))))
    mesh = np.linspace(0.0, near, even + 1)
    if horizon <= near:
        return mesh
    far = 2 * int(np.ceil(np.log(horizon / near) / np.log(_FAR_RATIO) / 2.0 + 0.5))
    return np.concatenate([mesh, near * (horizon / near) ** (np.arange(1, far + 1) / far)])


def _by_cells(renewal: RenewalFunction, ages: Floats, cells: Floats, near: int) -> Floats:
    """Product integration with M straight over each cell, extrapolated from pairs of cells.

    The first ``near`` cells are even, so that for times within them it is a convolution.
    """
    width = np.diff(cells)
    inside = (cells[:-1] + width / 2.0)[:, None] + width[:, None] / 2.0 * _NODES
    at_ends = _survival(renewal.shape, ages, cells)
    whole = -np.diff(at_ends, axis=1)
    # Mass of each cell times the mean place of failure within it, as a share of its width.
    share = _survival(renewal.shape, ages, inside) @ (_WEIGHTS / 2.0) - at_ends[:, 1:]
    weights = np.zeros(at_ends.shape)
    weights[:, :-1] += (whole - share) * (4.0 / 3.0)
    weights[:, 1:] += share * (4.0 / 3.0)
    pair = whole[:, ::2] + whole[:, 1::2]
    left = width[::2] / (width[::2] + width[1::2])
    second = share[:, ::2] * left + whole[:, 1::2] * left + share[:, 1::2] * (1.0 - left)
    weights[:, :-2:2] -= (pair - second) / 3.0
    weights[:, 2::2] -= second / 3.0
    # The first and the last cell before a time carry M(0) = 0, so cut weights do no harm.
    size = 2 * near + 2
    spectrum = np.fft.rfft(weights[:, : near + 1], size)
    kernels = np.stack(renewal(cells[: near + 1]))
    even = np.fft.irfft(spectrum * np.fft.rfft(kernels, size)[:, None, :], size)
    even[:, :, 0] = 0.0  # the transform leaves 1e-16 where nothing has happened yet
    later = np.stack(renewal(np.maximum(cells[near + 2 :: 2] - cells[:, None], 0.0)))
    return np.concatenate([even[:, :, : near + 1 : 2], weights @ later], axis=2)


def _by_nodes(renewal: RenewalFunction, ages: Floats, times: Floats) -> Floats:
    """Gauss quadrature crowded at both ends, where density and M are like powers below 1."""
    power = 3.0 / renewal.shape
    u = (_FINE_NODES + 1.0) / 2.0
    head, rest = u**power, (1.0 - u) ** power
    place = head / (head + rest)
    slope = power * place * (rest / (head + rest)) / (u * (1.0 - u))
    inside = times[:, None] * place
    k = renewal.shape
    now = ages[:, None, None]
    total = np.where(inside + now > 0.0, inside + now, 1.0)
    density = k * total ** (k - 1.0) * np.exp(now**k - total**k)
    weights = density * (times[:, None] * slope * _FINE_WEIGHTS / 2.0)
    later = renewal(times[:, None] * (rest / (head + rest)))
    return np.stack([np.einsum("atq,tq->at", weights, kernel) for kernel in later])


def _stationary(renewal: RenewalFunction, times: Floats) -> Floats:
    """Moments of the equilibrium process: t / mean less its chance, and the integral of M."""
    mu, k = renewal.mean, renewal.shape
    first = gammainc(1.0 / k, times**k)
    width = np.diff(times)
    inside = (times[:-1] + width / 2.0)[:, None] + width[:, None] / 2.0 * _NODES
    areas = renewal(inside)[0] @ (_WEIGHTS / 2.0) * width
    pairs = np.concatenate([[0.0], np.cumsum(areas)]) / mu
    return np.stack([times / mu - first, pairs])


def _four_points(mesh: Floats, place: Floats) -> tuple[Integers, Floats]:
    """First of four neighbours and their Lagrange weights, shapes (n,) and (n, 4)."""
    start = np.clip(np.searchsorted(mesh, place, side="right") - 2, 0, mesh.size - 4)
    points = mesh[start[:, None] + np.arange(4)]
    weights = np.ones(points.shape)
    for i in range(4):
        for j in range(4):
            if i != j:
                weights[:, i] *= (place - points[:, j]) / (points[:, i] - points[:, j])
    return start, weights


def _blend(table: Floats, start: Integers, weights: Floats, axis: int) -> Floats:
    """Weighted sum of four neighbouring slices along one axis."""
    shape = [1] * table.ndim
    shape[axis] = start.size
    out = sum(np.take(table, start + j, axis=axis) * weights[:, j].reshape(shape) for j in range(4))
    return np.asarray(out)
