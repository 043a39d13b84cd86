"""What was done for a fault on each vehicle, whatever was said of it.

Apart from the pictures, since what is open on one vehicle asks for it, and to read the words of
all complaints for that took longer than the rest.
"""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue

#: Reasons that say nothing of a fault.
_NOT_FOR_A_FAULT = frozenset({"preventive", "recall", "upgrade", "damaged"})


@dataclass(frozen=True, slots=True)
class Work:
    """Work for a fault, or what a complaint with its cause says was done."""

    on: date
    seq: int
    km: float | None
    event: str
    component: str
    fault: bool
    worn: bool
    text: str | None
    told: bool = False


def complaints_of(
    view: LedgerView,
) -> list[tuple[str, date, int, float | None, str, str | None, str]]:
    """Return the complaints with the component that was their cause, an empty text for none."""
    return [
        (
            *told,
            ((component or _named(cause) or _named(correction)) if cause or correction else "")
            or "",
        )
        for *told, cause, correction, component in view.sql(
            """SELECT vehicle_id, occurred_on, seq, true_km, event_id, complaint, cause, correction,
                      component FROM complaints ORDER BY seq"""
        ).rows
    ]


def works_of(view: LedgerView) -> dict[str, list[Work]]:
    """Return what was done for a fault on each vehicle; nothing that was said is read for it."""
    return view.kept((Work,), lambda: _read_works(view))


def _read_works(view: LedgerView) -> dict[str, list[Work]]:
    found: dict[str, list[Work]] = defaultdict(list)
    for name, day, seq, km, event, _text, known in complaints_of(view):
        if known:
            found[name].append(Work(day, seq, km, event, known, True, False, None, True))
    for name, day, seq, km, event, component, reason, along, text in view.sql(
        """SELECT vehicle_id, occurred_on, seq, true_km, event_id, component, reason, along_with,
                  NULL FROM replacements
           UNION ALL
           SELECT vehicle_id, occurred_on, seq, true_km, event_id, component, 'failed', NULL,
                  complaint FROM repairs
           ORDER BY 3"""
    ).rows:
        if reason in _NOT_FOR_A_FAULT or along:
            continue
        found[name].append(
            Work(day, seq, km, event, component, reason == "failed", reason == "worn_out", text)
        )
    return dict(found)


def _named(text: str | None) -> str:
    """Return the component that a written cause begins with, where the catalogue is sure of it."""
    words = (text or "").split()[:6]
    for end in range(len(words), 0, -1):
        known = catalogue().resolve(" ".join(words[:end]), near=False)
        if known.component is not None:
            return known.component.id
    return ""
