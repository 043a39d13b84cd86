"""Vehicles with their present profile, and how far they go in a month."""

from roadworn.columns.spec import COMMON, ENVELOPE, ColumnSpec, TableSpec, ViewSpec
from roadworn.columns.tables import PROFILE_COLUMNS
from roadworn.model.places import axle_sql

_PAYLOAD: ColumnSpec = (
    "payload",
    "VARCHAR",
    "what was seen or done, as JSON in its kind's current version",
)
#: How the common columns stand in SQL over base.known `e` and base.distances `d`. Every event
#: that counts has a row in base.distances, so joining it leaves the others out.
COMMON_SQL = (
    "e.seq, e.event_id, e.vehicle_id, e.occurred_at, e.occurred_on, e.recorded_at, "
    "e.odometer_km, e.odometer_mi, d.true_km, d.estimated AS true_km_estimated"
)
_ENVELOPE_SQL = (
    f"{COMMON_SQL}, e.kind, e.version, e.date_only, e.recorded_by, e.source, e.odometer, "
    "e.odometer_unit, e.day"
)


def seen(condition: str) -> ViewSpec:
    """Return the view of the ids of the events that are known under `condition`."""
    return ViewSpec(
        "base.seen",
        "ids of the events known as of the view's day",
        (
            ("seq", "BIGINT", "number of the event"),
            ("event_id", "VARCHAR", "its id"),
            ("record", "VARCHAR", "id of the vehicle that it was written for"),
        ),
        f"SELECT seq, event_id, vehicle_id AS record FROM raw.events WHERE {condition}",
    )


def known(condition: str) -> ViewSpec:
    """Return the view of the events that are known under `condition`.

    Whose an event is, is decided here and nowhere else: records that were merged are one vehicle.
    """
    return ViewSpec(
        "base.known",
        "events known as of the view's day",
        tuple(c for c in ENVELOPE if not c[0].startswith("true_km")),
        f"""
        SELECT seq, event_id, coalesce(m.vehicle_id, e.vehicle_id) AS vehicle_id,
               occurred_at, occurred_on, recorded_at,
               CASE odometer_unit WHEN 'mi' THEN odometer * 1609344 / 1000000 ELSE odometer END
                 AS odometer_km,
               CASE odometer_unit WHEN 'km' THEN odometer * 1000000 / 1609344 ELSE odometer END
                 AS odometer_mi,
               kind, version, date_only, recorded_by, source, odometer, odometer_unit, day
        FROM raw.events AS e LEFT JOIN base.merged AS m ON m.record = e.vehicle_id
        WHERE {condition}""",
        needs=("base.merged",),
    )


VALID = ViewSpec(
    "base.valid",
    "known events that count",
    tuple(c for c in ENVELOPE if not c[0].startswith("true_km")),
    """
    SELECT k.* FROM base.known AS k LEFT JOIN base.amended AS a ON a.event_id = k.event_id
    WHERE a.event_id IS NULL""",
    needs=("base.known", "base.amended"),
)

EFFECTIVE_EVENTS = ViewSpec(
    "main.effective_events",
    "events that count as of the view's day: neither retracted nor replaced",
    (*ENVELOPE, _PAYLOAD),
    f"SELECT {_ENVELOPE_SQL}, p.payload FROM base.known AS e "
    "JOIN base.distances AS d ON d.seq = e.seq "
    "LEFT JOIN raw.payloads AS p ON p.seq = e.seq",
    needs=("base.known", "base.distances"),
)

EVENTS = ViewSpec(
    "main.events",
    "all events known as of the view's day, those that do not count as well",
    (
        *ENVELOPE,
        _PAYLOAD,
        ("effective", "BOOLEAN", "it counts: neither retracted nor replaced"),
        ("retracted_by", "VARCHAR", "event_id of what took it back, when it does not count"),
    ),
    f"SELECT {_ENVELOPE_SQL}, p.payload, a.event_id IS NULL AS effective, a.retracted_by "
    "FROM base.known AS e "
    "LEFT JOIN base.amended AS a ON a.event_id = e.event_id "
    "LEFT JOIN base.distances AS d ON d.seq = e.seq "
    "LEFT JOIN raw.payloads AS p ON p.seq = e.seq",
    needs=("base.known", "base.amended", "base.distances"),
)

READINGS = ViewSpec(
    "main.readings",
    "one row for each event that came with an odometer reading",
    (
        *COMMON,
        ("odometer", "DOUBLE", "the reading as entered"),
        ("unit", "VARCHAR", "its unit, km or mi"),
        ("kind", "VARCHAR", "kind of the event it came with"),
        ("how", "VARCHAR", "dash, module, typed or estimated; empty when not said"),
        ("status", "VARCHAR", "actual, exceeds_mechanical_limits, not_actual or unknown"),
        ("flag", "VARCHAR", "see true_distance"),
        ("used", "BOOLEAN", "the true distance rests on it"),
        ("note", "VARCHAR", "note as entered"),
    ),
    f"SELECT {COMMON_SQL}, e.odometer, e.odometer_unit AS unit, e.kind, r.how, r.status, "
    "t.flag, t.used, r.note "
    "FROM base.known AS e JOIN base.distances AS d ON d.seq = e.seq "
    "JOIN main.true_distance AS t ON t.seq = e.seq "
    "LEFT JOIN raw.reading_details AS r ON r.seq = e.seq WHERE e.odometer IS NOT NULL",
    needs=("base.known", "base.distances", "main.true_distance"),
)


#: Where tires sit now, and how the tires of each set began; filled by `views_wheels`.
WHEEL_TABLES = (
    "CREATE TABLE base.wheel_places (seq BIGINT, said TEXT, place TEXT, missed_km DOUBLE)",
    "CREATE TABLE base.wheel_ends (vehicle_id TEXT, place TEXT, stored_km DOUBLE, first BOOL)",
)
#: What is placed with the wheel and goes where it goes.
CARRIED = ("wheel.tire", "wheel.rim")


def placed(spec: TableSpec) -> bool:
    """Return whether a table says of parts where they sit."""
    return {"component", "position"} <= {name for name, _type, _meaning in spec.columns}


def typed(spec: TableSpec, *, moved: bool = False) -> ViewSpec:
    """Return the public view of a folded table: rows that count, with the common columns.

    Args:
        spec: the table.
        moved: wheels have changed their places, so that tires are looked up where they sit now.
    """
    own = ", ".join(f't."{name}"' for name, _type, _meaning in spec.columns)
    common, join = COMMON_SQL, ""
    needs: tuple[str, ...] = ("base.known", "base.distances")
    if moved and placed(spec):
        common = common.replace("d.true_km,", "d.true_km + coalesce(w.missed_km, 0) AS true_km,")
        own = own.replace('t."position"', 'coalesce(w.place, t."position") AS "position"')
        join = (
            " LEFT JOIN base.wheel_places AS w ON w.seq = t.seq AND w.said = t.position "
            f"AND t.component IN {CARRIED}"
        )
        needs = (*needs, "base.wheel_places")
    return ViewSpec(
        f"main.{spec.name}",
        spec.comment,
        (*COMMON, *spec.columns),
        f'SELECT {common}, {own} FROM raw."{spec.name}" AS t '
        f"JOIN base.distances AS d ON d.seq = t.seq JOIN base.known AS e ON e.seq = t.seq{join}",
        needs=needs,
    )


EVENT_VIEWS = (VALID, EFFECTIVE_EVENTS, EVENTS, READINGS)


_CLASS = (
    "coalesce(p.vehicle_class, nullif(trim(concat(coalesce(p.make, ''), ' ', "
    "coalesce(p.model, ''))), ''), 'unclassed') AS vehicle_class"
)
_LATEST = ",\n             ".join(
    f"max_by({name}, place) FILTER (WHERE {name} IS NOT NULL) AS {name}"
    for name, _type, _meaning in PROFILE_COLUMNS
)
_FIELDS = ", ".join(
    _CLASS if name == "vehicle_class" else f"p.{name}" for name, _type, _meaning in PROFILE_COLUMNS
)
#: Original parts of a vehicle without any record for longer than this after its enrolment are not
#: taken to have been watched meanwhile: 18 months, common practice, no source. Not so once its
#: enrolment was written down; and a vehicle that is seldom seen shows it by pauses later on.
UNRECORDED_DAYS = 548
_BOOKKEEPING = "('retraction', 'authorisation', 'profile_change', 'valuation', 'photograph')"

VEHICLES = ViewSpec(
    "main.vehicles",
    "one row for each enrolled vehicle, changes of its profile applied",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        *(
            (name, kind, "class as entered, else make and model, else unclassed")
            if name == "vehicle_class"
            else (name, kind, meaning)
            for name, kind, meaning in PROFILE_COLUMNS
        ),
        ("parts", "VARCHAR", "whether fitted parts were original at enrolment"),
        ("enrolled_on", "DATE", "first day under this ledger's eye"),
        ("enrolment_km", "DOUBLE", "true distance on that day"),
        ("enrolment_event", "VARCHAR", "event_id of the first enrolment"),
        ("observed_on", "DATE", "day from which its parts are watched, see observed_by"),
        ("observed_km", "DOUBLE", "true distance on that day, interpolated between readings"),
        (
            "observed_by",
            "VARCHAR",
            "enrolment, records_since, or first_record where 18 months before it have none",
        ),
        ("last_seen_on", "DATE", "day of its latest event that is more than bookkeeping"),
        ("last_km", "DOUBLE", "true distance at its latest reading"),
        ("last_reading_on", "DATE", "day of its latest reading that is used"),
        ("last_hours", "DOUBLE", "hours of its engine at their latest reading"),
        ("last_hours_on", "DATE", "day of that reading"),
        ("retired_on", "DATE", "day it left, empty while it is here"),
        ("retired_km", "DOUBLE", "true distance when it left"),
        ("retirement_reason", "VARCHAR", "sold, scrapped, written_off or returned"),
        ("retirement_event", "VARCHAR", "event_id of its retirement"),
        ("events", "BIGINT", "number of its events that count"),
    ),
    f"""
    WITH told AS (
      SELECT e.vehicle_id, e.event_id, e.kind, e.occurred_at, e.occurred_on, d.true_km, p.*,
             CAST(e.recorded_at AS DATE) AS written_on,
             row_number() OVER (PARTITION BY e.vehicle_id ORDER BY e.occurred_at, e.seq) AS place
      FROM raw.profiles AS p JOIN base.known AS e ON e.seq = p.seq
      JOIN base.distances AS d ON d.seq = e.seq
    ), profile AS (
      SELECT vehicle_id, {_LATEST},
             min_by(coalesce(parts, 'unknown'), place) FILTER (WHERE kind = 'enrolment') AS parts,
             min(occurred_on) FILTER (WHERE kind = 'enrolment') AS enrolled_on,
             max(occurred_at) FILTER (WHERE kind = 'enrolment') AS enrolled_last,
             min(true_km) FILTER (WHERE kind = 'enrolment') AS enrolment_km,
             min(written_on) FILTER (WHERE kind = 'enrolment') AS enrolment_written_on,
             min_by(event_id, place) FILTER (WHERE kind = 'enrolment') AS enrolment_event
      FROM told GROUP BY vehicle_id
    ), seen AS (
      -- Bookkeeping is not seeing the vehicle.
      SELECT e.vehicle_id, count(*) AS events,
             max(CASE WHEN e.kind NOT IN {_BOOKKEEPING} THEN e.occurred_on END) AS last_seen_on,
             min(CASE WHEN e.kind NOT IN {_BOOKKEEPING} AND e.kind <> 'enrolment'
                 THEN e.occurred_on END) AS first_record_on,
             max(d.true_km) AS last_km,
             max(CASE WHEN NOT d.estimated THEN e.occurred_on END) AS last_reading_on
      FROM base.known AS e JOIN base.distances AS d ON d.seq = e.seq GROUP BY e.vehicle_id
    ), retired AS (
      SELECT e.vehicle_id, e.occurred_on, e.occurred_at, e.event_id, d.true_km, t.reason,
             row_number() OVER (PARTITION BY e.vehicle_id
                                ORDER BY e.occurred_at DESC, e.seq DESC) AS back
      FROM raw.retirements AS t JOIN base.known AS e ON e.seq = t.seq
      JOIN base.distances AS d ON d.seq = e.seq
    ), metered AS (
      SELECT e.vehicle_id, max_by(t.hours, (e.occurred_at, e.seq)) AS last_hours,
             max(e.occurred_on) AS last_hours_on
      FROM raw.hours_readings AS t JOIN base.known AS e ON e.seq = t.seq
      JOIN base.distances AS d ON d.seq = e.seq GROUP BY e.vehicle_id
    ), silent AS (
      -- Once its enrolment was written down, the vehicle is under this ledger's eye.
      SELECT p.vehicle_id, least(s.first_record_on, p.enrolment_written_on) AS first_record_on,
             datediff('day', p.enrolled_on, least(s.first_record_on, p.enrolment_written_on))
               AS days
      FROM profile AS p JOIN seen AS s ON s.vehicle_id = p.vehicle_id
      WHERE p.parts = 'original' AND p.records_since IS NULL AND s.first_record_on IS NOT NULL
        AND datediff('day', p.enrolled_on, least(s.first_record_on, p.enrolment_written_on))
            > {UNRECORDED_DAYS}
    ), paused AS (
      SELECT vehicle_id, max(pause) AS longest FROM (
        SELECT q.vehicle_id, e.day - lag(e.day) OVER (PARTITION BY q.vehicle_id
                                                      ORDER BY e.day, e.seq) AS pause
        FROM silent AS q JOIN base.known AS e ON e.vehicle_id = q.vehicle_id
        JOIN base.distances AS d ON d.seq = e.seq
        WHERE e.kind NOT IN {_BOOKKEEPING} AND e.occurred_on >= q.first_record_on
      ) AS later GROUP BY vehicle_id
    ), watched AS (
      SELECT p.vehicle_id,
             CASE WHEN p.records_since IS NOT NULL THEN 'records_since'
                  WHEN q.days > 2 * coalesce(u.longest, 0) THEN 'first_record'
                  ELSE 'enrolment' END AS observed_by,
             CASE WHEN p.records_since IS NOT NULL THEN p.records_since
                  WHEN q.days > 2 * coalesce(u.longest, 0) THEN q.first_record_on
                  ELSE p.enrolled_on END AS observed_on
      FROM profile AS p
      LEFT JOIN silent AS q ON q.vehicle_id = p.vehicle_id
      LEFT JOIN paused AS u ON u.vehicle_id = p.vehicle_id
    ), between_readings AS (
      SELECT w.vehicle_id, datediff('day', DATE '1970-01-01', max(w.observed_on)) AS day,
             max(CASE WHEN e.occurred_on <= w.observed_on THEN e.day END) AS day_before,
             max(CASE WHEN e.occurred_on <= w.observed_on THEN d.true_km END) AS km_before,
             min(CASE WHEN e.occurred_on >= w.observed_on THEN e.day END) AS day_after,
             min(CASE WHEN e.occurred_on >= w.observed_on THEN d.true_km END) AS km_after
      FROM watched AS w JOIN base.known AS e ON e.vehicle_id = w.vehicle_id
      JOIN base.distances AS d ON d.seq = e.seq
      WHERE w.observed_by <> 'enrolment' GROUP BY w.vehicle_id
    )
    SELECT p.vehicle_id, {_FIELDS}, p.parts, p.enrolled_on, p.enrolment_km, p.enrolment_event,
           w.observed_on,
           CASE WHEN w.observed_by = 'enrolment' THEN p.enrolment_km
                WHEN b.km_before IS NULL OR b.km_after IS NULL OR b.day_after <= b.day_before
                THEN coalesce(b.km_after, b.km_before)
                ELSE b.km_before + (b.km_after - b.km_before) * (b.day - b.day_before)
                     / (b.day_after - b.day_before) END AS observed_km, w.observed_by,
           s.last_seen_on, s.last_km, s.last_reading_on, h.last_hours, h.last_hours_on,
           r.occurred_on AS retired_on, r.true_km AS retired_km, r.reason AS retirement_reason,
           r.event_id AS retirement_event, s.events
    FROM profile AS p
    JOIN seen AS s ON s.vehicle_id = p.vehicle_id
    JOIN watched AS w ON w.vehicle_id = p.vehicle_id
    LEFT JOIN between_readings AS b ON b.vehicle_id = p.vehicle_id
    LEFT JOIN metered AS h ON h.vehicle_id = p.vehicle_id
    LEFT JOIN retired AS r
      ON r.vehicle_id = p.vehicle_id AND r.back = 1 AND r.occurred_at >= p.enrolled_last
    WHERE p.enrolled_on IS NOT NULL""",
    needs=("base.known", "base.distances"),
    kept=True,
)

# The steps between readings are taken as independent, their variance growing with time: so
# readings a week and a year apart both tell of a month's spread. Readings of fewer than 14 days
# tell no pace: a drive home is no month (common practice, no source).
USAGE_RATES = ViewSpec(
    "main.usage_rates",
    "how far each vehicle goes, from its readings of the last two years on record, if they span 14 "
    "days or more",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("km_per_day", "DOUBLE", "distance between the first and the last of them, by days"),
        ("km_per_month", "DOUBLE", "the same for a month of 365.25 / 12 days"),
        (
            "sd_km_per_month",
            "DOUBLE",
            "spread of a month's distance from the steps between readings; empty with fewer than 3",
        ),
        ("from_on", "DATE", "day of the first reading used"),
        ("to_on", "DATE", "day of the last reading used"),
        ("readings", "BIGINT", "days with a reading in that time"),
    ),
    """
    WITH daily AS (
      SELECT e.vehicle_id, e.occurred_on AS day_on, e.day, max(d.true_km) AS km
      FROM base.known AS e JOIN base.distances AS d ON d.seq = e.seq WHERE NOT d.estimated
      GROUP BY e.vehicle_id, e.occurred_on, e.day
    ), recent AS (
      SELECT * FROM (SELECT *, max(day) OVER (PARTITION BY vehicle_id) AS last_day FROM daily) AS d
      WHERE day >= last_day - 730
    ), steps AS (
      SELECT *, km - lag(km) OVER w AS step, day - lag(day) OVER w AS days
      FROM recent WINDOW w AS (PARTITION BY vehicle_id ORDER BY day)
    ), rates AS (
      SELECT vehicle_id, (max(km) - min(km)) / (max(day) - min(day)) AS rate, count(*) AS readings,
             min(day_on) AS from_on, max(day_on) AS to_on
      FROM steps GROUP BY vehicle_id HAVING max(day) - min(day) >= 14
    )
    SELECT r.vehicle_id, r.rate AS km_per_day, r.rate * 365.25 / 12 AS km_per_month,
           CASE WHEN r.readings > 2 THEN sqrt(
             sum((s.step - r.rate * s.days) * (s.step - r.rate * s.days) / s.days)
               / (r.readings - 2) * 365.25 / 12) END AS sd_km_per_month,
           r.from_on, r.to_on, r.readings
    FROM rates AS r JOIN steps AS s ON s.vehicle_id = r.vehicle_id AND s.days > 0
    GROUP BY r.vehicle_id, r.rate, r.readings, r.from_on, r.to_on""",
    needs=("base.known", "base.distances"),
    kept=True,
)

#: What `base.absent` is made from: fields in the order of `roadworn.trade.features.SAYS`.
_SAYS = (
    "fuel, engine, gearbox, drive, front_brakes, rear_brakes, vehicle_class, model, weight_class, "
    "duty"
)
SHOWN_BY = (
    "main.vehicles", "main.replacements", "main.repairs", "main.maintenance_done", "main.findings",
)  # fmt: skip
ABSENT = """
    CREATE TABLE base.absent (vehicle_id VARCHAR, component VARCHAR, axle VARCHAR, field VARCHAR,
                              value VARCHAR)"""
#: Vehicles of which something is known that tells, with the places seen on them.
PROFILES_AND_SHOWN = f"""
    WITH shown AS (
      SELECT vehicle_id, list_sort(list(DISTINCT [component, coalesce(position, '')])) AS shown
      FROM (SELECT vehicle_id, component, position FROM main.replacements
            UNION ALL SELECT vehicle_id, component, position FROM main.repairs
            UNION ALL SELECT vehicle_id, component, position FROM main.maintenance_done
            UNION ALL SELECT vehicle_id, component, position FROM main.findings
            WHERE condition <> 'not_checked') AS seen
      GROUP BY vehicle_id
    )
    SELECT v.vehicle_id, s.shown, {_SAYS}
    FROM main.vehicles AS v LEFT JOIN shown AS s ON s.vehicle_id = v.vehicle_id
    WHERE s.shown IS NOT NULL
       OR coalesce(fuel, engine, gearbox, drive, front_brakes, rear_brakes, weight_class)
            IS NOT NULL
    ORDER BY v.vehicle_id"""

ABSENT_PARTS = ViewSpec(
    "main.absent_parts",
    "components that a vehicle does not have, by its profile and what its record has shown",
    (
        ("vehicle_id", "VARCHAR", "the vehicle"),
        ("component", "VARCHAR", "component, system.part"),
        ("axle", "VARCHAR", "front or rear when only that axle is without it; else empty"),
        ("field", "VARCHAR", "field of the profile that says so, or record for its own record"),
        ("value", "VARCHAR", "what stands there"),
    ),
    "SELECT * FROM base.absent",
    needs=("base.absent",),
)


def absent_sql(vehicle: str, component: str, place: str) -> str:
    """Return SQL for whether a vehicle is known not to have a part at a place.

    Needs the view ``main.absent_parts``; the arguments are expressions, places as stored. An axle
    behind the first is a rear one, as `roadworn.trade.features.end_of` has it.
    """
    axle = axle_sql(place)
    end = f"CASE WHEN {axle} IN ('front', '1') THEN 'front' WHEN {axle} <> '' THEN 'rear' END"
    return (
        f"EXISTS (SELECT 1 FROM main.absent_parts AS lacking WHERE lacking.vehicle_id = {vehicle} "
        f"AND lacking.component = {component} AND (lacking.axle = '' OR lacking.axle = {end}))"
    )


VEHICLE_VIEWS = (VEHICLES, USAGE_RATES, ABSENT_PARTS)
