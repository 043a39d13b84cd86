"""Part lives: one row for each stay of a part at a vehicle, component and position.

How each case of the record becomes a row:

- replaced as failed or worn out: a failure at that distance;
- replaced for another reason, or taken along with other work: censored there;
- still fitted: censored at the vehicle's last reading; so when it has left or not been seen
  for long;
- fitted before enrolment: starts at 0 with late entry when the parts were known original,
  else left out and counted;
- found failed at a look-over after one that found it sound: the failure lies between.

Two choices go beyond the record of single replacements. A component never replaced on a
vehicle enrolled with its original parts, but replaced on others of its class, is a life still
running there since 0: leaving those out would make lives look short, since only parts that
were replaced would count. And a part found failed and not yet replaced or repaired has failed
at that look-over, though it is still fitted.
"""

from roadworn.columns.spec import ViewSpec, day_of
from roadworn.columns.views_stays import AT, PART, PART_NAMES, STAY_VIEWS
from roadworn.model.catalogue import by_axle_sql

SITS = "where it sits; the axle where both of its sides began and ended as one; empty if not given"

LOOKS = ViewSpec(
    "base.looks",
    "the worst condition found on a day at each place; an axle's is that of its sides, and theirs",
    (
        *AT,
        ("day", "INTEGER", "the day, counted from 1970-01-01"),
        ("true_km", "DOUBLE", "true distance then"),
        ("worst", "INTEGER", "1 sound, 2 wearing, 3 failed, 0 repaired"),
        ("event_id", "VARCHAR", "the look-over that found it"),
        ("occurred_on", "DATE", "the day"),
    ),
    f"""
    WITH seen AS (
      SELECT vehicle_id, component, position, {day_of("occurred_on")} AS day, true_km, event_id,
             occurred_on, seq,
             CASE condition WHEN 'failed' THEN 3 WHEN 'wearing' THEN 2 ELSE 1 END AS worst
      FROM main.findings WHERE condition IN ('sound', 'wearing', 'failed')
      UNION ALL
      SELECT vehicle_id, component, position, {day_of("occurred_on")} AS day, true_km, event_id,
             occurred_on, seq, 0 AS worst
      FROM main.repairs
    ), spread AS (
      SELECT s.*, coalesce(x.place, s.position, '') AS place
      FROM seen AS s LEFT JOIN base.axle_sides AS x
        ON {by_axle_sql("s.component")} AND x.said = split_part(s.position, '-', 1)
    )
    SELECT vehicle_id, component, place, day, max(true_km) AS true_km, max(worst) AS worst,
           max_by(event_id, worst * 10000000000 - seq) AS event_id, max(occurred_on) AS occurred_on
    FROM spread WHERE worst > 0 GROUP BY vehicle_id, component, place, day
    UNION ALL
    SELECT vehicle_id, component, place, day, true_km, worst, event_id, occurred_on
    FROM spread WHERE worst = 0""",
    needs=("main.findings", "main.repairs", "base.axle_sides"),
    kept=True,
)

SPANS = ViewSpec(
    "base.spans",
    "stays with their ends on both clocks, what look-overs saw, and why any is left out",
    (
        ("stay", "BIGINT", "number of the stay"),
        ("start_km", "DOUBLE", "true distance at its start"),
        ("start_day", "INTEGER", "day of its start, counted from 1970-01-01; empty when unknown"),
        ("end_km", "DOUBLE", "true distance at its end, or the last known"),
        ("end_day", "INTEGER", "day of its end, or the last day the vehicle was seen"),
        ("entry_km", "DOUBLE", "age in km at which it came under observation"),
        ("entry_days", "DOUBLE", "age in days at which it came under observation"),
        ("sound_day", "INTEGER", "last day a look-over found it sound"),
        ("sound_km", "DOUBLE", "true distance then"),
        ("found_day", "INTEGER", "first day after that and after any repair it was found failed"),
        ("found_km", "DOUBLE", "true distance then"),
        ("found_by", "VARCHAR", "event_id of that look-over"),
        ("found_on", "DATE", "that day"),
        ("looked_late", "BOOLEAN", "a look-over in its last week found it wearing or failed"),
        ("why", "VARCHAR", "why it is left out; empty for a life"),
    ),
    """
    WITH ends AS (
      SELECT s.stay, s.vehicle_id, s.component, s.place, s.start_seq, s.end_seq,
             a.day AS fitted_day, a.part_kind,
             -- A tire that lay in storage did not go what the vehicle went meanwhile.
             CASE WHEN s.start_seq IS NULL THEN coalesce(w.stored_km, 0) ELSE a.true_km END
               AS start_km, coalesce(w.stored_km, 0) AS stored_km,
             coalesce(w.first, TRUE) AS came_with_it,
             CASE WHEN s.start_seq IS NULL THEN v.service_day ELSE a.day END AS start_day,
             coalesce(a.day, v.service_day, -1000000) AS from_day,
             CASE WHEN s.end_seq IS NOT NULL THEN b.true_km
                  WHEN v.retired_on IS NOT NULL THEN v.retired_km ELSE v.last_km END AS end_km,
             CASE WHEN s.end_seq IS NOT NULL THEN b.day
                  WHEN v.retired_on IS NOT NULL THEN v.retired_day ELSE v.last_day END AS end_day,
             v.observed_day, v.observed_km, v.parts,
             s.end_seq IS NULL AND v.retired_on IS NULL AND NOT v.unseen AS running
      FROM base.stays AS s
      JOIN base.vehicle_days AS v ON v.vehicle_id = s.vehicle_id
      LEFT JOIN base.fitted AS a ON a.seq = s.start_seq
      LEFT JOIN base.fitted AS b ON b.seq = s.end_seq
      LEFT JOIN base.wheel_ends AS w ON w.vehicle_id = s.vehicle_id AND w.place = s.place
        AND s.component = 'wheel.tire'
    ), late AS (
      SELECT *,
             CASE WHEN start_seq IS NULL OR fitted_day < observed_day
                  THEN greatest(0, observed_km + stored_km - start_km) ELSE 0 END AS entry_km,
             CASE WHEN start_seq IS NULL OR fitted_day < observed_day
                  THEN CAST(greatest(0, observed_day - start_day) AS DOUBLE) ELSE 0 END
               AS entry_days
      FROM ends
    ), entered AS (
      SELECT *, end_seq IS NOT NULL
                  AND (end_day < observed_day
                       OR (entry_km > 0 AND end_km - start_km <= entry_km)) AS unwatched
      FROM late
    ), sound AS (
      SELECT e.stay, max(CASE WHEN l.worst = 1 THEN l.day END) AS sound_day,
             max(CASE WHEN l.worst = 1 THEN l.true_km END) AS sound_km,
             max(l.day) AS cut_day
      FROM entered AS e JOIN base.looks AS l
        ON l.vehicle_id = e.vehicle_id AND l.component = e.component
       AND (l.place = e.place OR l.place = '')
      WHERE l.worst IN (0, 1) AND l.day >= e.from_day
        AND (l.day < e.end_day OR (e.end_seq IS NULL AND l.day <= e.end_day))
      GROUP BY e.stay
    ), found AS (
      SELECT e.stay, min(CASE WHEN l.worst = 3 THEN l.day END) AS found_day,
             min(CASE WHEN l.worst = 3 THEN l.true_km END) AS found_km,
             min_by(l.event_id, l.day) FILTER (WHERE l.worst = 3) AS found_by,
             min(CASE WHEN l.worst = 3 THEN l.occurred_on END) AS found_on,
             max(l.day) >= max(e.end_day) - 7 AS looked_late
      FROM entered AS e JOIN base.looks AS l
        ON l.vehicle_id = e.vehicle_id AND l.component = e.component AND l.place = e.place
      LEFT JOIN sound AS s ON s.stay = e.stay
      WHERE l.worst IN (2, 3) AND l.day > e.from_day AND l.day <= e.end_day
        AND (s.cut_day IS NULL OR l.day > s.cut_day)
      GROUP BY e.stay
    )
    SELECT e.stay, e.start_km, e.start_day, greatest(e.end_km, e.start_km) AS end_km, e.end_day,
           e.entry_km, e.entry_days, s.sound_day, s.sound_km, f.found_day, f.found_km,
           f.found_by, f.found_on, coalesce(f.looked_late, FALSE) AS looked_late,
           CASE WHEN c.own AND e.unwatched IS NOT TRUE
                THEN CASE c.because WHEN 'unplaced' THEN 'soon again, place not given'
                                    ELSE 'came back' END
                WHEN e.start_seq IS NULL AND (e.parts <> 'original' OR NOT e.came_with_it)
                THEN 'fitted before enrolment, age unknown'
                WHEN e.part_kind = 'used' THEN 'used part, age unknown'
                WHEN e.start_km IS NULL OR e.end_km IS NULL OR e.entry_km IS NULL
                THEN 'no odometer reading'
                WHEN e.unwatched THEN 'ended before it came under observation'
                WHEN NOT e.running AND e.end_km <= e.start_km
                 AND coalesce(e.end_day - e.start_day, 0) <= 0
                THEN 'neither distance nor time between its ends' END AS why
    FROM entered AS e
    LEFT JOIN sound AS s ON s.stay = e.stay
    LEFT JOIN found AS f ON f.stay = e.stay
    LEFT JOIN base.came_back AS c ON c.stay = e.stay""",
    needs=(
        *("base.stays", "base.vehicle_days", "base.fitted", "base.looks", "base.came_back"),
        "base.wheel_ends",
    ),
    kept=True,
)

VEHICLE_DAYS = ViewSpec(
    "base.vehicle_days",
    "vehicles with their days as numbers",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("vehicle_class", "VARCHAR", "its class"),
        ("duty", "VARCHAR", "its kind of use"),
        ("parts", "VARCHAR", "whether fitted parts were original at enrolment"),
        ("service_day", "INTEGER", "first day of its use"),
        ("service_on", "DATE", "first day of its use"),
        ("observed_day", "INTEGER", "day from which its parts are watched"),
        ("observed_km", "DOUBLE", "true distance on that day"),
        ("last_day", "INTEGER", "day of its latest event"),
        ("last_km", "DOUBLE", "true distance at its latest reading"),
        ("retired_on", "DATE", "day it left"),
        ("retired_day", "INTEGER", "day it left"),
        ("retired_km", "DOUBLE", "true distance when it left"),
        ("unseen", "BOOLEAN", "not seen for long and not known to have left"),
    ),
    f"""
    SELECT v.vehicle_id, v.vehicle_class, v.duty, v.parts,
           {day_of("v.in_service_date")} AS service_day,
           v.in_service_date AS service_on,
           {day_of("v.observed_on")} AS observed_day, v.observed_km,
           {day_of("v.last_seen_on")} AS last_day, v.last_km,
           v.retired_on, {day_of("v.retired_on")} AS retired_day,
           v.retired_km,
           v.retired_on IS NULL
             AND datediff('day', v.last_seen_on, s.today) > s.unseen_days AS unseen
    FROM main.vehicles AS v CROSS JOIN base.settings AS s""",
    needs=("main.vehicles", "base.settings"),
    kept=True,
)

PART_LIVES = ViewSpec(
    "main.part_lives",
    "one row for each stay of a part whose age is known",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("vehicle_class", "VARCHAR", "class of the vehicle"),
        ("component", "VARCHAR", "component, system.part"),
        ("position", "VARCHAR", SITS),
        ("system", "VARCHAR", "first half of the component"),
        ("started_by", "VARCHAR", "event_id of its fitting, empty for an original part"),
        ("ended_by", "VARCHAR", "event_id of what ended it or found it failed"),
        ("started_on", "DATE", "day it was fitted, or the vehicle's first day, if known"),
        ("ended_on", "DATE", "day it was replaced or found failed, empty while it works"),
        ("entry_km", "DOUBLE", "age in km at which it came under observation (late entry)"),
        ("lower_km", "DOUBLE", "age in km at failure, or the age it is known to have reached"),
        ("upper_km", "DOUBLE", "age in km by which it had failed; infinite when it had not"),
        ("entry_days", "DOUBLE", "age in days at which it came under observation"),
        ("lower_days", "DOUBLE", "age in days, as lower_km; empty when its first day is unknown"),
        ("upper_days", "DOUBLE", "age in days, as upper_km; empty when its first day is unknown"),
        ("failed", "BOOLEAN", "it had failed or was worn out; lower < upper means in between"),
        ("censored_because", "VARCHAR", "why its failure was not seen; empty when it was"),
        ("reason", "VARCHAR", "reason of the replacement that ended it"),
        *PART,
        ("running", "BOOLEAN", "still fitted to a vehicle that is still here"),
        ("duty", "VARCHAR", "kind of use of the vehicle"),
        ("km_estimated", "BOOLEAN", "one of its ends has no reading of its own"),
    ),
    f"""
    WITH ages AS (
      SELECT s.vehicle_id, s.component, s.place, s.start_seq, s.end_seq, p.*,
             b.event_id AS end_event, b.occurred_on AS end_on, b.reason, b.because,
             b.estimated AS end_estimated, coalesce(c.other_work, FALSE) AS other_work,
             (coalesce(b.failed, FALSE) AND c.other_work IS NOT TRUE)
               OR (s.end_seq IS NULL AND p.found_day IS NOT NULL) AS failed,
             CASE WHEN s.end_seq IS NULL AND p.found_day IS NOT NULL THEN TRUE
                  WHEN p.sound_day IS NULL OR c.other_work THEN FALSE
                  ELSE b.failed AND (p.found_day IS NOT NULL OR p.looked_late) END AS found,
             v.vehicle_class, v.duty, v.retired_on, v.unseen, v.service_on
      FROM base.stays AS s
      JOIN base.spans AS p ON p.stay = s.stay AND p.why IS NULL
      JOIN base.vehicle_days AS v ON v.vehicle_id = s.vehicle_id
      LEFT JOIN base.fitted AS b ON b.seq = s.end_seq
      LEFT JOIN base.came_back AS c ON c.stay = s.stay
    ), bounds AS (
      SELECT *,
             CASE WHEN found THEN coalesce(found_km, end_km) ELSE end_km END - start_km
               AS high_km,
             CAST(CASE WHEN found THEN coalesce(found_day, end_day) ELSE end_day END - start_day
                  AS DOUBLE) AS high_days
      FROM ages
    )
    SELECT l.vehicle_id, l.vehicle_class, l.component, nullif(l.place, '') AS position,
           split_part(l.component, '.', 1) AS system,
           a.event_id AS started_by,
           CASE WHEN l.end_event IS NOT NULL THEN l.end_event
                WHEN l.found THEN l.found_by END AS ended_by,
           coalesce(a.occurred_on, CASE WHEN l.start_seq IS NULL THEN l.service_on END)
             AS started_on,
           CASE WHEN l.end_event IS NOT NULL THEN l.end_on
                WHEN l.found THEN l.found_on END AS ended_on,
           l.entry_km,
           CASE WHEN l.found AND l.sound_km IS NOT NULL
                THEN least(greatest(l.sound_km - l.start_km, l.entry_km), l.high_km)
                ELSE l.high_km END AS lower_km,
           CASE WHEN l.failed THEN l.high_km ELSE CAST('Infinity' AS DOUBLE) END AS upper_km,
           l.entry_days,
           CASE WHEN l.found AND l.sound_day IS NOT NULL
                THEN least(greatest(CAST(l.sound_day - l.start_day AS DOUBLE), l.entry_days),
                           l.high_days)
                ELSE l.high_days END AS lower_days,
           CASE WHEN l.start_day IS NULL THEN NULL WHEN l.failed THEN l.high_days
                ELSE CAST('Infinity' AS DOUBLE) END AS upper_days,
           l.failed,
           CASE WHEN l.failed THEN NULL
                WHEN l.other_work THEN 'came back on other work'
                WHEN l.end_seq IS NOT NULL THEN l.because
                WHEN l.retired_on IS NOT NULL THEN 'vehicle retired'
                WHEN l.unseen THEN 'not seen for long' ELSE 'still fitted' END
             AS censored_because,
           l.reason, {", ".join(f"a.{name}" for name in PART_NAMES)},
           l.end_seq IS NULL AND l.retired_on IS NULL AND NOT l.unseen AS running,
           l.duty, coalesce(l.end_estimated, FALSE) OR coalesce(a.estimated, FALSE)
             AS km_estimated
    FROM bounds AS l LEFT JOIN base.fitted AS a ON a.seq = l.start_seq""",
    needs=("base.stays", "base.spans", "base.vehicle_days", "base.fitted", "base.came_back"),
    kept=True,
)

PART_LIVES_LEFT_OUT = ViewSpec(
    "main.part_lives_left_out",
    "one row for each stay of a part that cannot be counted as a life, and why",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("component", "VARCHAR", "component, system.part"),
        ("position", "VARCHAR", SITS),
        ("why", "VARCHAR", "why it is left out; what came back stands in comebacks"),
        ("event_id", "VARCHAR", "event that shows it"),
        ("started_by", "VARCHAR", "event_id of its fitting, empty for an original part"),
        ("ended_by", "VARCHAR", "event_id of the replacement that ended it, empty while fitted"),
    ),
    """
    SELECT s.vehicle_id, s.component, nullif(s.place, '') AS position, p.why,
           CASE WHEN p.why = 'used part, age unknown' THEN a.event_id
                ELSE coalesce(b.event_id, a.event_id) END AS event_id,
           a.event_id AS started_by, b.event_id AS ended_by
    FROM base.spans AS p
    JOIN base.stays AS s ON s.stay = p.stay
    LEFT JOIN base.fitted AS a ON a.seq = s.start_seq
    LEFT JOIN base.fitted AS b ON b.seq = s.end_seq
    WHERE p.why IS NOT NULL
    UNION ALL
    SELECT vehicle_id, component, nullif(side, '') AS position, 'entered-twice' AS why, event_id,
           NULL AS started_by, NULL AS ended_by
    FROM base.fitted WHERE twice""",
    needs=("base.spans", "base.stays", "base.fitted"),
    kept=True,
)

COMEBACKS = ViewSpec(
    "main.comebacks",
    "one row for each job that came back: named, soon again, or free within its warranty",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("vehicle_class", "VARCHAR", "class of the vehicle"),
        ("component", "VARCHAR", "component that came back, system.part"),
        ("position", "VARCHAR", SITS),
        ("event_id", "VARCHAR", "the comeback, a replacement or a repair"),
        ("of_event", "VARCHAR", "the job it came back on"),
        ("of_kind", "VARCHAR", "replacement, repair or maintenance; empty when not on record"),
        ("occurred_on", "DATE", "day of the comeback"),
        ("age_km", "DOUBLE", "distance between the two jobs"),
        ("age_days", "DOUBLE", "days between the two jobs"),
        ("named", "BOOLEAN", "the job it came back on was named"),
        ("because", "VARCHAR", "named, window or warranty (free of charge within it)"),
        ("cause", "VARCHAR", "part, workmanship, customer_part or unknown"),
        ("left_out", "BOOLEAN", "a watched part fitted by that job or since ended; no part_lives"),
        *PART[:4],
        ("fitted_by", "VARCHAR", "who wrote down the job it came back on"),
        ("paid", "DECIMAL(18,4)", "what the comeback cost, parts and labour, when recorded"),
        ("currency", "VARCHAR", "currency of it, ISO 4217"),
        ("true_km", "DOUBLE", "true distance at the comeback"),
    ),
    f"""
    WITH back AS (
      SELECT s.vehicle_id, s.component, s.place, b.event_id, c.of_event, b.occurred_on, b.day,
             b.true_km, c.named, c.because, c.cause,
             coalesce(p.why = 'came back', FALSE) AS left_out, b.paid, b.currency,
             CASE WHEN c.own THEN a.event_id END AS part_event
      FROM base.came_back AS c JOIN base.stays AS s ON s.stay = c.stay
      JOIN base.spans AS p ON p.stay = c.stay
      JOIN base.fitted AS b ON b.seq = s.end_seq
      LEFT JOIN base.fitted AS a ON a.seq = s.start_seq
      WHERE c.because <> 'unplaced'
      UNION ALL
      SELECT r.vehicle_id, r.component, coalesce(r.position, '') AS place, r.event_id,
             r.comeback_of, r.occurred_on, {day_of("r.occurred_on")} AS day, r.true_km, TRUE,
             'named', coalesce(r.comeback_cause, 'unknown'), FALSE, r.total_cost, r.currency,
             r.comeback_of
      FROM main.repairs AS r WHERE r.comeback_of IS NOT NULL
    )
    SELECT k.vehicle_id, v.vehicle_class, k.component, nullif(k.place, '') AS position, k.event_id,
           k.of_event, j.kind AS of_kind, k.occurred_on,
           greatest(0, k.true_km - j.true_km) AS age_km,
           CAST(k.day - j.day AS DOUBLE) AS age_days, k.named, k.because, k.cause, k.left_out,
           {", ".join(f"f.{name}" for name in PART_NAMES[:4])},
           j.recorded_by AS fitted_by, k.paid, k.currency, k.true_km
    FROM back AS k JOIN main.vehicles AS v ON v.vehicle_id = k.vehicle_id
    LEFT JOIN base.jobs AS j ON j.event_id = k.of_event AND j.vehicle_id = k.vehicle_id
    LEFT JOIN base.fitted AS f ON f.event_id = k.part_event""",
    needs=(
        *("base.came_back", "base.stays", "base.spans", "base.fitted", "base.jobs"),
        *("main.repairs", "main.vehicles"),
    ),
    kept=True,
)

LIFE_VIEWS = (
    *(*STAY_VIEWS, LOOKS, VEHICLE_DAYS, SPANS),
    *(PART_LIVES, PART_LIVES_LEFT_OUT, COMEBACKS),
)
