"""What the day's lists ask of analyses: complaints that nobody answered, and what to offer.

Asked only of vehicles that are in the shop, and of those only where something is to be said: an
answer takes a second, and the lists of a day are to be there at once.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from roadworn.analysis import Answers, Holds, Mark, Tells
from roadworn.model.errors import PluginFailure, UnknownName

if TYPE_CHECKING:
    from roadworn.analysis import Table
    from roadworn.analysis.day import Day
    from roadworn.analysis.host import PluginHost
    from roadworn.columns.spec import Rows
    from roadworn.columns.view import LedgerView

_MAY_BE_OPEN = "SELECT DISTINCT vehicle_id FROM complaints WHERE correction IS NULL"


@dataclass(frozen=True, slots=True)
class Offer:
    """What a vehicle that is not to be released asks for; None where no price is known."""

    must: float | None = None
    should: float | None = None
    currency: str = ""


@dataclass(frozen=True, slots=True)
class StillOpen:
    """What is open on vehicles in the shop beyond what their record lists by itself.

    Attributes:
        complaints: vehicle -> words that nothing done since answers.
        offers: vehicle under STOP -> what to offer, where nobody has offered it.
    """

    complaints: dict[str, tuple[object, ...]] = field(default_factory=dict)
    offers: dict[str, Offer] = field(default_factory=dict)


def still_open(view: "LedgerView", host: "PluginHost", found: "Day") -> StillOpen:
    """Return what is open on the vehicles that are in the shop."""
    here = [str(vehicle) for (vehicle,) in _cells(found.in_shop, "vehicle_id")]
    told = {str(vehicle) for (vehicle,) in view.sql(_MAY_BE_OPEN).rows}
    part = ("vehicle_id", "component")
    offered = {*_cells(found.waiting, *part), *_cells(found.approved, *part)}
    stopped = {str(row[0]) for row in _cells(found.stops, *part) if row not in offered}
    complaints: dict[str, tuple[object, ...]] = {}
    for vehicle in here:
        due = _held(view, host, Answers.GOES_NEXT, vehicle, Holds.DUE) if vehicle in told else None
        if said := _complaints(due):
            complaints[vehicle] = said
    return StillOpen(
        complaints,
        {
            vehicle: _offer(_held(view, host, Answers.KEEP_OR_SELL, vehicle, Holds.SUMS))
            for vehicle in here
            if vehicle in stopped
        },
    )


def _cells(rows: "Rows", *columns: str) -> Iterable[tuple[Any, ...]]:
    at = [rows.columns.index(column) for column in columns]
    return (tuple(row[i] for i in at) for row in rows.rows)


def _held(
    view: "LedgerView", host: "PluginHost", answers: Answers, vehicle: str, holds: Holds
) -> "Table | None":
    """Return a table of an answer; None where no analysis gives one: the lists go on."""
    try:
        ran = host.run(host.answering(answers), view, {"vehicle": vehicle})
    except (PluginFailure, UnknownName):
        return None
    return ran.result.holding(holds)


def _complaints(due: "Table | None") -> tuple[object, ...]:
    if due is None:
        return ()
    seen = due.cells(Tells.SEEN)
    rows = [n for n, (_row, marks) in enumerate(due.marked()) if Mark.COMPLAINT in marks]
    told = (getattr(seen[n], "arguments", {}).get("text", seen[n]) for n in rows)
    # What somebody typed may bring its own full stop, and more follows it.
    return tuple(text.rstrip(". ") if isinstance(text, str) else text for text in told)


def _offer(sums: "Table | None") -> Offer:
    at = sums.place(Tells.VALUE) if sums is not None else None
    if sums is None or at is None:
        return Offer()
    amounts: dict[Mark, float] = {}
    for row, marks in sums.marked():
        for mark in (Mark.MUST, Mark.SHOULD):
            value = row[at]
            if mark in marks and isinstance(value, int | float) and value:
                amounts[mark] = float(value)
    return Offer(amounts.get(Mark.MUST), amounts.get(Mark.SHOULD), sums.columns[at].unit or "")
