"""What is still before the shop: open findings, active codes, declined work, unknown parts."""

from roadworn.columns.spec import COMMON, ViewSpec, columns_of, common_of
from roadworn.columns.tables import DECISIONS, ESTIMATE_LINES
from roadworn.columns.tables_looks import CODES, FINDINGS, SCANS
from roadworn.columns.views_vehicles import COMMON_SQL
from roadworn.model.catalogue import place_sql

_PLACE = place_sql("component", "position")


def _done(*tables: str) -> str:
    """Return a SELECT of the work in several tables, by place."""
    selected = f"SELECT vehicle_id, component, {_PLACE} AS place, occurred_at FROM main."
    return " UNION ALL ".join(selected + table for table in tables)


OPEN_FINDINGS = ViewSpec(
    "main.open_findings",
    "the latest finding at each place that is wearing or failed and has not been seen to since",
    (
        *COMMON,
        *columns_of(FINDINGS, "component", "position"),
        ("condition", "VARCHAR", "wearing or failed"),
        *columns_of(FINDINGS, "safety", "note"),
        ("first_seen_on", "DATE", "first day of this condition or worse without work in between"),
        ("times_seen", "BIGINT", "look-overs that have found it so"),
    ),
    f"""
    WITH looks AS (
      SELECT f.*, {_PLACE} AS place
      FROM main.findings AS f WHERE condition <> 'not_checked'
    ), work AS (
      SELECT vehicle_id, component, place, max(occurred_at) AS done_at FROM (
        {_done("replacements", "repairs", "maintenance_done WHERE action <> 'inspected'")}
      ) AS done GROUP BY vehicle_id, component, place
    ), anywhere AS (
      SELECT vehicle_id, component, max(done_at) AS done_at FROM work
      GROUP BY vehicle_id, component
    ), seen_to AS (
      SELECT l.*, CASE WHEN l.place = '' THEN a.done_at
                       ELSE greatest(coalesce(w.done_at, n.done_at), coalesce(n.done_at, w.done_at))
                       END AS done_at
      FROM looks AS l
      LEFT JOIN work AS w
        ON w.vehicle_id = l.vehicle_id AND w.component = l.component AND w.place = l.place
      LEFT JOIN work AS n
        ON n.vehicle_id = l.vehicle_id AND n.component = l.component AND n.place = ''
      LEFT JOIN anywhere AS a ON a.vehicle_id = l.vehicle_id AND a.component = l.component
    ), open AS (
      SELECT * FROM seen_to
      WHERE done_at IS NULL OR (done_at <= occurred_at
            AND (CAST(done_at AS DATE) < occurred_on OR condition = 'sound'))
    ), ranked AS (
      SELECT o.*,
             row_number() OVER (PARTITION BY vehicle_id, component, place
                                ORDER BY occurred_at DESC, seq DESC,
                                         CASE condition WHEN 'failed' THEN 0 WHEN 'wearing' THEN 1
                                         ELSE 2 END) AS back,
             max(CASE WHEN condition = 'sound' THEN occurred_at END)
               OVER (PARTITION BY vehicle_id, component, place) AS last_sound
      FROM open AS o
    ), told AS (
      SELECT vehicle_id, component, place, min(occurred_on) AS first_seen_on,
             count(DISTINCT event_id) AS times_seen
      FROM ranked
      WHERE condition <> 'sound' AND (last_sound IS NULL OR occurred_at > last_sound)
      GROUP BY vehicle_id, component, place
    )
    SELECT {common_of("r")},
           r.component, r.position, r.condition, r.safety, r.note,
           coalesce(t.first_seen_on, r.occurred_on) AS first_seen_on,
           coalesce(t.times_seen, 1) AS times_seen
    FROM ranked AS r
    LEFT JOIN told AS t ON t.vehicle_id = r.vehicle_id AND t.component = r.component
      AND t.place = r.place
    WHERE r.back = 1 AND r.condition IN ('wearing', 'failed')""",
    needs=("main.findings", "main.replacements", "main.repairs", "main.maintenance_done"),
    kept=True,
)

ACTIVE_CODES = ViewSpec(
    "main.active_codes",
    "codes given by the latest scan that could read the module",
    (
        *COMMON,
        *columns_of(CODES, "module", "code"),
        ("status", "VARCHAR", "stored, pending or permanent"),
        *columns_of(CODES, "failure_type", "status_byte", "failing_now", "repair_proved", "words"),
        *columns_of(SCANS, "lamp"),
        (
            "first_seen_on",
            "DATE",
            "first day of its present run, which any scan that did read the module but not it ends",
        ),
        ("times_seen", "BIGINT", "scans of the present run, which have all read it"),
        ("first_ever_on", "DATE", "first day the module gave this code on this vehicle"),
    ),
    f"""
    WITH newest AS (
      SELECT vehicle_id, module, max_by(seq, (occurred_at, seq)) AS seq
      FROM main.scans WHERE active_read GROUP BY vehicle_id, module
    ), active AS (
      -- What was active once and is not now (DM2 of SAE J1939-73) ends a run.
      SELECT c.* FROM main.codes AS c JOIN newest AS n ON n.seq = c.seq AND n.module = c.module
      WHERE c.status <> 'previous'
    ), answered AS (
      -- Reads of modules that have a code now; what failed ends nothing, so it is not here.
      SELECT seq, vehicle_id, module, lamp, occurred_on, occurred_at FROM main.scans
      WHERE active_read
        AND (vehicle_id, module) IN (SELECT (vehicle_id, module) FROM active)
    ), given AS (
      SELECT DISTINCT c.vehicle_id, c.module, c.code, c.seq
      FROM main.codes AS c
      WHERE c.status <> 'previous'
        AND (c.vehicle_id, c.module, c.code) IN (SELECT (vehicle_id, module, code) FROM active)
    ), sight AS (
      SELECT k.vehicle_id, k.module, k.code, a.occurred_on, a.occurred_at, a.seq,
             g.seq IS NOT NULL AS seen
      FROM (SELECT DISTINCT vehicle_id, module, code FROM active) AS k
      JOIN answered AS a ON a.vehicle_id = k.vehicle_id AND a.module = k.module
      LEFT JOIN given AS g ON g.seq = a.seq AND g.vehicle_id = k.vehicle_id
                          AND g.module = k.module AND g.code = k.code
    ), missed AS (
      SELECT vehicle_id, module, code, max((occurred_at, seq)) AS place
      FROM sight WHERE NOT seen GROUP BY vehicle_id, module, code
    ), run AS (
      SELECT s.vehicle_id, s.module, s.code,
             min(s.occurred_on) FILTER (WHERE m.place IS NULL OR (s.occurred_at, s.seq) > m.place)
               AS first_seen_on,
             count(*) FILTER (WHERE m.place IS NULL OR (s.occurred_at, s.seq) > m.place)
               AS times_seen,
             min(s.occurred_on) AS first_ever_on
      FROM sight AS s LEFT JOIN missed AS m
        ON m.vehicle_id = s.vehicle_id AND m.module = s.module AND m.code = s.code
      WHERE s.seen GROUP BY s.vehicle_id, s.module, s.code
    )
    SELECT {common_of("c")},
           c.module, c.code, c.status, c.failure_type, c.status_byte, c.failing_now,
           c.repair_proved, c.words, a.lamp, r.first_seen_on,
           CAST(r.times_seen AS BIGINT) AS times_seen, r.first_ever_on
    FROM active AS c
    JOIN answered AS a ON a.seq = c.seq AND a.module = c.module
    JOIN run AS r ON r.vehicle_id = c.vehicle_id AND r.module = c.module AND r.code = c.code""",
    needs=("main.codes", "main.scans"),
    kept=True,
)

PART_PRICES = ViewSpec(
    "main.part_prices",
    "what replacing a component has cost, by class of vehicle and currency",
    (
        ("component", "VARCHAR", "component, system.part"),
        ("vehicle_class", "VARCHAR", "class of the vehicles"),
        ("currency", "VARCHAR", "currency of the amounts, ISO 4217; two are never added"),
        ("jobs", "BIGINT", "replacements with a price"),
        ("total_low", "DOUBLE", "a tenth of them cost no more than this, parts and labour"),
        ("total_median", "DOUBLE", "half of them cost no more than this, parts and labour"),
        ("total_high", "DOUBLE", "nine tenths of them cost no more than this, parts and labour"),
        ("parts_median", "DOUBLE", "median cost of the parts, whole quantity"),
        ("hours_median", "DOUBLE", "median hours of labour"),
        ("last_on", "DATE", "day of the latest one"),
    ),
    """
    SELECT r.component, v.vehicle_class, r.currency, count(*) AS jobs,
           percentile_cont(0.1) WITHIN GROUP (ORDER BY CAST(r.total_cost AS DOUBLE)) AS total_low,
           percentile_cont(0.5) WITHIN GROUP (ORDER BY CAST(r.total_cost AS DOUBLE))
             AS total_median,
           percentile_cont(0.9) WITHIN GROUP (ORDER BY CAST(r.total_cost AS DOUBLE)) AS total_high,
           percentile_cont(0.5) WITHIN GROUP (ORDER BY CAST(r.parts_cost AS DOUBLE))
             AS parts_median,
           percentile_cont(0.5) WITHIN GROUP (ORDER BY r.labour_hours) AS hours_median,
           max(r.occurred_on) AS last_on
    FROM main.replacements AS r JOIN main.vehicles AS v ON v.vehicle_id = r.vehicle_id
    WHERE r.total_cost > 0
    GROUP BY r.component, v.vehicle_class, r.currency""",
    needs=("main.replacements", "main.vehicles"),
    kept=True,
)

AUTHORISATIONS = ViewSpec(
    "main.authorisations",
    "one row for each answer to an estimate line, with the line it answers",
    (
        *COMMON,
        *columns_of(DECISIONS, "estimate", "line", "decision"),
        ("component", "VARCHAR", "component of the line, system.part"),
        *columns_of(ESTIMATE_LINES, "position", "work"),
        ("amount", "DECIMAL(18,4)", "price of the line"),
        ("currency", "VARCHAR", "its currency, ISO 4217"),
        *columns_of(ESTIMATE_LINES, "safety"),
        ("estimated_on", "DATE", "day of the estimate"),
        ("latest", "BOOLEAN", "no later answer to the same line"),
        ("note", "VARCHAR", "note as entered"),
    ),
    f"""
    SELECT {COMMON_SQL}, t.estimate, t.line, t.decision, l.component, l.position, l.work,
           l.amount, l.currency, l.safety, l.occurred_on AS estimated_on,
           row_number() OVER (PARTITION BY t.estimate, t.line
                              ORDER BY e.occurred_at DESC, e.seq DESC) = 1 AS latest, t.note
    FROM raw.decisions AS t JOIN base.distances AS d ON d.seq = t.seq
    JOIN base.known AS e ON e.seq = t.seq
    LEFT JOIN main.estimate_lines AS l ON l.event_id = t.estimate AND l.line = t.line""",
    needs=("base.known", "base.distances", "main.estimate_lines"),
)

STATE_VIEWS = (OPEN_FINDINGS, ACTIVE_CODES, PART_PRICES, AUTHORISATIONS)


_LINE_PLACE = place_sql("a.component", "a.position")

DECLINED_WORK = ViewSpec(
    "main.declined_work",
    "estimate lines that were declined or deferred and have not been done since",
    (
        *COMMON,
        *columns_of(AUTHORISATIONS, "estimate", "line"),
        ("decision", "VARCHAR", "declined or deferred"),
        *columns_of(AUTHORISATIONS, "component", "position", "work"),
        ("amount", "DECIMAL(18,4)", "price of the line then"),
        *columns_of(AUTHORISATIONS, "currency", "safety", "estimated_on"),
    ),
    f"""
    WITH done AS ({_done("replacements", "repairs")}
    ), latest AS (
      SELECT a.*, {_LINE_PLACE} AS place,
             row_number() OVER (PARTITION BY a.vehicle_id, a.component, {_LINE_PLACE}
                                ORDER BY a.occurred_at DESC, a.seq DESC, a.line) AS back
      FROM main.authorisations AS a WHERE a.latest AND a.component IS NOT NULL
    )
    SELECT {common_of("l")},
           l.estimate, l.line, l.decision, l.component, l.position, l.work, l.amount, l.currency,
           l.safety, l.estimated_on
    FROM latest AS l
    WHERE l.back = 1 AND l.decision IN ('declined', 'deferred')
      AND NOT EXISTS (
        SELECT 1 FROM done AS d
        WHERE d.vehicle_id = l.vehicle_id AND d.component = l.component
          AND (d.place = l.place OR d.place = '' OR l.place = '')
          AND d.occurred_at >= l.occurred_at)""",
    needs=("main.authorisations", "main.replacements", "main.repairs"),
    kept=True,
)

UNKNOWN_PARTS = ViewSpec(
    "main.unknown_parts",
    "fitted parts whose age nobody knows: never replaced here, or fitted used",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("vehicle_class", "VARCHAR", "its class"),
        ("component", "VARCHAR", "component that others of the class have had replaced"),
        ("position", "VARCHAR", "where it sits; empty if not given"),
        ("observed_km", "DOUBLE", "distance for which it has been seen running here"),
        ("event_id", "VARCHAR", "the replacement by a used part, empty when never replaced"),
    ),
    """
    WITH never AS (
      SELECT vehicle_id, component,
             CASE WHEN count(*) = 2 THEN max(axle) ELSE max(side) END AS place
      FROM base.never_replaced GROUP BY vehicle_id, component, coalesce(axle, side)
    )
    SELECT v.vehicle_id, v.vehicle_class, n.component, nullif(n.place, '') AS position,
           greatest(0, v.last_km - v.observed_km) AS observed_km, NULL AS event_id
    FROM never AS n JOIN main.vehicles AS v ON v.vehicle_id = n.vehicle_id
    WHERE v.parts <> 'original' AND v.retired_on IS NULL
    UNION ALL
    SELECT s.vehicle_id, v.vehicle_class, s.component, nullif(s.place, '') AS position,
           greatest(0, v.last_km - f.true_km) AS observed_km, f.event_id
    FROM base.stays AS s JOIN base.fitted AS f ON f.seq = s.start_seq
    JOIN main.vehicles AS v ON v.vehicle_id = s.vehicle_id
    WHERE s.end_seq IS NULL AND f.part_kind = 'used' AND v.retired_on IS NULL""",
    needs=("base.fitted", "base.stays", "base.never_replaced", "main.vehicles"),
    kept=True,
)

OPEN_VIEWS = (DECLINED_WORK, UNKNOWN_PARTS)
