"""What work costs on the island: parts, labour, suppliers and their numbers.

All figures are invented. Prices rise by about three in a hundred a year.
"""

from dataclasses import dataclass
from datetime import date
from typing import Literal

from roadworn_demo.dice import Dice
from roadworn_demo.lives import CLASSES, PRICE_FACTORS, PartLife
from roadworn_demo.truth import TRUTH

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
