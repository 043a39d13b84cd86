"""Services, readings, official inspections and valuations of the demo's vehicles."""

from datetime import date, timedelta
from functools import partial
from typing import Any

from roadworn_demo.car import Car
from roadworn_demo.fitting import labour_rate, money, rise
from roadworn_demo.truth import BUS, CAR, LAST_DAY, PICKUP, TRUCK, VAN

#: Items an official station may send a vehicle back for that are no part's end of life.
_STATION_ITEMS = ("headlamp aim", "plate lamp", "wiper smears", "loose exhaust shield", "horn weak")


#: component, action, miles between or None, days between or None, price, hours, fuels
_PLAN: tuple[tuple[str, str, int | None, int | None, float, float, str], ...] = (
    ("air.filter", "replaced", 24_000, None, 22, 0.2, ""),
    ("hvac.cabin_filter", "replaced", None, 540, 24, 0.2, ""),
    ("fuel.filter", "replaced", 30_000, None, 38, 0.5, "diesel"),
    ("ignition.spark_plug", "replaced", 50_000, None, 52, 1.0, "petrol"),
    ("brake.fluid", "replaced", None, 730, 18, 0.8, ""),
    ("cooling.coolant", "replaced", None, 1_280, 36, 0.9, ""),
    ("drivetrain.transmission_fluid", "replaced", 60_000, None, 92, 1.2, ""),
    ("body.wiper_blade", "replaced", None, 330, 28, 0.1, ""),
)


_OIL_MILES = {BUS: 7_500, VAN: 6_500, CAR: 6_000, PICKUP: 6_000, TRUCK: 4_000}


_NEW_VALUE = {BUS: 84_000, VAN: 35_000, CAR: 21_500, PICKUP: 39_000, TRUCK: 62_000}


class ServiceBook:
    """The service of one vehicle: oil by distance, and what else is due when it is in."""

    def __init__(self, car: Car) -> None:
        self._car = car
        miles, first = car.road.at(car.road.first), car.road.first
        # Where the last service was before the vehicle came is not known: some time back.
        self._last = {
            row[0]: (
                miles - (row[2] or 0) * car.dice.between(0, 0.9),
                first - timedelta(days=int((row[3] or 0) * car.dice.between(0, 0.9))),
            )
            for row in _PLAN
        }
        self._book_next(first, share=car.dice.between(0.2, 1.0))

    def _book_next(self, day: date, share: float = 1.0) -> None:
        car = self._car
        step = _OIL_MILES[car.plan.vehicle_class] * share * car.dice.between(0.95, 1.1)
        due = car.road.day_at(car.road.at(day) + step)
        latest = day + timedelta(days=400)
        when = min(due, latest) if due else latest
        car.book(max(when, day + timedelta(days=20)), self.oil_service)

    def oil_service(self, day: date) -> None:
        """Change the oil, and do whatever else has come due."""
        car = self._car
        litres = {BUS: 74.0, TRUCK: 88.0}.get(car.plan.vehicle_class, 46.0)
        self._write(day, "engine.oil", "replaced", litres, 0.5)
        for component, action, miles, days, price, hours, fuel in _PLAN:
            last_miles, last_day = self._last[component]
            due = (miles is not None and car.road.at(day) - last_miles >= miles) or (
                days is not None and (day - last_day).days >= days
            )
            if due and fuel in ("", car.plan.fuel):
                self._write(day, component, action, price, hours)
                self._last[component] = (car.road.at(day), day)
        self._book_next(day)

    def _write(self, day: date, component: str, action: str, price: float, hours: float) -> None:
        payload: dict[str, Any] = {
            "component": component,
            "action": action,
            "parts_cost": money(price * rise(day)),
            "labour_hours": hours,
            "labour_rate": labour_rate(day),
            "work_order": self._car.work_order(day),
        }
        self._car.note("maintenance", day, payload)


def monthly_reading(car: Car, day: date) -> None:
    """Write down a fleet vehicle's odometer; drivers' sheets come in a day or two later."""
    late = min(car.dice.pick((0, 0, 1, 1, 2)), (LAST_DAY - day).days)
    how = "module" if car.dice.chance(0.1) else "dash"
    payload = {"how": how, "status": "actual"}
    if car.plan.digits == 5:
        payload["status"] = "unknown"
    car.note("odometer_reading", day, payload, by="front desk", late=late)


def official_inspection(car: Car, day: date) -> None:
    """Take the vehicle to the island's inspection station, and again when it is sent back."""
    lamp_on = any(s == "stored" and not c.startswith("C") for c, s in car.codes.items())
    items = [car.dice.pick(_STATION_ITEMS)] if car.dice.chance(0.08) else []
    due = date(day.year + 1, day.month, min(day.day, 28)).isoformat()
    payload: dict[str, Any] = {
        "inspection": "safety" if car.plan.vehicle_class == TRUCK else "combined",
        "result": "fail" if items or lamp_on else "pass",
        "station": "Haldersey inspection station",
        "fee": money(round(42 * rise(date(day.year, 1, 1)))),
        "items": [*items, *(["emission lamp on"] if lamp_on else [])],
    }
    if payload["result"] == "pass":
        payload["due_date"] = due
    car.note("inspection_result", day, payload, by="front desk")
    if items and not lamp_on:
        car.book(day + timedelta(days=car.dice.whole(2, 9)), partial(_again, car, payload, due))


def _again(car: Car, payload: dict[str, Any], due: str, day: date) -> None:
    passed = payload | {"result": "pass", "items": [], "due_date": due}
    car.note("inspection_result", day, passed, by="front desk")


def valuation(car: Car, day: date) -> None:
    """Write down what the vehicle would fetch as it stands."""
    amount = value_of(car, day)
    car.note(
        "valuation",
        day,
        {"value": money(amount), "source": "island auction lists"},
        by="front desk",
    )


def value_of(car: Car, day: date) -> float:
    """Return an invented market value, to 50 dollars: 15 in a hundred a year, less distance."""
    value = _NEW_VALUE[car.plan.vehicle_class] * rise(day)
    age = (day - car.plan.in_service).days / 365.25
    for _ in range(int(age)):
        value *= 0.85
    value *= 1 - 0.15 * (age - int(age))
    value *= 1 - min(car.road.at(day), 240_000) / 400_000
    return max(round(value / 50) * 50.0, 400.0)
