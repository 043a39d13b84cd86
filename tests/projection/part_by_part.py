"""The total of one vehicle the slow way, as the judge of the quick one.

Part by part and rate by rate: the generating function of every count at every frequency, nothing
counted together, nothing cut off.
"""

import numpy as np

from roadworn_plugins.projection.count_law import law_of, two_moment_count
from roadworn_plugins.projection.totals import totals

POINTS = 32


def generating(law, z):
    """E[z^N] for |z| <= 1; z is broadcast against the law."""
    later = two_moment_count(z, law.later, law.dispersion)
    return 1.0 - law.first + law.first * z**law.sure * later


def transform_of(nodes, weight, prices):
    """Transform of a total: a product over groups, each mixed over its rates."""
    found = 0.0
    for counts, share in zip(nodes, weight, strict=True):
        product = np.ones(prices.shape[1], dtype=complex)
        for group in np.unique(counts.group):
            held = np.ones((counts.weight.shape[1], prices.shape[1]), dtype=complex)
            for part in np.flatnonzero(counts.group == group):
                for rate in range(held.shape[0]):
                    law = law_of(counts, np.array([part]))
                    one = type(law)(
                        *(getattr(law, name)[0, rate] for name in law.__dataclass_fields__)
                    )
                    held[rate] *= generating(one, prices[part])
            product *= counts.weight[group] @ held
        found = found + share * product
    return found


def grid(nodes, cost, weight, cells):
    """Step of the grid and chance of each of its cells."""
    rough = totals(nodes, cost, usage_weight=weight, levels=())
    points = cost.points(POINTS)
    step = (rough.expected[0] + 9.0 * rough.sd[0] + points.max()) / (cells - 2)
    laid = np.zeros((points.shape[0], cells))
    for row, costs in enumerate(points / step):
        for place in costs:
            cell = min(int(place), cells - 2)
            rest = min(place - cell, 1.0)
            laid[row, cell] += (1.0 - rest) / POINTS
            laid[row, cell + 1] += rest / POINTS
    chance = np.fft.irfft(transform_of(nodes, weight, np.fft.rfft(laid, axis=1)), cells)
    chance = np.maximum(chance, 0.0)
    return step, chance / chance.sum()
