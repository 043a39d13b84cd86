"""Figures on record that are past their limit, whatever condition was written down with them.

Somebody measures 0.5 mm of lining and writes "sound": the figure is believed, not the word.
The limits are those of the rule set for inspections that is kept here, with their citations.
"""

from dataclasses import dataclass

from roadworn.trade.weight import weigh
from roadworn.view import LedgerView
from roadworn_plugins.inspection_judging import judge_item
from roadworn_plugins.inspection_looks import Looks, load_looks
from roadworn_plugins.inspection_rules import asked_components, load_rules

# A figure does not grow back: the last one counts until work is recorded, however old it is.
_ANY_AGE = 100_000


@dataclass(frozen=True, slots=True)
class BeyondLimit:
    """One place whose latest figure is past its limit, or that was found failed.

    `words` says what was seen and whose limit it is.
    """

    vehicle: str
    component: str
    place: str
    words: str
    events: tuple[str, ...]


def beyond_limits(view: LedgerView, vehicle: str | None = None) -> list[BeyondLimit]:
    """Return what is past its limit on one vehicle, or on all that are still here."""
    measured = [item for item in load_rules().items if item.measurement]
    looks = load_looks(view, asked_components(measured))
    rows = view.sql(
        f"""SELECT vehicle_id, weight_class, vehicle_class, duty FROM vehicles
            WHERE retired_on IS NULL{" AND vehicle_id = ?" * bool(vehicle)}
            ORDER BY vehicle_id""",
        (vehicle,) if vehicle else (),
    ).rows
    found = []
    for name, weight_class, vehicle_class, duty in rows:
        own = looks.get(name, Looks())
        said = {"weight_class": weight_class, "vehicle_class": vehicle_class, "duty": duty}
        weight = weigh(said).taken
        for item in measured:
            if not item.holds_for(weight, own.recorded):
                continue
            judged = judge_item(item, own.newest(item.components), view.today, _ANY_AGE, own.sizes)
            found += [
                BeyondLimit(
                    name,
                    component,
                    place,
                    f"{judged.detail} (limit of {judged.citation})",
                    judged.evidence,
                )
                for component, place in judged.failed
            ]
    return found
