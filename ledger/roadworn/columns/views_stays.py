"""Stays of parts: what was fitted where and when, side by side, and what came back.

A stay goes from one replacement at a side to the next one there. What is done by the axle sits
at both of its sides: they are one stay where they began and ended at one visit, else two.
"""

from roadworn.columns.spec import ColumnSpec, ViewSpec, day_of
from roadworn.columns.views_vehicles import absent_sql
from roadworn.model.catalogue import by_axle_sql, many_places_sql
from roadworn.model.places import AXLES, axle_sql

AT: tuple[ColumnSpec, ...] = (
    ("vehicle_id", "VARCHAR", "the vehicle"),
    ("component", "VARCHAR", "component, system.part"),
    ("place", "VARCHAR", "position, the axle for what is done by the axle, '' when not given"),
)
PART: tuple[ColumnSpec, ...] = (
    ("part_kind", "VARCHAR", "new, remanufactured, used or unknown; the part that lived"),
    ("supplier", "VARCHAR", "who supplied the part that lived"),
    ("maker", "VARCHAR", "maker of the part that lived"),
    ("part_number", "VARCHAR", "part number of the part that lived"),
    ("warranty_months", "INTEGER", "its warranty in months"),
    ("warranty_km", "DOUBLE", "its warranty in km"),
)
PART_NAMES = tuple(name for name, _type, _meaning in PART)

FITTED = ViewSpec(
    "base.fitted",
    "one row for each replacement, double entries marked",
    (
        ("seq", "BIGINT", "the replacement"),
        ("event_id", "VARCHAR", "its event_id"),
        *AT[:2],
        ("axle", "VARCHAR", "the axle it was done at, empty for what is not done by the axle"),
        ("side", "VARCHAR", "the side of that axle, the axle itself for both; else the position"),
        ("occurred_at", "TIMESTAMP", "when"),
        ("occurred_on", "DATE", "the day"),
        ("day", "INTEGER", "the day, counted from 1970-01-01"),
        ("odometer_km", "DOUBLE", "odometer reading as entered"),
        ("true_km", "DOUBLE", "true distance then"),
        ("estimated", "BOOLEAN", "true_km is not read"),
        ("reason", "VARCHAR", "why it was replaced"),
        ("failed", "BOOLEAN", "the old part had failed"),
        ("because", "VARCHAR", "why the old part's life is censored"),
        *PART,
        ("paid", "DECIMAL(18,4)", "parts and labour, when recorded"),
        ("currency", "VARCHAR", "currency of it, ISO 4217"),
        ("comeback_of", "VARCHAR", "event_id of the job it was said to come back on"),
        ("comeback_cause", "VARCHAR", "what was said to have caused that"),
        ("twice", "BOOLEAN", "same part, place, distance and day entered before"),
    ),
    f"""
    WITH placed AS (
      SELECT r.*, CASE WHEN {by_axle_sql("r.component")} THEN {axle_sql("r.position")} END AS axle
      FROM main.replacements AS r
    )
    SELECT seq, event_id, vehicle_id, component, axle,
           CASE WHEN axle IS NULL THEN coalesce(position, '')
                ELSE split_part(position, '-', 1) END AS side,
           occurred_at, occurred_on, {day_of("occurred_on")} AS day, odometer_km, true_km,
           true_km_estimated AS estimated,
           reason, reason IN ('failed', 'worn_out') AND along_with IS NULL AS failed,
           CASE WHEN along_with IS NOT NULL THEN 'taken along with other work'
                WHEN reason = 'unknown' THEN 'reason not recorded'
                WHEN reason IN ('failed', 'worn_out') THEN NULL
                ELSE reason END AS because,
           {", ".join(PART_NAMES)}, total_cost AS paid, currency, comeback_of, comeback_cause,
           row_number() OVER (
             PARTITION BY vehicle_id, component, coalesce(position, ''), odometer_km, occurred_on
             ORDER BY occurred_at, seq) > 1 AS twice
    FROM placed""",
    needs=("main.replacements",),
    kept=True,
)

AXLE_SIDES = ViewSpec(
    "base.axle_sides",
    "what is said of a place of an axle, and the places that it is said of",
    (
        ("said", "VARCHAR", "a side, or an axle"),
        ("place", "VARCHAR", "a side or axle that it touches"),
        ("side", "BOOLEAN", "that place is a side"),
    ),
    " UNION ALL ".join(
        f"SELECT '{said}' AS said, '{place}' AS place, {place != axle} AS side"
        for axle, sides in AXLES.items()
        for said in (axle, *sides)
        for place in (axle, *sides)
        if axle in (said, place) or said == place
    ),
    kept=True,
)

TURNS = ViewSpec(
    "base.turns",
    "the replacements at each side in their order; what is not done by the axle has one side",
    (
        ("seq", "BIGINT", "the replacement"),
        *AT[:2],
        ("axle", "VARCHAR", "the axle it was done at, empty for what is not done by the axle"),
        ("side", "VARCHAR", "the side, or the position"),
        ("standing", "BIGINT", "smallest for what speaks for a visit to both sides"),
        ("visit", "VARCHAR", "the day, and which of that day's at this side it is"),
        ("turn", "BIGINT", "which of all at this side it is, from 1"),
    ),
    """
    WITH sided AS (
      SELECT f.seq, f.vehicle_id, f.component, f.axle, coalesce(x.place, f.side) AS side, f.day,
             f.occurred_at,
             CASE WHEN f.failed THEN f.seq ELSE f.seq + 1000000000000 END AS standing,
             f.odometer_km
      FROM base.fitted AS f
      LEFT JOIN base.axle_sides AS x ON f.axle IS NOT NULL AND x.said = f.side AND x.side
      WHERE NOT f.twice
    ), once AS (
      -- An axle and one of its sides, written down together: one piece of work at that side.
      SELECT *, row_number() OVER (PARTITION BY vehicle_id, component, side, day, odometer_km
                                   ORDER BY standing) AS again
      FROM sided
    )
    SELECT seq, vehicle_id, component, axle, side, standing,
           concat(day, '/', row_number() OVER (PARTITION BY vehicle_id, component, side, day
                                               ORDER BY occurred_at, seq)) AS visit,
           row_number() OVER (PARTITION BY vehicle_id, component, side
                              ORDER BY occurred_at, seq) AS turn
    FROM once WHERE again = 1""",
    needs=("base.fitted", "base.axle_sides"),
    kept=True,
)

NEVER_REPLACED = ViewSpec(
    "base.never_replaced",
    "places at which a vehicle never had a part replaced, though others of its class had",
    (
        *AT[:2],
        ("axle", "VARCHAR", "the axle, empty for what is not done by the axle"),
        ("side", "VARCHAR", "the side, or the position"),
    ),
    f"""
    WITH places AS (
      SELECT DISTINCT v.vehicle_class, t.component, t.axle, coalesce(x.place, t.side) AS side
      FROM base.turns AS t JOIN main.vehicles AS v ON v.vehicle_id = t.vehicle_id
      LEFT JOIN base.axle_sides AS x ON x.said = t.axle AND x.side
      WHERE v.vehicle_class <> 'unclassed'
    ), placed AS (
      SELECT DISTINCT vehicle_class, component FROM places WHERE side <> ''
    )
    SELECT v.vehicle_id, p.component, p.axle, p.side
    FROM main.vehicles AS v
    JOIN places AS p ON p.vehicle_class = v.vehicle_class
    LEFT JOIN placed AS q ON q.vehicle_class = p.vehicle_class AND q.component = p.component
    LEFT JOIN base.turns AS t
      ON t.vehicle_id = v.vehicle_id AND t.component = p.component AND t.side = p.side
    WHERE t.seq IS NULL AND (p.side <> '' OR q.component IS NULL)
      AND NOT {absent_sql("v.vehicle_id", "p.component", "coalesce(p.axle, p.side)")}""",
    needs=("base.turns", "base.axle_sides", "main.vehicles", "main.absent_parts"),
    kept=True,
)

STAYS = ViewSpec(
    "base.stays",
    "every stay of a part; both sides of an axle are one where they began and ended at one visit",
    (
        ("stay", "BIGINT", "number of the stay"),
        *AT,
        ("start_seq", "BIGINT", "replacement that fitted it, empty when fitted before enrolment"),
        ("end_seq", "BIGINT", "replacement that ended it, empty while it is fitted"),
    ),
    """
    WITH sided AS (
      SELECT a.vehicle_id, a.component, a.axle, a.side, a.visit AS began, b.visit AS ended,
             a.seq AS start_seq, a.standing AS start_standing,
             b.seq AS end_seq, b.standing AS end_standing
      FROM base.turns AS a LEFT JOIN base.turns AS b
        ON b.vehicle_id = a.vehicle_id AND b.component = a.component AND b.side = a.side
       AND b.turn = a.turn + 1
      UNION ALL
      SELECT vehicle_id, component, axle, side, NULL, visit, NULL, NULL, seq, standing
      FROM base.turns WHERE turn = 1
      UNION ALL
      SELECT n.vehicle_id, n.component, n.axle, n.side, NULL, NULL, NULL, NULL, NULL, NULL
      FROM base.never_replaced AS n JOIN main.vehicles AS v ON v.vehicle_id = n.vehicle_id
      WHERE v.parts = 'original'
    ), stays AS (
      SELECT vehicle_id, component,
             CASE WHEN count(*) = 2 THEN max(axle) ELSE max(side) END AS place,
             min_by(start_seq, start_standing) AS start_seq,
             min_by(end_seq, end_standing) AS end_seq
      FROM sided GROUP BY vehicle_id, component, coalesce(axle, side), began, ended
    )
    SELECT row_number() OVER (ORDER BY vehicle_id, component, place,
                              coalesce(start_seq, 0), coalesce(end_seq, 0)) AS stay,
           vehicle_id, component, place, start_seq, end_seq
    FROM stays""",
    needs=("base.turns", "base.never_replaced", "main.vehicles"),
    kept=True,
)

CAME_BACK = ViewSpec(
    "base.came_back",
    "stays that ended with a comeback, and what it came back on",
    (
        ("stay", "BIGINT", "number of the stay"),
        ("of_event", "VARCHAR", "the job it came back on"),
        ("named", "BOOLEAN", "that job was named"),
        ("cause", "VARCHAR", "part, workmanship, customer_part or unknown"),
        ("because", "VARCHAR", "named, window, warranty; or unplaced, where nobody can tell"),
        ("own", "BOOLEAN", "the part that came back was fitted by that job or since"),
        ("other_work", "BOOLEAN", "that job was of another component, and the part older"),
    ),
    f"""
    WITH ended AS (
      SELECT s.stay, s.component, b.failed, b.reason, b.comeback_of, b.comeback_cause,
             a.event_id AS fitting, b.day - a.day AS days, b.true_km - a.true_km AS km,
             j.event_id AS named_event, a.occurred_at >= j.occurred_at AS fitted_since,
             j.component AS named_component,
             s.place = '' AND {many_places_sql("s.component")} AS unplaced,
             b.paid = 0 AND a.paid > 0
               AND (a.warranty_months IS NOT NULL OR a.warranty_km IS NOT NULL)
               AND (a.warranty_months IS NULL
                    OR b.occurred_on <= a.occurred_on + a.warranty_months * INTERVAL 1 MONTH)
               AND (a.warranty_km IS NULL OR b.true_km - a.true_km <= a.warranty_km + 0.001)
               AS free
      FROM base.stays AS s JOIN base.fitted AS b ON b.seq = s.end_seq
      LEFT JOIN base.fitted AS a ON a.seq = s.start_seq
      LEFT JOIN base.jobs AS j ON j.event_id = b.comeback_of AND j.vehicle_id = s.vehicle_id
    ), told AS (
      SELECT e.*,
             CASE WHEN comeback_of IS NOT NULL AND (named_event IS NULL OR fitted_since)
                  THEN 'named'
                  WHEN failed AND days <= w.comeback_days
                   AND (km IS NULL OR km <= w.comeback_km)
                  THEN CASE WHEN unplaced THEN 'unplaced' ELSE 'window' END
                  WHEN failed AND reason = 'failed' AND free AND NOT unplaced THEN 'warranty' END
               AS own_because
      FROM ended AS e CROSS JOIN base.settings AS w
    )
    SELECT stay, coalesce(named_event, comeback_of, fitting) AS of_event,
           comeback_of IS NOT NULL AS named, coalesce(comeback_cause, 'unknown') AS cause,
           CASE WHEN comeback_of IS NOT NULL THEN 'named' ELSE own_because END AS because,
           own_because IS NOT NULL AS own,
           own_because IS NULL AND named_component IS DISTINCT FROM component AS other_work
    FROM told WHERE own_because IS NOT NULL OR comeback_of IS NOT NULL""",
    needs=("base.stays", "base.fitted", "base.jobs", "base.settings"),
    kept=True,
)

JOBS = ViewSpec(
    "base.jobs",
    "work that something can come back on",
    (
        ("event_id", "VARCHAR", "the job"),
        *AT[:2],
        ("occurred_at", "TIMESTAMP", "when"),
        ("day", "INTEGER", "the day, counted from 1970-01-01"),
        ("true_km", "DOUBLE", "true distance then"),
        ("kind", "VARCHAR", "replacement, repair or maintenance"),
        ("recorded_by", "VARCHAR", "who wrote it down"),
    ),
    """
    SELECT w.event_id, w.vehicle_id, w.component, w.occurred_at, e.day, w.true_km, e.kind,
           e.recorded_by
    FROM (SELECT seq, event_id, vehicle_id, component, occurred_at, true_km FROM main.replacements
          UNION ALL
          SELECT seq, event_id, vehicle_id, component, occurred_at, true_km FROM main.repairs
          UNION ALL
          SELECT seq, event_id, vehicle_id, component, occurred_at, true_km
          FROM main.maintenance_done) AS w
    JOIN base.known AS e ON e.seq = w.seq""",
    needs=("main.replacements", "main.repairs", "main.maintenance_done", "base.known"),
)

STAY_VIEWS = (FITTED, AXLE_SIDES, TURNS, NEVER_REPLACED, STAYS, JOBS, CAME_BACK)
