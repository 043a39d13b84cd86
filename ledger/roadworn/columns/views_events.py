"""Which events are known as of the view's day, and which of them count.

`base.known` is filled in by the view with its rule (see `roadworn.view.open_view`), and
`base.amended` by `roadworn.columns.amend`, since a retraction can itself be taken back.
"""

from roadworn.columns.spec import COMMON, ColumnSpec, TableSpec, ViewSpec

_ENVELOPE: tuple[ColumnSpec, ...] = (
    *COMMON,
    ("kind", "VARCHAR", "kind of the event"),
    ("version", "INTEGER", "version its payload was written in"),
    ("date_only", "BOOLEAN", "only the day it happened is known"),
    ("recorded_by", "VARCHAR", "who wrote it down, as entered"),
    ("source", "VARCHAR", "how it came in, for instance typed or the name of an import"),
    ("odometer", "DOUBLE", "odometer reading as entered"),
    ("odometer_unit", "VARCHAR", "its unit, km or mi"),
    ("day", "INTEGER", "the day it happened, counted from 1970-01-01"),
)
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


def known(condition: str) -> ViewSpec:
    """Return the view of the events that are known under `condition`."""
    return ViewSpec(
        "base.known",
        "events known as of the view's day",
        tuple(c for c in _ENVELOPE if not c[0].startswith("true_km")),
        f"""
        SELECT seq, event_id, vehicle_id, occurred_at, occurred_on, recorded_at,
               CASE odometer_unit WHEN 'mi' THEN odometer * 1609344 / 1000000 ELSE odometer END
                 AS odometer_km,
               CASE odometer_unit WHEN 'km' THEN odometer * 1000000 / 1609344 ELSE odometer END
                 AS odometer_mi,
               kind, version, date_only, recorded_by, source, odometer, odometer_unit, day
        FROM raw.events WHERE {condition}""",
    )


VALID = ViewSpec(
    "base.valid",
    "known events that count",
    tuple(c for c in _ENVELOPE if not c[0].startswith("true_km")),
    """
    SELECT k.* FROM base.known AS k LEFT JOIN base.amended AS a ON a.event_id = k.event_id
    WHERE a.event_id IS NULL""",
    needs=("base.known", "base.amended"),
)

EFFECTIVE_EVENTS = ViewSpec(
    "main.effective_events",
    "events that count as of the view's day: neither retracted nor replaced",
    (*_ENVELOPE, _PAYLOAD),
    f"SELECT {_ENVELOPE_SQL}, p.payload FROM base.known AS e "
    "JOIN base.distances AS d ON d.seq = e.seq "
    "LEFT JOIN raw.payloads AS p ON p.seq = e.seq",
    needs=("base.known", "base.distances"),
)

EVENTS = ViewSpec(
    "main.events",
    "all events known as of the view's day, those that do not count as well",
    (
        *_ENVELOPE,
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
        ("flag", "VARCHAR", "'', lower, implausible, rolled_over or exchanged, see true_distance"),
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


def typed(spec: TableSpec) -> ViewSpec:
    """Return the public view of a folded table: rows that count, with the common columns."""
    own = ", ".join(f't."{name}"' for name, _type, _meaning in spec.columns)
    return ViewSpec(
        f"main.{spec.name}",
        spec.comment,
        (*COMMON, *spec.columns),
        f'SELECT {COMMON_SQL}, {own} FROM raw."{spec.name}" AS t '
        "JOIN base.distances AS d ON d.seq = t.seq JOIN base.known AS e ON e.seq = t.seq",
        needs=("base.known", "base.distances"),
    )


EVENT_VIEWS = (VALID, EFFECTIVE_EVENTS, EVENTS, READINGS)
