"""The one rule by which a finding ends without work: a later look that names the part sound.

It ends a finding at that place, and at each place that the look's own covers: of a wheel when it
was said of the axle, everywhere when no place was said. A blanket word about the rest ends none.
What is open, what was put off because of it and what a vehicle leaves with all ask these views.
"""

from roadworn.columns.spec import COMMON, ViewSpec, columns_of, common_of
from roadworn.columns.tables_looks import FINDINGS
from roadworn.model.catalogue import place_sql
from roadworn.model.places import covers_sql, meets_sql

LOOKED_AT = ViewSpec(
    "base.looked_at",
    "each look at a part by place; one that found it sound also at the places that it covers",
    (
        *COMMON,
        *columns_of(FINDINGS, "component", "position", "condition", "safety", "note"),
        ("place", "VARCHAR", "where, as one job has it; empty if not given"),
    ),
    f"""
    WITH looks AS (
      SELECT f.*, {place_sql("component", "position")} AS place
      FROM main.findings AS f WHERE condition <> 'not_checked'
    ), bad AS (
      SELECT vehicle_id, component, place, min(position) AS position, min(seq) AS first_seq
      FROM looks WHERE condition <> 'sound' GROUP BY vehicle_id, component, place
    )
    SELECT {common_of("l")}, l.component, l.position, l.condition, l.safety, l.note, l.place
    FROM looks AS l
    UNION ALL
    SELECT {common_of("l")}, l.component, b.position, l.condition, l.safety, l.note, b.place
    FROM looks AS l JOIN bad AS b ON b.vehicle_id = l.vehicle_id AND b.component = l.component
      AND b.place <> l.place AND {covers_sql("l.place", "b.place")}
    WHERE l.condition = 'sound'""",
    needs=("main.findings",),
    kept=True,
)

FOUND_SOUND = ViewSpec(
    "main.found_sound",
    "findings that a later look ended by naming the part sound, with no work on record in between",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        *columns_of(FINDINGS, "component", "position"),
        ("condition", "VARCHAR", "wearing or failed, as it was found before"),
        ("safety", "BOOLEAN", "its failure can hurt someone"),
        ("found_on", "DATE", "day of the last look that found it so"),
        ("found_event", "VARCHAR", "that look-over"),
        ("sound_on", "DATE", "day of the look that named it sound"),
        ("sound_event", "VARCHAR", "that look-over"),
        ("place", "VARCHAR", "where, as one job has it; empty if not given"),
        ("found_at", "TIMESTAMP", "when it was found so"),
        ("found_seq", "BIGINT", "number of that look-over"),
        ("sound_at", "TIMESTAMP", "when it was named sound"),
        ("sound_seq", "BIGINT", "number of that look-over"),
    ),
    f"""
    WITH each_once AS (
      -- Named bad and sound by one look-over it is bad.
      SELECT l.*, row_number() OVER (PARTITION BY vehicle_id, component, place, seq
                                     ORDER BY CASE condition WHEN 'failed' THEN 0
                                              WHEN 'wearing' THEN 1 ELSE 2 END) AS nth
      FROM base.looked_at AS l
    ), turns AS (
      SELECT vehicle_id, component, place, position, condition AS now,
             lag(condition) OVER before AS condition, lag(position) OVER before AS was_at,
             lag(safety) OVER before AS safety, lag(occurred_on) OVER before AS found_on,
             lag(occurred_at) OVER before AS found_at, lag(seq) OVER before AS found_seq,
             lag(event_id) OVER before AS found_event,
             occurred_on AS sound_on, occurred_at AS sound_at, seq AS sound_seq,
             event_id AS sound_event
      FROM each_once WHERE nth = 1
      WINDOW before AS (PARTITION BY vehicle_id, component, place ORDER BY occurred_at, seq)
    )
    SELECT t.vehicle_id, t.component, t.was_at AS position, t.condition, t.safety, t.found_on,
           t.found_event, t.sound_on, t.sound_event, t.place, t.found_at, t.found_seq, t.sound_at,
           t.sound_seq
    FROM turns AS t
    WHERE t.now = 'sound' AND t.condition IN ('wearing', 'failed')
      AND NOT EXISTS (
        SELECT 1 FROM base.done AS d
        WHERE d.vehicle_id = t.vehicle_id AND d.component = t.component
          AND {meets_sql("d.place", "t.place")}
          AND d.occurred_at >= t.found_at AND d.occurred_at <= t.sound_at)""",
    needs=("base.looked_at", "base.done"),
    kept=True,
)


def ended_sql(line: str) -> str:
    """Return SQL for whether what a line answered was found sound after it, and is not bad again.

    A line that answers no finding, such as a service by plan, is not ended by it; of a part that
    is bad again all that was offered before is told.

    Args:
        line: name of what has vehicle_id, component, place, occurred_at and seq.
    """
    return f"""EXISTS (
        SELECT 1 FROM main.found_sound AS s
        WHERE s.vehicle_id = {line}.vehicle_id AND s.component = {line}.component
          AND {meets_sql("s.place", f"{line}.place")}
          AND (s.found_at, s.found_seq) < ({line}.occurred_at, {line}.seq)
          AND (s.sound_at, s.sound_seq) > ({line}.occurred_at, {line}.seq)
          AND NOT EXISTS (
            SELECT 1 FROM main.open_findings AS o
            WHERE o.vehicle_id = s.vehicle_id AND o.component = s.component
              AND {meets_sql(place_sql("o.component", "o.position"), "s.place")}))"""
