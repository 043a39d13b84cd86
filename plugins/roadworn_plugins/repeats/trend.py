"""Is it getting worse or better: the later half of the record against the earlier, by its clock.

Each life is cut at the middle of the record, and its exposure shared out between the two
halves along the distance it covered. Given the total, the failures of the later half are
binomial with its share of the exposure; the chance is two-sided and exact.
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy.stats import binomtest

from roadworn.view import LedgerView
from roadworn_plugins.grouped import Floats
from roadworn_plugins.repeats.dated import dated_lives

# With fewer failures even an even split and a one-sided one cannot be told apart at 5 %.
_LEAST = 6


@dataclass(frozen=True, slots=True)
class Trend:
    """Later half of the record against the earlier.

    Attributes:
        words: the answer.
        later, expected: failures in the later half, and as many as its exposure would give.
        p: two-sided chance if nothing had changed; 1 where it cannot be told.
        since: first day of the later half.
    """

    words: str
    later: int
    expected: float
    p: float
    since: date | None


def trend_of(
    view: LedgerView, level: str, label: tuple[str, ...], shape: float, alpha: float = 0.05
) -> Trend:
    """Compare the two halves of the record of one class, supplier or part.

    Args:
        view: the ledger.
        level: ``class``, ``supplier`` or ``part``.
        label: its label, component first.
        shape: Weibull shape of the component's clock.
        alpha: chance below which a change is named.
    """
    lives = dated_lives(view, level, label)
    if int(lives.failed.sum()) < _LEAST:
        return Trend("too few to tell", 0, 0.0, 1.0, None)
    middle = float(lives.first.min() + lives.last.max()) / 2.0
    return judged(
        lives.entry, lives.leaving, lives.failed, lives.first, lives.last, middle, shape, alpha
    )


def judged(
    entry: Floats,
    leaving: Floats,
    failed: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    first: Floats,
    last: Floats,
    middle: float,
    shape: float,
    alpha: float = 0.05,
) -> Trend:
    """Compare failures after a day with those before it, by exposure.

    Args:
        entry: ages at the start of observation.
        leaving: ages at its end.
        failed: whether the life ended in failure.
        first: days since 1970-01-01 of the start of observation.
        last: days of its end.
        middle: the day that divides the record.
        shape: Weibull shape of the clock.
        alpha: chance below which a change is named.
    """
    part = np.clip((middle - first) / (last - first), 0.0, 1.0)
    at_middle = entry + part * (leaving - entry)
    early = float(np.sum(at_middle**shape - entry**shape))
    late = float(np.sum(leaving**shape - at_middle**shape))
    total, later = int(failed.sum()), int(np.sum(failed & (last > middle)))
    share = late / (early + late)
    since = date.fromordinal(int(np.ceil(middle)) + date(1970, 1, 1).toordinal())
    expected = total * share
    if not 0.0 < share < 1.0:
        return Trend("too few to tell", later, expected, 1.0, since)
    p = float(binomtest(later, total, share).pvalue)
    words = "no clear change"
    if p < alpha:
        words = "getting worse" if later > expected else "getting better"
    return Trend(words, later, expected, p, since)
