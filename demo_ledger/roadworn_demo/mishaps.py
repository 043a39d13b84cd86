"""What ends a part's stay without its having failed: kerbs, recalls, other workshops.

None of it depends on how much life the part had left, so it hides nothing from an analysis
that counts such a stay as cut short.
"""

from collections.abc import Callable
from datetime import date, timedelta
from functools import partial
from typing import Any

from roadworn_demo.car import Car
from roadworn_demo.fitting import labour_rate, money, rise
from roadworn_demo.truth import FEATURED, LAST_DAY, TRUTH
from roadworn_demo.work import replace

_BODY = (
    ("body.mirror", ("L", "R"), 96.0, 0.6, "caught on the harbour gate"),
    ("body.windshield", ("",), 310.0, 1.6, "stone from the gravel road"),
)

_WIRING = (
    ("Tail lamps flicker.", "green corrosion in the rear connector", "cleaned and sealed"),
    ("Dash goes dark now and then.", "ground strap loose", "tightened, contact greased"),
    ("Fan cuts in and out.", "lead chafed on the bracket", "lead mended, routed away"),
    ("Reverse lamp stays dark.", "broken wire at the tailgate hinge", "wire mended"),
)


def book_mishaps(car: Car) -> None:
    """Put a vehicle's share of bad luck in its diary."""
    if car.plan.vehicle_id == FEATURED:
        return
    _spread(car, 95_000, _kerb)
    _spread(car, 110_000, _body_damage)
    _spread(car, 60_000, _mend_wiring)
    if car.plan.private:
        _spread(car, 55_000, _elsewhere)
    recall = TRUTH.recall
    if (car.plan.make, car.plan.vehicle_class) == (
        recall.make,
        recall.vehicle_class,
    ) and car.plan.model_year in recall.model_years:
        car.book(recall.starts + timedelta(days=car.dice.whole(0, 120)), partial(_recall, car))


def _spread(car: Car, mean_miles: float, what: Callable[[Car, date], None]) -> None:
    miles = car.road.at(car.road.first)
    while True:
        miles += max(car.dice.weibull(1.0, mean_miles), 50.0)
        day = car.road.day_at(miles)
        if day is None:
            return
        car.book(day, partial(what, car))


def _kerb(car: Car, day: date) -> None:
    """A kerb or a pothole takes a tire or a strut at the front."""
    component, position = car.dice.pick(
        (
            ("wheel.tire", "LF"),
            ("wheel.tire", "LF"),
            ("wheel.tire", "RF"),
            ("suspension.strut", "LF"),
        )
    )
    at_tyre_shop = car.plan.vehicle_id in TRUTH.tyre_shop and day.year == TRUTH.tyre_shop_year
    if component == "wheel.tire" and at_tyre_shop:
        return
    for slot, fitted in list(car.slots.items()):
        if (slot[0].component, slot[1]) == (component, position) and not fitted.broken:
            replace(car, slot, day, "damaged", note="pothole on the airstrip road")


def _body_damage(car: Car, day: date) -> None:
    component, positions, price, hours, note = car.dice.pick(_BODY)
    payload: dict[str, Any] = {
        "component": component,
        "position": car.dice.pick(positions),
        "reason": "damaged",
        "part_kind": "new",
        "supplier": "Northquay Parts",
        "parts_cost": money(price * rise(day)),
        "labour_hours": hours,
        "labour_rate": labour_rate(day),
        "note": note,
    }
    car.note("replacement", day, payload)


def _mend_wiring(car: Car, day: date) -> None:
    """Salt air gets into connectors: work without a new part."""
    complaint, cause, correction = car.dice.pick(_WIRING)
    payload: dict[str, Any] = {
        "component": "electrical.wiring",
        "complaint": complaint,
        "cause": cause,
        "correction": correction,
        "labour_hours": car.dice.pick((0.5, 0.8, 1.2, 2.0)),
        "labour_rate": labour_rate(day),
    }
    car.note("repair", day, payload)


def _elsewhere(car: Car, day: date) -> None:
    """The customer had something done on the mainland and cannot say why."""
    slots = [s for s in car.slots if s[0].component != "brake.rotor" and s[0].shown != "wear"]
    slot = car.dice.pick(slots)
    if not car.slots[slot].broken:
        replace(
            car, slot, day, "unknown", source="customer", note="done on the mainland, says owner"
        )


def _recall(car: Car, day: date) -> None:
    for slot in list(car.slots):
        if slot[0].component == TRUTH.recall.component and day <= LAST_DAY:
            replace(car, slot, day, "recall", note="maker's campaign, no charge")
