"""Which limit of a rule set a worn part runs towards: by weight, axle, kind of brake and size.

Where several hold, or the size that a limit hangs on is on no record, the part runs towards
the strictest: a distance to a limit may be too short, but never too long.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from roadworn.columns.view import LedgerView
from roadworn.model.units import exact
from roadworn.trade.limits import Item
from roadworn.trade.weight import Weight
from roadworn_plugins.inspection.looks import Looks, load_looks
from roadworn_plugins.inspection.rules import asked_components


def is_wear(item: Item) -> bool:
    """Whether a rule is about something that gets thinner."""
    limited = item.limit is not None or bool(item.table)
    return limited and item.direction == "min" and item.unit in ("32nds", "in", "mm")


@dataclass(frozen=True, slots=True)
class WearLimits:
    """The rules about wear, and what is on record of the vehicles that decides between them."""

    items: tuple[Item, ...]
    looks: Mapping[str, Looks]

    @classmethod
    def load(cls, view: LedgerView, items: Sequence[Item]) -> "WearLimits":
        """Read what decides; nothing is read when no rule hangs on anything."""
        hangs = any(item.only_with or item.only_recorded or item.table for item in items)
        return cls(tuple(items), load_looks(view, asked_components(items)) if hangs else {})

    def item_for(self, vehicle: str, weight: Weight, component: str, place: str) -> Item | None:
        """Return the rule for a part with its limit, or None when there is none."""
        own = self.looks.get(vehicle, Looks())
        fitting = [
            self._limited(item, own, place)
            for item in self.items
            if component in item.components
            and item.holds_for(weight, own.recorded)
            and item.covers(place or None)
        ]
        return max(fitting, key=_millimetres, default=None)

    def _limited(self, item: Item, own: Looks, place: str) -> Item:
        table = item.sized
        if table is None:
            return item
        limits = table.limits(own.sizes.size_for(table, place)) or table.limits(None)
        return replace(item, limit=max(limits), unit=table.unit)


def _millimetres(item: Item) -> Fraction:
    if item.limit is None:
        raise AssertionError(item.key)
    return exact(item.limit, item.unit, "mm")
