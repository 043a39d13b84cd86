"""Made-up events for the benchmarks: a mix like a busy workshop's, in order of time.

Not data about anything: components are drawn from the catalogue at random.
"""

import random
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import orjson

VEHICLES = 1_000
_START = date(2015, 1, 1)
_DAYS = 3_900
_COMPONENTS = (
    "brake.pad",
    "brake.rotor",
    "engine.oil",
    "engine.oil_filter",
    "wheel.bearing",
    "steering.tie_rod_end",
    "suspension.shock_absorber",
)
#: What is measured, in what unit, at which systems: a figure that cannot be is refused.
_MEASURED = {
    "brake": ("thickness", "mm"),
    "wheel": ("depth", "mm"),
    "electrical": ("voltage", "V"),
}
_WHEELS = ("LF", "RF", "LR", "RR")


def _components() -> tuple[str, ...]:
    from roadworn.model.catalogue import catalogue

    return tuple(component.id for component in catalogue())


def events(count: int, seed: int = 1) -> Iterator[dict[str, Any]]:
    """Yield `count` NDJSON objects: enrolments first, then the mix of the design's section 11.

    About 35 % readings, 20 % replacements, 15 % inspections, 10 % scans, 20 % maintenance.
    """
    draw = random.Random(seed)
    components = _components()
    enrolled = min(VEHICLES, max(1, count // 10))
    for number in range(enrolled):
        yield {
            "vehicle_id": f"van-{number}",
            "kind": "enrolment",
            "occurred_at": "2015-01-01",
            "recorded_at": "2015-01-01T18:00:00Z",
            "payload": {"label": f"Van {number}", "model_year": 2014, "parts": "original"},
        }
    odometer = [float(draw.randrange(1_000, 60_000)) for _ in range(enrolled)]
    for at in range(enrolled, count):
        vehicle = draw.randrange(enrolled)
        odometer[vehicle] += draw.randrange(20, 200) / 10
        day = (_START + timedelta(days=at * _DAYS // count)).isoformat()
        kind, payload = _one(draw, components)
        yield {
            "vehicle_id": f"van-{vehicle}",
            "kind": kind,
            "occurred_at": day,
            "recorded_at": day + "T18:00:00Z",
            "recorded_by": "bench 2",
            "odometer": round(odometer[vehicle], 1),
            "odometer_unit": "km",
            "payload": payload,
        }


def _one(draw: random.Random, components: tuple[str, ...]) -> tuple[str, dict[str, Any]]:
    share = draw.random()
    component = draw.choice(components)
    if share < 0.35:
        return "odometer_reading", {"how": "dash", "status": "actual"}
    if share < 0.55:
        return "replacement", {
            "component": component,
            **_place(draw, component),
            "reason": draw.choice(("failed", "worn_out", "preventive")),
            "part_number": f"P-{draw.randrange(10_000)}",
            "supplier": draw.choice(("north", "south", "yard")),
            "part_kind": "new",
            "parts_cost": {"amount": f"{draw.randrange(500, 90_000) / 100:.2f}", "currency": "USD"},
            "labour_hours": draw.randrange(1, 40) / 10,
            "labour_rate": {"amount": "95.00", "currency": "USD"},
        }
    if share < 0.70:
        return "inspection", {
            "findings": [_finding(draw, components) for _ in range(draw.randrange(1, 4))],
            "rest": "sound",
        }
    if share < 0.80:
        codes = [
            {"code": f"P0{draw.randrange(100, 900)}", "status": draw.choice(("stored", "pending"))}
            for _ in range(draw.randrange(0, 3))
        ]
        return "scan", {
            "modules": [{"name": "engine", "outcome": "read", "codes": codes}],
            "lamp": "on" if codes else "off",
            "readiness": "0007E500",
        }
    return "maintenance", {
        "component": component,
        "action": draw.choice(("replaced", "inspected", "filled")),
        "parts_cost": {"amount": "32.50", "currency": "USD"},
        "labour_hours": 0.5,
    }


def _place(draw: random.Random, component: str) -> dict[str, str]:
    """Return a place that a component has, by its scheme."""
    from roadworn.model.catalogue import catalogue

    scheme = catalogue().get(component).positions
    wheels = scheme in {"wheel", "axle", "wheel_ul", "axle_side", "tire", "door"}
    return {"position": draw.choice(_WHEELS)} if wheels else {}


def _finding(draw: random.Random, components: tuple[str, ...]) -> dict[str, Any]:
    finding: dict[str, Any] = {
        "component": (component := draw.choice(components)),
        **_place(draw, component),
        "condition": draw.choice(("sound", "wearing", "failed")),
    }
    if draw.random() < 0.6:
        name, unit = _MEASURED.get(component.partition(".")[0], ("play", "mm"))
        value = draw.randrange(10, 140) / 10
        finding["measurements"] = [{"name": name, "value": value, "unit": unit}]
    return finding


def lines(count: int, seed: int = 1) -> Iterator[bytes]:
    """Yield the events as NDJSON lines."""
    for event in events(count, seed):
        yield orjson.dumps(event) + b"\n"
