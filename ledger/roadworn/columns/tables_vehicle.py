"""Tables folded from events about the vehicle as a whole, and about what an event takes back."""

from roadworn.columns.spec import TableSpec, from_payload

_MONEY = {"amount": "DECIMAL(18,4)", "currency": "VARCHAR"}
KM = "CASE {unit} WHEN 'mi' THEN {value} * 1609344 / 1000000 WHEN 'km' THEN {value} END"

PROFILE_COLUMNS = (
    ("label", "VARCHAR", "what people call it"),
    ("vin", "VARCHAR", "vehicle identification number as entered"),
    ("make", "VARCHAR", "maker as entered"),
    ("model", "VARCHAR", "model as entered"),
    ("model_year", "INTEGER", "model year"),
    ("vehicle_class", "VARCHAR", "group of like vehicles, as entered"),
    ("engine", "VARCHAR", "engine"),
    ("gearbox", "VARCHAR", "gearbox"),
    ("fuel", "VARCHAR", "fuel"),
    ("weight_class", "VARCHAR", "weight class"),
    ("duty", "VARCHAR", "kind of use"),
    ("in_service_date", "DATE", "first day of its use"),
    ("odometer_digits", "INTEGER", "digits the odometer shows before it rolls over"),
    ("owner_reference", "VARCHAR", "opaque reference into the contacts, never a name"),
)
_PROFILE_SHAPE = {name: kind for name, kind, _ in PROFILE_COLUMNS}

PROFILES = TableSpec(
    "profiles",
    "one row for each enrolment or change of a vehicle's profile, with the fields it gives",
    ("enrolment", "profile_change"),
    (
        *PROFILE_COLUMNS,
        ("parts", "VARCHAR", "whether fitted parts were original at enrolment"),
        ("note", "VARCHAR", "note as entered"),
    ),
    from_payload(
        {**_PROFILE_SHAPE, "parts": "VARCHAR", "note": "VARCHAR"},
        ", ".join(f"p.{name} AS {name}" for name in (*_PROFILE_SHAPE, "parts", "note")),
    ),
)

READING_DETAILS = TableSpec(
    "reading_details",
    "how an odometer reading was taken, one row for each odometer_reading event",
    ("odometer_reading",),
    (
        ("how", "VARCHAR", "dash, module, typed or estimated"),
        ("status", "VARCHAR", "actual, exceeds_mechanical_limits, not_actual or unknown"),
        ("note", "VARCHAR", "note as entered"),
    ),
    from_payload(
        {"how": "VARCHAR", "status": "VARCHAR", "note": "VARCHAR"},
        "coalesce(p.how, 'typed') AS how, coalesce(p.status, 'unknown') AS status, p.note AS note",
    ),
)

EXCHANGES = TableSpec(
    "exchanges",
    "one row for each odometer that was exchanged",
    ("odometer_exchange",),
    (
        ("old_km", "DOUBLE", "last figure of the old odometer, in km"),
        ("new_km", "DOUBLE", "first figure of the new odometer, in km"),
        ("old_reading", "DOUBLE", "last figure of the old odometer, as entered"),
        ("new_reading", "DOUBLE", "first figure of the new odometer, as entered"),
        ("unit", "VARCHAR", "unit of the two figures, km or mi"),
        ("note", "VARCHAR", "note as entered"),
    ),
    from_payload(
        {"old_reading": "DOUBLE", "new_reading": "DOUBLE", "unit": "VARCHAR", "note": "VARCHAR"},
        f"{KM.format(unit='p.unit', value='p.old_reading')} AS old_km, "
        f"{KM.format(unit='p.unit', value='p.new_reading')} AS new_km, "
        "p.old_reading AS old_reading, p.new_reading AS new_reading, p.unit AS unit, "
        "p.note AS note",
    ),
)

VALUATIONS = TableSpec(
    "valuations",
    "one row for each market value of a vehicle as it stood",
    ("valuation",),
    (
        ("value", "DECIMAL(18,4)", "market value"),
        ("currency", "VARCHAR", "its currency, ISO 4217"),
        ("value_source", "VARCHAR", "where the figure is from"),
        ("note", "VARCHAR", "note as entered"),
    ),
    from_payload(
        {"value": _MONEY, "source": "VARCHAR", "note": "VARCHAR"},
        "p.value.amount AS value, p.value.currency AS currency, p.source AS value_source, "
        "p.note AS note",
    ),
)

INSPECTION_RESULTS = TableSpec(
    "inspection_results",
    "one row for each official safety or emission inspection",
    ("inspection_result",),
    (
        ("inspection", "VARCHAR", "safety, emission or combined"),
        ("result", "VARCHAR", "pass, fail, reject or not_tested"),
        ("due_date", "DATE", "when the next one is due"),
        ("station", "VARCHAR", "where it was done"),
        ("fee", "DECIMAL(18,4)", "fee paid"),
        ("currency", "VARCHAR", "currency of the fee, ISO 4217"),
        ("items", "VARCHAR", "items named on the sheet, separated by semicolons"),
        ("note", "VARCHAR", "note as entered"),
    ),
    from_payload(
        {
            "inspection": "VARCHAR",
            "result": "VARCHAR",
            "due_date": "DATE",
            "station": "VARCHAR",
            "fee": _MONEY,
            "items": ["VARCHAR"],
            "note": "VARCHAR",
        },
        "p.inspection AS inspection, p.result AS result, p.due_date AS due_date, "
        "p.station AS station, p.fee.amount AS fee, p.fee.currency AS currency, "
        "array_to_string(p.items, '; ') AS items, p.note AS note",
    ),
)

RETIREMENTS = TableSpec(
    "retirements",
    "one row for each vehicle that left",
    ("retirement",),
    (
        ("reason", "VARCHAR", "sold, scrapped, written_off or returned"),
        ("price", "DECIMAL(18,4)", "what it fetched"),
        ("currency", "VARCHAR", "currency of the price, ISO 4217"),
        ("note", "VARCHAR", "note as entered"),
    ),
    from_payload(
        {"reason": "VARCHAR", "price": _MONEY, "note": "VARCHAR"},
        "p.reason AS reason, p.price.amount AS price, p.price.currency AS currency, p.note AS note",
    ),
)

RETRACTIONS = TableSpec(
    "retractions",
    "one row for each event that was taken back by a retraction",
    ("retraction",),
    (
        ("event", "VARCHAR", "event_id of the event that should not count"),
        ("reason", "VARCHAR", "why, as entered"),
    ),
    from_payload({"event": "VARCHAR", "reason": "VARCHAR"}, "p.event AS event, p.reason AS reason"),
)

REPLACEMENTS_OF_EVENTS = TableSpec(
    "corrections",
    "one row for each event that replaces an earlier one",
    (),
    (("replaces", "VARCHAR", "event_id of the event that it corrects"),),
    # The text search first: few payloads have the key, and reading every one as JSON costs
    # as much as the rest of the fold.
    "SELECT seq, json_extract_string(payload, '$.replaces') AS replaces FROM batch "
    "WHERE contains(payload, '\"replaces\":')",
)

VEHICLE_TABLES = (
    PROFILES,
    READING_DETAILS,
    EXCHANGES,
    VALUATIONS,
    INSPECTION_RESULTS,
    RETIREMENTS,
    RETRACTIONS,
    REPLACEMENTS_OF_EVENTS,
)
