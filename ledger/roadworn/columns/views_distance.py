"""True distance: the odometer's figures put end to end across exchanges and roll-overs.

Clean histories never leave SQL. Readings that contradict each other are settled by
`roadworn.columns.settling`, whose verdicts fill `base.odometer_verdicts` for those vehicles only.
The true distance never falls, so a running maximum and minimum give the neighbours that a
missing reading is interpolated between.
"""

from roadworn.columns.spec import ViewSpec

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
        "km to add for roll-overs and steps before this reading, and for its unit",
    ),
    ("rolls", "INTEGER", "number of roll-overs and unexplained steps before it"),
    ("flag", "VARCHAR", "'', lower, implausible, rolled_over, stepped or other_unit"),
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
        ("segment", "INTEGER", "number of exchanges, roll-overs and steps before it"),
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
        ("segment", "INTEGER", "number of exchanges, roll-overs and steps before it"),
        (
            "flag",
            "VARCHAR",
            (
                "'', lower, implausible, rolled_over, exchanged, stepped (from here on it shows "
                "another figure and nobody said why: counted as an exchange), or other_unit (it "
                "fits once miles and kilometres are exchanged, and is counted so)"
            ),
        ),
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
