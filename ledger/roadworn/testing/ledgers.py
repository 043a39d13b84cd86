"""Small ledgers in one call."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadworn.analysis.host import PluginHost
from roadworn.model.events import NewEvent

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView


def event(
    vehicle_id: str,
    kind: str,
    occurred_at: str,
    *,
    odometer: float | None = None,
    unit: str = "mi",
    recorded_at: str | None = None,
    **payload: Any,  # noqa: ANN401
) -> NewEvent:
    """Return a new event with its payload given as keywords.

    `unit` is that of the reading, and of the two readings of an ``odometer_exchange``.

    >>> event("van-1", "odometer_reading", "2026-01-05", odometer=1200).kind
    'odometer_reading'
    """
    if kind == "odometer_exchange":
        payload.setdefault("unit", unit)
    return NewEvent.model_validate(
        {
            "vehicle_id": vehicle_id,
            "kind": kind,
            "occurred_at": occurred_at,
            "recorded_at": recorded_at or _recorded(occurred_at),
            "odometer": None if odometer is None else float(odometer),
            "odometer_unit": None if odometer is None else unit,
            "source": "test",
            "payload": payload,
        }
    )


def _recorded(occurred_at: str) -> str:
    """Return a recording time on the day itself, so that as-of views see the event."""
    return occurred_at if "T" in occurred_at else f"{occurred_at}T18:00:00Z"


@contextmanager
def view_of(
    events: Iterable[NewEvent],
    directory: Path,
    *,
    as_of: str | None = None,
    host: PluginHost | None = None,
) -> Iterator["LedgerView"]:
    """Write `events` to a fresh ledger in `directory` and open a view of it.

    Args:
        events: in the order they are to be recorded.
        directory: an empty folder, for instance pytest's `tmp_path`.
        as_of: the day the view speaks of; the real day when None.
        host: a host that knows the plugin's kinds and tables, if it has any.
    """
    from roadworn.columns.view import open_view
    from roadworn.intake import Ledger

    host = host or PluginHost()
    path = directory / "roadworn.db"
    with Ledger.create(path, kinds=host.kinds()) as ledger:
        ledger.append_many(events)
    kinds, tables = host.kinds(), host.tables()
    with open_view(path, as_of=as_of, kinds=kinds, tables=tables, tell=host.take) as view:
        yield view
