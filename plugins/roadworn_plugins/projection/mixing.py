"""Moments, cumulants, and what mixing over a shared unknown does to them.

Cumulants of independent parts add up; moments of a mixture average. Going to and fro between
the two is all that totals with a shared rate need.
"""

import numpy as np

from roadworn_plugins.lifedata.checked import Floats


def from_raw(raw: Floats) -> Floats:
    """Turn raw moments 1 to 3 into cumulants, along the first axis of length 3."""
    m1, m2, m3 = raw
    k2 = m2 - m1**2
    k3 = m3 - 3.0 * m1 * m2 + 2.0 * m1**3
    return np.stack([m1, k2, k3])


def to_raw(cumulants: Floats) -> Floats:
    """Turn cumulants 1 to 3 into raw moments, along the first axis of length 3."""
    k1, k2, k3 = cumulants
    m2 = k2 + k1**2
    m3 = k3 + 3.0 * k2 * k1 + k1**3
    return np.stack([k1, m2, m3])


def mixed(cumulants: Floats, weight: Floats) -> Floats:
    """Cumulants of a mixture over nodes.

    Worked out around the mixture's mean, since raw moments would cancel when many parts share
    a block.

    Args:
        cumulants: At each node, shape (3, blocks, nodes).
        weight: Weights of the nodes, shape (blocks, nodes), each row adding up to 1.

    Returns:
        Shape (3, blocks).
    """
    mean = np.sum(cumulants[0] * weight, axis=1)
    centred = cumulants.copy()
    centred[0] -= mean[:, None]
    out = from_raw(np.sum(to_raw(centred) * weight, axis=2))
    out[0] += mean
    return out
