"""Adjustment of p-values, because a fleet report tests hundreds of components at once.

Testing each at 5 % would name a twentieth of the sound ones as troublesome.
"""

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata.checked import Floats, NoEstimate, finite


def benjamini_hochberg(p: ArrayLike) -> Floats:
    """Adjust p-values so that a threshold q keeps the false discovery rate at q.

    Step up from the largest p, made monotone (Benjamini and Hochberg, J. R. Statist. Soc. B
    57 (1995) 289-300). Holds for independent and positively dependent tests.

    Args:
        p: P-values in any order, one-dimensional; may be empty.

    Returns:
        Adjusted values in input order.

    Raises:
        NoEstimate: A value is missing or not between 0 and 1.
    """
    return _step_up(p, 1.0)


def benjamini_yekutieli(p: ArrayLike) -> Floats:
    """Adjust p-values for the false discovery rate under any dependence.

    Larger by the factor 1 + 1/2 + ... + 1/m (Benjamini and Yekutieli, Ann. Statist. 29 (2001)
    1165-1188). Arguments, result and errors as for :func:`benjamini_hochberg`.
    """
    m = np.asarray(p).size
    return _step_up(p, float(np.sum(1.0 / np.arange(1, m + 1))))


def _step_up(p: ArrayLike, factor: float) -> Floats:
    values = finite("p-values", p, least=0.0)
    if values.ndim != 1:
        raise NoEstimate("Give the p-values as one flat list, all tests of a report together.")
    if np.any(values > 1.0):
        raise NoEstimate("A p-value is above 1; pass p-values, not test statistics.")
    m = values.size
    order = np.argsort(values, kind="stable")[::-1]
    stepped = values[order] * factor * m / np.arange(m, 0, -1)
    adjusted = np.empty(m)
    adjusted[order] = np.minimum(np.minimum.accumulate(stepped), 1.0)
    return adjusted
