"""The vehicles of the demo: a table one can edit, read into plans."""

import csv
from dataclasses import dataclass
from datetime import date
from importlib import resources
from typing import Literal, cast

from roadworn.trade.vin import check_digit

Unit = Literal["km", "mi"]
_YEAR_LETTERS = "ABCDEFGHJKLMNPRSTVWXY123456789"


@dataclass(frozen=True, slots=True)
class Plan:
    """Who a vehicle is and when it is under the garage's eye.

    Attributes:
        enrolled_miles: true distance at enrolment, miles.
        parts: what the garage knows of the fitted parts: original, mixed or unknown.
        unit: what its odometer shows.
        daily_miles: mean over a year.
        leaves: ``sold``, ``scrapped``, ``not_seen`` (no event says so) or empty.
        leaves_on: the last day it is seen, or None.
        digits: figures on the odometer when they matter, or None.
    """

    vehicle_id: str
    label: str
    make: str
    model: str
    model_year: int
    vehicle_class: str
    engine: str
    gearbox: str
    fuel: str
    duty: str
    in_service: date
    enrolled_on: date
    enrolled_miles: int
    parts: Literal["original", "mixed", "unknown"]
    unit: Unit
    daily_miles: float
    owner: str
    leaves: str
    leaves_on: date | None
    digits: int | None

    @property
    def private(self) -> bool:
        """True for a customer's own vehicle, False for one of a fleet."""
        return self.owner.removeprefix("owner-").isdigit()


def invented_vin(plan: Plan) -> str:
    """Return a vehicle identification number that belongs to no vehicle.

    Its shape follows 49 CFR 565.15 (check digit, model year letter, a letter in position 7
    for light vehicles from 2010 on). It begins with A0, an area that, from memory, has been
    given to no country, so no real maker can have issued it.
    """
    kind, _, number = plan.vehicle_id.partition("-")
    year = _YEAR_LETTERS[(plan.model_year - 1980) % 30]
    seventh = "K" if plan.model_year >= 2010 else "5"
    maker = {"Tavenor": "T", "Brackwell": "B", "Ostrel": "R"}[plan.make]
    body = {"bus": "BU", "van": "VA", "car": "CA", "pickup": "PC", "truck": "TR"}[kind]
    without = f"A0{maker}{body}4{seventh}2"
    serial = f"{year}H{100_000 + 137 * int(number) + plan.model_year:06d}"
    return without + check_digit(f"{without}0{serial}") + serial


def fleet() -> list[Plan]:
    """Return every vehicle of the demo, in the order of the table."""
    text = resources.files("roadworn_demo").joinpath("fleet.csv").read_text(encoding="utf-8")
    return [_plan(row) for row in csv.DictReader(text.splitlines())]


def _plan(row: dict[str, str]) -> Plan:
    return Plan(
        vehicle_id=row["vehicle_id"],
        label=row["label"],
        make=row["make"],
        model=row["model"],
        model_year=int(row["model_year"]),
        vehicle_class=row["vehicle_class"],
        engine=row["engine"],
        gearbox=row["gearbox"],
        fuel=row["fuel"],
        duty=row["duty"],
        in_service=date.fromisoformat(row["in_service"]),
        enrolled_on=date.fromisoformat(row["enrolled_on"]),
        enrolled_miles=int(row["enrolled_miles"]),
        parts=cast("Literal['original', 'mixed', 'unknown']", row["parts"]),
        unit=cast("Unit", row["unit"]),
        daily_miles=float(row["daily_miles"]),
        owner=row["owner"],
        leaves=row["leaves"],
        leaves_on=date.fromisoformat(row["leaves_on"]) if row["leaves_on"] else None,
        digits=int(row["digits"]) if row["digits"] else None,
    )
