"""Which events have been taken back, by a retraction or by a corrected event.

A retraction names an earlier event; so may a later retraction name the retraction, and then
the first event counts again. A corrected event names the one it replaces. If the correction
is itself corrected, the first event stays replaced; if the correction is retracted, the
first event counts again, since the user has taken the correction back.

This is the one step of the read model that is not SQL: it is a walk from the latest amendment
to the earliest, and there are few of them.
"""

from collections.abc import Iterable
from typing import NamedTuple


class Amendment(NamedTuple):
    """An event that takes back another one.

    Attributes:
        seq: its place in the ledger.
        event_id: its id.
        target: id of the event it takes back.
        retracts: True for a retraction, False for a correction.
    """

    seq: int
    event_id: str
    target: str
    retracts: bool


def taken_back(amendments: Iterable[Amendment]) -> dict[str, str]:
    """Return event_id -> event_id of what took it back, for every event that does not count.

    Args:
        amendments: all known retractions and corrections, in any order.
    """
    retracted: dict[str, str] = {}
    replaced: dict[str, str] = {}
    # An amendment can only name what was there before it, so from the end backwards each one
    # is judged before it is used.
    for amendment in sorted(amendments, key=lambda a: a.seq, reverse=True):
        if amendment.event_id in retracted:
            continue
        if not amendment.retracts:
            replaced.setdefault(amendment.target, amendment.event_id)
        elif amendment.event_id not in replaced:
            retracted.setdefault(amendment.target, amendment.event_id)
    return {**replaced, **retracted}
