"""Mishaps of vehicles and slips of the pen.

What ends a part's stay without its having failed - kerbs, recalls, other workshops - does not
depend on how much life the part had left, so it hides nothing from an analysis that counts such
a stay as cut short. The slips are put into single vehicles after their years are played
through: what a real ledger has to live with.
"""

from collections.abc import Callable
from datetime import date, timedelta
from functools import partial
from typing import Any

from roadworn_demo.car import Car, Draft
from roadworn_demo.fitting import labour_rate, money, rise
from roadworn_demo.scans import scan
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


def book_pictures(car: Car) -> None:
    """Put the planted pictures in the diary: a code whose cause stands upstream, and a hybrid's.

    A converter is read as weak while a cylinder misfires; with the coil done its code stays away.
    One such vehicle stands there today, and a hybrid whose battery has its code and a weak block.
    """
    pictures = TRUTH.pictures
    for vehicle, day in zip(pictures.cured, pictures.cured_on, strict=True):
        if car.plan.vehicle_id == vehicle:
            car.book(day, partial(_misfire, car, cured=True))
    if car.plan.vehicle_id == pictures.open_misfire:
        car.book(LAST_DAY - timedelta(days=8), partial(_misfire, car, cured=False))
    if car.plan.vehicle_id == pictures.hybrid:
        car.book(LAST_DAY - timedelta(days=4), partial(_weak_block, car))


def _misfire(car: Car, day: date, *, cured: bool) -> None:
    """Two codes at once: of the converter, and of the cylinder that is its cause."""
    slot = next(s for s in car.slots if s[0].component == "ignition.coil" and s[1] == "2")
    said: dict[str, Any] = {"complaint": "Engine lamp on and it jerks uphill."}
    if cured:
        said |= {
            "component": "ignition.coil",
            "position": "2",
            "cause": "misfire of cylinder 2; the converter read weak because of it",
            "correction": "coil replaced, neither code has come back",
        }
    car.note("complaint", day, said, by="front desk")
    codes = ("P0302", "P0420")
    car.codes |= dict.fromkeys(codes, "stored")
    scan(car, day)
    if cured:
        replace(car, slot, day, "failed")
        for code in codes:
            car.codes.pop(code, None)
        scan(car, day, cleared=True)
        car.book(day + timedelta(days=45), partial(scan, car))


def _weak_block(car: Car, day: date) -> None:
    """The battery's code, and one of its blocks below the others under load."""
    said = {"complaint": "Hybrid warning came on, the engine runs more than it did."}
    car.note("complaint", day, said, by="front desk")
    car.codes["P0A80"] = "stored"
    scan(car, day)
    block = {"value": 13.1, "unit": "V", "name": "block 7 under load, the others 15.2 V"}
    finding = {"component": "ev.traction_battery", "condition": "wearing", "measurements": [block]}
    look = {"findings": [finding], "rest": "not_checked", "sheet": "look-over"}
    car.note("inspection", day, look, by="bench A")


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


def exchange_odometer(car: Car, day: date) -> None:
    """The instrument is exchanged for one that has hardly run."""
    old = car.odometer.shows(car.road.at(day))
    car.odometer.exchange(car.road.at(day), 12)
    car.note(
        "odometer_exchange",
        day,
        {
            "old_reading": old,
            "new_reading": 12.0,
            "unit": car.plan.unit,
            "note": "display dead, instrument from stores fitted",
        },
        reading=False,
    )


def add_slips(drafts: dict[str, list[Draft]]) -> None:
    """Work the planted slips into the drafts of their vehicles.

    Args:
        drafts: vehicle id -> its drafts, changed in place.
    """
    odometers = TRUTH.odometers
    _typed_wrong_and_corrected(drafts[odometers.slip_corrected])
    _entered_on_wrong_vehicle(drafts[odometers.entered_on_wrong_vehicle], drafts["bus-5"])
    _lower_left_standing(drafts[odometers.lower_left_standing])


def _typed_wrong_and_corrected(drafts: list[Draft]) -> None:
    """Two figures change places; four days later the right reading replaces the wrong one."""
    wrong = _first(drafts, "odometer_reading", date(2023, 3, 1))
    right = wrong.odometer or 0.0
    figures = f"{right:.0f}"
    wrong.odometer = float(figures[0] + figures[2] + figures[1] + figures[3:])
    if wrong.odometer <= right:
        wrong.odometer = float("9" + figures[1:])
    payload = {**wrong.payload, "replaces": wrong, "note": "two figures had changed places"}
    _insert(drafts, wrong, wrong.kind, wrong.day, payload, odometer=right, late=wrong.late + 4)


def _entered_on_wrong_vehicle(drafts: list[Draft], others: list[Draft]) -> None:
    """A replacement of one bus is entered on another one and taken back the next day."""
    meant = _first(others, "replacement", date(2022, 9, 1))
    near = _first(drafts, "odometer_reading", meant.day - timedelta(days=20))
    slip = _insert(drafts, near, meant.kind, meant.day, dict(meant.payload), by=meant.by)
    taken_back = {"event": slip, "reason": "was done on bus-5, entered on the wrong vehicle"}
    _insert(drafts, slip, "retraction", meant.day + timedelta(days=1), taken_back)


def _lower_left_standing(drafts: list[Draft]) -> None:
    """A reading some 1,600 below the one before it; nobody ever asked why."""
    before = _first(drafts, "maintenance", date(2022, 4, 1))
    told = {"how": "typed", "status": "unknown", "note": "given by the owner on the telephone"}
    lower = (before.odometer or 0.0) - 1_612.0
    day = before.day + timedelta(days=9)
    _insert(drafts, before, "odometer_reading", day, told, odometer=lower)


def _first(drafts: list[Draft], kind: str, since: date) -> Draft:
    return next(d for d in drafts if d.kind == kind and d.day >= since)


def _insert(
    drafts: list[Draft],
    after: Draft,
    kind: str,
    day: date,
    payload: dict[str, Any],
    *,
    odometer: float | None = None,
    by: str = "front desk",
    late: int = 0,
) -> Draft:
    """Write one more event of a vehicle down, behind another one."""
    unit = None if odometer is None else after.unit
    new = Draft(after.vehicle_id, kind, day, payload, odometer, unit, by, "typed", late)
    drafts.insert(drafts.index(after) + 1, new)
    for turn, draft in enumerate(drafts):
        draft.turn = turn
    return new
