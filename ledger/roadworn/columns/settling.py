"""Readings of an odometer that contradict each other, settled by the fewest explanations.

Clean histories never come here: `roadworn.columns.views_distance` names the vehicles that do.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from roadworn.model.units import KM_PER_MILE

Floats = NDArray[np.float64]

#: How many readings back a reading looks for one that it fits to.
_WINDOW = 256
#: A reading that is left out costs 1. A fall, or a rise that no vehicle drives, costs more than
#: the reading behind it and less than two: two readings that agree before it and two behind it
#: outweigh the doubt, and a step stays a step.
_STEP_COST = 1.5
#: A rise of more than this a day, and more than so many times the vehicle's own pace, is possible
#: but hardly usual; it costs less than a reading. Common practice, no source.
_USUAL_PER_DAY, _USUAL_TIMES, _UNUSUAL_COST = 300.0, 4.0, 0.7
#: With fewer rises a vehicle has no pace of its own: one of them may be the wrong figure.
_FEWEST_FOR_PACE = 5
#: How many readings on either side of a step tell its pace, at least and at most.
_LEAST_FOR_UNIT, _PACE_READINGS = 10, 24
#: How near figures must be that were read in the other unit: this share of what was expected, so
#: many times the vehicle's own use since, or this far. Common practice, no source.
_NEAR_SHARE, _NEAR_USE, _NEAR_KM = 0.02, 2.0, 500.0
_FACTORS = (KM_PER_MILE, 1.0 / KM_PER_MILE)
# A roll-over goes from the last fifth of the odometer's range to its first fifth.
_NEAR_TOP, _NEAR_BOTTOM = 0.8, 0.2


@dataclass(frozen=True, eq=False)
class Verdicts:
    """One entry a reading: km to add, breaks before it, its flag, whether it is used.

    A break is a roll-over, or a step that nobody explained.
    """

    rolled_km: Floats
    rolls: NDArray[np.int64]
    flag: list[str]
    used: NDArray[np.bool_]


def settle(
    day: NDArray[np.int64], km: Floats, shift: Floats, limit_km: Floats, most_per_day: float
) -> Verdicts:
    """Settle the readings of one vehicle, given in the order they happened.

    The fewest explanations are looked for: a reading that is wrong, a step that stays, readings
    in the other unit. After a step the distance goes on at the vehicle's own pace, as if the
    instrument had been exchanged there.

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
    fit = _Fit(day.tolist(), far.tolist(), most_per_day)
    used = np.zeros(len(far), dtype=np.bool_)
    used[fit.kept] = True
    added = np.zeros(len(far))
    flags = [""] * len(far)
    for start, stop, factor in fit.other_unit():
        for i in fit.kept[start:stop]:
            # The figure is of the instrument alone; what was added for others before it stays.
            added[i], flags[i] = (factor - 1.0) * km[i], "other_unit"
    breaks, extra, before = np.zeros(len(far), dtype=np.int64), 0.0, -1
    for i in fit.kept:
        if i in fit.steps:
            fell = far[before] + added[before] - (far[i] + added[i] + extra)
            converted = "other_unit" in (flags[i], flags[before]) and flags[i] != flags[before]
            if not converted:
                extra += fell + fit.pace * float(day[i] - day[before])
                flags[i] = flags[i] or "stepped"
                breaks[i:] += 1
            elif fell > 0:
                extra += fell
        added[i] += extra
        before = i
    far = far + added
    flag: list[str] = []
    highest, seen_rolls = -np.inf, 0
    for i in range(len(far)):
        if used[i]:
            flag.append("rolled_over" if rolls[i] > seen_rolls else flags[i])
            highest, seen_rolls = max(highest, far[i]), max(seen_rolls, int(rolls[i]))
        else:
            flag.append("lower" if far[i] < highest else "implausible")
    return Verdicts(rolled + added, rolls + breaks, flag, used)


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


class _Fit:
    """The fewest explanations of one vehicle's readings.

    Attributes:
        kept: readings that are believed, in their order.
        steps: those of them before which the odometer stepped up or down and stayed there.
        pace: the vehicle's own pace, km a day.
    """

    def __init__(self, days: list[int], kms: list[float], most: float) -> None:
        self._days, self._kms, self._most = days, kms, most
        rises = [
            (kms[j] - kms[i]) / (days[j] - days[i])
            for i, j in pairwise(range(len(days)))
            if days[j] > days[i] and 0 <= kms[j] - kms[i] <= most * (days[j] - days[i])
        ]
        self.pace = float(np.median(rises)) if rises else 0.0
        own = _USUAL_TIMES * self.pace if len(rises) >= _FEWEST_FOR_PACE else 0.0
        self._usual = min(most, max(_USUAL_PER_DAY, own))
        self.kept = self._cheapest()
        self._cut_out()
        self.steps = {j for i, j in pairwise(self.kept) if self._cost(i, j) == _STEP_COST}

    def other_unit(self) -> list[tuple[int, int, float]]:
        """Return (first, behind the last, factor) of runs of `kept` that fit in the other unit.

        Of the two sides of a step the one with fewer readings is taken to be in the other unit.
        """
        edges = [0, *(at for at, i in enumerate(self.kept) if i in self.steps), len(self.kept)]
        found: list[tuple[int, int, float]] = []
        for number in range(1, len(edges) - 1):
            first, at, end = edges[number - 1 : number + 2]
            factor = self._factor(self.kept[at - 1], self.kept[at])
            if factor and self._goes_on(first, at, end, factor):
                factor = 0.0
            if not factor or (found and found[-1][1] >= at):
                continue
            found.append((at, end, 1 / factor) if end - at <= at - first else (first, at, factor))
        return found

    def _goes_on(self, first: int, at: int, end: int, factor: float) -> bool:
        """Return whether the figures after a step rise as those before it did.

        In the other unit they would rise by the factor faster or slower: what does not is an
        instrument that was exchanged or turned back. Few readings tell nothing of that.

        Args:
            first: where in `kept` the readings before the step begin.
            at: where those from it on begin.
            end: behind the last of them.
            factor: how many times too high the figures are from the step on.
        """
        before, after = (
            self.kept[a:b] for a, b in ((max(first, at - _PACE_READINGS), at),
                                        (at, min(end, at + _PACE_READINGS)))
        )  # fmt: skip
        if min(len(before), len(after)) < _LEAST_FOR_UNIT:
            return False
        rise = [self._kms[run[-1]] - self._kms[run[0]] for run in (before, after)]
        days = [self._days[run[-1]] - self._days[run[0]] for run in (before, after)]
        if min(*rise, *days) <= 0:
            return False
        times = (rise[1] / days[1]) / (rise[0] / days[0])
        return bool(np.log(times) / np.log(factor) < 0.5)

    def _factor(self, i: int, j: int) -> float:
        """Return how many times too high the figures are from reading j on, or 0."""
        use = self.pace * (self._days[j] - self._days[i])
        expected = self._kms[i] + use
        for factor in _FACTORS:
            # Either side may be the one in the other unit: the share is that of the figures.
            off = abs(self._kms[j] / factor - expected)
            if off <= max(_NEAR_SHARE * expected, _NEAR_USE * use, _NEAR_KM):
                return factor
        return 0.0

    def _cost(self, i: int, j: int) -> float:
        """Return what it costs to believe reading j right after reading i.

        A fall within one day is let pass when it is small: of two entries on one day nobody
        knows which came first.
        """
        days, step = self._days[j] - self._days[i], self._kms[j] - self._kms[i]
        if step < 0 and not (days == 0 and step >= -self._most):
            return _STEP_COST
        if step > self._most * (days + 1):
            return _STEP_COST
        return _UNUSUAL_COST if step > self._usual * (days + 1) else 0.0

    def _cheapest(self) -> list[int]:
        """Return the readings to believe; of equal sets the one with the earlier readings."""
        n = len(self._kms)
        days, kms = np.array(self._days), np.array(self._kms)
        total, previous = np.zeros(n), [-1] * n
        others = 0.0  # the least of all ways to stand before reading j without the one before it
        for j in range(n):
            # While no way is as cheap as that through the reading before, a reading that fits it
            # goes on from there: a long clean history is walked once.
            if j and total[j - 1] < others and self._cost(j - 1, j) == 0.0:
                total[j], previous[j] = total[j - 1], j - 1
            else:
                total[j] = float(j)
                first = max(0, j - _WINDOW)
                if j:
                    gone, step = days[j] - days[first:j], kms[j] - kms[first:j]
                    fell = (step < 0) & ~((gone == 0) & (step >= -self._most))
                    cost = total[first:j] + np.arange(j - first - 1, -1, -1)
                    cost += _UNUSUAL_COST * (step > self._usual * (gone + 1))
                    stepped = fell | (step > self._most * (gone + 1))
                    cost += (_STEP_COST - _UNUSUAL_COST * ~fell) * stepped
                    best = int(np.argmin(cost))
                    # To begin with this reading leaves out all before it.
                    if cost[best] <= total[j]:
                        total[j], previous[j] = cost[best], first + best
            others = 1.0 + min(others, float(total[j - 1]) if j else 0.0)
        left = total + np.arange(n - 1, -1, -1)
        at, kept = int(np.argmin(left)) if n else -1, []
        while at >= 0:
            kept.append(at)
            at = previous[at]
        return kept[::-1]

    def _cut_out(self) -> None:
        """Leave out runs that are entered by a leap and left by another, back to the old line."""
        at = 1
        while at < len(self.kept):
            if self._cost(self.kept[at - 1], self.kept[at]) < _UNUSUAL_COST:
                at += 1
                continue
            back = next(
                (
                    end
                    for end in range(at + 1, len(self.kept))
                    if self._cost(self.kept[end - 1], self.kept[end]) >= _UNUSUAL_COST
                ),
                None,
            )
            leaps = back is not None and _STEP_COST in (
                self._cost(self.kept[at - 1], self.kept[at]),
                self._cost(self.kept[back - 1], self.kept[back]),
            )
            if leaps and back and self._cost(self.kept[at - 1], self.kept[back]) == 0.0:
                del self.kept[at:back]
            else:
                at += 1
