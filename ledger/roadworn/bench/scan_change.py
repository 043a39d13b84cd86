"""What a scan says against the scans before it: gone, still there, back again, new.

After a repair this is the first thing asked. Gone is no proof while the monitors have not run
since codes were cleared, and says so.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from roadworn.events import StoredEvent
from roadworn.trade.readiness import decode_readiness


def changes_since(stored: StoredEvent, earlier: Iterable[StoredEvent]) -> Iterator[str]:
    """Yield a sentence for each module that was read before.

    Args:
        stored: the scan just written down.
        earlier: scans of the same vehicle, in any order; later ones are left out.
    """
    payload = stored.data()
    before = sorted(
        (
            event
            for event in earlier
            if event.event_id != stored.event_id
            and event.occurred_at[:10] <= stored.occurred_at[:10]
        ),
        key=lambda event: (event.occurred_at, event.seq),
        reverse=True,
    )
    for name, now in _read(payload).items():
        history = [(e, _read(e.data())[name]) for e in before if name in _read(e.data())]
        if not history:
            continue
        last, were = history[0]
        ever = {code for _event, codes in history for code in codes}
        told = {
            "gone": were - now,
            "still there": now & were,
            "back again": (now - were) & ever,
            "new": now - ever,
        }
        words = [f"{word} {', '.join(sorted(codes))}" for word, codes in told.items() if codes]
        if words:
            doubt = _doubt(payload, told["gone"]) if told["gone"] else ""
            yield f"{name}, against {last.occurred_at[:10]}: {'; '.join(words)}.{doubt}"


def _read(payload: Mapping[str, Any]) -> dict[str, set[str]]:
    """Return module -> codes of the modules that were read; a failed read says nothing."""
    found: dict[str, set[str]] = {}
    for module in payload["modules"]:
        told_now = "lists" not in module or "stored" in module["lists"]
        if module.get("outcome", "read") == "read" and told_now:
            codes = {
                code["code"] for code in module.get("codes", ()) if code.get("status") != "previous"
            }
            found.setdefault(module.get("name", "engine"), set()).update(codes)
    return found


def _doubt(payload: Mapping[str, Any], gone: set[str]) -> str:
    """Return why gone is no proof yet, or an empty text."""
    if not any(code.startswith("P") for code in gone):
        # Monitors watch what P codes tell of; the others have none that a reader could show.
        return " Gone is proved by a later scan, after it was driven."
    if "readiness" not in payload:
        return " Gone is proved by a scan after the monitors have run."
    readiness = decode_readiness(payload["readiness"])
    if readiness.not_ready:
        names = ", ".join(name.replace("_", " ") for name in readiness.not_ready)
        return f" Gone is not proved yet: {names} not ready."
    return ""
