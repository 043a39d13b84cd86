"""Tables folded from looking: look-overs, scans, complaints."""

from roadworn.columns.spec import ColumnSpec, Made, TableSpec, Told, from_payload, km, table

PLACE: tuple[Told, ...] = (
    ("component", "component, system.part"),
    ("position", "where it sits, left and right from the driver's seat"),
)
NOTE: Told = ("note", "note as entered")
THREE_TEXTS: tuple[Told, ...] = (
    ("complaint", "what the customer says"),
    ("cause", "what was found to cause it"),
    ("correction", "what was done and verified"),
)

INSPECTIONS = table(
    "inspections",
    "one row for each look-over",
    ("inspection",),
    Made("findings", "INTEGER", "number of findings written down", "coalesce(len(p.findings), 0)"),
    Made(
        "sound_items",
        "INTEGER",
        "number of items named as looked at and sound",
        "coalesce(len(p.sound), 0)",
    ),
    ("rest", "what holds for every item not named: sound, not_checked or unknown"),
    ("sheet", "look-over sheet used"),
    NOTE,
    parsed={"findings": ["JSON"], "sound": ["JSON"]},
)

# Three lists of one payload, put end to end with what each of them says.
_LISTED = ", ".join(
    f"list_transform(coalesce(p.{name}, []), lambda f: {{'component': f.component, "
    f"'position': f.position, {said}, 'listed_as': '{listed_as}'}})"
    for name, listed_as, said in (
        (
            "findings",
            "finding",
            "'condition': f.condition, 'safety': coalesce(f.safety, false), 'note': f.note",
        ),
        *(
            (name, name, f"'condition': '{name}', 'safety': false, 'note': NULL::VARCHAR")
            for name in ("sound", "not_checked")
        ),
    )
)
_ITEM = {"component": "VARCHAR", "position": "VARCHAR"}
_FINDING_COLUMNS: tuple[ColumnSpec, ...] = (
    *((name, "VARCHAR", meaning) for name, meaning in PLACE),
    ("condition", "VARCHAR", "sound, wearing, failed or not_checked"),
    ("safety", "BOOLEAN", "its failure can hurt someone"),
    ("note", "VARCHAR", "note as entered"),
    ("listed_as", "VARCHAR", "named as a finding, or in the list of sound or unchecked items"),
)

FINDINGS = TableSpec(
    "findings",
    "one row for each item of a look-over that was named, the sound and unchecked ones too",
    ("inspection",),
    _FINDING_COLUMNS,
    from_payload(
        {
            "findings": [{**_ITEM, "condition": "VARCHAR", "safety": "BOOLEAN", "note": "VARCHAR"}],
            "sound": [_ITEM],
            "not_checked": [_ITEM],
        },
        ", ".join(f"x.{name} AS {name}" for name, _type, _meaning in _FINDING_COLUMNS),
        f"list_concat({_LISTED})",
    ),
)

MEASUREMENTS = table(
    "measurements",
    "one row for each measured value of a look-over",
    ("inspection",),
    *PLACE,
    ("name", "what was measured, when it is not plain"),
    ("value", "the value as read"),
    ("unit", "the unit it was read in"),
    Made(
        "value_mm",
        "DOUBLE",
        "a length in mm; 1 in = 25.4 mm and 1/32 in = 0.79375 mm exactly",
        "CASE lower(trim(y.unit)) WHEN 'mm' THEN y.value WHEN 'cm' THEN y.value * 10 "
        "WHEN 'in' THEN y.value * 25.4 WHEN '32nds' THEN y.value * 0.79375 "
        "WHEN '32nd' THEN y.value * 0.79375 END",
    ),
    ("condition", "condition of the finding it belongs to"),
    each=("findings", "measurements"),
)

_READ = "coalesce(x.outcome, 'read') = 'read'"

SCANS = table(
    "scans",
    "one row for each control module that a scan asked",
    ("scan",),
    Made("module", "VARCHAR", "the module", "coalesce(x.name, 'engine')"),
    ("outcome", "read, or failed: a failed read is not the same as no codes"),
    Made(
        "active_read",
        "BOOLEAN",
        "it was read and told what is active now, not only what was active before",
        f"{_READ} AND (x.lists IS NULL OR list_contains(x.lists, 'stored'))",
    ),
    Made(
        "codes_read",
        "INTEGER",
        "number of codes the module gave; empty when the read failed",
        f"CASE WHEN {_READ} THEN coalesce(len(x.codes), 0) END",
    ),
    ("lamp", "whether the malfunction lamp was commanded on or off"),
    ("readiness", "the four readiness bytes, hexadecimal"),
    Made(
        "km_since_clear",
        "DOUBLE",
        "distance since codes were cleared, in km",
        f"coalesce({km('p.distance_since_clear', 'p.distance_unit')}, p.distance_since_clear)",
    ),
    ("warm_ups_since_clear", "warm-ups since codes were cleared"),
    NOTE,
    each=("modules",),
)

# Bits 1 and 6 are "failed" and "not completed", both of this operation cycle.
_BYTE = "CAST('0x' || y.status_byte AS INTEGER)"

CODES = table(
    "codes",
    "one row for each trouble code that a scan gave",
    ("scan",),
    Made("module", "VARCHAR", "the module that gave it", "coalesce(x.name, 'engine')"),
    ("code", "the code as read"),
    ("status", "stored, pending, permanent, or previous: once active, not now"),
    ("failure_type", "failure type byte, hexadecimal, when there was one"),
    ("status_byte", "status byte (ISO 14229-1), hexadecimal, when there was one"),
    Made(
        "failing_now",
        "BOOLEAN",
        "by the status byte: its test failed at the time of the scan",
        f"({_BYTE} & 1) = 1",
    ),
    Made(
        "repair_proved",
        "BOOLEAN",
        "by it: the test ran in this cycle and did not fail",
        f"({_BYTE} & 66) = 0",
    ),
    Made("occurrences", "INTEGER", "how often a heavy vehicle counted it", 'y."count"'),
    ("words", "how the reader described it"),
    each=("modules", "codes"),
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

COMPLAINTS = table(
    "complaints",
    "one row for each complaint of a customer",
    ("complaint",),
    *THREE_TEXTS,
    ("component", "component it was about, system.part"),
    PLACE[1],
)

PHOTOGRAPHS = table(
    "photographs",
    "one row for each photograph; the picture lies beside the ledger unless it was erased",
    ("photograph",),
    ("digest", "SHA-256 of its bytes, in hexadecimal digits, which is its name too"),
    ("media", "image/jpeg, image/png or image/webp"),
    Made("bytes", "BIGINT", "how many bytes it has", "p.size"),
    ("component", "component it shows, system.part"),
    PLACE[1],
    NOTE,
)

LOOK_TABLES = (
    *(INSPECTIONS, FINDINGS, MEASUREMENTS, SCANS, CODES, MONITORS, COMPLAINTS),
    PHOTOGRAPHS,
)
