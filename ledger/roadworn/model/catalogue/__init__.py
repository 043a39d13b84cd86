"""What can be looked at, measured and replaced on a vehicle, in words of the trade.

The catalogue turns what a bench writes ("front pads", "O2 sensor B1S2") into one component
identifier and one position, so that the same part counts as the same part on every vehicle.
"""

from roadworn.model.catalogue.components import Component, load_components
from roadworn.model.catalogue.lookup import (
    Catalogue,
    PhraseResolution,
    Resolution,
    by_axle_sql,
    catalogue,
    part_name,
    place_of,
    place_sql,
)

__all__ = [
    "Catalogue",
    "Component",
    "PhraseResolution",
    "Resolution",
    "by_axle_sql",
    "catalogue",
    "load_components",
    "part_name",
    "place_of",
    "place_sql",
]
