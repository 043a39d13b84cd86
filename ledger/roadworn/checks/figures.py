"""What the figures of a look-over say against its own words, and against the look-over before."""

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any

from roadworn.checks.facts import Draft, Facts
from roadworn.checks.measured import doubts, grown
from roadworn.model.messages import Problem
from roadworn.trade.judging import KnownSizes
from roadworn.trade.limits import SHEETS, Sheet, load_sheet

#: A condition that its figure can be worse than.
_CAN_BE_WORSE = frozenset({"sound", "wearing"})
#: Sheet whose limits figures are held against when the look-over names none of ours.
_DEFAULT_SHEET = "light_vehicle"


def worse_than_said(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a condition that is better than its figure.

    Where a person judged by a sheet, a size that is missing is asked for as well.
    """
    named = draft.payload.get("sheet") or ""
    sizes = None if draft.sheet is None else sizes_on_record(draft.vehicle_id, facts)
    for at, finding in enumerate(draft.payload.get("findings") or ()):
        if finding.get("measurements") and (
            draft.sheet is not None or finding["component"] in _measured_components(named)
        ):
            for told in doubts(draft.sheet or _sheet(named), [finding], sizes):
                hint = "look at the figure, its unit and the condition again"
                yield Problem("worse-than-said", told, hint, column=f"payload.findings[{at}]")


def sizes_on_record(vehicle_id: str, facts: Facts) -> KnownSizes:
    """Return the sizes that look-overs of a vehicle said, the newest of each."""
    return KnownSizes.of_findings(
        finding
        for event in facts.events(vehicle_id, "inspection")
        for finding in event.data().get("findings", ())
    )


def may_be_odd(payload: Mapping[str, Any]) -> bool:
    """Return whether findings hold something to look at, note or figure: most do not."""
    measured = _measured_components(payload.get("sheet") or "")
    for finding in payload["findings"]:
        if "note" in finding:
            return True
        can_be = finding["measurements"] and finding["condition"] in _CAN_BE_WORSE
        if can_be and finding["component"] in measured:
            return True
    return False


@lru_cache(100)
def _measured_components(sheet: str) -> frozenset[str]:
    """Return the components that a sheet has limits for; the usual sheet when it is not ours."""
    return frozenset(item.component for item in _sheet(sheet).items if item.measurement)


@lru_cache(100)
def _sheet(name: str) -> Sheet:
    return load_sheet(name if name in SHEETS.names() else _DEFAULT_SHEET)


def grown_since(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a part that measures more than at the look-overs on record up to that day."""
    measured = [f for f in draft.payload.get("findings") or () if f.get("measurements")]
    if not measured:
        return
    looks = [
        event
        for event in facts.events(draft.vehicle_id, "inspection")
        if event.event_id != draft.event_id and event.occurred_at[:10] <= draft.day
    ]
    earlier = [
        (event.occurred_at[:10], finding)
        for event in sorted(looks, key=lambda event: event.occurred_at, reverse=True)
        for finding in event.data().get("findings", ())
    ]
    parts = [
        (event.occurred_at[:10], event.data())
        for event in facts.events(draft.vehicle_id, "replacement")
        if event.occurred_at[:10] <= draft.day
    ]
    for told in grown(measured, earlier, parts):
        yield Problem("grown", told)
