"""The day of a shop: what stands in it, what waits for an answer, what is approved and not done.

The lists are views, so that the screen, the page and the analyst read the same rows. What came
first on a day is told by the order in which it was written down: of most entries only the day is
known.
"""

from collections.abc import Iterator

from roadworn.columns.spec import COMMON, ViewSpec, columns_of, common_of
from roadworn.columns.tables import ESTIMATE_LINES, REPLACEMENTS, VISITS
from roadworn.columns.views_open_work import AUTHORISATIONS
from roadworn.columns.views_vehicles import CARRIED
from roadworn.model.catalogue import catalogue, place_sql
from roadworn.model.places import meets_sql

#: Kinds that are written down standing at the vehicle, so that one of today says it is here.
_AT_THE_VEHICLE = (
    "('enrolment', 'inspection', 'scan', 'complaint', 'replacement', 'repair', 'maintenance', "
    "'estimate', 'odometer_exchange')"
)
#: So many days after work it is still asked whether the codes were read again. Common practice,
#: no source.
_ASKED_FOR = 30


def _work() -> Iterator[str]:
    """Yield a SELECT of the work in each table that holds some, alike in columns."""
    for table, kind, how in (
        ("replacements", "replacement", "reason"),
        ("repairs", "repair", "correction"),
        ("maintenance_done", "maintenance", "action"),
    ):
        yield (
            f"SELECT {common_of('t')}, '{kind}' AS kind, component, position, {how} AS how, "
            f"total_cost, currency, work_order, note, coalesce(w.said, position) AS done_at "
            f"FROM main.{table} AS t LEFT JOIN base.wheel_places AS w "
            f"ON w.seq = t.seq AND w.place = t.position AND t.component IN {CARRIED}"
        )


WORK_DONE = ViewSpec(
    "main.work_done",
    "one row for each piece of work: parts replaced, repairs, services",
    (
        *COMMON,
        ("kind", "VARCHAR", "replacement, repair or maintenance"),
        *columns_of(REPLACEMENTS, "component", "position"),
        ("how", "VARCHAR", "why it was replaced, what was done, or the action of a service"),
        *columns_of(REPLACEMENTS, "total_cost", "currency", "work_order", "note"),
        ("done_at", "VARCHAR", "the position on that day; a wheel may sit elsewhere since"),
    ),
    " UNION ALL ".join(_work()),
    needs=(
        *("main.replacements", "main.repairs", "main.maintenance_done"),
        "base.wheel_places",
    ),
)

# What was only looked at is not done.
_DONE = f"""
    SELECT vehicle_id, component, {place_sql("component", "position")} AS place, occurred_on, seq
    FROM main.work_done WHERE kind <> 'maintenance' OR how <> 'inspected'"""
_SINCE = f"""
      SELECT 1 FROM done AS d
      WHERE d.vehicle_id = l.vehicle_id AND d.component = l.component
        AND {meets_sql("d.place", "l.place")}
        AND (d.occurred_on > l.estimated_on
             OR (d.occurred_on = l.estimated_on AND d.seq > l.estimate_seq))"""
_HERE = "vehicle_id IN (SELECT vehicle_id FROM main.vehicles WHERE retired_on IS NULL)"

WAITING_LINES = ViewSpec(
    "main.waiting_lines",
    "estimate lines that nobody has answered, not offered anew and not done since",
    (
        *COMMON,
        *columns_of(ESTIMATE_LINES, "line", "component", "position", "work", "amount", "currency"),
        *columns_of(ESTIMATE_LINES, "safety", "valid_until"),
        ("lapsed", "BOOLEAN", "the last day that the estimate holds is past"),
    ),
    f"""
    WITH done AS ({_DONE}
    ), lines AS (
      SELECT t.*, t.occurred_on AS estimated_on, t.seq AS estimate_seq,
             {place_sql("t.component", "t.position")} AS place,
             rank() OVER (PARTITION BY vehicle_id, component,
                                       {place_sql("t.component", "t.position")}
                          ORDER BY occurred_on DESC, seq DESC) AS back
      FROM main.estimate_lines AS t
    )
    SELECT {common_of("l")}, l.line, l.component, l.position, l.work, l.amount, l.currency,
           l.safety, l.valid_until, coalesce(l.valid_until < s.today, FALSE) AS lapsed
    FROM lines AS l CROSS JOIN base.settings AS s
    WHERE l.back = 1 AND l.{_HERE} AND l.as_in IS NULL
      AND l.event_id NOT IN (SELECT revises FROM main.estimate_lines WHERE revises IS NOT NULL)
      AND (l.event_id, l.line) NOT IN (SELECT (estimate, line) FROM main.authorisations)
      AND NOT EXISTS ({_SINCE})""",
    needs=("main.estimate_lines", "main.authorisations", "main.work_done", "main.vehicles"),
    kept=True,
)

_LINKED = " UNION ALL ".join(
    f"SELECT vehicle_id, component, {place_sql('component', 'position')} AS place, occurred_at, "
    f"occurred_on, seq, event_id, estimate, estimate_line, tests, {looked} AS looked "
    f"FROM main.{table}"
    for table, looked in (
        ("replacements", "FALSE"),
        ("repairs", "FALSE"),
        ("maintenance_done", "action = 'inspected'"),
    )
)
_LINE = "a.estimate, a.line, a.component, a.position, a.work, a.amount, a.currency, a.safety"
_LINE_PLACE = place_sql("l.component", "l.position")

APPROVED_LINES = ViewSpec(
    "main.approved_lines",
    "estimate lines whose last answer is approved, with the day they were done; work for the same "
    "place after the estimate counts where it names none",
    (
        *COMMON,
        *columns_of(AUTHORISATIONS, "estimate", "line", "component", "position", "work", "amount"),
        *columns_of(AUTHORISATIONS, "currency", "safety", "estimated_on"),
        ("done_on", "DATE", "first day that work for the line was done; empty while it is open"),
        ("done_by_event", "VARCHAR", "event_id of that work"),
    ),
    f"""
    WITH work AS ({_LINKED}
    ), approved AS (
      SELECT {common_of("a")}, {_LINE}, a.estimated_on, e.seq AS estimate_seq,
             a.estimate AS as_in, a.line AS as_line
      FROM main.authorisations AS a JOIN main.estimates AS e ON e.event_id = a.estimate
      WHERE a.latest AND a.decision = 'approved' AND a.component IS NOT NULL
      UNION ALL
      -- A line of a revision that repeats an answered one; an answer of its own goes before it.
      SELECT {common_of("a")}, n.event_id AS estimate, n.line, n.component, n.position, n.work,
             n.amount, n.currency, n.safety, n.occurred_on AS estimated_on, n.seq AS estimate_seq,
             n.as_in, n.as_line
      FROM main.estimate_lines AS n
      JOIN main.authorisations AS a ON a.estimate = n.as_in AND a.line = n.as_line
        AND a.latest AND a.decision = 'approved'
      WHERE (n.event_id, n.line) NOT IN (SELECT (estimate, line) FROM main.authorisations)
    ), done AS (
      SELECT l.estimate, l.line, min(w.occurred_on) AS done_on,
             min_by(w.event_id, w.occurred_at) AS done_by_event
      FROM approved AS l JOIN work AS w ON w.vehicle_id = l.vehicle_id
       AND ((w.estimate = l.estimate AND w.estimate_line = l.line)
         OR (w.estimate = l.as_in AND w.estimate_line = l.as_line)
         OR (w.estimate IS NULL AND NOT w.looked AND w.component = l.component
             AND {meets_sql("w.place", _LINE_PLACE)}
             AND (w.occurred_on > l.estimated_on
                  OR (w.occurred_on = l.estimated_on AND w.seq > l.estimate_seq))))
      GROUP BY l.estimate, l.line
    )
    SELECT {common_of("a")}, {_LINE}, a.estimated_on, d.done_on, d.done_by_event
    FROM approved AS a LEFT JOIN done AS d ON d.estimate = a.estimate AND d.line = a.line
    -- Where a revision took its place, what of the former was not done is asked for there.
    WHERE d.done_on IS NOT NULL OR a.estimate NOT IN (
      SELECT revises FROM main.estimate_lines WHERE revises IS NOT NULL)""",
    needs=(
        *("main.authorisations", "main.estimate_lines", "main.replacements", "main.repairs"),
        *("main.maintenance_done", "main.estimates"),
    ),
    kept=True,
)

OPEN_TESTS = ViewSpec(
    "main.open_tests",
    "tests that work asked for, or that failed, and that nobody has passed since, by vehicle and "
    "test, as asked for last",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("test", "VARCHAR", "which test, as `work_tests` names it"),
        ("asked_on", "DATE", "day of the latest work that asks for it, or of the test that failed"),
        ("component", "VARCHAR", "component of that work, system.part; empty of a test"),
        ("event_id", "VARCHAR", "that work, or that test"),
        ("failed_on", "DATE", "day it was made since and failed; empty where it was not made"),
    ),
    f"""
    WITH asked AS (
      -- Of one day the order of writing counts; putting an entry right is no later work.
      SELECT vehicle_id, unnest(string_to_array(tests, '; ')) AS test, occurred_on AS asked_on,
             CASE WHEN seq IN (SELECT seq FROM raw.corrections) THEN 0 ELSE seq END
               AS nth, component, event_id
      FROM ({_LINKED}) AS work WHERE tests <> ''
      UNION ALL
      SELECT vehicle_id, test, occurred_on, seq, NULL, event_id
      FROM main.work_tests WHERE result = 'failed'
    ), last AS (
      SELECT vehicle_id, test, max((asked_on, nth, event_id)) AS latest
      FROM asked GROUP BY vehicle_id, test
    ), open AS (
      SELECT a.vehicle_id, a.test, a.asked_on, a.component, a.event_id,
             max_by(t.result, (t.occurred_on, t.seq)) AS result, max(t.occurred_on) AS made_on
      FROM asked AS a
      JOIN last AS l ON l.vehicle_id = a.vehicle_id AND l.test = a.test
        AND l.latest = (a.asked_on, a.nth, a.event_id)
      LEFT JOIN main.work_tests AS t ON t.vehicle_id = a.vehicle_id AND t.test = a.test
        AND (t.occurred_on, t.seq) >= (a.asked_on, a.nth)
      GROUP BY a.vehicle_id, a.test, a.asked_on, a.component, a.event_id
    )
    SELECT vehicle_id, test, asked_on, component, event_id, made_on AS failed_on
    FROM open WHERE result IS NULL OR result <> 'passed'""",
    needs=("main.replacements", "main.repairs", "main.maintenance_done", "main.work_tests"),
    kept=True,
)

APPROVED_WORK = ViewSpec(
    "main.approved_work",
    "estimate lines that were approved and have not been done since",
    (
        *COMMON,
        *columns_of(AUTHORISATIONS, "estimate", "line", "component", "position", "work", "amount"),
        *columns_of(AUTHORISATIONS, "currency", "safety", "estimated_on"),
    ),
    f"""
    SELECT {common_of("l")}, l.estimate, l.line, l.component, l.position, l.work, l.amount,
           l.currency, l.safety, l.estimated_on
    FROM main.approved_lines AS l JOIN main.estimates AS e ON e.event_id = l.estimate
    WHERE l.done_on IS NULL AND l.{_HERE}
      -- Of several estimates for one place the answers to the latest hold.
      AND NOT EXISTS (
        SELECT 1 FROM main.authorisations AS a JOIN main.estimates AS n ON n.event_id = a.estimate
        WHERE a.vehicle_id = l.vehicle_id AND a.component = l.component
          AND {place_sql("a.component", "a.position")} = {place_sql("l.component", "l.position")}
          AND (a.estimated_on > l.estimated_on
               OR (a.estimated_on = l.estimated_on AND n.seq > e.seq)))""",
    needs=("main.approved_lines", "main.authorisations", "main.estimates", "main.vehicles"),
    kept=True,
)

IN_SHOP = ViewSpec(
    "main.in_shop",
    "vehicles in the shop: came in and not handed over, or with an entry of the day since then",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("since", "DATE", "day it came in; the day of the view where nobody wrote that down"),
        ("arrived", "BOOLEAN", "it was written down that it came in"),
        *columns_of(VISITS, "promised", "promised_time"),
        ("entries", "BIGINT", "entries of the day at the vehicle"),
        ("event_id", "VARCHAR", "the visit that says so; else the first entry of the day"),
    ),
    f"""
    WITH visits AS (
      SELECT v.*, row_number() OVER (PARTITION BY vehicle_id
                                     ORDER BY occurred_on DESC, seq DESC) AS back
      FROM main.visits AS v
    ), last_visit AS (SELECT * FROM visits WHERE back = 1
    ), entries AS (
      SELECT e.vehicle_id, count(*) AS entries, min_by(e.event_id, e.seq) AS event_id
      FROM main.effective_events AS e CROSS JOIN base.settings AS s
      LEFT JOIN last_visit AS v ON v.vehicle_id = e.vehicle_id
      WHERE e.occurred_on = s.today AND e.kind IN {_AT_THE_VEHICLE}
        AND (v.step IS DISTINCT FROM 'handed_over' OR e.occurred_on > v.occurred_on
             OR e.seq > v.seq)
      GROUP BY e.vehicle_id
    )
    SELECT h.vehicle_id, CASE WHEN v.step = 'arrived' THEN v.occurred_on ELSE s.today END AS since,
           coalesce(v.step = 'arrived', FALSE) AS arrived,
           CASE WHEN v.step = 'arrived' THEN v.promised END AS promised,
           CASE WHEN v.step = 'arrived' THEN v.promised_time END AS promised_time,
           coalesce(e.entries, 0) AS entries,
           CASE WHEN v.step = 'arrived' THEN v.event_id ELSE e.event_id END AS event_id
    FROM main.vehicles AS h CROSS JOIN base.settings AS s
    LEFT JOIN last_visit AS v ON v.vehicle_id = h.vehicle_id
    LEFT JOIN entries AS e ON e.vehicle_id = h.vehicle_id
    WHERE h.retired_on IS NULL AND (v.step = 'arrived' OR e.entries > 0)""",
    needs=("main.visits", "main.effective_events", "main.vehicles"),
)

#: Systems whose work no powertrain code (P, SAE J2012) tells of.
_NO_POWERTRAIN = "'wheel', 'brake', 'body', 'suspension', 'steering', 'restraint'"
_CRITICAL = ", ".join(f"'{part.id}'" for part in catalogue() if part.safety_critical)

UNTRIED_WORK = ViewSpec(
    "main.untried_work",
    "work that nothing on record has tried since: codes not read again, a safety item of a vehicle "
    "in the shop not looked at and no test passed",
    (
        *COMMON,
        *columns_of(REPLACEMENTS, "component", "position"),
        ("wants", "VARCHAR", "scan or look_over"),
    ),
    f"""
    WITH codes AS (
      SELECT vehicle_id, max((occurred_on, seq)) AS scanned, bool_and(code LIKE 'P%') AS powertrain
      FROM main.active_codes GROUP BY vehicle_id
    ), looks AS (
      SELECT vehicle_id, component, max((occurred_on, seq)) AS looked FROM (
        SELECT vehicle_id, component, occurred_on, seq FROM main.findings
        WHERE condition <> 'not_checked'
      ) AS f GROUP BY vehicle_id, component
    ), all_sound AS (
      SELECT vehicle_id, max((occurred_on, seq)) AS looked FROM main.inspections
      WHERE rest = 'sound' GROUP BY vehicle_id
    ), work AS (
      SELECT w.*, (w.occurred_on, w.seq) AS at, s.today
      FROM main.work_done AS w CROSS JOIN base.settings AS s
      WHERE w.kind <> 'maintenance' AND w.occurred_on >= s.today - {_ASKED_FOR}
        AND w.occurred_on <= s.today AND w.{_HERE}
    ), latest AS (
      SELECT w.*, row_number() OVER (PARTITION BY w.vehicle_id
                                     ORDER BY w.occurred_on DESC, w.seq DESC) AS back
      FROM work AS w JOIN codes AS c ON c.vehicle_id = w.vehicle_id
      -- A plugged tire proves nothing of a code of the powertrain.
      WHERE NOT (c.powertrain AND split_part(w.component, '.', 1) IN ({_NO_POWERTRAIN}))
    )
    SELECT {common_of("w")}, w.component, w.position, 'scan' AS wants
    FROM latest AS w JOIN codes AS c ON c.vehicle_id = w.vehicle_id
    WHERE w.back = 1 AND w.at > c.scanned
    UNION ALL
    SELECT {common_of("w")}, w.component, w.position, 'look_over' AS wants
    FROM work AS w JOIN main.in_shop AS h ON h.vehicle_id = w.vehicle_id
    LEFT JOIN looks AS l ON l.vehicle_id = w.vehicle_id AND l.component = w.component
    LEFT JOIN all_sound AS a ON a.vehicle_id = w.vehicle_id
    WHERE w.component IN ({_CRITICAL}) AND w.occurred_on >= h.since
      AND (l.looked IS NULL OR l.looked < w.at) AND (a.looked IS NULL OR a.looked < w.at)
      -- What asks for a test of its own is told of by that test.
      AND w.event_id NOT IN (SELECT event_id FROM main.open_tests)
      AND NOT EXISTS (
        SELECT 1 FROM main.work_tests AS t
        WHERE t.vehicle_id = w.vehicle_id AND t.result = 'passed'
          AND (t.occurred_on, t.seq) > w.at)""",
    needs=(
        *("main.work_done", "main.active_codes", "main.findings", "main.inspections"),
        *("main.in_shop", "main.vehicles", "main.open_tests", "main.work_tests"),
    ),
    kept=True,
)

TODAY_VIEWS = (
    WORK_DONE,
    WAITING_LINES,
    APPROVED_LINES,
    OPEN_TESTS,
    APPROVED_WORK,
    IN_SHOP,
    UNTRIED_WORK,
)
