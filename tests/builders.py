"""Events and small ledgers as the tests need them again and again.

What a single test needs stands in that test; `roadworn.testing.event` makes any event. A room
whose tests speak of one vehicle takes a builder with its vehicle filled in, by `partial`.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from roadworn.intake import Ledger
from roadworn.model.events import NewEvent
from roadworn.model.kinds import KindRegistry
from roadworn.testing import event


def ledger_of(
    path: Path, events: Iterable[NewEvent] = (), kinds: KindRegistry | None = None
) -> Path:
    """Write events to a new ledger, and return its path."""
    with Ledger.create(path, kinds) as ledger:
        ledger.append_many(events)
    return path


def usd(amount: str, currency: str = "USD") -> dict[str, str]:
    """Return an amount of money."""
    return {"amount": amount, "currency": currency}


def found(
    component: str,
    condition: str = "sound",
    position: str | None = None,
    *values: tuple[float, str],
    **more: Any,
) -> dict[str, Any]:
    """Return a finding with its measured values, each with its unit."""
    finding = {"component": component, "condition": condition, **more}
    if position:
        finding["position"] = position
    if values:
        finding["measurements"] = [{"value": float(value), "unit": unit} for value, unit in values]
    return finding


def looked(vehicle: str, day: str, *findings: dict[str, Any], **more: Any) -> NewEvent:
    """Return a look-over with its findings."""
    return event(vehicle, "inspection", day, findings=list(findings), **more)


def replaced(
    vehicle: str,
    day: str,
    component: str,
    cost: str | None = None,
    *,
    reason: str = "failed",
    **more: Any,
) -> NewEvent:
    """Return a replacement, with what its parts cost where that is given."""
    price = {} if cost is None else {"parts_cost": usd(cost)}
    return event(vehicle, "replacement", day, component=component, reason=reason, **price, **more)
