"""Work that was agreed: what was approved and whether it is done, and tests still to be made."""

from roadworn.columns.spec import COMMON, ViewSpec, columns_of, common_of
from roadworn.columns.views_open_work import AUTHORISATIONS
from roadworn.model.catalogue import place_sql

_WORK = " UNION ALL ".join(
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
    WITH work AS ({_WORK}
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
             AND (w.place = {_LINE_PLACE} OR w.place = '' OR {_LINE_PLACE} = '')
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
      SELECT vehicle_id, unnest(string_to_array(tests, '; ')) AS test, occurred_on AS asked_on,
             occurred_at, component, event_id
      FROM ({_WORK}) AS work WHERE tests <> ''
      UNION ALL
      SELECT vehicle_id, test, occurred_on, occurred_at, NULL, event_id
      FROM main.work_tests WHERE result = 'failed'
    ), last AS (
      SELECT vehicle_id, test, max((occurred_at, event_id)) AS latest
      FROM asked GROUP BY vehicle_id, test
    ), open AS (
      SELECT a.vehicle_id, a.test, a.asked_on, a.component, a.event_id,
             max_by(t.result, (t.occurred_at, t.seq)) AS result, max(t.occurred_on) AS made_on
      FROM asked AS a
      JOIN last AS l ON l.vehicle_id = a.vehicle_id AND l.test = a.test
        AND l.latest = (a.occurred_at, a.event_id)
      LEFT JOIN main.work_tests AS t ON t.vehicle_id = a.vehicle_id AND t.test = a.test
        AND t.occurred_on >= a.asked_on
      GROUP BY a.vehicle_id, a.test, a.asked_on, a.component, a.event_id
    )
    SELECT vehicle_id, test, asked_on, component, event_id, made_on AS failed_on
    FROM open WHERE result IS NULL OR result <> 'passed'""",
    needs=("main.replacements", "main.repairs", "main.maintenance_done", "main.work_tests"),
    kept=True,
)

AGREED_VIEWS = (APPROVED_LINES, OPEN_TESTS)
