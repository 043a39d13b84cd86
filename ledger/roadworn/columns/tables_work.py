"""Tables folded from work: replacements, repairs, maintenance, estimates and their answers."""

from roadworn.columns.spec import ColumnSpec, TableSpec, from_payload

_MONEY = {"amount": "DECIMAL(18,4)", "currency": "VARCHAR"}
_COSTED = {
    "parts_cost": _MONEY,
    "labour_hours": "DOUBLE",
    "labour_rate": _MONEY,
    "work_order": "VARCHAR",
    "note": "VARCHAR",
}
_PLACE: tuple[ColumnSpec, ...] = (
    ("component", "VARCHAR", "component, system.part"),
    ("position", "VARCHAR", "where it sits, left and right from the driver's seat"),
)
_PLACE_SHAPE = {"component": "VARCHAR", "position": "VARCHAR"}
_PLACE_SQL = "p.component AS component, p.position AS position, "

_COST_COLUMNS: tuple[ColumnSpec, ...] = (
    ("parts_cost", "DECIMAL(18,4)", "cost of the parts, whole quantity"),
    ("labour_hours", "DOUBLE", "hours of labour"),
    ("labour_rate", "DECIMAL(18,4)", "price of an hour"),
    ("labour_cost", "DECIMAL(18,4)", "hours by rate, to the cent, half up"),
    ("total_cost", "DECIMAL(18,4)", "parts and labour; empty when neither or in two currencies"),
    ("currency", "VARCHAR", "currency of the amounts, ISO 4217"),
    ("work_order", "VARCHAR", "work order"),
    ("note", "VARCHAR", "note as entered"),
)
# Decimal all the way: hours by rate in binary would round some half cents the wrong way.
_LABOUR = "round(CAST(p.labour_hours AS DECIMAL(9,4)) * p.labour_rate.amount, 2)"
_COST_SQL = (
    "p.parts_cost.amount AS parts_cost, p.labour_hours AS labour_hours, "
    f"p.labour_rate.amount AS labour_rate, CAST({_LABOUR} AS DECIMAL(18,4)) AS labour_cost, "
    "CASE WHEN p.parts_cost.currency <> p.labour_rate.currency THEN NULL "
    f"WHEN p.parts_cost.amount IS NULL AND {_LABOUR} IS NULL THEN NULL "
    "ELSE CAST(coalesce(p.parts_cost.amount, 0) + "
    f"coalesce({_LABOUR}, 0) AS DECIMAL(18,4)) END AS total_cost, "
    "coalesce(p.parts_cost.currency, p.labour_rate.currency) AS currency, "
    "p.work_order AS work_order, p.note AS note"
)

REPLACEMENTS = TableSpec(
    "replacements",
    "one row for each part that was replaced",
    ("replacement",),
    (
        *_PLACE,
        ("reason", "VARCHAR", "failed, worn_out, preventive, damaged, recall, upgrade or unknown"),
        ("part_number", "VARCHAR", "part number of the new part"),
        ("maker", "VARCHAR", "maker of the new part"),
        ("supplier", "VARCHAR", "who supplied the new part"),
        ("part_kind", "VARCHAR", "new, remanufactured, used or unknown"),
        ("quantity", "INTEGER", "how many"),
        ("along_with", "VARCHAR", "component of the job it was taken along with"),
        *_COST_COLUMNS[:6],
        ("warranty_months", "INTEGER", "warranty of the new part in months"),
        ("warranty_km", "DOUBLE", "warranty of the new part in km"),
        *_COST_COLUMNS[6:],
    ),
    from_payload(
        {
            **_PLACE_SHAPE,
            "reason": "VARCHAR",
            "part_number": "VARCHAR",
            "maker": "VARCHAR",
            "supplier": "VARCHAR",
            "part_kind": "VARCHAR",
            "quantity": "INTEGER",
            "along_with": "VARCHAR",
            "warranty_months": "INTEGER",
            "warranty_distance": "DOUBLE",
            "warranty_unit": "VARCHAR",
            **_COSTED,
        },
        _PLACE_SQL + "p.reason AS reason, p.part_number AS part_number, p.maker AS maker, "
        "p.supplier AS supplier, coalesce(p.part_kind, 'unknown') AS part_kind, "
        "coalesce(p.quantity, 1) AS quantity, p.along_with AS along_with, "
        "p.warranty_months AS warranty_months, "
        "CASE p.warranty_unit WHEN 'mi' THEN p.warranty_distance * 1609344 / 1000000 "
        "WHEN 'km' THEN p.warranty_distance END AS warranty_km, " + _COST_SQL,
    ),
)

REPAIRS = TableSpec(
    "repairs",
    "one row for each repair without a new part",
    ("repair",),
    (
        *_PLACE,
        ("complaint", "VARCHAR", "what the customer says"),
        ("cause", "VARCHAR", "what was found to cause it"),
        ("correction", "VARCHAR", "what was done and verified"),
        *_COST_COLUMNS,
    ),
    from_payload(
        {
            **_PLACE_SHAPE,
            "complaint": "VARCHAR",
            "cause": "VARCHAR",
            "correction": "VARCHAR",
            **_COSTED,
        },
        _PLACE_SQL
        + "p.complaint AS complaint, p.cause AS cause, p.correction AS correction, "
        + _COST_SQL,
    ),
)

MAINTENANCE_DONE = TableSpec(
    "maintenance_done",
    "one row for each piece of service work done by plan",
    ("maintenance",),
    (
        *_PLACE,
        ("action", "VARCHAR", "inspected, adjusted, cleaned, replaced or filled"),
        *_COST_COLUMNS,
    ),
    from_payload(
        {**_PLACE_SHAPE, "action": "VARCHAR", **_COSTED},
        _PLACE_SQL + "coalesce(p.action, 'replaced') AS action, " + _COST_SQL,
    ),
)


def _charged(pieces: str, kind: str) -> str:
    """Return SQL for what the pieces of one kind add up to, empty when there are none."""
    of_kind = f"list_filter({pieces}, lambda q: q.kind = '{kind}')"
    added = f"list_sum(list_transform({of_kind}, lambda q: q.amount.amount))"
    return f"CAST({added} AS DECIMAL(18,4))"


_PIECES = [{"kind": "VARCHAR", "amount": _MONEY, "clock_hours": "DOUBLE"}]

ESTIMATES = TableSpec(
    "estimates",
    "one row for each estimate, with what it comes to by the shop's terms of its day",
    ("estimate",),
    (
        ("lines", "INTEGER", "how many lines it has"),
        ("jobs", "DECIMAL(18,4)", "price of all lines, before supplies and tax"),
        ("fees", "DECIMAL(18,4)", "fees on no single line"),
        ("supplies", "DECIMAL(18,4)", "shop supplies"),
        ("taxed", "DECIMAL(18,4)", "the sum that tax was taken of"),
        ("tax_percent", "DECIMAL(9,4)", "tax in percent of it"),
        ("tax", "DECIMAL(18,4)", "that tax, rounded once"),
        ("total", "DECIMAL(18,4)", "all the customer is asked for; empty without a shop's terms"),
        ("after_core_return", "DECIMAL(18,4)", "that total once the old parts came back"),
        ("currency", "VARCHAR", "currency of the amounts, ISO 4217"),
        ("consent_percent", "DECIMAL(9,4)", "further over it than this needs a new consent"),
        ("valid_until", "DATE", "last day the estimate holds"),
        ("note", "VARCHAR", "note as entered"),
    ),
    from_payload(
        {
            "lines": [{"amount": _MONEY}],
            "fees": [{"kind": "VARCHAR", "amount": _MONEY}],
            "totals": {
                "total": _MONEY,
                "after_core_return": _MONEY,
                "supplies": _MONEY,
                "taxed": _MONEY,
                "tax": _MONEY,
                "tax_percent": "DECIMAL(9,4)",
                "consent_percent": "DECIMAL(9,4)",
            },
            "valid_until": "DATE",
            "note": "VARCHAR",
        },
        "CAST(len(p.lines) AS INTEGER) AS lines, "
        "CAST(list_sum(list_transform(p.lines, lambda q: q.amount.amount)) AS DECIMAL(18,4)) "
        f"AS jobs, {_charged('p.fees', 'fee')} AS fees, "
        "p.totals.supplies.amount AS supplies, p.totals.taxed.amount AS taxed, "
        "p.totals.tax_percent AS tax_percent, p.totals.tax.amount AS tax, "
        "p.totals.total.amount AS total, "
        "p.totals.after_core_return.amount AS after_core_return, "
        "p.lines[1].amount.currency AS currency, p.totals.consent_percent AS consent_percent, "
        "p.valid_until AS valid_until, p.note AS note",
    ),
)

ESTIMATE_LINES = TableSpec(
    "estimate_lines",
    "one row for each line of an estimate",
    ("estimate",),
    (
        ("line", "INTEGER", "number of the line in its estimate"),
        *_PLACE,
        ("work", "VARCHAR", "work proposed"),
        ("amount", "DECIMAL(18,4)", "price of the line before supplies, tax and core charges"),
        ("currency", "VARCHAR", "currency of the amounts, ISO 4217"),
        ("parts_cost", "DECIMAL(18,4)", "parts in it"),
        ("labour_hours", "DOUBLE", "hours of labour in it, by the book"),
        ("labour_rate", "DECIMAL(18,4)", "price of an hour; empty when there are several"),
        ("clock_hours", "DOUBLE", "hours by the clock, when they were given"),
        ("labour", "DECIMAL(18,4)", "labour in it; this and the next three only with a working"),
        ("sublet", "DECIMAL(18,4)", "work bought in"),
        ("fees", "DECIMAL(18,4)", "fees in it"),
        ("core", "DECIMAL(18,4)", "core charges, a deposit and not in the amount"),
        ("safety", "BOOLEAN", "about a component whose failure can hurt someone"),
        ("valid_until", "DATE", "last day the estimate holds"),
        ("note", "VARCHAR", "note on the estimate as entered"),
    ),
    from_payload(
        {
            "lines": [
                {
                    "line": "INTEGER",
                    **_PLACE_SHAPE,
                    "work": "VARCHAR",
                    "amount": _MONEY,
                    "parts_cost": _MONEY,
                    "labour_hours": "DOUBLE",
                    "labour_rate": _MONEY,
                    "safety": "BOOLEAN",
                    "pieces": _PIECES,
                }
            ],
            "valid_until": "DATE",
            "note": "VARCHAR",
        },
        "x.line AS line, x.component AS component, x.position AS position, x.work AS work, "
        "x.amount.amount AS amount, x.amount.currency AS currency, "
        "x.parts_cost.amount AS parts_cost, x.labour_hours AS labour_hours, "
        "x.labour_rate.amount AS labour_rate, "
        "list_sum(list_transform(x.pieces, lambda q: q.clock_hours)) AS clock_hours, "
        f"{_charged('x.pieces', 'labour')} AS labour, "
        f"{_charged('x.pieces', 'sublet')} AS sublet, {_charged('x.pieces', 'fee')} AS fees, "
        f"{_charged('x.pieces', 'core')} AS core, coalesce(x.safety, false) AS safety, "
        "p.valid_until AS valid_until, p.note AS note",
        unnest="p.lines",
    ),
)

DECISIONS = TableSpec(
    "decisions",
    "one row for each answer to an estimate line",
    ("authorisation",),
    (
        ("estimate", "VARCHAR", "event_id of the estimate"),
        ("line", "INTEGER", "number of the line in its estimate"),
        ("decision", "VARCHAR", "approved, declined or deferred"),
        ("note", "VARCHAR", "note as entered"),
    ),
    from_payload(
        {
            "estimate": "VARCHAR",
            "decisions": [{"line": "INTEGER", "decision": "VARCHAR"}],
            "note": "VARCHAR",
        },
        "p.estimate AS estimate, x.line AS line, x.decision AS decision, p.note AS note",
        unnest="p.decisions",
    ),
)

WORK_TABLES = (REPLACEMENTS, REPAIRS, MAINTENANCE_DONE, ESTIMATES, ESTIMATE_LINES, DECISIONS)
