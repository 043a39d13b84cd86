"""What a customer put off: shown when the vehicle is back, with the price it had then."""

from roadworn.bench.words import item_words
from roadworn_cli.context import State
from roadworn_cli.output import emit, note

_QUERY = """
SELECT occurred_on AS decided_on, decision, component, position, work, amount, currency, safety,
       estimated_on, estimate, line, event_id
FROM declined_work WHERE vehicle_id = ?
ORDER BY safety DESC, occurred_on DESC, estimate, line
"""
_TABLE = ("decided on", "decision", "what", "work", "price then", "safety")


def tell_declined(state: State, vehicle: str, fmt: str) -> None:
    """Print the declined and deferred work of a vehicle that is not done since, safety first.

    Args:
        state: which ledger, as of which day.
        vehicle: as typed.
        fmt: table, json or csv.
    """
    with state.open_view() as view:
        vehicle_id = view.require_vehicle(vehicle)
        found = view.sql(_QUERY, [vehicle_id])
    if fmt == "table":
        rows = [dict(zip(found.columns, values, strict=True)) for values in found.rows]
        emit(
            _TABLE,
            [
                (
                    row["decided_on"],
                    row["decision"],
                    item_words(row),
                    row["work"],
                    f"{row['amount']:,.2f} {row['currency']}",
                    "safety" if row["safety"] else "",
                )
                for row in rows
            ],
            fmt=fmt,
        )
    else:
        emit(found.columns, found.rows, fmt=fmt)
    if not found.rows:
        note(f"nothing that {vehicle_id} was told of is declined or deferred.")
