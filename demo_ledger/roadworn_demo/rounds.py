"""What comes round: the half-yearly look-over, service, readings, official inspections, values."""

from datetime import date, timedelta
from functools import partial
from typing import Any

from roadworn_demo.car import Car, Fitted, Slot
from roadworn_demo.fitting import answer
from roadworn_demo.scans import scan
from roadworn_demo.truth import FEATURED, TRUTH
from roadworn_demo.work import is_safety, quote, replace, written_places

#: What is noted beside a part that is on its way out.
_WEARING = ("first signs", "will want doing", "watch this", "not long now", "some wear")

#: The planted cause, written down at every look-over and never acted on.
_EATER_NOTE = "front mount cracked on one side, engine rocks and the belt runs out of line"


#: component -> figure when new, what it loses over a life, its decimals, unit, name, and the
#: figure from which it counts as wearing
_GAUGES: dict[str, tuple[float, float, int, str, str, float]] = {
    "brake.pad": (11.0, 8.5, 1, "mm", "lining thickness", 4.0),
    "brake.rotor": (24.0, 2.0, 1, "mm", "disc thickness", 22.3),
    "wheel.tire": (10.0, 7.5, 0, "32nds", "tread depth", 4.0),
    "electrical.battery": (12.7, 0.5, 2, "V", "rest voltage", 12.28),
}


def look_over(car: Car, day: date) -> None:
    """Look a vehicle over, write down what is found, and book the work that follows."""
    miles = car.road.at(day)
    findings: list[dict[str, Any]] = []
    sound: list[dict[str, str]] = []
    wearing: list[Slot] = []
    broken: list[tuple[Slot, Fitted]] = []
    for slot, fitted in car.slots.items():
        worn = fitted.worn(miles, day)
        found = _finding(car, slot, fitted, worn, day)
        if found is None:
            if slot[0].shown == "look":
                sound.append(_named(slot))
            continue
        findings.extend(found)
        if fitted.broken:
            broken.append((slot, fitted))
        elif found[0]["condition"] == "wearing":
            wearing.append(slot)
    car.note(
        "inspection",
        day,
        {
            "findings": findings,
            "sound": sound,
            "rest": "not_checked" if car.plan.private else "sound",
            "sheet": "look-over" if car.plan.private else "half-year look-over",
        },
        by=car.dice.pick(("bench A", "bench B")),
    )
    if car.dice.chance(0.55):
        scan(car, day, failed=car.dice.chance(0.03))
    _follow_up(car, day, wearing, broken)


def _finding(
    car: Car, slot: Slot, fitted: Fitted, worn: float, day: date
) -> list[dict[str, Any]] | None:
    """Return what is written about one place, or None when there is nothing to say."""
    part, position = slot
    eater = TRUTH.eater
    if fitted.broken:
        return [_row(slot, "failed", note=part.found)]
    if (car.plan.vehicle_id, part.component, position) == (
        eater.vehicle,
        eater.cause,
        eater.cause_position,
    ) and day >= eater.since:
        return [_row(slot, "wearing", note=_EATER_NOTE)]
    measured = _measured(part.component, min(worn, 1.0))
    if measured is not None:
        if part.component == "brake.rotor" and not car.dice.chance(0.5):
            return None
        value, unit, name, wearing = measured
        reading = [{"value": value, "unit": unit, "name": name}]
        condition = "wearing" if wearing else "sound"
        row = _row(slot, condition) | {"measurements": reading}
        if part.component == "brake.rotor":
            return [row | {"position": wheel} for wheel in written_places(part, position)]
        return [row]
    if worn > 0.8 and part.shape >= 2 and car.dice.chance(0.45):
        return [_row(slot, "wearing", note=car.dice.pick(_WEARING))]
    return None


def _measured(component: str, worn: float) -> tuple[float, str, str, bool] | None:
    """Return value, unit, name and whether it counts as wearing, for parts that are gauged."""
    gauge = _GAUGES.get(component)
    if gauge is None:
        return None
    new, worn_by, digits, unit, name, limit = gauge
    value = round(new - worn_by * worn, digits)
    return value, unit, name, value <= limit


def _row(slot: Slot, condition: str, note: str | None = None) -> dict[str, Any]:
    row: dict[str, Any] = {**_named(slot), "condition": condition}
    if condition == "failed" and is_safety(slot[0]):
        row["safety"] = True
    if note:
        row["note"] = note
    return row


def _named(slot: Slot) -> dict[str, str]:
    part, position = slot
    return {"component": part.component} | ({"position": position} if position else {})


def _follow_up(car: Car, day: date, wearing: list[Slot], broken: list[tuple[Slot, Fitted]]) -> None:
    """Quote for what was found and book what is agreed to.

    Parts that only wear are never replaced on the strength of a look-over: that would hide
    how long they would have lasted, and the demo wants its lives to be found again.
    """
    lines: list[tuple[Slot, str]] = []
    for slot, fitted in broken:
        if fitted.booked:
            continue
        said = "approved"
        if car.plan.vehicle_id == FEATURED:
            said = answer(slot[0].component)
        elif car.plan.private and not is_safety(slot[0]) and car.dice.chance(0.25):
            said = "declined"
        lines.append((slot, said))
        if said == "approved":
            fitted.booked = True
            wait = car.dice.whole(0, 4) if is_safety(slot[0]) else car.dice.whole(0, 14)
            car.book(day + timedelta(days=wait), partial(_mend, car, slot, fitted))
    lines += [(slot, car.dice.pick(("declined", "deferred", "deferred"))) for slot in wearing]
    if car.plan.private and lines:
        quote(car, day, lines[:8])


def _mend(car: Car, slot: Slot, fitted: Fitted, day: date) -> None:
    if car.holds(slot, fitted):
        replace(car, slot, day, "failed")
