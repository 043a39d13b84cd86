"""Failures beyond the first of a part that is already of some age, tabulated by age and horizon.

The chance of a first failure has a closed form; what is added by the parts fitted afterwards is
a convolution of the first remaining life with the renewal function. In units of the Weibull
scale one table for each shape serves all parts, classes and rates.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from roadworn_plugins.lifedata import Floats, Ints, LifeDataError
from roadworn_plugins.lifedata.special import gamma, gammainc

SHAPES = (0.4, 15.0)
"""Smallest and largest Weibull shape that is solved; a caller may clip to it and say so."""

_TOLERANCES = np.array([2e-5, 2e-4])  # of M and of K, relative to max(1, value)
_MOST_CELLS = 24_000
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(3)


@dataclass(frozen=True, eq=False)
class RenewalFunction:
    """Renewals of a new Weibull part of scale 1 and this shape.

    Attributes:
        shape: Weibull shape k.
        mean: Mean life, Gamma(1 + 1/k).
        end: Age up to which the mesh reaches; beyond it the asymptotes hold.
        step: Cell of the mesh, in the coordinate of :func:`_to_mesh`.
        beyond_first: M - F and K - F on the mesh, shape (2, nodes).
        error: Largest difference between the last two extrapolated solutions for M.
    """

    shape: float
    mean: float
    end: float
    step: float
    beyond_first: Floats
    error: float

    def __call__(self, time: Floats) -> tuple[Floats, Floats]:
        """Return M and K at these times.

        M(t) is the expected number of failures in (0, t] and K = M + M * M as a convolution;
        K - M is half the second factorial moment, E[N (N - 1)] / 2.

        Args:
            time: Times in units of the scale, any shape; 0 or less gives 0.
        """
        held = np.clip(time, 0.0, None)
        first = -np.expm1(-(held**self.shape))
        m, k = (first + _cubic(row, self._place(held)) for row in self.beyond_first)
        far = held > self.end
        if np.any(far):
            m[far], k[far] = self._asymptotes(held[far])
        return m, k

    def failures(self, time: Floats) -> Floats:
        """Return M alone at these times."""
        held = np.clip(time, 0.0, None)
        m = -np.expm1(-(held**self.shape)) + _cubic(self.beyond_first[0], self._place(held))
        far = held > self.end
        if np.any(far):
            m[far] = self._asymptotes(held[far])[0]
        return m

    def _place(self, held: Floats) -> Floats:
        return _to_mesh(np.minimum(held, self.end), self.shape) / self.step

    def _asymptotes(self, time: Floats) -> tuple[Floats, Floats]:
        """Expand the Laplace transforms f/(s(1-f)) and f/(s(1-f)^2) at 0 (Cox 1962, ch. 4)."""
        mu = self.mean
        c1 = float(gamma(1.0 + 2.0 / self.shape)) / (2.0 * mu)
        c2 = float(gamma(1.0 + 3.0 / self.shape)) / (6.0 * mu)
        m = (time + c1 - mu) / mu
        k = (time**2 / 2.0 + time * (2.0 * c1 - mu) + 3.0 * c1**2 - 2.0 * c2 - c1 * mu) / mu**2
        return m, k


def solve(shape: float, until: float) -> RenewalFunction:
    """Solve the renewal equation M = F + F * M, and K = M + F * K.

    Product integration: the measure dM is spread evenly over each cell of a mesh that is
    uniform in t for shapes from 1 and in arcsinh(t^k) below; the distribution function is
    averaged over the cell exactly or by Gauss-Legendre nodes. The error is of second order in
    the cell; two solutions are extrapolated, and the cell is halved until the extrapolations
    agree to 2e-5 of max(1, M) and 2e-4 of max(1, K).

    Args:
        shape: Weibull shape, within :data:`SHAPES`.
        until: Longest time asked for, in units of the scale.

    Raises:
        LifeDataError: The shape lies outside, or the time is not finite and above zero.

    Reference: Cox, Renewal Theory (1962), ch. 4; Linz, Analytical and Numerical Methods for
    Volterra Equations (SIAM, 1985), ch. 7, for product integration. Both from memory.
    """
    if not SHAPES[0] <= shape <= SHAPES[1]:
        raise LifeDataError(
            f"The Weibull shape {shape:g} lies outside {SHAPES[0]:g} to {SHAPES[1]:g}, where "
            "renewals are solved; clip it to the nearer end and say so."
        )
    if not 0.0 < until < np.inf:
        raise LifeDataError("The horizon must be finite and above zero; correct it.")
    mean = float(gamma(1.0 + 1.0 / shape))
    end, cell = min(until, 20.0 ** (1.0 / shape)), 1.0 / 24.0
    if shape >= 1.0:
        spread = float(np.sqrt(gamma(1.0 + 2.0 / shape) - mean**2))
        # The n-th wave around the asymptote is about 2 exp(-2 pi^2 cv^2 n) high.
        waves = np.log(2e6) / (2.0 * np.pi**2 * (spread / mean) ** 2)
        end, cell = min(until, mean * max(waves + 3.0, 9.0)), spread / 6.0
    span = float(_to_mesh(np.array([end]), shape)[0])
    cells = 2 * int(np.ceil(max(span / cell, 12.0) / 2.0))
    solution, previous = _on_mesh(shape, span, cells), None
    while True:
        finer = _on_mesh(shape, span, 2 * cells)
        better = (4.0 * finer[:, ::2] - solution) / 3.0
        if previous is not None:
            gap = np.abs(better[:, ::2] - previous) / np.maximum(1.0, better[:, ::2])
            worst = np.max(gap, axis=1)
            if np.all(worst < _TOLERANCES) or 4 * cells > _MOST_CELLS:
                break
        previous, solution, cells = better, finer, 2 * cells
    time = _to_time(np.linspace(0.0, span, cells + 1), shape)
    first = -np.expm1(-(time**shape))
    return RenewalFunction(shape, mean, end, span / cells, better - first, float(worst[0]))


def _to_mesh(time: Floats, shape: float) -> Floats:
    """Coordinate in which M is smooth: t itself, or below shape 1 like t^k and later like log t."""
    return time if shape >= 1.0 else np.asarray(np.arcsinh(time**shape))


def _to_time(mesh: Floats, shape: float) -> Floats:
    return mesh if shape >= 1.0 else np.asarray(np.sinh(mesh) ** (1.0 / shape))


def _on_mesh(shape: float, span: float, cells: int) -> Floats:
    """Solve for M and K on one mesh by forward substitution; shape (2, cells + 1)."""
    mesh = np.linspace(0.0, span, cells + 1)
    time = _to_time(mesh, shape)
    first = -np.expm1(-(time**shape))
    if shape >= 1.0:
        return on_even_mesh(first, np.diff(_integrated(time, shape)) / time[1])
    return forward_substitution(first, _graded_kernel(mesh, time, shape))


def forward_substitution(first: Floats, row: Callable[[int], Floats]) -> Floats:
    """Solve M = F + F * M and K = M + F * K at the points of a mesh.

    Args:
        first: The distribution function F at the points, 0 at the first of them.
        row: For point i the means of F(t_i - y) over the i cells before it.

    Returns:
        M and K at the points, shape (2, points).
    """
    cells = first.size - 1
    solution = np.zeros((2, cells + 1))
    growth = np.zeros((cells, 2))
    for i in range(1, cells + 1):
        means = row(i)
        known = means[:-1] @ growth[: i - 1] - solution[:, i - 1]
        for equation in range(2):
            force = first[i] if equation == 0 else solution[0, i]
            growth[i - 1, equation] = (force + known[equation]) / (1.0 - means[-1])
            solution[equation, i] = solution[equation, i - 1] + growth[i - 1, equation]
    return solution


def on_even_mesh(first: Floats, means: Floats) -> Floats:
    """Solve as :func:`forward_substitution` does where the means hang on the lag alone.

    Then the equations are products of power series, and the inverse of a series doubles its
    known terms at each step of Newton's method (Knuth, The Art of Computer Programming 2, 4.7,
    from memory).

    Args:
        first: The distribution function at the points of an even mesh, 0 at the first of them.
        means: Means of it over the cells.
    """
    series = 1.0 - means
    inverse = 1.0 / series[:1]
    while inverse.size < series.size:
        size = min(2 * inverse.size, series.size)
        left = -np.convolve(series[:size], inverse)[:size]
        left[0] += 2.0
        inverse = np.convolve(inverse, left)[:size]
    solution = np.zeros((2, first.size))
    for equation in range(2):
        force = first if equation == 0 else solution[0]
        growth = np.convolve(inverse, force[1:])[: means.size]
        solution[equation, 1:] = np.cumsum(growth)
    return solution


def _integrated(time: Floats, shape: float) -> Floats:
    """Integral of the distribution function from 0."""
    part = gammainc(1.0 / shape, time**shape)
    return np.asarray(time - gamma(1.0 + 1.0 / shape) * part)


def _graded_kernel(mesh: Floats, time: Floats, shape: float) -> Callable[[int], Floats]:
    """Means of F(t_i - y) over the cells 1 to i, in the mesh coordinate near 0, else in t."""
    near = int(np.searchsorted(mesh, 1.0 + 1e-9)) - 1
    half = mesh[1] / 2.0
    inside = _to_time((mesh[:near, None] + half) + half * _NODES, shape)
    lag = np.maximum(time[:, None, None] - inside, 0.0)
    early = -np.expm1(-(lag**shape)) @ (_WEIGHTS / 2.0)
    edges = np.maximum(time[:, None] - time[None, near:], 0.0)
    late = -np.diff(_integrated(edges, shape), axis=1) / np.diff(time[near:])
    means = np.concatenate([early, late], axis=1)
    return lambda i: means[i, :i]


def _cubic(values: Floats, place: Floats) -> Floats:
    """Four-point Lagrange interpolation at fractional indices of a uniform mesh."""
    start = np.clip(place.astype(np.int64) - 1, 0, values.size - 4)
    x = place - start
    a, b, c = x - 1.0, x - 2.0, x - 3.0
    v0, v1, v2, v3 = (values[start + j] for j in range(4))
    out = (-a * b * c * v0 + x * a * b * v3) / 6.0 + (x * b * c * v1 - x * a * c * v2) / 2.0
    return np.asarray(out)


_FINE_NODES, _FINE_WEIGHTS = np.polynomial.legendre.leggauss(40)
_OLDEST_HAZARD = 60.0  # one part in e^60 gets so old; older ones are treated as of this age
_FAR_RATIO = 1.08
_AT_ONCE = 40_000  # pairs of an age and a time that are looked up together


@dataclass(frozen=True, eq=False)
class ExcessTable:
    """Expected failures beyond the first, for Weibull lives of scale 1.

    Attributes:
        renewal: The renewal function it is made from.
        age_mesh: Uniform mesh of arcsinh(age^(min(k, 1) / 2)), shape (ages,).
        time_mesh: Mesh of horizons in the coordinate ``_time_place``, shape (times,).
        moments: E[N] - P(N >= 1) and E[N (N - 1)] / 2, shape (2, ages, times).
    """

    renewal: RenewalFunction
    age_mesh: Floats
    time_mesh: Floats
    moments: Floats

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

    def at_scales(
        self, ages: Floats, times: Floats, scales: Floats, *, moments: int = 2
    ) -> Iterator[Floats]:
        """Yield for each scale what :meth:`at` gives of ages and times that many times as long.

        Few parts at many scales are looked up together: there a call costs more than its sums.
        """
        if scales.size * ages.size * max(times.size, self.time_mesh.size) > _AT_ONCE:
            yield from (self.at(ages * s, times * s, moments=moments) for s in scales)
        else:
            yield from self._together(ages, times, scales, moments)

    def _together(self, ages: Floats, times: Floats, scales: Floats, moments: int) -> Floats:
        shape, many = self.renewal.shape, scales[:, None]
        place = np.minimum(_age_place(ages * many, shape), self.age_mesh[-1])
        rows = _blend(
            self.moments[:moments], *_four_points(self.age_mesh, place.ravel()), axis=1
        ).reshape(moments, scales.size, ages.size, -1)
        first, weights = _four_points(self.time_mesh, _time_place(times * many, shape).ravel())
        at = first.reshape(1, scales.size, 1, -1)
        shares = weights.reshape(1, scales.size, 1, -1, 4)
        out = sum(np.take_along_axis(rows, at + j, axis=3) * shares[..., j] for j in range(4))
        return np.asarray(out).swapaxes(0, 1)

    def _columns(self, times: Floats) -> tuple[Ints, Floats]:
        return _four_points(self.time_mesh, _time_place(times, self.renewal.shape))


def tabulate(shape: float, oldest: float, horizon: float) -> ExcessTable:
    """Return a table that reaches at least so far, kept for the next call that asks for the like.

    Args:
        shape: Weibull shape.
        oldest: Highest age, in units of the scale.
        horizon: Longest time, in units of the scale, above zero.

    Raises:
        LifeDataError: The shape is outside :data:`SHAPES`.
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
    sections 2.2 and 4.1-4.5).
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
        times = _until(np.linspace(0.0, span, max(12, int(np.ceil(span / 0.04)) + 1)), shape)
        moments = _by_nodes(renewal, ages, times)
    for shared in (age_mesh, moments):
        shared.flags.writeable = False
    return ExcessTable(renewal, age_mesh, _time_place(times, shape), moments)


def _spread(renewal: RenewalFunction) -> float:
    return float(np.sqrt(gamma(1.0 + 2.0 / renewal.shape) - renewal.mean**2))


def _age_place(ages: Floats, shape: float) -> Floats:
    return np.asarray(np.arcsinh(ages ** (min(shape, 1.0) / 2.0)))


def _time_place(times: Floats, shape: float) -> Floats:
    return times if shape >= 1.0 else np.asarray(np.arcsinh(times**shape))


def _until(mesh: Floats, shape: float) -> Floats:
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


def _four_points(mesh: Floats, place: Floats) -> tuple[Ints, Floats]:
    """First of four neighbours and their Lagrange weights, shapes (n,) and (n, 4)."""
    start = np.clip(np.searchsorted(mesh, place, side="right") - 2, 0, mesh.size - 4)
    points = mesh[start[:, None] + np.arange(4)]
    weights = np.ones(points.shape)
    for i in range(4):
        for j in range(4):
            if i != j:
                weights[:, i] *= (place - points[:, j]) / (points[:, i] - points[:, j])
    return start, weights


def _blend(table: Floats, start: Ints, weights: Floats, axis: int) -> Floats:
    """Weighted sum of four neighbouring slices along one axis."""
    shape = [1] * table.ndim
    shape[axis] = start.size
    out = np.take(table, start, axis=axis)
    out *= weights[:, 0].reshape(shape)
    for j in range(1, 4):
        piece = np.take(table, start + j, axis=axis)
        piece *= weights[:, j].reshape(shape)
        out += piece
    return out
