"""Parts get their lives here: those on a vehicle when it comes, and those fitted later."""

from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from typing import Literal

from roadworn_demo.car import Car, Fitted, Slot
from roadworn_demo.chance import Dice
from roadworn_demo.lives import CLASSES, PRICE_FACTORS, PartLife, true_scale
from roadworn_demo.truth import FEATURED, TRUTH

#: (component, position) -> true distances in miles at which its parts come to their end.
#: A place that is not named keeps the part it came with; the last figure may lie ahead.
ENDS: dict[tuple[str, str], tuple[int, ...]] = {
    ("ignition.coil", "3"): (61_300, 72_400, 82_100, 91_200, 101_800, 112_600, 122_500),
    ("ignition.coil", "1"): (83_400, 190_000),
    ("engine.cover_gasket", "1"): (110_900,),
    ("brake.pad", "front"): (97_100, 121_300),
    ("brake.pad", "rear"): (70_500, 131_000),
    ("brake.rotor", "front"): (63_700, 128_500),
    ("brake.rotor", "rear"): (152_000,),
    ("wheel.tire", "LF"): (58_200, 94_000, 133_000),
    ("wheel.tire", "RF"): (58_900, 94_600, 134_500),
    ("wheel.tire", "LR"): (66_400, 106_300, 148_000),
    ("wheel.tire", "RR"): (66_400, 107_100, 149_000),
    ("steering.tie_rod_outer", "L"): (118_600,),
    ("suspension.stabilizer_link", "LF"): (71_200, 126_000),
    ("suspension.stabilizer_link", "RF"): (69_800, 124_000),
    ("suspension.shock", "LR"): (78_500, 160_000),
    ("suspension.shock", "RR"): (79_900, 158_000),
    ("wheel.bearing", "RF"): (49_700, 131_000),
    ("electrical.alternator", ""): (52_600, 126_500),
    ("cooling.water_pump", ""): (55_100, 127_000),
    ("cooling.thermostat", ""): (86_300, 175_000),
    ("drivetrain.clutch", ""): (74_200, 165_000),
    ("drivetrain.cv_axle", "LF"): (92_800, 170_000),
    ("emission.oxygen_sensor", "B1S1"): (67_900, 150_000),
    ("emission.exhaust_pipe", ""): (57_700, 125_500),
    ("engine.drive_belt", ""): (64_800, 128_000),
    ("lighting.headlamp", "L"): (73_300, 101_800, 150_000),
}

#: The battery's clock is days; it was exchanged once and is tired again.
BATTERY_ENDS = (date(2022, 1, 24), date(2027, 1, 11))
_FAR = 10.0**7
_DECLINED = frozenset({"engine.cover_gasket"})


def force(car: Car, part: PartLife, position: str, fitted: Fitted, day: date) -> None:
    """Give a part the end that the story asks for instead of the one that was drawn."""
    if part.clock == "days":
        later = [end for end in BATTERY_ENDS if end > day]
        fitted.ends_on = later[0] if later else day + timedelta(days=3_650)
        return
    miles = car.road.at(day)
    later_miles = [float(end) for end in ENDS.get((part.component, position), ()) if end > miles]
    fitted.ends_miles = later_miles[0] if later_miles else _FAR


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
_NEVER_USED = {"wheel.tire", "wheel.bearing", "electrical.battery", "cooling.water_pump"}


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
    worn_kind = part.shown == "wear" or part.component in _NEVER_USED
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
    price = part.price * PRICE_FACTORS[vehicle_class] * factor * rise(day)
    return Bought(supplier, number, kind, round(price * dice.between(0.95, 1.05), 2), from_batch)


def part_number(supplier: Supplier, part: PartLife, vehicle_class: str) -> str:
    """Return the number a supplier sells a part under, in a scheme of the demo's own."""
    system, _, name = part.component.partition(".")
    group = (CLASSES.index(vehicle_class) + 1) * 10
    return f"{supplier.initials}-{(system[:1] + name[:3]).upper()}-{group}"


_NEVER = 10.0**7


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
        fitted.ends_miles = _NEVER
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
            fitted.ends_miles = min(fitted.ends_miles or _NEVER, car.road.at(day) + life)
            end = car.road.day_at(fitted.ends_miles)
            if end is not None and end > day:
                car.book(end, partial(car.reactions.life_ends, car, slot, fitted))
            return
