"""What is still before the shop: open findings, active codes, declined work, unknown parts."""

from roadworn.columns.spec import COMMON, ViewSpec, columns_of, common_of
from roadworn.columns.tables import DECISIONS, ESTIMATE_LINES
from roadworn.columns.tables_looks import CODES, FINDINGS, SCANS
from roadworn.columns.views_sound import FOUND_SOUND, LOOKED_AT, ended_sql
from roadworn.columns.views_vehicles import COMMON_SQL
from roadworn.model.catalogue import place_sql
from roadworn.model.places import meets_sql

_PLACE = place_sql("component", "position")


#: Asked by all that is open, so it is made once.
_DONE = ViewSpec(
    "base.done",
    "all work, by place: a look at a part is none",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("component", "VARCHAR", "component, system.part"),
        ("place", "VARCHAR", "where, as one job has it; empty if not given"),
        ("occurred_at", "TIMESTAMP", "when it was done"),
    ),
    f"SELECT vehicle_id, component, {_PLACE} AS place, occurred_at FROM ("
    + " UNION ALL ".join(
        f"SELECT vehicle_id, component, position, occurred_at FROM main.{table}"
        for table in ("replacements", "repairs", "maintenance_done WHERE action <> 'inspected'")
    )
    + ") AS work",
    needs=("main.replacements", "main.repairs", "main.maintenance_done"),
    kept=True,
)


OPEN_FINDINGS = ViewSpec(
    "main.open_findings",
    "the latest finding at each place that is wearing or failed and has not been seen to since",
    (
        *COMMON,
        *columns_of(FINDINGS, "component", "position"),
        ("condition", "VARCHAR", "wearing or failed"),
        *columns_of(FINDINGS, "safety", "note"),
        ("first_seen_on", "DATE", "first day of this condition or worse without work in between"),
        ("times_seen", "BIGINT", "look-overs that have found it so since then"),
    ),
    f"""
    WITH work AS (
      SELECT vehicle_id, component, place, max(occurred_at) AS done_at
      FROM base.done GROUP BY vehicle_id, component, place
    ), answered AS (
      SELECT p.vehicle_id, p.component, p.place, max(w.done_at) AS done_at
      FROM (SELECT DISTINCT vehicle_id, component, place FROM base.looked_at) AS p
      JOIN work AS w ON w.vehicle_id = p.vehicle_id AND w.component = p.component
        AND {meets_sql("w.place", "p.place")}
      GROUP BY p.vehicle_id, p.component, p.place
    ), seen_to AS (
      SELECT l.*, a.done_at FROM base.looked_at AS l LEFT JOIN answered AS a
        ON a.vehicle_id = l.vehicle_id AND a.component = l.component AND a.place = l.place
    ), open AS (
      SELECT * FROM seen_to
      WHERE done_at IS NULL OR (done_at <= occurred_at
            AND (CAST(done_at AS DATE) < occurred_on OR condition = 'sound'))
    ), ranked AS (
      SELECT o.*, row_number() OVER latest AS back, first_value(condition) OVER latest AS now
      FROM open AS o
      WINDOW latest AS (PARTITION BY vehicle_id, component, place
                        ORDER BY occurred_at DESC, seq DESC,
                                 CASE condition WHEN 'failed' THEN 0 WHEN 'wearing' THEN 1
                                 ELSE 2 END)
    ), held AS (
      -- What was only wearing then had not failed yet.
      SELECT r.*, condition = 'sound' OR (now = 'failed' AND condition <> 'failed') AS milder
      FROM ranked AS r
    ), since AS (
      SELECT h.*, max(CASE WHEN milder THEN occurred_at END)
                    OVER (PARTITION BY vehicle_id, component, place) AS last_milder
      FROM held AS h
    ), told AS (
      SELECT vehicle_id, component, place, min(occurred_on) AS first_seen_on,
             count(DISTINCT event_id) AS times_seen
      FROM since
      WHERE NOT milder AND (last_milder IS NULL OR occurred_at > last_milder)
      GROUP BY vehicle_id, component, place
    )
    SELECT {common_of("r")},
           r.component, r.position, r.condition,
           r.safety AND coalesce(r.position, '') <> 'spare' AS safety, r.note,
           coalesce(t.first_seen_on, r.occurred_on) AS first_seen_on,
           coalesce(t.times_seen, 1) AS times_seen
    FROM ranked AS r
    LEFT JOIN told AS t ON t.vehicle_id = r.vehicle_id AND t.component = r.component
      AND t.place = r.place
    WHERE r.back = 1 AND r.condition IN ('wearing', 'failed')""",
    needs=("base.looked_at", "base.done"),
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
    WHERE r.total_cost > 0 AND r.part_source IS DISTINCT FROM 'customer'
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

STATE_VIEWS = (
    _DONE,
    LOOKED_AT,
    FOUND_SOUND,
    OPEN_FINDINGS,
    ACTIVE_CODES,
    PART_PRICES,
    AUTHORISATIONS,
)


_LINE_PLACE = place_sql("a.component", "a.position")

DECLINED_WORK = ViewSpec(
    "main.declined_work",
    "estimate lines that were declined or deferred, not done since and not found sound since; of a "
    "part that is bad again they stand",
    (
        *COMMON,
        *columns_of(AUTHORISATIONS, "estimate", "line"),
        ("decision", "VARCHAR", "declined or deferred"),
        *columns_of(AUTHORISATIONS, "component", "position", "work"),
        ("amount", "DECIMAL(18,4)", "price of the line then"),
        *columns_of(AUTHORISATIONS, "currency", "safety", "estimated_on"),
    ),
    f"""
    WITH latest AS (
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
        SELECT 1 FROM base.done AS d
        WHERE d.vehicle_id = l.vehicle_id AND d.component = l.component
          AND {meets_sql("d.place", "l.place")}
          AND d.occurred_at >= l.occurred_at)
      AND NOT {ended_sql("l")}""",
    needs=("main.authorisations", "base.done", "main.found_sound", "main.open_findings"),
    kept=True,
)

#: Answers to the same line, or estimates for the same place, so many days apart are one offer.
_ONE_OFFER = 14
_L_PLACE, _F_PLACE = place_sql("l.component", "l.position"), place_sql("f.component", "f.position")

OFFERS = ViewSpec(
    "main.offers",
    "work that was offered and has not been done since, by vehicle, component and place: "
    "how often, when, and what was answered",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("component", "VARCHAR", "component of the lines, system.part"),
        ("position", "VARCHAR", "where, as the latest line says; empty if not given"),
        (
            "times",
            "BIGINT",
            f"how often it was offered; estimates and answers within {_ONE_OFFER} days are once",
        ),
        ("first_on", "DATE", "day of the first offer"),
        ("last_on", "DATE", "day of the latest answer, or of the offer that has none"),
        (
            "answers",
            "VARCHAR",
            "answer to each offer: declined, deferred, approved or none; semicolons between",
        ),
        ("last_answer", "VARCHAR", "declined, deferred, approved or none"),
        ("amount", "DECIMAL(18,4)", "price of the latest line then"),
        *columns_of(ESTIMATE_LINES, "safety"),
        ("currency", "VARCHAR", "its currency, ISO 4217"),
        ("condition", "VARCHAR", "wearing or failed by the open finding there, if there is one"),
        ("first_found_on", "DATE", "first day of that condition or worse"),
        ("last_found_on", "DATE", "latest day it was found so"),
        (
            "event_ids",
            "VARCHAR",
            "ids of the estimates and answers, in the order of time; semicolons between",
        ),
    ),
    f"""
    WITH answered AS (
      SELECT l.*, {_L_PLACE} AS place,
             lead(occurred_on) OVER (PARTITION BY estimate, line ORDER BY occurred_at, seq)
               AS next_on
      FROM main.authorisations AS l WHERE component IS NOT NULL
    ), lines AS (
      SELECT vehicle_id, component, position, place, decision, occurred_at, occurred_on, seq, line,
             CASE WHEN row_number() OVER (PARTITION BY estimate, line
                                          ORDER BY occurred_at, seq) = 1
                  THEN least(estimated_on, occurred_on) ELSE occurred_on END AS offered_on,
             amount, currency, safety, estimate, event_id
      FROM answered WHERE next_on IS NULL OR next_on > occurred_on + {_ONE_OFFER}
      UNION ALL
      SELECT vehicle_id, component, position, {_L_PLACE}, 'none', occurred_at, occurred_on, seq,
             line, occurred_on, amount, currency, safety, event_id, event_id
      FROM main.estimate_lines AS l
      -- What was revised, or stands as it was answered before, is no offer of its own.
      WHERE component IS NOT NULL AND as_in IS NULL
        AND event_id NOT IN (SELECT revises FROM main.estimate_lines WHERE revises IS NOT NULL)
        AND (event_id, line) NOT IN (SELECT (estimate, line) FROM main.authorisations)
    ), undone AS (
      -- Of several lines for one place on a day the first stands.
      SELECT l.*, row_number() OVER (PARTITION BY vehicle_id, component, place, offered_on
                                     ORDER BY CASE decision WHEN 'none' THEN 1 ELSE 0 END,
                                              occurred_at DESC, seq DESC, line) AS nth
      FROM lines AS l
      WHERE NOT EXISTS (
        SELECT 1 FROM base.done AS d
        WHERE d.vehicle_id = l.vehicle_id AND d.component = l.component
          AND {meets_sql("d.place", "l.place")}
          AND d.occurred_at >= l.occurred_at)
        AND NOT {ended_sql("l")}
    ), days AS (
      SELECT u.*, lead(offered_on) OVER (PARTITION BY vehicle_id, component, place
                                         ORDER BY offered_on) AS next_offer
      FROM undone AS u WHERE nth = 1
    ), each_once AS (
      -- An estimate without an answer that was soon followed by another was drawn up anew.
      SELECT d.*, row_number() OVER (PARTITION BY vehicle_id, component, place
                                     ORDER BY offered_on DESC) AS back
      FROM days AS d
      WHERE decision <> 'none' OR next_offer IS NULL OR next_offer > offered_on + {_ONE_OFFER}
    ), told AS (
      SELECT vehicle_id, component, place,
             max(CASE WHEN back = 1 THEN position END) AS position,
             count(*) AS times, min(offered_on) AS first_on,
             max(CASE WHEN back = 1 THEN occurred_on END) AS last_on,
             string_agg(decision, ';' ORDER BY offered_on) AS answers,
             max(CASE WHEN back = 1 THEN decision END) AS last_answer,
             max(CASE WHEN back = 1 THEN amount END) AS amount,
             max(CASE WHEN safety THEN 1 ELSE 0 END) = 1 AS safety,
             max(CASE WHEN back = 1 THEN currency END) AS currency,
             string_agg(CASE WHEN estimate = event_id THEN event_id
                             ELSE estimate || ';' || event_id END, ';' ORDER BY offered_on)
               AS event_ids
      FROM each_once GROUP BY vehicle_id, component, place
    ), seen AS (
      SELECT o.vehicle_id, o.component, o.place,
             max(CASE f.condition WHEN 'failed' THEN 1 ELSE 0 END) AS failed,
             min(f.first_seen_on) AS first_found_on, max(f.occurred_on) AS last_found_on
      FROM told AS o
      JOIN main.open_findings AS f ON f.vehicle_id = o.vehicle_id AND f.component = o.component
        AND {meets_sql(_F_PLACE, "o.place")}
      GROUP BY o.vehicle_id, o.component, o.place
    )
    SELECT o.*, CASE s.failed WHEN 1 THEN 'failed' WHEN 0 THEN 'wearing' END AS condition,
           s.first_found_on, s.last_found_on
    FROM told AS o LEFT JOIN seen AS s ON s.vehicle_id = o.vehicle_id
      AND s.component = o.component AND s.place = o.place""",
    needs=(
        "main.authorisations",
        "main.estimate_lines",
        "main.open_findings",
        "base.done",
        "main.found_sound",
    ),
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

OPEN_VIEWS = (DECLINED_WORK, OFFERS, UNKNOWN_PARTS)
