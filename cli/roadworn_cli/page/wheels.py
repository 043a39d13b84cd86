"""Wheels on the page: rotated by a usual way, a set changed for the season, a flat repaired."""

from collections.abc import Iterable
from typing import Any

from roadworn.model.errors import UsageError
from roadworn_cli.page.cards import Card
from roadworn_cli.page.desk import Desk, Entry, Form, text_of
from roadworn_cli.page.jobs import form_page, sender
from roadworn_cli.wheels import CHANGES, PATTERNS, payload_of

#: The places of a flat that have a key; another is typed.
PLACES = ("LF", "RF", "LR", "RR")
_SETS = """
SELECT DISTINCT s FROM (
  SELECT fitted AS s FROM wheel_changes WHERE vehicle_id = ?
  UNION ALL SELECT stored FROM wheel_changes WHERE vehicle_id = ?) AS named
WHERE s IS NOT NULL ORDER BY s"""


def _asked(desk: Desk, card: Card) -> dict[str, Any]:
    """Return the usual ways, the sets that the vehicle has, and what was done last."""

    def ask(view: Any, _host: Any) -> tuple[list[str], list[Any]]:  # noqa: ANN401
        names = [row[0] for row in view.sql(_SETS, (card.vehicle_id, card.vehicle_id)).rows]
        return names, list(view.sql(CHANGES, (card.vehicle_id,)).rows)[:5]

    told = desk.asker.ask(f"wheels {card.vehicle_id}", ask)
    sets, changes = told.answer or ([], [])
    shown = [
        (row[0], row[1], row[2] or "", row[3] or "", row[4] or "", row[7] or "") for row in changes
    ]
    return {"patterns": PATTERNS, "places": PLACES, "sets": sets, "changes": shown, "told": told}


def _entries(_desk: Desk, _card: Card, form: Form) -> Iterable[Entry]:
    """Yield what was filled in; each part of the form is an act of its own, all in one writing."""
    how = text_of(form, "moves") or text_of(form, "how")
    if how:
        yield Entry(*payload_of("rotate", how))
    fitted, stored, storage = (text_of(form, name) for name in ("fitted", "stored", "storage"))
    if (stored or storage) and not fitted:
        raise UsageError("Say which set went on, too.")
    if fitted:
        kind, payload = payload_of("swap", fitted)
        yield Entry(kind, payload | {"stored": stored, "storage": storage})
    place = text_of(form, "place") or text_of(form, "flat")
    if place:
        yield Entry(*payload_of("flat", f"{place} {text_of(form, 'repair')}".strip()))


show_wheels = form_page("wheels.html", _asked)
send_wheels = sender(show_wheels, _entries)
