"""Why a measured part has no line of its own: said, since it would be missed in silence."""

from collections.abc import Collection

from roadworn.catalogue import catalogue
from roadworn.view import LedgerView
from roadworn_plugins.inspection_rules import load_rules
from roadworn_plugins.wear import Wear, place_of, unprojected
from roadworn_plugins.wear_limits import is_wear

_MOST = 2
ROSE = "a figure higher than before: a new part not recorded, or another wheel?"
NO_READING = "measured without an odometer reading: give --odometer with the look-over"


def left_out(
    view: LedgerView, vehicle: str | None, found: Collection[Wear], rules: str = ""
) -> str:
    """Return in one sentence which measured parts are left out and why, or an empty text.

    Args:
        view: the ledger as of a day.
        vehicle: only this one.
        found: what was projected.
        rules: whose limits, as the projection had them.
    """
    told = {(w.vehicle, w.component, w.position) for w in found}
    items = [item for item in load_rules(rules).items if is_wear(item)]
    risen = {(p.vehicle, p.component, p.place) for p in unprojected(view, items) if p.left_out}
    components = sorted({c for item in items for c in item.components})
    marks = ", ".join("?" * len(components))
    reasons: dict[tuple[str, str, str], str] = {}
    for name, component, position, read in view.sql(
        f"""SELECT m.vehicle_id, m.component, m.position, bool_or(e.odometer IS NOT NULL)
            FROM measurements AS m JOIN effective_events AS e USING (event_id)
            JOIN vehicles AS v ON v.vehicle_id = m.vehicle_id AND v.retired_on IS NULL
            WHERE m.component IN ({marks}) AND m.value_mm IS NOT NULL
            GROUP BY m.vehicle_id, m.component, m.position
            ORDER BY m.vehicle_id, m.component, m.position""",
        components,
    ).rows:
        key = (name, component, place_of(component, position))
        if key in told or vehicle not in (None, name):
            continue
        if key in risen or not read:
            # What was measured once only waits for its next look-over, and needs no word.
            reasons[key] = ROSE if key in risen else NO_READING
    parts = []
    for reason in dict.fromkeys(reasons.values()):
        keys = [key for key, why in reasons.items() if why == reason]
        names = [
            f"{catalogue().name_of(c)} {p}".strip() + ("" if vehicle else f" of {v}")
            for v, c, p in keys[:_MOST]
        ]
        more = f" and {len(keys) - _MOST} more" if len(keys) > _MOST else ""
        parts.append(f"{', '.join(names)}{more} ({reason})")
    return f"Measured, but left out: {'; '.join(parts)}." if parts else ""
