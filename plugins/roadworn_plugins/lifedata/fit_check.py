"""Whether a fitted law tells what the lives show, and where it does not.

Counted along the failures that the law expects of what was at risk (its cumulative hazard times
those at risk, late entry and running parts as they are), the failures of a law that holds come
evenly: they are a Poisson process of rate 1, whatever the law (total time on test; Andersen,
Borgan, Gill and Keiding, Statistical Models Based on Counting Processes, 1993, from memory). The
deviation from even is summed up as Anderson and Darling do, which looks hard at both ends.

A fitted shape and rate bend the law towards the lives and make the deviation smaller. To first
order that takes the shape's own direction out of the deviation, so its covariance is known, and
the tail of the statistic follows from its first three moments (Imhof, Biometrika 48 (1961)).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import Bools, Floats, LifeDataError, finite, same_length
from roadworn_plugins.lifedata.special import chdtrc

_CELLS = 50
_AT = (np.arange(_CELLS) + 0.5) / _CELLS
_WIDTH = np.sqrt(_AT * (1.0 - _AT))
_BRIDGE = np.minimum(_AT[:, None], _AT) - _AT[:, None] * _AT
#: Failures below which no law can be told from another.
LEAST = 6


@dataclass(frozen=True, eq=False)
class FitCheck:
    """Anderson-Darling statistic of each group.

    Attributes:
        statistic: nan where there are too few failures.
        p: Chance of a statistic as large if the law holds; nan as there.
        bend: In standard errors, how the hazard bends against the law's by the log age: above 0
            more failures at first and at the end than the law says and fewer between (early
            failures beside wear), below 0 the other way round; nan as there.
    """

    statistic: Floats
    p: Floats
    bend: Floats


def fit_check(
    entry: ArrayLike,
    leaving: ArrayLike,
    failed: ArrayLike,
    *,
    group: ArrayLike = 0,
    multiplier: ArrayLike = 1.0,
    fitted_shape: bool = True,
    n_groups: int | None = None,
) -> FitCheck:
    """Check the law of each group against its lives.

    Args:
        entry: Cumulative hazard of the law at the age at which each life came under watch,
            shape (lives,); 0 from new.
        leaving: The same at failure or at the last look.
        failed: True where the life ended in failure.
        group: Number of the group of each life.
        multiplier: Of the hazard of each life, or the count of such lives.
        fitted_shape: Whether the law is a Weibull one whose shape these lives gave, by maximum
            likelihood; otherwise only its level is taken from them.
        n_groups: Number of groups when the last ones may be empty.

    Raises:
        LifeDataError: Invalid input.
    """
    start = finite("hazards at entry", entry, least=0.0)
    end = finite("hazards at the end", leaving, least=0.0)
    died = np.asarray(failed, dtype=bool)
    same_length(entry=start, leaving=end, failed=died)
    if np.any(end < start):
        raise LifeDataError("A cumulative hazard falls between entry and end; exchange the two.")
    code = np.broadcast_to(np.asarray(group, dtype=np.int64), start.shape)
    times = np.broadcast_to(finite("multipliers", multiplier, least=0.0), start.shape)
    n = int(code.max(initial=-1)) + 1 if n_groups is None else n_groups
    found = np.full((3, n), np.nan)
    order = np.argsort(code, kind="stable")
    edges = np.searchsorted(code[order], np.arange(n + 1))
    for g in np.flatnonzero(np.bincount(code[died], minlength=n) >= LEAST).tolist():
        rows = order[edges[g] : edges[g + 1]]
        found[:, g] = _one(start[rows], end[rows], died[rows], times[rows], fitted_shape)
    return FitCheck(*found)


def _one(
    start: Floats, end: Floats, died: Bools, times: Floats, fitted_shape: bool
) -> tuple[float, float, float]:
    """Return statistic, its tail and the bend of one group."""
    hazard = np.concatenate([end, start])
    order = np.argsort(hazard, kind="stable")
    at = hazard[order]
    risk = np.cumsum(np.concatenate([-times, times])[order])
    gone = np.concatenate([[0.0], np.cumsum(risk[:-1] * np.diff(at))])
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.arange(order.size)
    if gone[-1] <= 0.0:
        return np.nan, np.nan, np.nan
    share = gone[place[: end.size]][died] / gone[-1]
    # A failure that ends the watch of all lies at 1 by definition and tells nothing.
    share = np.sort(share[share < 1.0 - 1e-9])
    n = max(share.size, 1)
    off = (np.searchsorted(share, _AT, side="right") - share.size * _AT) / np.sqrt(n)
    # The score of a Weibull shape is the log age, which is the log hazard in other units.
    log_age = np.log(np.maximum(np.interp(_AT * gone[-1], gone, at), 1e-300))
    lean = _unit(log_age - log_age.mean())
    bend = lean**2 - np.mean(lean**2)
    covariance = _BRIDGE
    if fitted_shape:
        so_far = (np.cumsum(lean) - 0.5 * lean) / _CELLS
        covariance = _BRIDGE - so_far[:, None] * so_far
        bend = bend - np.mean(bend * lean) * lean
    statistic = float(np.mean((off / _WIDTH) ** 2))
    cell = np.minimum((share * _CELLS).astype(np.int64), _CELLS - 1)
    return (
        statistic,
        _tail(statistic, covariance),
        float(np.sum(_unit(bend)[cell]) / np.sqrt(n)),
    )


def _unit(score: Floats) -> Floats:
    """Scale a function on the cells to a mean square of 1."""
    return np.asarray(score / np.sqrt(np.maximum(np.mean(score**2), 1e-300)))


def _tail(statistic: float, covariance: Floats) -> float:
    """Return the chance that a weighted sum of squares of normal deviations is larger."""
    kernel = covariance / (_WIDTH[:, None] * _WIDTH) / _CELLS
    square = kernel @ kernel
    first, second = float(np.trace(kernel)), 2.0 * float(np.trace(square))
    third = 8.0 * float(np.sum(square * kernel))
    df = 8.0 * second**3 / third**2
    return float(chdtrc(df, max(df + (statistic - first) / np.sqrt(second) * np.sqrt(2.0 * df), 0)))
