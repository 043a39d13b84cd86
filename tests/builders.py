"""Events as the tests need them again and again: money, findings, look-overs and replacements.

What a single test needs stands in that test; `roadworn.testing.event` makes any event.
"""

from typing import Any

from roadworn.model.events import NewEvent
from roadworn.testing import event


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
