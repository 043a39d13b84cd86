"""The garage's old book: three parts' replacements as the system before this one exported them.

Written as such exports are: a title above, a total below, days in two forms, vehicles and suppliers
in several spellings, several jobs in a cell with the miles among their words. It holds the same
facts that are planted in the demo, and is brought in by `roadworn import --look`; nothing of the
demo's own ledger is read from it.
"""

import json
from pathlib import Path

from roadworn.intake import Ledger
from roadworn.model.events import StoredEvent
from roadworn.store.writer import COLUMNS

#: The parts of the book, as the clerk wrote them.
PARTS = {
    "cooling.water_pump": "wtr pump",
    "wheel.bearing": "whl brg",
    "electrical.alternator": "alternator",
}
_SPELLED = ("{0} {1:02}", "{0}-{1}", "{0}{1}")
_SUPPLIERS = {
    "Lowmoor Spares": ("Lowmoor Spares", "LOWMOOR SPARES", "Lowmoor Spares Ltd."),
    "Northquay Parts": ("Northquay Parts", "Northquay parts"),
}
_REASONS = {"failed": "Breakdown", "preventive": "PM", "recall": "Recall", "damaged": "Accident"}
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def book_events(ledger: Ledger) -> list[StoredEvent]:
    """Return the replacements that the book holds: those of its parts that count, in miles."""
    rows = ledger.query(
        f"SELECT {COLUMNS} FROM events WHERE kind = 'replacement' AND odometer_unit = 'mi' "
        "AND json_extract(payload, '$.component') IN (SELECT value FROM json_each(?)) "
        "AND event_id NOT IN (SELECT json_extract(payload, '$.event') FROM events "
        "WHERE kind = 'retraction') ORDER BY seq",
        (json.dumps(list(PARTS)),),
    )
    return [StoredEvent(*row) for row in rows]


def write_old_book(ledger: Ledger, folder: Path) -> Path:
    """Write the book of a demo ledger into a folder; return its file."""
    jobs: dict[tuple[object, ...], list[StoredEvent]] = {}
    for event in book_events(ledger):
        # What was done on one visit, for one reason and with one part number, is one line.
        visit = event.vehicle_id, event.occurred_at[:10], event.odometer
        jobs.setdefault((*visit, *_shared(event)), []).append(event)
    lines = ["Haldersey Garage: work on file", "", _HEAD]
    lines += [_line(number, events) for number, events in enumerate(jobs.values())]
    lines.append(f"Total;{len(jobs)};;;;;")
    path = folder / "old_book.txt"
    path.write_bytes("\r\n".join([*lines, ""]).encode("cp1252"))
    return path


_HEAD = "Unit;Date;Work done;Type;Vendor;Part no;Remarks"


def _shared(event: StoredEvent) -> tuple[object, ...]:
    data = event.data()
    return data["reason"], data.get("supplier"), data.get("part_number")


def _line(number: int, events: list[StoredEvent]) -> str:
    """Return the line of one visit."""
    first = events[0]
    kind, _, unit = first.vehicle_id.partition("-")
    vehicle = _SPELLED[number % 3].format(kind.upper() if number % 2 else kind.title(), int(unit))
    data = first.data()
    year, month, day = map(int, first.occurred_at[:10].split("-"))
    written = f"{day}/{month:02}/{year}"
    if number % 4 == 1:
        written = f"{day}-{_MONTHS[month - 1]}-{year % 100:02}"
    work = "; ".join(
        f"R&R {event.data().get('position') or ''} {PARTS[event.data()['component']]}".replace(
            "  ", " "
        )
        for event in events
    )
    miles = f"{first.odometer or 0:,.0f} mi"
    names = _SUPPLIERS.get(data.get("supplier") or "", (data.get("supplier") or "N/A",))
    reason = _REASONS.get(data["reason"], data["reason"].replace("_", " "))
    vendor, part = names[number % len(names)], data.get("part_number") or "?"
    return f'{vehicle};{written};"{work} @ {miles}";{reason};{vendor};{part};'
