"""Records that turned out to be one vehicle: whose events count as whose.

A `merge` says that the record of its vehicle is that of another one. Nothing is rewritten: it
holds until it is taken back, and whoever reads follows it, as the columns do
(`roadworn.columns.views_vehicles`).
"""

from collections.abc import Callable, Mapping
from typing import Any

#: Runs a SELECT with its parameters and returns all of its rows.
Query = Callable[..., list[tuple[Any, ...]]]
_MERGES = (
    "SELECT vehicle_id, json_extract(payload, '$.into') FROM events WHERE kind = 'merge' "
    "AND event_id NOT IN (SELECT json_extract(payload, '$.event') FROM events "
    "WHERE kind = 'retraction') ORDER BY seq"
)


def merged_into(query: Query) -> dict[str, str]:
    """Return vehicle -> the vehicle whose record it belongs to, for records that were merged.

    Args:
        query: runs a SELECT on the ledger.
    """
    return resolved(dict(query(_MERGES, ())))


def resolved(into: Mapping[str, str]) -> dict[str, str]:
    """Return where each record ends, going on through records that were merged in their turn.

    Args:
        into: vehicle -> the vehicle it was merged into, the latest word for each.
    """
    found = {}
    for vehicle, target in into.items():
        passed = {vehicle}
        at = target
        while at in into and at not in passed:
            passed.add(at)
            at = into[at]
        # A circle would have no end: the door refuses it, and a foreign file is not followed.
        if at not in passed:
            found[vehicle] = at
    return found
