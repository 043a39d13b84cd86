"""Tables folded from looking: look-overs, scans, complaints."""

from roadworn.columns.spec import TableSpec, from_payload

_ITEM = {"component": "VARCHAR", "position": "VARCHAR"}
_MEASUREMENT = {"name": "VARCHAR", "value": "DOUBLE", "unit": "VARCHAR"}
_FINDING = {
    **_ITEM,
    "condition": "VARCHAR",
    "safety": "BOOLEAN",
    "note": "VARCHAR",
    "measurements": [_MEASUREMENT],
}

INSPECTIONS = TableSpec(
    "inspections",
    "one row for each look-over",
    ("inspection",),
    (
        ("findings", "INTEGER", "number of findings written down"),
        ("sound_items", "INTEGER", "number of items named as looked at and sound"),
        ("rest", "VARCHAR", "what holds for every item not named: sound, not_checked or unknown"),
        ("sheet", "VARCHAR", "look-over sheet used"),
        ("note", "VARCHAR", "note as entered"),
    ),
    from_payload(
        {
            "findings": ["JSON"],
            "sound": ["JSON"],
            "rest": "VARCHAR",
            "sheet": "VARCHAR",
            "note": "VARCHAR",
        },
        "coalesce(len(p.findings), 0) AS findings, coalesce(len(p.sound), 0) AS sound_items, "
        "p.rest AS rest, p.sheet AS sheet, p.note AS note",
    ),
)

# Three lists of one payload, put end to end with what each of them says.
_LISTS = (
    "list_concat("
    "list_transform(coalesce(p.findings, []), lambda f: {'component': f.component, "
    "'position': f.position, 'condition': f.condition, 'safety': coalesce(f.safety, false), "
    "'note': f.note, 'listed_as': 'finding'}), "
    "list_transform(coalesce(p.sound, []), lambda f: {'component': f.component, "
    "'position': f.position, 'condition': 'sound', 'safety': false, "
    "'note': NULL::VARCHAR, 'listed_as': 'sound'}), "
    "list_transform(coalesce(p.not_checked, []), lambda f: {'component': f.component, "
    "'position': f.position, 'condition': 'not_checked', 'safety': false, "
    "'note': NULL::VARCHAR, 'listed_as': 'not_checked'}))"
)

FINDINGS = TableSpec(
    "findings",
    "one row for each item of a look-over that was named, the sound and unchecked ones too",
    ("inspection",),
    (
        ("component", "VARCHAR", "component, system.part"),
        ("position", "VARCHAR", "where it sits, left and right from the driver's seat"),
        ("condition", "VARCHAR", "sound, wearing, failed or not_checked"),
        ("safety", "BOOLEAN", "its failure can hurt someone"),
        ("note", "VARCHAR", "note as entered"),
        ("listed_as", "VARCHAR", "named as a finding, or in the list of sound or unchecked items"),
    ),
    from_payload(
        {
            "findings": [{key: _FINDING[key] for key in _FINDING if key != "measurements"}],
            "sound": [_ITEM],
            "not_checked": [_ITEM],
        },
        "x.component AS component, x.position AS position, x.condition AS condition, "
        "x.safety AS safety, x.note AS note, x.listed_as AS listed_as",
        unnest=_LISTS,
    ),
)

# Exact by definition: 1 in = 25.4 mm, so 1/32 in = 0.79375 mm.
_TO_MM = (
    "CASE lower(trim(m.unit)) WHEN 'mm' THEN m.value WHEN 'cm' THEN m.value * 10 "
    "WHEN 'in' THEN m.value * 25.4 WHEN '32nds' THEN m.value * 0.79375 "
    "WHEN '32nd' THEN m.value * 0.79375 END"
)
_MEASURED = from_payload(
    {"findings": [_FINDING]},
    "x AS f",
    unnest="p.findings",
)

MEASUREMENTS = TableSpec(
    "measurements",
    "one row for each measured value of a look-over",
    ("inspection",),
    (
        ("component", "VARCHAR", "component, system.part"),
        ("position", "VARCHAR", "where it sits, left and right from the driver's seat"),
        ("name", "VARCHAR", "what was measured, when it is not plain"),
        ("value", "DOUBLE", "the value as read"),
        ("unit", "VARCHAR", "the unit it was read in"),
        ("value_mm", "DOUBLE", "a length in mm; 1 in = 25.4 mm and 1/32 in = 0.79375 mm exactly"),
        ("condition", "VARCHAR", "condition of the finding it belongs to"),
    ),
    "SELECT seq, f.component AS component, f.position AS position, m.name AS name, "
    f"m.value AS value, m.unit AS unit, {_TO_MM} AS value_mm, f.condition AS condition "
    f"FROM (SELECT seq, f, unnest(f.measurements) AS m FROM ({_MEASURED}))",
)

_SCAN = {
    "modules": [
        {
            "name": "VARCHAR",
            "outcome": "VARCHAR",
            "codes": [
                {
                    "code": "VARCHAR",
                    "status": "VARCHAR",
                    "failure_type": "VARCHAR",
                    "status_byte": "VARCHAR",
                    "count": "INTEGER",
                    "words": "VARCHAR",
                }
            ],
            "lists": ["VARCHAR"],
        }
    ],
    "lamp": "VARCHAR",
    "readiness": "VARCHAR",
    "distance_since_clear": "DOUBLE",
    "distance_unit": "VARCHAR",
    "warm_ups_since_clear": "INTEGER",
    "note": "VARCHAR",
}

SCANS = TableSpec(
    "scans",
    "one row for each control module that a scan asked",
    ("scan",),
    (
        ("module", "VARCHAR", "the module"),
        ("outcome", "VARCHAR", "read, or failed: a failed read is not the same as no codes"),
        (
            "active_read",
            "BOOLEAN",
            "it was read and told what is active now, not only what was active before",
        ),
        ("codes_read", "INTEGER", "number of codes the module gave; empty when the read failed"),
        ("lamp", "VARCHAR", "whether the malfunction lamp was commanded on or off"),
        ("readiness", "VARCHAR", "the four readiness bytes, hexadecimal"),
        ("km_since_clear", "DOUBLE", "distance since codes were cleared, in km"),
        ("warm_ups_since_clear", "INTEGER", "warm-ups since codes were cleared"),
        ("note", "VARCHAR", "note as entered"),
    ),
    from_payload(
        _SCAN,
        "coalesce(x.name, 'engine') AS module, coalesce(x.outcome, 'read') AS outcome, "
        "coalesce(x.outcome, 'read') = 'read' "
        "AND (x.lists IS NULL OR list_contains(x.lists, 'stored')) AS active_read, "
        "CASE WHEN coalesce(x.outcome, 'read') = 'read' THEN coalesce(len(x.codes), 0) END "
        "AS codes_read, p.lamp AS lamp, p.readiness AS readiness, "
        "CASE p.distance_unit WHEN 'mi' THEN p.distance_since_clear * 1609344 / 1000000 "
        "ELSE p.distance_since_clear END AS km_since_clear, "
        "p.warm_ups_since_clear AS warm_ups_since_clear, p.note AS note",
        unnest="p.modules",
    ),
)

_MODULES = from_payload({"modules": _SCAN["modules"]}, "x AS m", unnest="p.modules")

# Bits 1 and 6 are "failed" and "not completed", both of this operation cycle.
_BYTE = "CAST('0x' || c.status_byte AS INTEGER)"

CODES = TableSpec(
    "codes",
    "one row for each trouble code that a scan gave",
    ("scan",),
    (
        ("module", "VARCHAR", "the module that gave it"),
        ("code", "VARCHAR", "the code as read"),
        ("status", "VARCHAR", "stored, pending, permanent, or previous: once active, not now"),
        ("failure_type", "VARCHAR", "failure type byte, hexadecimal, when there was one"),
        ("status_byte", "VARCHAR", "status byte (ISO 14229-1), hexadecimal, when there was one"),
        ("failing_now", "BOOLEAN", "by the status byte: its test failed at the time of the scan"),
        ("repair_proved", "BOOLEAN", "by it: the test ran in this cycle and did not fail"),
        ("occurrences", "INTEGER", "how often a heavy vehicle counted it"),
        ("words", "VARCHAR", "how the reader described it"),
    ),
    "SELECT seq, coalesce(m.name, 'engine') AS module, c.code AS code, "
    "coalesce(c.status, 'stored') AS status, c.failure_type AS failure_type, "
    f"c.status_byte AS status_byte, ({_BYTE} & 1) = 1 AS failing_now, "
    f'({_BYTE} & 66) = 0 AS repair_proved, c."count" AS occurrences, c.words AS words '
    f"FROM (SELECT seq, m, unnest(m.codes) AS c FROM ({_MODULES}))",
)

# Service 01 PID 01, bytes A B C D (SAE J1979): B holds the continuous monitors, supported in
# bits 0-2 and not complete in bits 4-6, bit 3 the ignition; a bit of D counts only when its bit
# of C is 1.
_MONITORS = (
    ("misfire", "misfire", "b & 1", "b & 16"),
    ("fuel_system", "fuel_system", "b & 2", "b & 32"),
    ("components", "components", "b & 4", "b & 64"),
    ("catalyst", "nmhc_catalyst", "c & 1", "d & 1"),
    ("heated_catalyst", "nox_aftertreatment", "c & 2", "d & 2"),
    ("evaporative_system", "reserved_2", "c & 4", "d & 4"),
    ("secondary_air", "boost_pressure", "c & 8", "d & 8"),
    ("ac_refrigerant", "reserved_4", "c & 16", "d & 16"),
    ("oxygen_sensor", "exhaust_gas_sensor", "c & 32", "d & 32"),
    ("oxygen_sensor_heater", "particulate_filter", "c & 64", "d & 64"),
    ("egr_vvt", "egr_vvt", "c & 128", "d & 128"),
)
_ROWS = ", ".join(
    f"{{'monitor': CASE WHEN b & 8 = 0 THEN '{spark}' ELSE '{compression}' END, "
    f"'supported': ({supported}) <> 0, 'open': ({incomplete}) <> 0}}"
    for spark, compression, supported, incomplete in _MONITORS
)
_BYTES = ", ".join(
    f"CAST('0x' || substr(r, {2 * i + 1}, 2) AS INTEGER) AS {name}" for i, name in enumerate("abcd")
)

MONITORS = TableSpec(
    "monitors",
    "one row for each readiness monitor that a scanned vehicle supports",
    ("scan",),
    (
        ("monitor", "VARCHAR", "the monitor, by the ignition the vehicle says it has"),
        ("ready", "BOOLEAN", "it has run to its end since codes were cleared"),
        ("ignition", "VARCHAR", "spark or compression, as the vehicle says"),
    ),
    "SELECT seq, m.monitor AS monitor, NOT m.open AS ready, "
    "CASE WHEN b & 8 = 0 THEN 'spark' ELSE 'compression' END AS ignition FROM ("
    f"SELECT seq, b, unnest([{_ROWS}]) AS m FROM (SELECT seq, {_BYTES} FROM ("
    "SELECT seq, json_extract_string(payload, '$.readiness') AS r FROM batch) "
    "WHERE r IS NOT NULL)) WHERE m.supported",
)

COMPLAINTS = TableSpec(
    "complaints",
    "one row for each complaint of a customer",
    ("complaint",),
    (
        ("complaint", "VARCHAR", "what the customer says"),
        ("cause", "VARCHAR", "what was found to cause it"),
        ("correction", "VARCHAR", "what was done and verified"),
        ("component", "VARCHAR", "component it was about, system.part"),
        ("position", "VARCHAR", "where it sits, left and right from the driver's seat"),
    ),
    from_payload(
        {"complaint": "VARCHAR", "cause": "VARCHAR", "correction": "VARCHAR", **_ITEM},
        "p.complaint AS complaint, p.cause AS cause, p.correction AS correction, "
        "p.component AS component, p.position AS position",
    ),
)

LOOK_TABLES = (INSPECTIONS, FINDINGS, MEASUREMENTS, SCANS, CODES, MONITORS, COMPLAINTS)
