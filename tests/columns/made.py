"""Invented ledgers of any size, for the properties that must hold for all of them."""

import random
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

from roadworn.model.events import NewEvent
from roadworn.testing import event

COMPONENTS = ("brake.pad", "wheel.bearing", "electrical.alternator", "cooling.water_pump")
PLACES = (None, "LF", "RF", "LR", "2L", "2R")


def history(seed: int, number: int, vehicles: int = 3, days: int = 900) -> Iterator[NewEvent]:
    """Yield events in the order they were written down, some of them late or wrong."""
    dice = random.Random(seed)
    first = date(2023, 1, 1)
    km = [dice.randrange(100_000) for _ in range(vehicles)]
    written: list[list[str]] = [[] for _ in range(vehicles)]
    for n in range(number):
        vehicle = n if n < vehicles else dice.randrange(vehicles)
        day = first + timedelta(days=n * days // max(number, 1))
        km[vehicle] += dice.randrange(400)
        happened = day - timedelta(days=dice.choice((0, 0, 0, 5, 40)))
        slip = dice.choice((1,) * 20 + (10, 0.1))
        kind, payload = (
            ("enrolment", _profile(dice)) if n < vehicles else _any(dice, written[vehicle])
        )
        made = event(
            f"bus-{vehicle}",
            kind,
            (day if n < vehicles else happened).isoformat(),
            odometer=dice.choice((None, float(int(km[vehicle] * slip)))),
            unit=dice.choice(("km", "mi")),
            recorded_at=f"{day.isoformat()}T12:00:00Z",
            **payload,
        )
        event_id = f"{n:08x}-0000-7000-8000-{seed & 0xFFFFFFFFFFFF:012x}"
        if n >= vehicles:
            written[vehicle].append(event_id)
        yield made.model_copy(update={"event_id": event_id})


def _profile(dice: random.Random) -> dict[str, Any]:
    return {
        "vehicle_class": dice.choice(("bus", "van")),
        "parts": dice.choice(("original", "unknown")),
        "in_service_date": "2020-01-01",
    }


def _any(dice: random.Random, written: list[str]) -> tuple[str, dict[str, Any]]:
    component, position = dice.choice(COMPONENTS), dice.choice(PLACES)
    place = {"component": component} | ({"position": position} if position else {})
    money = {"amount": f"{dice.randrange(30_000) / 100:.2f}", "currency": "USD"}
    choice = dice.randrange(9)
    if choice <= 2:
        reason = dice.choice(("failed", "worn_out", "preventive", "unknown"))
        return "replacement", {
            **place,
            "reason": reason,
            "parts_cost": money,
            "labour_hours": 1.25,
            "labour_rate": {"amount": "95.00", "currency": "USD"},
            "supplier": dice.choice(("Quayside Parts", "Harbour Stores")),
        }
    if choice <= 4:
        condition = dice.choice(("sound", "wearing", "failed", "not_checked"))
        measured = [{"value": dice.random() * 10, "unit": "mm"}]
        return "inspection", {
            "findings": [{**place, "condition": condition, "measurements": measured}],
            "sound": [{"component": dice.choice(COMPONENTS)}],
        }
    if choice == 5:
        codes = [{"code": f"P0{dice.randrange(100, 500)}"}]
        return "scan", {"modules": [{"codes": codes}], "readiness": "8307E541", "lamp": "on"}
    if choice == 6 and written:
        return "retraction", {"event": dice.choice(written), "reason": "wrong"}
    if choice == 7 and written:
        return "complaint", {"complaint": "it hums", "replaces": dice.choice(written)}
    return "odometer_reading", {}
