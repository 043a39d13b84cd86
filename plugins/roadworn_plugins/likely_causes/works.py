"""What was done for a fault on each vehicle, and the complaints that nothing done answers.

Apart from the pictures, since what is open on one vehicle asks for it, and to read the words of
all complaints for that took longer than the rest.
"""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn_plugins.likely_causes.words import LAMP, clauses, expected, is_general

#: Reasons that say nothing of a fault.
_NOT_FOR_A_FAULT = frozenset({"preventive", "recall", "upgrade", "damaged"})
#: So long after a complaint with some work since nobody waits for its answer any more (common
#: practice, no source).
_ASKED_AGAIN = timedelta(days=90)


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A complaint to which nothing done since is an answer; `cause`: one was written down."""

    vehicle: str
    component: str
    place: str
    text: str
    on: date
    event: str
    cause: bool


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


def unanswered(view: LedgerView, vehicle: str | None = None) -> list[Unanswered]:
    """Return the complaints that nobody answered, of vehicles still here, in order of writing.

    What was written as corrected is answered, and what work recorded since speaks to: clause by
    clause a part that its words point to, or one of the same system; words that point nowhere by
    any work; a lamp once no code is active. A tire mended on the same day answers no low pedal.
    """
    rows = view.of_vehicle(
        """WITH works AS (SELECT vehicle_id, occurred_on, seq, component FROM replacements
                          UNION ALL SELECT vehicle_id, occurred_on, seq, component FROM repairs)
           SELECT x.vehicle_id, coalesce(x.component, ''), coalesce(x.position, ''), x.complaint,
                  x.occurred_on, x.event_id, x.cause IS NOT NULL,
                  list(DISTINCT w.component) FILTER (w.component IS NOT NULL),
                  EXISTS (SELECT 1 FROM active_codes AS c
                          WHERE c.vehicle_id = x.vehicle_id AND c.status <> 'permanent')
           FROM complaints AS x JOIN vehicles AS v USING (vehicle_id)
           LEFT JOIN works AS w ON w.vehicle_id = x.vehicle_id AND (w.occurred_on > x.occurred_on
             OR (w.occurred_on = x.occurred_on AND w.seq > x.seq))
           WHERE x.correction IS NULL AND v.retired_on IS NULL
             AND ONLY(x.vehicle_id)
           GROUP BY x.seq, 1, 2, 3, 4, 5, 6, 7 ORDER BY x.seq""",
        vehicle,
    ).rows
    return [
        Unanswered(name, component, place, text, day, event, cause)
        for name, component, place, text, day, event, cause, done, lit in rows
        if not done
        or (
            view.today - day <= _ASKED_AGAIN
            and not _is_answered(component, text, frozenset(done), lit)
        )
    ]


def _is_answered(component: str, text: str, done: frozenset[str], lit: bool) -> bool:
    """Return whether work on so many components speaks to all of a complaint."""
    if component:
        return _speaks_to(done, {component})
    for _clause, facts in clauses(text):
        leading = expected(fact for fact in facts if not is_general(fact))
        if leading and not _speaks_to(done, {part for one in leading.values() for part in one}):
            return False
        if LAMP in facts and not leading and lit:
            return False
    return True


def _speaks_to(done: frozenset[str], parts: set[str]) -> bool:
    systems = {part.partition(".")[0] for part in parts}
    return any(part.partition(".")[0] in systems for part in done)


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
