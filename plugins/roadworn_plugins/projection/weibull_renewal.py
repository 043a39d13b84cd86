"""The renewal function of Weibull lives of scale 1, solved once for each shape.

A part that is replaced at each failure may fail again within the horizon. How often is the
solution of an integral equation that has no closed form for Weibull lives; in units of the
scale it depends on the shape alone, so one solution serves every class, rate and vehicle.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import gamma, gammainc

from roadworn_plugins.lifedata.checked import Floats, NoEstimate

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
        NoEstimate: The shape lies outside, or the time is not finite and above zero.

    Reference: Cox, Renewal Theory (1962), ch. 4; Linz, Analytical and Numerical Methods for
    Volterra Equations (SIAM, 1985), ch. 7, for product integration. Both from memory.
    """
    if not SHAPES[0] <= shape <= SHAPES[1]:
        raise NoEstimate(
            f"The Weibull shape {shape:g} lies outside {SHAPES[0]:g} to {SHAPES[1]:g}, where "
            "renewals are solved; clip it to the nearer end and say so."
        )
    if not 0.0 < until < np.inf:
        raise NoEstimate("The horizon must be finite and above zero; correct it.")
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
        return forward_substitution(first, uniform_kernel(time, _integrated(time, shape)))
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


def _integrated(time: Floats, shape: float) -> Floats:
    """Integral of the distribution function from 0."""
    part = gammainc(1.0 / shape, time**shape)
    return np.asarray(time - gamma(1.0 + 1.0 / shape) * part)


def uniform_kernel(time: Floats, integrated: Floats) -> Callable[[int], Floats]:
    """Means of F(t_i - y) over the cells 1 to i: on a uniform mesh a slice of one row.

    Args:
        time: Uniform mesh from 0.
        integrated: Integral of F from 0 to each point of it.
    """
    means = np.diff(integrated) / time[1]
    turned = means[::-1].copy()
    return lambda i: turned[turned.size - i :]


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
    flat = (values[start + j] for j in range(4))
    v0, v1, v2, v3 = flat
    out = (-a * b * c * v0 + x * a * b * v3) / 6.0 + (x * b * c * v1 - x * a * c * v2) / 2.0
    return np.asarray(out)
