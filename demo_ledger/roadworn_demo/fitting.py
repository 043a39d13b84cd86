"""Parts get their lives here: those on a vehicle when it comes, and those fitted later."""

from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from typing import Literal

from roadworn_demo.car import Car, Fitted, Slot
from roadworn_demo.fleet import Dice
from roadworn_demo.truth import (
    CLASSES,
    FEATURED,
    TRUTH,
    PartLife,
    true_scale,
)

#: The featured car's battery, whose clock is days; it was exchanged once and is tired again.
BATTERY_ENDS = (date(2022, 1, 24), date(2027, 1, 11))
_FAR = 10.0**7
_DECLINED = frozenset({"engine.cover_gasket"})


def force(car: Car, part: PartLife, position: str, fitted: Fitted, day: date) -> None:
    """Give a part the end that the story asks for instead of the one that was drawn."""
    if part.clock == "days":
        later = (end for end in BATTERY_ENDS if end > day)
        fitted.ends_on = next(later, day + timedelta(days=3_650))
        return
    miles = car.road.at(day)
    fitted.ends_miles = next((end for end in part.ends.get(position, ()) if end > miles), _FAR)


def answer(component: str) -> str:
    """Return what the owner says to an estimate line for a failed part."""
    return "declined" if component in _DECLINED else "approved"


CURRENCY = "USD"
PartKind = Literal["new", "remanufactured", "used"]


@dataclass(frozen=True, slots=True)
class Supplier:
    """A house the garage buys from."""

    name: str
    initials: str
    part_maker: str
    price_factor: float
    warranty_months: int
    warranty_miles: int
    share: float


NORTHQUAY = Supplier("Northquay Parts", "NQ", "Gannetwork", 1.06, 24, 24_000, 0.45)
LOWMOOR = Supplier("Lowmoor Spares", "LS", "Marrowby", 0.92, 12, 12_000, 0.30)
TIDEWRACK = Supplier("Tidewrack Supply", "TS", "Sallowfield", 1.00, 36, 36_000, 0.22)
OLD_MILL = Supplier("Old Mill Breakers", "OM", "", 0.40, 1, 1_000, 0.03)
SUPPLIERS = (NORTHQUAY, LOWMOOR, TIDEWRACK, OLD_MILL)

#: Parts that come rebuilt about one time in three.
_REBUILT = {"electrical.alternator", "electrical.starter", "brake.caliper", "hvac.compressor"}
#: Parts nobody takes second-hand.
_FAR_USED = {"wheel.tire", "wheel.bearing", "electrical.battery", "cooling.water_pump"}


@dataclass(frozen=True, slots=True)
class Bought:
    """A part as it came over the counter."""

    supplier: Supplier
    number: str
    kind: PartKind
    price: float
    from_batch: bool


def rise(day: date) -> float:
    """Return the price level against November 2018, three in a hundred a year."""
    years = (day - date(2018, 11, 1)).days / 365.25
    whole = int(years)
    return float(1.03**whole * (1 + 0.03 * (years - whole)))


def money(amount: float) -> dict[str, str]:
    """Return an amount in the shape of a Money value, to the cent."""
    return {"amount": f"{amount:.2f}", "currency": CURRENCY}


def labour_rate(day: date) -> dict[str, str]:
    """Return the hourly rate of a day; it is set anew each January, to half a dollar."""
    return money(round(2 * 72 * rise(date(day.year, 1, 1))) / 2)


def buy(part: PartLife, vehicle_class: str, day: date, dice: Dice) -> Bought:
    """Choose a supplier and a part, and price it."""
    batch = TRUTH.batch
    in_batch_time = (
        part.component == batch.component and batch.fitted_from <= day <= batch.fitted_to
    )
    if in_batch_time and dice.chance(0.75):
        supplier = LOWMOOR
    else:
        supplier = dice.pick_weighted([(s, s.share) for s in SUPPLIERS])
    worn_kind = part.shown == "wear" or part.component in _FAR_USED
    if supplier is OLD_MILL and worn_kind:
        supplier = NORTHQUAY
    from_batch = in_batch_time and supplier.name == batch.supplier
    number = batch.part_number if from_batch else part_number(supplier, part, vehicle_class)
    kind: PartKind = "new"
    factor = supplier.price_factor
    if supplier is OLD_MILL:
        kind = "used"
    elif part.component in _REBUILT and dice.chance(0.33):
        kind, factor = "remanufactured", factor * 0.7
    price = part.price * TRUTH.price_factors[vehicle_class] * factor * rise(day)
    return Bought(supplier, number, kind, round(price * dice.between(0.95, 1.05), 2), from_batch)


def part_number(supplier: Supplier, part: PartLife, vehicle_class: str) -> str:
    """Return the number a supplier sells a part under, in a scheme of the demo's own."""
    system, _, name = part.component.partition(".")
    group = (CLASSES.index(vehicle_class) + 1) * 10
    return f"{supplier.initials}-{(system[:1] + name[:3]).upper()}-{group}"


def fit_first(car: Car, slot: Slot) -> None:
    """Put on the part that the vehicle comes with.

    Known original: its life began at zero and has lasted at least this far. Otherwise parts
    have come and gone unrecorded, and the one on the vehicle now has some age or other.
    """
    part, _ = slot
    plan = car.plan
    scale = true_scale(part, plan.vehicle_class)
    known_days = (plan.enrolled_on - plan.in_service).days
    passed = float(known_days if part.clock == "days" else plan.enrolled_miles)
    begun = 0.0
    life = car.dice.weibull(part.shape, scale, passed if plan.parts == "original" else 0.0)
    while begun + life <= passed:
        begun += life
        life = car.dice.weibull(part.shape, scale)
    if part.clock == "days":
        on = plan.in_service + timedelta(days=int(begun))
        fitted = Fitted(0.0, on, ends_on=on + timedelta(days=max(1, int(life))))
    else:
        fitted = Fitted(begun, plan.in_service, ends_miles=begun + life)
    _place(car, slot, fitted, plan.enrolled_on)
    if plan.parts == "original":
        _plan(car, slot, fitted)


def fit_next(car: Car, slot: Slot, day: date, *, from_batch: bool, used: bool) -> None:
    """Put on a part that was bought: a new one lives anew, a used one has lived before."""
    part, _ = slot
    scale = true_scale(part, car.plan.vehicle_class)
    eater = TRUTH.eater
    if from_batch:
        scale *= TRUTH.batch.life_factor
    shape = part.shape
    if (
        car.plan.vehicle_id == eater.vehicle
        and part.component == eater.component
        and day >= eater.since
    ):
        shape, scale = eater.shape, eater.scale_miles
    before = round(scale * car.dice.between(0.2, 0.6), 1) if used else 0.0
    life = max(car.dice.weibull(shape, scale, before) - before, 150.0)
    miles = car.road.at(day)
    if part.clock == "days":
        fitted = Fitted(miles, day, ends_on=day + timedelta(days=int(life)))
    else:
        fitted = Fitted(miles, day, ends_miles=miles + life)
    _place(car, slot, fitted, day)
    _plan(car, slot, fitted)


def _plan(car: Car, slot: Slot, fitted: Fitted) -> None:
    """Book the preventive replacement of a part whose age is known, when the plan is kept."""
    part, _ = slot
    if part.planned is None or not car.dice.chance(part.planned_chance):
        return
    planned_on = car.road.day_at(fitted.miles + part.planned)
    if planned_on is not None:
        car.book(planned_on, partial(car.reactions.plan_due, car, slot, fitted))


def _place(car: Car, slot: Slot, fitted: Fitted, day: date) -> None:
    part, position = slot
    if car.plan.vehicle_id == FEATURED:
        force(car, part, position, fitted, day)
    if car.plan.vehicle_id == TRUTH.eater.vehicle and (part.component, position) == (
        TRUTH.eater.cause,
        TRUTH.eater.cause_position,
    ):
        fitted.ends_miles = _FAR
    car.slots[slot] = fitted
    end = fitted.ends_on if fitted.ends_miles is None else car.road.day_at(fitted.ends_miles)
    if end is None or end > car.road.last:
        return
    car.book(max(end, day + timedelta(days=1)), partial(car.reactions.life_ends, car, slot, fitted))
    code = part.code(position)
    if code and car.dice.chance(0.4):
        hint_on = end - timedelta(days=car.dice.whole(10, 60))
        if hint_on > day:
            car.book(hint_on, partial(car.reactions.code_early, car, slot, fitted))


def begin_eating(car: Car, day: date) -> None:
    """From this day the planted vehicle eats its part: the fitted one lives on borrowed time."""
    eater = TRUTH.eater
    for slot, fitted in car.slots.items():
        if slot[0].component == eater.component and not fitted.broken:
            life = car.dice.weibull(eater.shape, eater.scale_miles)
            fitted.ends_miles = min(fitted.ends_miles or _FAR, car.road.at(day) + life)
            end = car.road.day_at(fitted.ends_miles)
            if end is not None and end > day:
                car.book(end, partial(car.reactions.life_ends, car, slot, fitted))
            return
