"""What was written last, and taking it back: as retractions, in one transaction."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import orjson

from roadworn.intake.again import taking_back
from roadworn.model.errors import LedgerRefused
from roadworn.model.events import StoredEvent
from roadworn.store.aside import Imported
from roadworn.store.writer import COLUMNS

if TYPE_CHECKING:
    from roadworn.intake import Ledger

#: So many of the newest events are looked at at once for one that still counts.
_SLICE = 100


def last_entry(ledger: "Ledger", by: str = "") -> StoredEvent:
    """Return the event written last that still counts; a retraction is none.

    Args:
        ledger: an open ledger.
        by: who wrote it; anybody when empty.

    Raises:
        LedgerRefused: there is none.
    """
    upto = ledger.checkpoint().size
    while upto > 0:
        rows = ledger.query(
            f"SELECT {COLUMNS} FROM events WHERE seq <= ? AND kind <> 'retraction' "
            "AND (? = '' OR recorded_by = ?) ORDER BY seq DESC LIMIT ?",
            (upto, by, by, _SLICE),
        )
        for row in rows:
            event = StoredEvent(*row)
            if ledger.facts.amendment_of(event) is None:
                return event
        upto = rows[-1][0] - 1 if len(rows) == _SLICE else 0
    who = f" of {by}" if by else ""
    raise LedgerRefused(f"Nothing{who} is left to take back: see `roadworn history VEHICLE`.")


def written_with(ledger: "Ledger", event: StoredEvent) -> list[StoredEvent]:
    """Return the events written by the same act as one, itself among them, in their order."""
    (after, upto), = ledger.query(
        "SELECT coalesce((SELECT max(size) FROM checkpoints WHERE size < :seq), 0), "
        "(SELECT min(size) FROM checkpoints WHERE size >= :seq)",
        {"seq": event.seq},
    )  # fmt: skip
    return list(ledger.events(after, upto))


def import_of(ledger: "Ledger", event: StoredEvent) -> Imported | None:
    """Return the import that an event came with, or None."""
    return next((one for one in ledger.imports.latest() if one.gave(event.seq)), None)


class Undoing(NamedTuple):
    """What an undone import takes back.

    Attributes:
        imported: the file.
        events: what still counts of it, in the order of taking back.
        kept: vehicles that it enrolled and that have more on record since: their enrolment stays.
    """

    imported: Imported
    events: list[StoredEvent]
    kept: list[str]


def last_import(ledger: "Ledger", file: str = "") -> Undoing:
    """Return the last import of which anything still counts.

    Args:
        ledger: an open ledger.
        file: name of its file; any when empty.

    Raises:
        LedgerRefused: there is none.
    """
    for imported in ledger.imports.latest():
        if file and imported.file != file:
            continue
        given = (event for part in imported.parts for event in ledger.events(*part))
        own = [event for event in given if event.kind != "retraction"]
        events = [one for event in own for one in _still_counting(ledger, event)]
        if not events:
            continue
        own_seqs = {one.seq for one in events}
        enrolled = {event.vehicle_id for event in events if event.kind == "enrolment"}
        kept = sorted(vehicle for vehicle in enrolled if _has_more(ledger, vehicle, own_seqs))
        taken = [e for e in events if e.kind != "enrolment" or e.vehicle_id not in kept]
        # The enrolment goes last: what is taken back is of a vehicle that is still there.
        return Undoing(imported, taken[::-1], kept)
    named = f" of {file}" if file else ""
    raise LedgerRefused(
        f"No import{named} is left to take back: single entries are taken back by `roadworn undo` "
        "or `roadworn retract EVENT`."
    )


def take_back(
    ledger: "Ledger",
    events: Iterable[StoredEvent],
    reason: str,
    source: str,
    day: str,
    by: str = "",
) -> int:
    """Take events back in one transaction; return how many.

    Args:
        ledger: open for writing.
        events: what should not count.
        reason: why.
        source: which door takes them back.
        day: ISO day of taking back.
        by: who does.
    """
    return ledger.append_many(taking_back(event, reason, source, day, by) for event in events).added


def _still_counting(ledger: "Ledger", event: StoredEvent) -> Sequence[StoredEvent]:
    """Return an event of an import while it counts, with what was written in its place since."""
    last = ledger.facts.amendment_of(event)
    if last is None:
        return (event,)
    # A correction that is taken back leaves what it corrected: both go.
    return () if last.kind == "retraction" else (event, last)


def _has_more(ledger: "Ledger", vehicle_id: str, but: set[int]) -> bool:
    rows = ledger.query(
        "SELECT 1 FROM events AS e WHERE vehicle_id = ? AND kind <> 'retraction' "
        "AND seq NOT IN (SELECT CAST(value AS BIGINT) FROM json_each(?)) "
        "AND NOT EXISTS (SELECT 1 FROM events AS r WHERE r.kind = 'retraction' "
        "AND r.vehicle_id = e.vehicle_id AND json_extract(r.payload, '$.event') = e.event_id) "
        "LIMIT 1",
        (vehicle_id, orjson.dumps(sorted(but)).decode()),
    )
    return bool(rows)
