"""Work at the garage: parts fitted, breakdowns, scans that go with them, estimates."""

from datetime import date, timedelta
from functools import partial

from roadworn.model.catalogue import catalogue
from roadworn.model.places import AXLES
from roadworn_demo.car import Car, Fitted, Reactions, Slot
from roadworn_demo.fitting import buy, fit_next, labour_rate, money, rise
from roadworn_demo.scans import scan
from roadworn_demo.truth import TRUTH, PartLife

_TYRE_SHOP = "tyre shop"
#: After these the wheels are set anew.
_ALIGN_AFTER = frozenset({"steering.tie_rod_outer", "suspension.strut"})


def life_ends(car: Car, slot: Slot, fitted: Fitted, day: date) -> None:
    """React to a part that has reached its end, each kind in its own way."""
    part, _ = slot
    if not car.holds(slot, fitted):
        return
    if part.shown == "look":
        fitted.broken = True  # waits under the vehicle until somebody looks
    elif part.shown == "wear":
        wear_out(car, slot, day)
    else:
        break_down(car, slot, fitted, day)


def code_early(car: Car, slot: Slot, fitted: Fitted, day: date) -> None:
    """A pending code shows before the part fails; it is read and left to be watched."""
    part, position = slot
    code = part.code(position)
    if car.holds(slot, fitted) and code and code not in car.codes:
        car.codes[code] = "pending"
        scan(car, day, note="read while it was in for something else, to be watched")


def plan_due(car: Car, slot: Slot, fitted: Fitted, day: date) -> None:
    """A planned replacement comes due: by its distance alone, whatever is left in the part."""
    if not car.holds(slot, fitted) or fitted.broken:
        return
    replace(car, slot, day, "preventive")
    if slot[0].component != "engine.timing_belt":
        return
    for other, old in list(car.slots.items()):
        # With the belt off the pump is half done: a pump that has run a while goes along.
        if (
            other[0].component == "cooling.water_pump"
            and car.road.at(day) - old.miles > 20_000
            and car.dice.chance(0.6)
        ):
            replace(car, other, day, "preventive", along_with="engine.timing_belt")


def wear_out(car: Car, slot: Slot, day: date) -> None:
    """Replace a part that was measured at its limit."""
    part, position = slot
    elsewhere = (
        part.component == "wheel.tire"
        and car.plan.vehicle_id in TRUTH.tyre_shop
        and day.year == TRUTH.tyre_shop_year
    )
    if part.component == "brake.rotor":
        for wheel in written_places(part, position):
            replace(car, slot, day, "worn_out", wheel=wheel)
        for other in list(car.slots):
            if other[0].component == "brake.pad" and other[1] == position:
                replace(car, other, day, "preventive", along_with="brake.rotor")
        return
    replace(car, slot, day, "worn_out", source=_TYRE_SHOP if elsewhere else "typed")


def break_down(car: Car, slot: Slot, fitted: Fitted, day: date) -> None:
    """A part fails on the road: said, read out, quoted for, replaced, and read out again."""
    part, position = slot
    code = part.code(position)
    tried = TRUTH.codes.tried_first.get(code or "")
    wrong_first = tried is not None and car.dice.chance(TRUTH.codes.wrong_first_chance)
    if car.dice.chance(0.6 if car.plan.private else 0.3):
        _complain(car, slot, day, traced=not wrong_first)
    if code:
        car.codes[code] = "stored"
        scan(car, day)
    if car.plan.private and car.dice.chance(0.7):
        quote(car, day, [(slot, "approved")])
    if wrong_first:
        _try_first(car, str(tried), str(code), day)
        again_on = day + timedelta(days=car.dice.whole(8, 35))
        car.book(again_on, partial(_put_right, car, slot, fitted))
        return
    replace(car, slot, day, "failed")
    if code:
        car.codes.pop(code, None)
        scan(car, day, cleared=True)


def _complain(car: Car, slot: Slot, day: date, *, traced: bool) -> None:
    """Write down what was said and, once it is known, what it came from and what was done."""
    part, position = slot
    payload = {"complaint": car.dice.pick(part.said)}
    if traced:
        payload |= {
            "component": part.component,
            "position": position,
            "cause": "part at its end",
            "correction": "replaced, tried on the road, gone",
        }
    car.note("complaint", day, payload, by="front desk")


def _try_first(car: Car, component: str, code: str, day: date) -> None:
    """Replace the part that is tried first; the code goes out and will come back."""
    for slot in reversed(list(car.slots)):
        if slot[0].component == component:
            replace(car, slot, day, "unknown", note=f"tried first for {code}")
            break
    car.codes.pop(code, None)
    scan(car, day, cleared=True)


def _put_right(car: Car, slot: Slot, fitted: Fitted, day: date) -> None:
    """The code is back: now the part that had failed is replaced."""
    part, position = slot
    code = part.code(position)
    if not car.holds(slot, fitted) or code is None:
        return
    car.codes[code] = "stored"
    scan(car, day, note="same code back")
    replace(car, slot, day, "failed")
    car.codes.pop(code, None)
    scan(car, day, cleared=True)


def replace(
    car: Car,
    slot: Slot,
    day: date,
    reason: str,
    *,
    along_with: str | None = None,
    wheel: str | None = None,
    source: str = "typed",
    note: str | None = None,
) -> None:
    """Fit a part, write it down, and let the new one live.

    Args:
        car: the vehicle.
        slot: where.
        day: when.
        reason: a reason of the replacement kind.
        along_with: component of the job it was taken along with.
        wheel: the wheel to write when an axle set is written wheel by wheel.
        source: ``typed``, or where else the record comes from.
        note: free text.
    """
    part, position = slot
    bought = buy(part, car.plan.vehicle_class, day, car.dice)
    recalled = reason == "recall"
    hours = round(part.hours * car.dice.between(0.9, 1.15) * (0.4 if along_with else 1.0), 1)
    warranty = bought.supplier
    car.note(
        "replacement",
        day,
        {
            "component": part.component,
            "position": wheel or position,
            "reason": reason,
            "part_number": bought.number,
            "maker": bought.supplier.part_maker,
            "supplier": bought.supplier.name,
            "part_kind": bought.kind,
            "along_with": along_with,
            "parts_cost": money(0.0 if recalled else bought.price),
            "labour_hours": hours,
            "labour_rate": money(0.0) if recalled else labour_rate(day),
            "warranty_months": warranty.warranty_months,
            "warranty_distance": float(warranty.warranty_miles),
            "warranty_unit": "mi",
            "work_order": car.work_order(day),
            "note": note,
        },
        by=car.dice.pick(("bench A", "bench B")),
        source=source,
    )
    fit_next(car, slot, day, from_batch=bought.from_batch, used=bought.kind == "used")
    if part.component in _ALIGN_AFTER and car.dice.chance(0.8):
        car.note(
            "maintenance",
            day,
            {
                "component": "wheel.alignment",
                "action": "adjusted",
                "labour_hours": 1.0,
                "labour_rate": labour_rate(day),
                "work_order": car.work_order(day),
            },
            by="bench A",
        )


def quote(car: Car, day: date, lines: list[tuple[Slot, str]]) -> None:
    """Write an estimate and the customer's answer to each of its lines."""
    rate = labour_rate(day)
    rows = []
    # An axle's rotors are two wheels' work, so they are quoted wheel by wheel.
    wheels = [
        (part, wheel, answer)
        for (part, position), answer in lines
        for wheel in written_places(part, position)
    ]
    for number, (part, position, _) in enumerate(wheels, start=1):
        parts = round(part.price * TRUTH.price_factors[car.plan.vehicle_class] * rise(day), 2)
        row = {
            "line": number,
            "component": part.component,
            "position": position or None,
            "amount": money(parts + round(part.hours * float(rate["amount"]), 2)),
            "parts_cost": money(parts),
            "labour_hours": part.hours,
            "labour_rate": rate,
            "safety": is_safety(part),
        }
        rows.append({key: value for key, value in row.items() if value is not None})
    until = (day + timedelta(days=30)).isoformat()
    estimate = car.note(
        "estimate", day, {"lines": rows, "valid_until": until}, by="front desk", reading=False
    )
    answers = [
        {"line": number, "decision": answer}
        for number, (_, _, answer) in enumerate(wheels, start=1)
    ]
    car.note(
        "authorisation",
        day,
        {"estimate": estimate, "decisions": answers},
        by="front desk",
        reading=False,
    )


def written_places(part: PartLife, position: str) -> tuple[str, ...]:
    """Return the positions under which a place is written down: two wheels for a rotor set."""
    if part.component == "brake.rotor":
        return AXLES[position]
    return (position,)


def is_safety(part: PartLife) -> bool:
    """Return whether the catalogue marks the component as one whose failure can hurt."""
    return catalogue().get(part.component).safety_critical


REACTIONS = Reactions(life_ends=life_ends, code_early=code_early, plan_due=plan_due)
