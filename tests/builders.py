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
    path: Path,
    events: Iterable[NewEvent] = (),
    kinds: KindRegistry | None = None,
    *,
    allow_repeat: bool = False,
) -> Path:
    """Write events to a new ledger, and return its path."""
    with Ledger.create(path, kinds) as ledger:
        ledger.append_many(events, allow_repeat=allow_repeat)
    return path


def usd(amount: str, currency: str = "USD") -> dict[str, str]:
    """Return an amount of money."""
    return {"amount": amount, "currency": currency}


def enrolled(vehicle: str, day: str = "2026-01-01", **more: Any) -> NewEvent:
    """Return an enrolment; `odometer`, `unit` and what is known of the vehicle as keywords."""
    return event(vehicle, "enrolment", day, **more)


def reading(
    vehicle: str, day: str, odometer: float | None, unit: str = "mi", **more: Any
) -> NewEvent:
    """Return an odometer reading."""
    return event(vehicle, "odometer_reading", day, odometer=odometer, unit=unit, **more)


def module_of(*codes: str, name: str = "engine", **more: Any) -> dict[str, Any]:
    """Return a module of a scan with its codes, each "P0420" or with its status "P0420 pending"."""
    listed = [dict(zip(("code", "status"), code.split(), strict=False)) for code in codes]
    return {"name": name, "codes": listed, **more}


def scanned(
    vehicle: str,
    day: str,
    *codes: str,
    module: str = "engine",
    outcome: str = "read",
    **more: Any,
) -> NewEvent:
    """Return a scan of one module."""
    modules = [module_of(*codes, name=module, outcome=outcome)]
    return event(vehicle, "scan", day, modules=modules, **more)


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
