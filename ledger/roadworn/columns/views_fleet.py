"""Where a vehicle is based and when it stood still, and the work of a fleet with its depot."""

from roadworn.columns.spec import COMMON, ViewSpec, columns_of, common_of
from roadworn.columns.tables import REPLACEMENTS

DEPOT_SPANS = ViewSpec(
    "main.depot_spans",
    "one row for each time that a vehicle was based at one depot, as its profile said then",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("depot", "VARCHAR", "where it was based"),
        ("from_on", "DATE", "first day of it"),
        ("until_on", "DATE", "day on which another depot took it; empty while it is there"),
        ("event_id", "VARCHAR", "the enrolment or change of profile that says so"),
    ),
    """
    WITH said AS (
      SELECT e.vehicle_id, p.depot, e.occurred_on, e.occurred_at, e.seq, e.event_id,
             lag(p.depot) OVER (PARTITION BY e.vehicle_id ORDER BY e.occurred_at, e.seq) AS before
      FROM raw.profiles AS p JOIN base.known AS e ON e.seq = p.seq
      JOIN base.distances AS d ON d.seq = e.seq WHERE p.depot IS NOT NULL
    )
    SELECT vehicle_id, depot, occurred_on AS from_on,
           lead(occurred_on) OVER (PARTITION BY vehicle_id ORDER BY occurred_at, seq) AS until_on,
           event_id
    FROM said WHERE depot IS DISTINCT FROM before""",
    needs=("base.known", "base.distances"),
    kept=True,
)

# One that was not said to end is ended by the vehicle's return, by its leaving, or by the next
# cause that is said: what waited for parts is under repair then.
STANDSTILLS = ViewSpec(
    "main.standstills",
    "one row for each time that a vehicle was out of service; two of one vehicle may overlap",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("cause", "VARCHAR", "repair, waiting_for_parts, inspection, accident, no_driver or other"),
        ("from_on", "DATE", "first day of it"),
        ("until_on", "DATE", "day it was back or left, which may lie ahead; empty while unknown"),
        ("days", "DOUBLE", "how long it stood, until the day of the view at most"),
        ("open", "BOOLEAN", "nobody said that it is back"),
        ("from_at", "TIMESTAMP", "when it began, UTC; midnight when only the day is known"),
        ("until_at", "TIMESTAMP", "when it ended, the day of the view at most"),
        ("event_id", "VARCHAR", "the event that says so"),
    ),
    """
    WITH marks AS (
      SELECT vehicle_id, occurred_at, seq, event_id, cause,
             coalesce(CAST(until AS TIMESTAMP),
                      occurred_at + days * INTERVAL 1 DAY) AS said_until, FALSE AS back
      FROM main.out_of_service
      UNION ALL
      SELECT vehicle_id, occurred_at, seq, NULL, NULL, NULL, TRUE FROM main.back_in_service
      UNION ALL
      SELECT vehicle_id, occurred_at, seq, NULL, NULL, NULL, TRUE FROM main.retirements
    ), ended AS (
      SELECT *, least(said_until, min(occurred_at) FILTER (
                        WHERE back OR (said_until IS NULL AND ends)) OVER later) AS until_at
      FROM (SELECT *, back OR said_until IS NULL AS ends FROM marks) AS m
      WINDOW later AS (PARTITION BY vehicle_id ORDER BY occurred_at, seq
                       ROWS BETWEEN 1 FOLLOWING AND UNBOUNDED FOLLOWING)
    )
    SELECT vehicle_id, cause, CAST(occurred_at AS DATE) AS from_on,
           CAST(until_at AS DATE) AS until_on,
           greatest(0, epoch(least(coalesce(until_at, s.today), s.today) - occurred_at) / 86400)
             AS days,
           until_at IS NULL AS open, occurred_at AS from_at,
           greatest(occurred_at, least(coalesce(until_at, s.today), s.today)) AS until_at, event_id
    FROM ended CROSS JOIN base.settings AS s WHERE cause IS NOT NULL""",
    needs=("main.out_of_service", "main.back_in_service", "main.retirements"),
    kept=True,
)


def _work(table: str, kind: str) -> str:
    bought = "supplier, maker" if kind == "replacement" else "NULL AS supplier, NULL AS maker"
    return (
        f"SELECT {common_of('t')}, '{kind}' AS kind, component, position, {bought}, done_by, "
        f"depot, total_cost, currency FROM main.{table} AS t"
    )


FLEET_WORK = ViewSpec(
    "main.fleet_work",
    "one row for each piece of work with the depot that did it: as entered, else the vehicle's own",
    (
        *COMMON,
        ("kind", "VARCHAR", "replacement, repair or maintenance"),
        *columns_of(REPLACEMENTS, "component", "position", "supplier", "maker", "done_by"),
        ("depot", "VARCHAR", "where it was done, else where the vehicle was based on that day"),
        *columns_of(REPLACEMENTS, "total_cost", "currency"),
    ),
    f"""
    WITH work AS (
      {_work("replacements", "replacement")} UNION ALL {_work("repairs", "repair")}
      UNION ALL {_work("maintenance_done", "maintenance")}
    )
    SELECT {common_of("w")}, w.kind, w.component, w.position, w.supplier, w.maker, w.done_by,
           coalesce(w.depot, d.depot) AS depot, w.total_cost, w.currency
    FROM work AS w LEFT JOIN main.depot_spans AS d ON d.vehicle_id = w.vehicle_id
     AND w.occurred_on >= d.from_on AND (d.until_on IS NULL OR w.occurred_on < d.until_on)""",
    needs=("main.replacements", "main.repairs", "main.maintenance_done", "main.depot_spans"),
)

FLEET_VIEWS = (DEPOT_SPANS, STANDSTILLS, FLEET_WORK)
