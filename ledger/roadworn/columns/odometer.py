"""Settling odometer readings that contradict each other.

A figure is typed wrong, an odometer rolls over, a reading falls: of a vehicle's readings the
largest set that fits together is used, the others are flagged and left standing. One figure
typed too high therefore never makes all later ones count as lower. Only vehicles with a
contradiction come here.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: How many readings back a reading looks for one that it fits to.
_WINDOW = 256
#: Keeping a reading is worth 1, so a jump that is too far costs more than the reading behind
#: it and less than two: two readings that agree outweigh the doubt about the jump.
_JUMP_COST = 1.5
#: A step of more than this a day is possible but hardly usual: of two sets that hold equally
#: many readings, the one with fewer such steps is taken. Common practice, no source.
_USUAL_PER_DAY = 300.0
# A roll-over goes from the last fifth of the odometer's range to its first fifth.
_NEAR_TOP, _NEAR_BOTTOM = 0.8, 0.2


@dataclass(frozen=True, eq=False)
class Verdicts:
    """One entry a reading: km to add, roll-overs before it, its flag, whether it is used."""

    rolled_km: Floats
    rolls: NDArray[np.int64]
    flag: list[str]
    used: NDArray[np.bool_]


def settle(
    day: NDArray[np.int64], km: Floats, shift: Floats, limit_km: Floats, most_per_day: float
) -> Verdicts:
    """Settle the readings of one vehicle, given in the order they happened.

    Args:
        day: day number of each reading.
        km: what the odometer showed.
        shift: km to add for exchanged odometers.
        limit_km: where the odometer rolls over; NaN when its digits are not known, and then
            a fall is never taken as a roll-over.
        most_per_day: largest plausible distance in a day, km.
    """
    rolled, rolls = _roll_overs(km, shift, limit_km)
    far = km + shift + rolled
    used = _longest_fit(day, far, most_per_day)
    flag: list[str] = []
    highest, seen_rolls = -np.inf, 0
    for i in range(len(far)):
        if used[i]:
            flag.append("rolled_over" if rolls[i] > seen_rolls else "")
            highest, seen_rolls = max(highest, far[i]), max(seen_rolls, int(rolls[i]))
        else:
            flag.append("lower" if far[i] < highest else "implausible")
    return Verdicts(rolled, rolls, flag, used)


def _roll_overs(km: Floats, shift: Floats, limit: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Return km to add and the number of roll-overs before each reading."""
    n = len(km)
    rolled, rolls = np.zeros(n), np.zeros(n, dtype=np.int64)
    total, count, before = 0.0, 0, np.nan
    for i in range(n):
        if i and shift[i] != shift[i - 1]:
            before = np.nan
        if km[i] >= limit[i]:
            # More than the odometer can show: the person has put the lost digit back.
            count = int(km[i] // limit[i])
            total = count * float(limit[i])
            rolls[i], before = count, km[i] - total
            continue
        fell = before >= _NEAR_TOP * limit[i] and km[i] <= _NEAR_BOTTOM * limit[i]
        follows = i + 1 < n and shift[i + 1] == shift[i]
        # One low figure between two high ones is a slip, not a roll-over.
        if fell and not (follows and km[i + 1] >= _NEAR_TOP * limit[i]):
            total, count = total + float(limit[i]), count + 1
        rolled[i], rolls[i] = total, count
        if not fell or rolls[i] > (rolls[i - 1] if i else 0):
            before = km[i]
    return rolled, rolls


def _longest_fit(day: NDArray[np.int64], far: Floats, most_per_day: float) -> NDArray[np.bool_]:
    """Return which readings belong to the best set that never falls.

    Each kept reading counts 1 and each jump too far costs `_JUMP_COST`; of equal sets the one
    with fewer steps of an unusual pace is taken, then the one with the earlier readings. A fall
    within one day is let pass when it is small: of two entries on one day nobody knows which
    came first.
    """
    n = len(far)
    score, previous = np.ones(n), np.full(n, -1, dtype=np.int64)
    # While nothing before has scored higher, a reading that fits the one before it goes on from
    # there: so a long clean history is walked once, and only its doubtful places are searched.
    days, kms = day.tolist(), far.tolist()
    highest = 0.0
    for j in range(1, n):
        before = float(score[j - 1])
        step, most = kms[j] - kms[j - 1], most_per_day * (days[j] - days[j - 1] + 1)
        if before > highest and 0 <= step <= most:
            score[j], previous[j], highest = before + 1.0, j - 1, before
            continue
        highest = max(highest, before)
        _search(j, day, far, most_per_day, score, previous)
    best = np.flatnonzero(score == score.max()).tolist()
    chains = [_chain(end, previous) for end in best[:_WINDOW]]
    used = np.zeros(n, dtype=np.bool_)
    used[min(chains, key=lambda chain: _unusual(chain, days, kms))] = True
    return used


def _chain(end: int, previous: NDArray[np.int64]) -> list[int]:
    """Return the readings of the set that ends with reading `end`, in their order."""
    found = []
    while end >= 0:
        found.append(end)
        end = int(previous[end])
    return found[::-1]


def _unusual(chain: list[int], days: list[int], kms: list[float]) -> int:
    """Return how many steps of a set go further in a day than vehicles usually do."""
    return sum(
        kms[j] - kms[i] > _USUAL_PER_DAY * (days[j] - days[i] + 1) for i, j in pairwise(chain)
    )


def _search(
    j: int,
    day: NDArray[np.int64],
    far: Floats,
    most_per_day: float,
    score: Floats,
    previous: NDArray[np.int64],
) -> None:
    """Find the best reading for reading `j` to go on from, among those in the window."""
    first = max(0, j - _WINDOW)
    days, step = day[j] - day[first:j], far[j] - far[first:j]
    fits = (step >= 0) | ((days == 0) & (step >= -most_per_day))
    if not fits.any():
        return
    gain = score[first:j] + 1.0 - _JUMP_COST * (step > most_per_day * (days + 1))
    gain[~fits] = -np.inf
    best = int(np.argmax(gain))
    if gain[best] >= 1.0:
        score[j], previous[j] = gain[best], first + best
