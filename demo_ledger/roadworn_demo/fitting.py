"""Parts get their lives here: those on a vehicle when it comes, and those fitted later."""

from datetime import date, timedelta
from functools import partial

from roadworn_demo import featured
from roadworn_demo.car import Car, Fitted, Slot
from roadworn_demo.lives import true_scale
from roadworn_demo.truth import FEATURED, TRUTH

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
        featured.force(car, part, position, fitted, day)
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
