"""True distance: the odometer's figures put end to end across exchanges and roll-overs.

Clean histories never leave SQL. Readings that contradict each other are settled by
`roadworn.columns.views_distance`, which fills `base.odometer_verdicts` for those vehicles only.
The true distance never falls, so a running maximum and minimum give the neighbours that a
missing reading is interpolated between.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from roadworn.columns.spec import ViewSpec

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


PROFILE_NOW = ViewSpec(
    "base.odometers",
    "digits of each vehicle's odometer",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("digits", "INTEGER", "digits its odometer shows before it rolls over"),
    ),
    """
    SELECT vehicle_id, max_by(odometer_digits, place) AS digits FROM (
      SELECT e.vehicle_id, p.odometer_digits,
             row_number() OVER (PARTITION BY e.vehicle_id ORDER BY e.occurred_at, e.seq) AS place
      FROM raw.profiles AS p JOIN base.valid AS e ON e.seq = p.seq
      WHERE p.odometer_digits IS NOT NULL
    ) AS told GROUP BY vehicle_id""",
    needs=("base.valid",),
)

ODOMETER_SHIFTS = ViewSpec(
    "base.odometer_shifts",
    "readings of vehicles whose odometer was exchanged, with the shift that this has caused",
    (
        ("seq", "BIGINT", "the event"),
        ("km", "DOUBLE", "what the odometer showed, in km; at an exchange the old one"),
        ("shift", "DOUBLE", "km to add for the odometers before this one"),
        ("segment", "INTEGER", "number of exchanges before it"),
        ("exchanged", "BOOLEAN", "the odometer was exchanged at this reading"),
    ),
    """
    SELECT seq, km, coalesce(sum(step) OVER before, 0) AS shift,
           CAST(coalesce(sum(swap) OVER before, 0) AS INTEGER) AS segment, swap = 1 AS exchanged
    FROM (
      SELECT e.seq, e.vehicle_id, e.occurred_at, coalesce(x.old_km, e.odometer_km) AS km,
             coalesce(x.old_km - x.new_km, 0) AS step,
             CASE WHEN x.seq IS NULL THEN 0 ELSE 1 END AS swap
      FROM base.valid AS e LEFT JOIN raw.exchanges AS x ON x.seq = e.seq
      WHERE e.vehicle_id IN (SELECT v.vehicle_id FROM raw.exchanges AS s
                             JOIN base.valid AS v ON v.seq = s.seq)
    ) AS points
    WINDOW before AS (PARTITION BY vehicle_id ORDER BY occurred_at, seq
                      ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)""",
    needs=("base.valid",),
    kept=True,
)

ODOMETER_POINTS = ViewSpec(
    "base.odometer_points",
    "every reading, with the shift that exchanges before it have caused",
    (
        ("seq", "BIGINT", "the event"),
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("occurred_at", "TIMESTAMP", "when"),
        ("day", "INTEGER", "the day, counted from 1970-01-01"),
        ("km", "DOUBLE", "what the odometer showed, in km"),
        ("shift", "DOUBLE", "km to add for the odometers before this one"),
        ("segment", "INTEGER", "number of exchanges before it"),
        ("limit_km", "DOUBLE", "where this odometer rolls over, in km"),
        ("exchanged", "BOOLEAN", "the odometer was exchanged at this reading"),
    ),
    """
    SELECT e.seq, e.vehicle_id, e.occurred_at, e.day, coalesce(s.km, e.odometer_km) AS km,
           coalesce(s.shift, 0) AS shift, coalesce(s.segment, 0) AS segment,
           power(10, o.digits) * CASE e.odometer_unit WHEN 'mi' THEN 1609344 ELSE 1000000 END
             / 1000000 AS limit_km,
           coalesce(s.exchanged, FALSE) AS exchanged
    FROM base.valid AS e
    LEFT JOIN base.odometer_shifts AS s ON s.seq = e.seq
    LEFT JOIN base.odometers AS o ON o.vehicle_id = e.vehicle_id
    WHERE s.km IS NOT NULL OR e.odometer_km IS NOT NULL""",
    needs=("base.valid", "base.odometers", "base.odometer_shifts"),
)

#: Vehicles whose readings fall from one day to the next, or jump too far. Two parameters, both
#: the largest plausible distance in a day. Of two entries on one day nobody knows which came
#: first, so a small fall between them is let pass.
DOUBTFUL = """
    SELECT DISTINCT vehicle_id FROM (
      SELECT vehicle_id, day, km + shift AS far, km >= limit_km AS over,
             lag(km + shift) OVER w AS far_before, lag(day) OVER w AS day_before
      FROM base.odometer_points
      WINDOW w AS (PARTITION BY vehicle_id ORDER BY occurred_at, seq)
    ) AS steps
    WHERE over OR far > far_before + ? * (day - day_before + 1)
       OR (far < far_before AND (day > day_before OR far < far_before - ?))"""

VERDICTS = (
    ("seq", "BIGINT", "the event"),
    (
        "rolled_km",
        "DOUBLE",
        "km to add for roll-overs before this reading",
    ),
    ("rolls", "INTEGER", "number of roll-overs before it"),
    ("flag", "VARCHAR", "'', lower, implausible or rolled_over"),
    ("used", "BOOLEAN", "the true distance rests on it"),
)

# Most events come with a reading of their own; the windows, which cost most, run only over
# vehicles that have an event without one.
DISTANCES = ViewSpec(
    "base.distances",
    "true distance of each event that counts, without words",
    (
        ("seq", "BIGINT", "number of the event in the ledger"),
        ("true_km", "DOUBLE", "distance the vehicle has gone"),
        ("estimated", "BOOLEAN", "true_km is interpolated or clamped, not read"),
        ("segment", "INTEGER", "number of exchanges and roll-overs before it"),
        ("sides", "INTEGER", "1 a reading before it, plus 2 a reading after it; 3 if its own"),
    ),
    """
    WITH points AS (
      SELECT e.seq, e.vehicle_id, e.day, e.occurred_at,
             CASE WHEN coalesce(v.used, TRUE) THEN coalesce(s.km, e.odometer_km)
                  + coalesce(s.shift, 0) + coalesce(v.rolled_km, 0) END AS far,
             coalesce(s.segment, 0) + coalesce(v.rolls, 0) AS segment
      FROM base.valid AS e
      LEFT JOIN base.odometer_shifts AS s ON s.seq = e.seq
      LEFT JOIN base.odometer_verdicts AS v ON v.seq = e.seq
    ), timed AS (
      SELECT seq, vehicle_id, far, CASE WHEN far IS NOT NULL THEN segment END AS segment,
             CAST(day AS DOUBLE) * 86400 + CAST(extract(hour FROM occurred_at) * 3600
               + extract(minute FROM occurred_at) * 60 AS DOUBLE)
               + extract(second FROM occurred_at) AS at_s
      FROM points
      WHERE vehicle_id IN (SELECT vehicle_id FROM points WHERE far IS NULL)
    ), framed AS (
      SELECT seq, far, at_s, max(far) OVER back AS before_km, min(far) OVER ahead AS after_km,
             max(CASE WHEN far IS NOT NULL THEN at_s END) OVER back AS before_at,
             min(CASE WHEN far IS NOT NULL THEN at_s END) OVER ahead AS after_at,
             coalesce(max(segment) OVER back, 0) AS segment
      FROM timed
      WINDOW back AS (PARTITION BY vehicle_id ORDER BY at_s, seq
                      ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW),
             ahead AS (PARTITION BY vehicle_id ORDER BY at_s, seq
                       ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING)
    )
    SELECT seq, far AS true_km, FALSE AS estimated, segment, 3 AS sides
    FROM points WHERE far IS NOT NULL
    UNION ALL
    SELECT seq,
           CASE WHEN after_km IS NULL OR after_at <= before_at THEN before_km
                WHEN before_km IS NULL THEN after_km
                ELSE before_km + (after_km - before_km)
                     * (at_s - before_at) / (after_at - before_at) END AS true_km,
           CASE WHEN before_km IS NULL AND after_km IS NULL THEN NULL ELSE TRUE END AS estimated,
           segment,
           CASE WHEN before_km IS NULL THEN 0 ELSE 1 END
             + CASE WHEN after_km IS NULL THEN 0 ELSE 2 END AS sides
    FROM framed WHERE far IS NULL""",
    needs=("base.valid", "base.odometer_shifts", "base.odometer_verdicts"),
    kept=True,
)

TRUE_DISTANCE = ViewSpec(
    "main.true_distance",
    "true distance of the vehicle at each event that counts",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("seq", "BIGINT", "number of the event in the ledger"),
        ("event_id", "VARCHAR", "id of the event"),
        ("occurred_at", "TIMESTAMP", "when it happened, UTC"),
        ("occurred_on", "DATE", "the day it happened"),
        ("day", "INTEGER", "that day, counted from 1970-01-01"),
        ("true_km", "DOUBLE", "distance the vehicle has gone, across exchanges and roll-overs"),
        ("segment", "INTEGER", "number of exchanges and roll-overs before it"),
        ("flag", "VARCHAR", "'', lower, implausible, rolled_over or exchanged"),
        ("used", "BOOLEAN", "the event has a reading, and the true distance rests on it"),
        ("estimated", "BOOLEAN", "true_km is interpolated or clamped, not read"),
        ("basis", "VARCHAR", "read, interpolated, before_first, after_last or none"),
    ),
    """
    SELECT e.vehicle_id, d.seq, e.event_id, e.occurred_at, e.occurred_on, e.day, d.true_km,
           d.segment,
           CASE WHEN v.flag <> '' THEN v.flag WHEN s.exchanged THEN 'exchanged' ELSE '' END
             AS flag,
           coalesce(NOT d.estimated, FALSE) AS used, d.estimated,
           CASE WHEN NOT d.estimated THEN 'read' WHEN d.sides = 0 THEN 'none'
                WHEN d.sides = 1 THEN 'after_last' WHEN d.sides = 2 THEN 'before_first'
                ELSE 'interpolated' END AS basis
    FROM base.distances AS d
    JOIN base.known AS e ON e.seq = d.seq
    LEFT JOIN base.odometer_verdicts AS v ON v.seq = d.seq
    LEFT JOIN base.odometer_shifts AS s ON s.seq = d.seq""",
    needs=("base.distances", "base.known", "base.odometer_verdicts", "base.odometer_shifts"),
)

DISTANCE_VIEWS = (
    PROFILE_NOW,
    ODOMETER_SHIFTS,
    ODOMETER_POINTS,
    DISTANCES,
    TRUE_DISTANCE,
)
