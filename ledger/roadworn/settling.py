"""What a person has to settle before a vehicle's distance can be believed.

Of readings that contradict each other the read model uses the larger set, which with few
readings is hardly more than a guess; where it is one, the reader of an outlook is told.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from roadworn.view import LedgerView

#: So many used readings after a doubtful one settle it: two that agree are no chance.
_BEAR_OUT = 2
_LOOKED_AT = 4


def contradictions(view: "LedgerView", vehicle_id: str) -> list[str]:
    """Return a sentence with its remedy where the latest readings contradict each other."""
    rows = view.sql(
        """SELECT odometer, unit, occurred_on, used, event_id FROM readings
           WHERE vehicle_id = ? AND odometer IS NOT NULL
           ORDER BY occurred_at DESC, seq DESC LIMIT ?""",
        (vehicle_id, _LOOKED_AT),
    ).rows
    used = 0
    for at, (figure, unit, day, is_used, event) in enumerate(rows):
        if is_used:
            used += 1
            if used >= _BEAR_OUT:
                break
            continue
        rests = next((row for row in (*rows[:at][::-1], *rows[at + 1 :]) if row[3]), None)
        if rests is None:
            continue
        told = (
            f"The odometer readings {figure:,.10g} {unit} on {day} and {rests[0]:,.10g} {rests[1]} "
            f"on {rests[2]} contradict each other, and the distance here rests on the second: "
            f"correct the wrong one, roadworn correct {event[-8:]} odometer=… or "
            f"roadworn correct {rests[4][-8:]} odometer=…"
        )
        return [told]
    return []
