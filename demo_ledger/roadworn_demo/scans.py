"""Read-outs of the diagnostic socket."""

from datetime import date
from typing import Any

from roadworn_demo.car import Car
from roadworn_demo.truth import TRUCK

# Monitor bytes C and D by the layout of the emission test's status request: what is
# supported, and what is not complete. Petrol: catalyst, evaporative, oxygen sensor and its
# heater, EGR; diesel as one of the decodes that the trade decoders are tested with.
_SUPPORTED = {"petrol": 0xE5, "hybrid": 0xE5, "diesel": 0xEB}


_CONTINUOUS = {"petrol": 0x07, "hybrid": 0x07, "diesel": 0x0E}


def scan(
    car: Car, day: date, *, cleared: bool = False, note: str | None = None, failed: bool = False
) -> None:
    """Write down what a read-out gives on that day.

    Args:
        car: the vehicle; its codes decide what is read.
        day: when.
        cleared: the codes have just been cleared after work.
        note: free text.
        failed: the socket gave no answer, which is not the same as no codes.
    """
    if car.plan.vehicle_class == TRUCK:
        return  # built before there was a socket to read
    if failed:
        car.note("scan", day, {"modules": [{"name": "engine", "outcome": "failed"}], "note": note})
        return
    engine = [c for c in car.codes if not c.startswith("C")]
    brakes = [c for c in car.codes if c.startswith("C")]
    modules = [
        {"name": "engine", "codes": _codes(car, engine)},
        {"name": "brakes", "codes": _codes(car, brakes)},
    ]
    stored = sum(car.codes[code] == "stored" for code in engine)
    supported = _SUPPORTED[car.plan.fuel]
    unready = supported if cleared else 0x01 if stored else 0x00
    status = bytes([0x80 | stored if stored else 0, _CONTINUOUS[car.plan.fuel], supported, unready])
    payload: dict[str, Any] = {
        "modules": modules,
        "lamp": "on" if stored else "off",
        "readiness": status.hex().upper(),
        "note": note,
    }
    if cleared:
        payload |= {"distance_since_clear": 0.0, "distance_unit": car.plan.unit}
    car.note("scan", day, payload)


def _codes(car: Car, codes: list[str]) -> list[dict[str, str]]:
    return [{"code": code, "status": car.codes[code]} for code in codes]
