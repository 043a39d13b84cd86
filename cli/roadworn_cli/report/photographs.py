"""The photographs of a vehicle on its report: put into the page, so that it stays one file."""

import base64
from typing import TYPE_CHECKING

from roadworn.say import Said
from roadworn.store.photographs import Photographs
from roadworn_cli.report.model import Photos, Section
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

_SHOWN = """
SELECT digest, occurred_on, component, coalesce(position, ''), note FROM photographs
WHERE vehicle_id = ? ORDER BY occurred_at DESC, seq DESC
"""
#: So many, and so many bytes of them, stand on a report; a page must be light enough to be sent.
_MOST, _BYTES = 6, 4_000_000


def photographs_section(view: "LedgerView", vehicle_id: str, words: Words) -> list[Section]:
    """Return the section of the newest photographs; none where there are none, or all erased."""
    store = Photographs(view.path)
    shown: list[tuple[Said, str]] = []
    taken = 0
    for digest, day, component, place, note in view.sql(_SHOWN, (vehicle_id,)).rows:
        found = store.get(digest)
        if found is None or len(shown) >= _MOST or taken + len(found[0]) > _BYTES:
            continue
        data, media = found
        taken += len(data)
        part = words.part(component, place) if component else Said()
        told = words.joined(filter(None, (words.plain(day), part, Said(note or ""))), ", ")
        shown.append((told, f"data:{media};base64,{base64.b64encode(data).decode('ascii')}"))
    if not shown:
        return []
    return [
        Section("photographs", words("photographs"), (Photos(tuple(shown)),), wide=True, fresh=True)
    ]
