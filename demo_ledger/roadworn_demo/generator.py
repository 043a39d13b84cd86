"""Eight years of the island's garage, played through vehicle by vehicle."""

import hashlib
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache, partial
from itertools import groupby
from typing import Any

import orjson

from roadworn.model.events import NewEvent, format_uuid7
from roadworn_demo.car import Car, Draft
from roadworn_demo.fitting import begin_eating, fit_first, money
from roadworn_demo.fleet import Plan, fleet, invented_vin
from roadworn_demo.mishaps import add_slips, book_mishaps, book_pictures, exchange_odometer
from roadworn_demo.rounds import look_over
from roadworn_demo.service import (
    ServiceBook,
    monthly_reading,
    official_inspection,
    valuation,
    value_of,
)
from roadworn_demo.truth import FEATURED, LAST_DAY, TRUTH
from roadworn_demo.work import REACTIONS

#: What was fitted at the tyre shop is not in the generated ledger: it comes as a CSV file.
OUTSIDE = "tyre shop"


def generate() -> Iterator[NewEvent]:
    """Yield the demo's events in the order in which they were recorded.

    The same on every platform: same ids, same times, same ledger root.
    """
    return as_events(_own())


def generate_lines() -> Iterator[bytes]:
    """Yield the same events as lines of NDJSON, which are taken in many times faster."""
    yield from (orjson.dumps(given) for given in _as_given(_own()))


def _own() -> Iterator[Draft]:
    return (d for d in history() if d.source != OUTSIDE)


def tyre_shop_rows() -> list[Draft]:
    """Return the tires fitted elsewhere, which the hand-written CSV file brings in."""
    return sorted(
        (d for d in history() if d.source == OUTSIDE), key=lambda d: (d.day, d.vehicle_id, d.turn)
    )


@lru_cache(maxsize=1)
def history() -> tuple[Draft, ...]:
    """Return every draft of every vehicle, those of the tyre shop included."""
    by_vehicle = {plan.vehicle_id: _play(plan) for plan in fleet()}
    add_slips(by_vehicle)
    return tuple(draft for drafts in by_vehicle.values() for draft in drafts)


def _play(plan: Plan) -> list[Draft]:
    car = Car.of(plan, REACTIONS)
    _enrol(car)
    for slot in car.own_slots():
        fit_first(car, slot)
    _book_calendar(car)
    book_mishaps(car)
    book_pictures(car)
    if plan.vehicle_id == TRUTH.eater.vehicle:
        car.book(TRUTH.eater.since, partial(begin_eating, car))
    if plan.vehicle_id == TRUTH.odometers.exchanged:
        car.book(TRUTH.odometers.exchanged_on, partial(exchange_odometer, car))
    if plan.vehicle_id == "bus-10":
        car.book(date(2023, 4, 3), partial(_change_of_round, car))
    car.play()
    if plan.leaves in ("sold", "scrapped"):
        _retire(car)
    return car.drafts


def _enrol(car: Car) -> None:
    plan = car.plan
    profile: dict[str, Any] = {
        "label": plan.label,
        "vin": invented_vin(plan),
        "make": plan.make,
        "model": plan.model,
        "model_year": plan.model_year,
        "vehicle_class": plan.vehicle_class,
        "engine": plan.engine,
        "gearbox": plan.gearbox,
        "fuel": plan.fuel,
        "duty": plan.duty,
        "use": plan.use,
        "inspected_by": plan.inspected_by,
        "in_service_date": plan.in_service.isoformat(),
        "odometer_digits": plan.digits,
        "owner_reference": plan.owner,
        "parts": plan.parts,
    }
    car.note("enrolment", plan.enrolled_on, profile, by="front desk")


def _book_calendar(car: Car) -> None:
    plan, dice, road = car.plan, car.dice, car.road
    ServiceBook(car)
    # Half-year look-overs, the first within weeks of enrolment unless the vehicle is new.
    day = road.first + timedelta(days=182 if plan.enrolled_miles < 500 else dice.whole(2, 40))
    while day <= road.last:
        # The featured car's last look-over is the hand-written one.
        if plan.vehicle_id != FEATURED or day < LAST_DAY - timedelta(days=60):
            car.book(day, partial(look_over, car))
        day += timedelta(days=dice.whole(172, 196))
    day = road.first + timedelta(days=dice.whole(20, 340))
    while day <= road.last and plan.inspected_by != "none":
        car.book(day, partial(official_inspection, car))
        day = date(day.year + 1, day.month, min(day.day, 28))
    for year in range(road.first.year + 1, road.last.year + 1):
        if not plan.private or plan.vehicle_id == FEATURED or dice.chance(0.25):
            car.book(date(year, 1, 1) + timedelta(days=dice.whole(8, 24)), partial(valuation, car))
    if plan.vehicle_id == FEATURED:
        car.book(LAST_DAY - timedelta(days=17), partial(valuation, car))
    if not plan.private:
        day, days = road.first, dice.whole(1, 26)
        while day <= road.last:
            car.book(day, partial(monthly_reading, car))
            month = day.month % 12 + 1
            day = date(day.year + (month == 1), month, days)


def _change_of_round(car: Car, day: date) -> None:
    profile = {"label": "East line and quarry", "note": "takes the quarry shift along since Easter"}
    car.note("profile_change", day, profile, by="front desk")


def _retire(car: Car) -> None:
    plan = car.plan
    share = 0.9 if plan.leaves == "sold" else 0.1
    price = round(value_of(car, car.road.last) * share / 10) * 10
    car.note(
        "retirement",
        car.road.last,
        {"reason": plan.leaves, "price": money(price)},
        by="front desk",
    )


def as_events(drafts: Iterable[Draft]) -> Iterator[NewEvent]:
    """Yield the drafts as events in the order in which they were recorded, with ids."""
    return (NewEvent(**given) for given in _as_given(drafts))


def _as_given(drafts: Iterable[Draft]) -> Iterator[dict[str, Any]]:
    """Yield the drafts with the fields of an event, in the order in which they were recorded."""
    ordered = sorted(drafts, key=lambda d: (d.recorded_on, d.vehicle_id, d.turn))
    moments: list[datetime] = []
    for day, of_day in groupby(ordered, lambda d: d.recorded_on):
        # The day's paper is typed in one after the other, from half past seven in the morning.
        first = datetime.combine(day, time(7, 30), UTC)
        moments += [first + number * timedelta(seconds=90) for number, _ in enumerate(of_day)]
    for number, (draft, moment) in enumerate(zip(ordered, moments, strict=True)):
        draft.event_id = event_id(moment, f"{draft.vehicle_id}/{draft.kind}/{number}")
    for draft, moment in zip(ordered, moments, strict=True):
        yield _given(draft, moment)


def event_id(moment: datetime, name: str) -> str:
    """Return an identifier of the shape of a UUID version 7 (RFC 9562, section 5.7).

    The 62 bits that are random in a living ledger are taken from a digest of `name`, so that
    the demo is the same everywhere.
    """
    noise = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "big") >> 2
    return format_uuid7(int(moment.timestamp()) * 1000, 0, noise)


def _given(draft: Draft, moment: datetime) -> dict[str, Any]:
    payload = {
        key: value.event_id if isinstance(value, Draft) else value
        for key, value in draft.payload.items()
    }
    return {
        "vehicle_id": draft.vehicle_id,
        "kind": draft.kind,
        "occurred_at": draft.day.isoformat(),
        "payload": payload,
        "odometer": draft.odometer,
        "odometer_unit": draft.unit,
        "recorded_by": draft.by,
        "source": draft.source,
        "event_id": draft.event_id,
        "recorded_at": moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
    }
