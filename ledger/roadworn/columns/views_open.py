"""What is still before the shop: work the customer put off, and fitted parts of unknown age."""

from roadworn.columns.spec import COMMON, ViewSpec
from roadworn.columns.views_state import PLACE

_LINE_PLACE = PLACE.format(component="a.component", position="a.position")
_DONE_PLACE = PLACE.format(component="component", position="position")

DECLINED_WORK = ViewSpec(
    "main.declined_work",
    "estimate lines that were declined or deferred and have not been done since",
    (
        *COMMON,
        ("estimate", "VARCHAR", "event_id of the estimate"),
        ("line", "INTEGER", "number of the line in its estimate"),
        ("decision", "VARCHAR", "declined or deferred"),
        ("component", "VARCHAR", "component of the line, system.part"),
        ("position", "VARCHAR", "where it sits, left and right from the driver's seat"),
        ("work", "VARCHAR", "work proposed"),
        ("amount", "DECIMAL(18,4)", "price of the line then"),
        ("currency", "VARCHAR", "its currency, ISO 4217"),
        ("safety", "BOOLEAN", "about a component whose failure can hurt someone"),
        ("estimated_on", "DATE", "day of the estimate"),
    ),
    f"""
    WITH done AS (
      SELECT vehicle_id, component, {_DONE_PLACE} AS place, occurred_at FROM main.replacements
      UNION ALL
      SELECT vehicle_id, component, {_DONE_PLACE} AS place, occurred_at FROM main.repairs
    ), latest AS (
      SELECT a.*, {_LINE_PLACE} AS place,
             row_number() OVER (PARTITION BY a.vehicle_id, a.component, {_LINE_PLACE}
                                ORDER BY a.occurred_at DESC, a.seq DESC) AS back
      FROM main.authorisations AS a WHERE a.latest AND a.component IS NOT NULL
    )
    SELECT {", ".join(f"l.{name}" for name, _t, _m in COMMON)},
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
    WITH fitted AS (
      SELECT f.*, row_number() OVER (PARTITION BY vehicle_id, component, place
                                     ORDER BY occurred_at DESC, seq DESC) AS back
      FROM base.fitted AS f WHERE NOT twice AND NOT mate
    ), places AS (
      SELECT DISTINCT v.vehicle_class, f.component, f.place
      FROM fitted AS f JOIN main.vehicles AS v ON v.vehicle_id = f.vehicle_id
      WHERE v.vehicle_class <> 'unclassed'
    ), placed AS (
      SELECT vehicle_class, component FROM places WHERE place <> ''
      GROUP BY vehicle_class, component
    ), never AS (
      SELECT v.vehicle_id, v.vehicle_class, p.component, p.place,
             v.last_km - v.enrolment_km AS observed_km, NULL AS event_id
      FROM main.vehicles AS v
      JOIN places AS p ON p.vehicle_class = v.vehicle_class
      LEFT JOIN placed AS q ON q.vehicle_class = p.vehicle_class AND q.component = p.component
      LEFT JOIN fitted AS f
        ON f.vehicle_id = v.vehicle_id AND f.component = p.component AND f.place = p.place
      WHERE v.parts <> 'original' AND v.retired_on IS NULL AND f.seq IS NULL
        AND (p.place <> '' OR q.component IS NULL)
    )
    SELECT vehicle_id, vehicle_class, component, nullif(place, '') AS position,
           greatest(0, observed_km) AS observed_km, event_id FROM never
    UNION ALL
    SELECT f.vehicle_id, v.vehicle_class, f.component, nullif(f.place, '') AS position,
           greatest(0, v.last_km - f.true_km) AS observed_km, f.event_id
    FROM fitted AS f JOIN main.vehicles AS v ON v.vehicle_id = f.vehicle_id
    WHERE f.back = 1 AND f.part_kind = 'used' AND v.retired_on IS NULL""",
    needs=("base.fitted", "main.vehicles"),
    kept=True,
)

OPEN_VIEWS = (DECLINED_WORK, UNKNOWN_PARTS)
