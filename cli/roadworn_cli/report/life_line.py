"""The life of a vehicle along its distance: what was read, looked at, replaced, and what repeats.

Nothing is computed here: events lie where the read model says the vehicle was, and which
failures repeat is what the analysis of repeat failures names as its evidence.
"""

from typing import TYPE_CHECKING

from roadworn.analysis import Ran, Tells
from roadworn_cli.report.marks import Lane, lanes
from roadworn_cli.report.model import Grid, Heading, Line, Picture
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

_EVENTS = """
SELECT kind, true_km, event_id FROM effective_events
WHERE vehicle_id = ? AND true_km IS NOT NULL ORDER BY true_km, seq
"""
_REPLACED = """
SELECT component, coalesce(position, ''), reason, true_km, occurred_on, event_id, total_cost,
       currency
FROM replacements WHERE vehicle_id = ? AND true_km IS NOT NULL ORDER BY true_km, seq
"""
#: Lane -> kinds of event on it.
_LANES = (
    ("readings", ("odometer_reading", "enrolment", "odometer_exchange")),
    ("look_overs", ("inspection", "inspection_result")),
    ("scans", ("scan",)),
    ("complaints", ("complaint",)),
    ("service", ("maintenance",)),
    ("repairs", ("repair",)),
)
#: Fewer events with a distance make no life to draw.
_FEWEST = 4
#: The same in fewer lanes, for the small picture of the owner's report.
_FEW_LANES = (
    (
        "looked_or_read",
        ("odometer_reading", "enrolment", "odometer_exchange", "inspection", "inspection_result",
         "scan"),
    ),
    ("complaints", ("complaint",)),
    ("service_or_repair", ("maintenance", "repair")),
)  # fmt: skip


def life_line(
    view: "LedgerView", vehicle_id: str, failing: Ran | None, words: Words, *, small: bool = False
) -> Picture | None:
    """Draw the line of life, in fewer lanes when small; None while too little has happened."""
    look = words.look
    events = view.sql(_EVENTS, (vehicle_id,)).rows
    replaced = view.sql(_REPLACED, (vehicle_id,)).rows
    drawn = [
        Lane(words(name), tuple(look.distance(km) for kind, km, _ in events if kind in kinds))
        for name, kinds in (_FEW_LANES if small else _LANES)
    ]
    failed = [row for row in replaced if row[2] in {"failed", "worn_out", "damaged"}]
    planned = [row for row in replaced if row not in failed]
    drawn.append(Lane(words("replaced_planned"), tuple(look.distance(row[3]) for row in planned)))
    drawn.append(Lane(words("replaced_failed"), tuple(look.distance(row[3]) for row in failed)))
    repeats = repeat_lanes(failing, {row[5]: look.distance(row[3]) for row in replaced}, words)
    ends = [look.distance(km) for _kind, km, _event in events]
    if len(ends) < _FEWEST or max(ends) <= min(ends):
        return None
    title = words(
        "life_repeats" if repeats else "life_plain",
        failures=len(failed),
        names=words.joined((lane.name for lane in repeats), ", "),
        low=words.number(f"{min(ends):,.0f}"),
        high=words.number(f"{max(ends):,.0f}"),
        unit=look.unit,
    )
    counts = words.joined(
        (words("lane", name=lane.name, n=len(lane.at)) for lane in (*drawn, *repeats) if lane.at),
        "; ",
    )
    headings = tuple(
        Heading(words(key), right=right)
        for key, right in (("day", False), ("distance", True), ("replaced", False), ("why", False))
    )
    lines = tuple(
        Line(
            (
                words.plain(day),
                words.km(km),
                words.part(component, position),
                words.word(reason.replace("_", " ")),
            )
        )
        for component, position, reason, km, day, *_ in reversed(replaced)
    )
    grids = (Grid(words("replaced"), headings, lines),) if lines else ()
    return lanes(
        (*drawn, *repeats),
        words("distance_axis", unit=look.unit),
        "life",
        words,
        title=title,
        alternative=counts,
        grids=grids,
    )


def repeat_lanes(
    failing: Ran | None, where: dict[str, float], words: Words, most: int = 6
) -> list[Lane]:
    """Return a lane for each repeat failure, at the places of its evidence that are known."""
    found: list[Lane] = []
    if failing is None or not failing.result.tables:
        return found
    table = failing.result.tables[0]
    for component, evidence in zip(table.cells(Tells.COMPONENT), table.evidence, strict=False):
        at = tuple(sorted(where[event] for event in evidence if event in where))
        name = words.word(component or "")
        if len(at) > 1 and name not in {lane.name for lane in found}:
            found.append(Lane(name, at, strong=True))
    return found[:most]
