"""The tables folded from events; types and casts come from the payload models.

What comes from look-overs, scans and complaints stands in `tables_looks`.
"""

from roadworn.columns.spec import Made, TableSpec, Told, km, table
from roadworn.columns.tables_looks import LOOK_TABLES, NOTE, PLACE, THREE_TEXTS

_CURRENCY = "currency of the amounts, ISO 4217"


def _currency(field: str, meaning: str) -> Made:
    return Made("currency", "VARCHAR", meaning, f"p.{field}.currency")


# The vehicle as a whole, and what an event takes back.

_PROFILE: tuple[Told | Made, ...] = (
    ("label", "what people call it"),
    ("vin", "vehicle identification number as entered"),
    ("make", "maker as entered"),
    ("model", "model as entered"),
    ("model_year", "model year"),
    ("vehicle_class", "group of like vehicles, as entered"),
    ("engine", "engine"),
    ("gearbox", "gearbox"),
    ("fuel", "fuel"),
    ("drive", "driven wheels: front, rear or all"),
    ("front_brakes", "brakes at the front: disc, drum, air_disc or air_drum"),
    ("rear_brakes", "brakes at the rear: disc, drum, air_disc or air_drum"),
    ("weight_class", "weight class"),
    ("duty", "kind of use"),
    ("use", "what its owner needs it for: daily, errands, weekend, work, long_trips, to_be_sold"),
    ("inspected_by", "rule set of its official inspection, or none where none is asked for"),
    ("depot", "where it is based"),
    ("purchase_price", "what it cost when it was bought"),
    Made(
        "purchase_currency",
        "VARCHAR",
        "currency of that, ISO 4217",
        "p.purchase_price.currency",
    ),
    ("purchase_date", "day on which it was bought"),
    ("in_service_date", "first day of its use"),
    ("records_since", "day from which all work on it is on record, as entered"),
    ("odometer_digits", "digits the odometer shows before it rolls over"),
    ("owner_reference", "opaque reference into the contacts, never a name"),
)

PROFILES = table(
    "profiles",
    "one row for each enrolment or change of a vehicle's profile, with the fields it gives",
    ("enrolment", "profile_change"),
    *_PROFILE,
    Made("parts", "VARCHAR", "whether fitted parts were original at enrolment", "p.parts"),
    NOTE,
)
PROFILE_COLUMNS = PROFILES.columns[: len(_PROFILE)]

READING_DETAILS = table(
    "reading_details",
    "how an odometer reading was taken, one row for each odometer_reading event",
    ("odometer_reading",),
    ("how", "dash, module, typed or estimated"),
    ("status", "actual, exceeds_mechanical_limits, not_actual or unknown"),
    NOTE,
)

EXCHANGES = table(
    "exchanges",
    "one row for each odometer that was exchanged",
    ("odometer_exchange",),
    Made(
        "old_km", "DOUBLE", "last figure of the old odometer, in km", km("p.old_reading", "p.unit")
    ),
    Made(
        "new_km", "DOUBLE", "first figure of the new odometer, in km", km("p.new_reading", "p.unit")
    ),
    ("old_reading", "last figure of the old odometer, as entered"),
    ("new_reading", "first figure of the new odometer, as entered"),
    ("unit", "unit of the two figures, km or mi"),
    NOTE,
)

VALUATIONS = table(
    "valuations",
    "one row for each market value of a vehicle as it stood",
    ("valuation",),
    ("value", "market value"),
    _currency("value", "its currency, ISO 4217"),
    Made("value_source", "VARCHAR", "where the figure is from", "p.source"),
    NOTE,
)

INSPECTION_RESULTS = table(
    "inspection_results",
    "one row for each official safety or emission inspection",
    ("inspection_result",),
    ("inspection", "safety, emission or combined"),
    ("result", "pass, fail, reject or not_tested"),
    ("due_date", "when the next one is due"),
    ("station", "where it was done"),
    ("fee", "fee paid"),
    _currency("fee", "currency of the fee, ISO 4217"),
    ("items", "items it failed on, separated by semicolons"),
    NOTE,
)

RETIREMENTS = table(
    "retirements",
    "one row for each vehicle that left",
    ("retirement",),
    ("reason", "sold, scrapped, written_off or returned"),
    ("price", "what it fetched"),
    _currency("price", "currency of the price, ISO 4217"),
    NOTE,
)

VISITS = table(
    "visits",
    "one row for each time that a vehicle came into the shop, or was handed over",
    ("visit",),
    ("step", "arrived or handed_over"),
    ("promised", "day for which it was promised"),
    ("promised_time", "time of that day by the clock on the wall, 16:00; empty if not said"),
    NOTE,
)

OUT_OF_SERVICE = table(
    "out_of_service",
    "one row for each time that a vehicle was said to be out of service, see standstills",
    ("out_of_service",),
    ("cause", "repair, waiting_for_parts, inspection, accident, no_driver or other"),
    ("days", "how many days it stood, where that was said"),
    ("until", "day it was back, where that was said"),
    NOTE,
)

BACK_IN_SERVICE = table(
    "back_in_service",
    "one row for each time that a vehicle was said to serve again",
    ("back_in_service",),
    NOTE,
)

ENERGY = table(
    "energy",
    "one row for each time that fuel or electricity was put in",
    ("energy",),
    ("amount", "how much"),
    ("amount_unit", "l, gal (US), kWh or kg"),
    ("cost", "what it cost"),
    _currency("cost", "currency of the cost, ISO 4217"),
    ("fill", "full or part, where that was said"),
    NOTE,
)

HOURS_READINGS = table(
    "hours_readings",
    "one row for each reading of an engine's hour meter",
    ("hours_reading",),
    ("hours", "hours of the engine, as read"),
    NOTE,
)

MERGES = TableSpec(
    "merges",
    "one row for each record that turned out to be that of another vehicle",
    ("merge",),
    (
        ("record", "VARCHAR", "id that the record was kept under"),
        ("said_into", "VARCHAR", "id of the vehicle that it was said to be"),
        ("note", "VARCHAR", "note as entered"),
    ),
    "SELECT seq, vehicle_id AS record, json_extract_string(payload, '$.into') AS said_into, "
    "json_extract_string(payload, '$.note') AS note FROM batch",
)

WHEEL_CHANGES = table(
    "wheel_changes",
    "one row each time that wheels were rotated, or a set put on in the place of another",
    ("wheels",),
    ("action", "rotated or swapped"),
    ("fitted", "name of the set that went on"),
    ("stored", "name of the set that came off"),
    ("storage", "where that one lies"),
    NOTE,
)

WHEEL_MOVES = table(
    "wheel_moves",
    "one row for each wheel that was moved in a rotation",
    ("wheels",),
    ("from_place", "where it sat"),
    ("to_place", "where it sits from then on"),
    each=("moves",),
)

RETRACTIONS = table(
    "retractions",
    "one row for each event that was taken back by a retraction",
    ("retraction",),
    ("event", "event_id of the event that should not count"),
    ("reason", "why, as entered"),
)

CORRECTIONS = TableSpec(
    "corrections",
    "one row for each event that replaces an earlier one",
    (),
    (("replaces", "VARCHAR", "event_id of the event that it corrects"),),
    # The text search first: few payloads have the key, and reading every one as JSON costs
    # as much as the rest of the fold.
    "SELECT seq, json_extract_string(payload, '$.replaces') AS replaces FROM batch "
    "WHERE contains(payload, '\"replaces\":')",
)

# Work: replacements, repairs, maintenance, estimates and their answers.

# Decimal all the way: hours by rate in binary would round some half cents the wrong way.
_LABOUR = "round(CAST(p.labour_hours AS DECIMAL(9,4)) * p.labour_rate.amount, 2)"
_COSTS: tuple[Told | Made, ...] = (
    ("parts_cost", "cost of the parts, whole quantity"),
    ("labour_hours", "hours of labour"),
    ("labour_rate", "price of an hour"),
    ("other_cost", "sublet work, fees, or a price as a whole"),
    Made(
        "labour_cost",
        "DECIMAL(18,4)",
        "hours by rate, to the cent, half up",
        f"CAST({_LABOUR} AS DECIMAL(18,4))",
    ),
    Made(
        "total_cost",
        "DECIMAL(18,4)",
        "parts, labour and the rest; empty when there is none or in two currencies",
        "CASE WHEN p.parts_cost.currency <> p.labour_rate.currency "
        "OR p.other_cost.currency <> coalesce(p.parts_cost.currency, p.labour_rate.currency) "
        "THEN NULL "
        f"WHEN coalesce(p.parts_cost.amount, p.other_cost.amount, {_LABOUR}) IS NULL THEN NULL "
        "ELSE CAST(coalesce(p.parts_cost.amount, 0) + coalesce(p.other_cost.amount, 0) + "
        f"coalesce({_LABOUR}, 0) AS DECIMAL(18,4)) END",
    ),
    Made(
        "currency",
        "VARCHAR",
        _CURRENCY,
        "coalesce(p.parts_cost.currency, p.labour_rate.currency, p.other_cost.currency)",
    ),
)
_ORDER: tuple[Told, ...] = (
    ("clocked_hours", "hours by the clock, never charged from"),
    ("done_by", "initials of who did it"),
    ("depot", "where it was done as entered, see depot_spans for the vehicle's own"),
    ("fluid", "grade of the fluid put in"),
    ("fluid_amount", "how much of it"),
    ("fluid_unit", "unit of that amount"),
    ("estimate", "event_id of the estimate that it was agreed by"),
    ("estimate_line", "number of the line in it"),
    ("tests", "tests that it asked for, separated by semicolons"),
    ("work_order", "work order"),
    NOTE,
)
_CAME_BACK: tuple[Told, ...] = (
    ("comeback_of", "event_id of the earlier job that it is a comeback of, as entered"),
    ("comeback_cause", "part, workmanship, customer_part or unknown, as entered"),
)

REPLACEMENTS = table(
    "replacements",
    "one row for each part that was replaced",
    ("replacement",),
    *PLACE,
    ("reason", "failed, worn_out, preventive, damaged, recall, upgrade or unknown"),
    ("part_number", "part number of the new part"),
    ("maker", "maker of the new part"),
    ("supplier", "who supplied the new part"),
    ("part_kind", "new, remanufactured, used or unknown"),
    ("part_source", "bought, stock or customer, who brought it; empty where nobody said"),
    ("quantity", "how many"),
    ("along_with", "component of the job it was taken along with"),
    *_COSTS,
    ("warranty_months", "warranty of the new part in months"),
    Made(
        "warranty_km",
        "DOUBLE",
        "warranty of the new part in km",
        km("p.warranty_distance", "p.warranty_unit"),
    ),
    *_CAME_BACK,
    *_ORDER,
)

REPAIRS = table(
    "repairs",
    "one row for each repair without a new part",
    ("repair",),
    *PLACE,
    *THREE_TEXTS,
    *_COSTS,
    *_CAME_BACK,
    *_ORDER,
)

MAINTENANCE_DONE = table(
    "maintenance_done",
    "one row for each piece of service work done by plan",
    ("maintenance",),
    *PLACE,
    ("action", "inspected, adjusted, cleaned, replaced, filled, or done"),
    *_COSTS,
    *_ORDER,
)

WORK_TESTS = table(
    "work_tests",
    "one row for each test after work",
    ("work_test",),
    ("test", "which test, as `work.tests` names it"),
    ("result", "passed or failed"),
    NOTE,
)


def _charged(name: str, meaning: str, pieces: str, kind: str) -> Made:
    """Return the column of what the pieces of one kind add up to, empty when there are none."""
    of_kind = f"list_filter({pieces}, lambda q: q.kind = '{kind}')"
    added = f"list_sum(list_transform({of_kind}, lambda q: q.amount.amount))"
    return Made(name, "DECIMAL(18,4)", meaning, f"CAST({added} AS DECIMAL(18,4))")


def _total(name: str, meaning: str) -> Made:
    return Made(name, "DECIMAL(18,4)", meaning, f"p.totals.{name}.amount")


def _percent(name: str, meaning: str) -> Made:
    return Made(name, "DECIMAL(9,4)", meaning, f"CAST(p.totals.{name} AS DECIMAL(9,4))")


_VALID_UNTIL: Told = ("valid_until", "last day the estimate holds")

ESTIMATES = table(
    "estimates",
    "one row for each estimate, with what it comes to by the shop's terms of its day",
    ("estimate",),
    Made("lines", "INTEGER", "how many lines it has", "CAST(len(p.lines) AS INTEGER)"),
    Made(
        "jobs",
        "DECIMAL(18,4)",
        "price of all lines, before supplies and tax",
        "CAST(list_sum(list_transform(p.lines, lambda q: q.amount.amount)) AS DECIMAL(18,4))",
    ),
    _charged("fees", "fees on no single line", "p.fees", "fee"),
    _total("supplies", "shop supplies"),
    _total("taxed", "the sum that tax was taken of"),
    _percent("tax_percent", "tax in percent of it"),
    _total("tax", "that tax, rounded once"),
    _total("total", "all the customer is asked for; empty without a shop's terms"),
    _total("after_core_return", "that total once the old parts came back"),
    Made("currency", "VARCHAR", _CURRENCY, "p.lines[1].amount.currency"),
    _percent("consent_percent", "further over it than this needs a new consent"),
    _VALID_UNTIL,
    ("revises", "event_id of the estimate whose place it takes"),
    NOTE,
)

ESTIMATE_LINES = table(
    "estimate_lines",
    "one row for each line of an estimate",
    ("estimate",),
    ("line", "number of the line in its estimate"),
    *PLACE,
    ("work", "work proposed"),
    ("amount", "price of the line before supplies, tax and core charges"),
    Made("currency", "VARCHAR", _CURRENCY, "x.amount.currency"),
    ("parts_cost", "parts in it"),
    ("labour_hours", "hours of labour in it, by the book"),
    ("labour_rate", "price of an hour; empty when there are several"),
    Made(
        "clock_hours",
        "DOUBLE",
        "hours by the clock, when they were given",
        "list_sum(list_transform(x.pieces, lambda q: q.clock_hours))",
    ),
    _charged(
        "labour", "labour in it; this and the next three only with a working", "x.pieces", "labour"
    ),
    _charged("sublet", "work bought in", "x.pieces", "sublet"),
    _charged("fees", "fees in it", "x.pieces", "fee"),
    _charged("core", "core charges, a deposit and not in the amount", "x.pieces", "core"),
    ("safety", "about a component whose failure can hurt someone"),
    ("revises", "event_id of the estimate whose place its own takes"),
    ("as_in", "event_id of an earlier estimate whose answered line it repeats unchanged"),
    ("as_line", "number of that line"),
    _VALID_UNTIL,
    ("note", "note on the estimate as entered"),
    each=("lines",),
)

DECISIONS = table(
    "decisions",
    "one row for each answer to an estimate line",
    ("authorisation",),
    ("estimate", "event_id of the estimate"),
    ("line", "number of the line in its estimate"),
    ("decision", "approved, declined or deferred"),
    NOTE,
    each=("decisions",),
)

CORE_TABLES: tuple[TableSpec, ...] = (
    *(
        PROFILES,
        READING_DETAILS,
        EXCHANGES,
        VALUATIONS,
        INSPECTION_RESULTS,
        RETIREMENTS,
        MERGES,
        WHEEL_CHANGES,
        WHEEL_MOVES,
    ),
    *(OUT_OF_SERVICE, BACK_IN_SERVICE, ENERGY, HOURS_READINGS),
    *(VISITS, RETRACTIONS, CORRECTIONS, *LOOK_TABLES),
    *(REPLACEMENTS, REPAIRS, MAINTENANCE_DONE, WORK_TESTS, ESTIMATES, ESTIMATE_LINES, DECISIONS),
)
