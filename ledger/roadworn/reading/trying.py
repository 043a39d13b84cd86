"""Which tests after work are open: what nobody tried since must not leave as tried.

Of one day the order of writing counts: a drive before the work says nothing of the work.
"""

from roadworn.checks.facts import WORK, Facts
from roadworn.model.events import StoredEvent


def open_tests(facts: Facts, vehicle_id: str) -> list[tuple[str, str]]:
    """Return (name, ISO day it was asked for) of tests after work that nobody has passed since.

    What the view `open_tests` tells the office, asked of the ledger alone.
    """
    asked: dict[str, tuple[str, int]] = {}
    for event in sorted(facts.events(vehicle_id, *WORK), key=_asking):
        for name in event.data().get("tests") or ():
            asked[name] = _asking(event)
    for event in sorted(facts.events(vehicle_id, "work_test"), key=_made):
        name = event.data()["test"]
        if event.data()["result"] == "failed":
            asked[name] = _made(event)
        elif name in asked and _made(event) > asked[name]:
            del asked[name]
    return [(name, day) for name, (day, _seq) in asked.items()]


def _made(event: StoredEvent) -> tuple[str, int]:
    return event.occurred_at[:10], event.seq


def _asking(event: StoredEvent) -> tuple[str, int]:
    """Return when work asks for its tests; putting its entry right is no work of a later moment."""
    day, seq = _made(event)
    return day, 0 if event.data().get("replaces") else seq
