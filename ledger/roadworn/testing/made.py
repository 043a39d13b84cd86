"""Fleets of which the truth is known, for an analysis to find it again."""

import math
import random
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from roadworn.model.events import NewEvent
from roadworn.testing.ledgers import event


@dataclass(frozen=True, slots=True)
class Fleet:
    """A made fleet with what is true of it, for an analysis to find.

    Attributes:
        events: in the order they were recorded.
        lives: (vehicle, km at fitting, km at failure) of each part that failed.
        running: (vehicle, km at fitting, km at the last reading) of each that still runs.
        last_day: day of the last reading.
    """

    events: tuple[NewEvent, ...]
    lives: tuple[tuple[str, float, float], ...]
    running: tuple[tuple[str, float, float], ...]
    last_day: str


def made_fleet(
    seed: int,
    *,
    vehicles: int = 10,
    component: str = "electrical.alternator",
    shape: float = 2.5,
    scale_km: float = 60_000,
    km_a_day: float = 120,
    days: int = 1_000,
    first_day: str = "2022-01-03",
    vehicle_class: str = "van",
) -> Fleet:
    """Return vehicles of which one part fails by a Weibull law that you choose, and is replaced.

    Args:
        seed: the same gives the same fleet.
        vehicles: how many, named ``made-1`` on.
        component: id of the part; the vehicles are new and it is the original one.
        shape: of the law; 1 fails by chance alone, 3 wears out.
        scale_km: distance by which 63 % have failed.
        km_a_day: each vehicle's pace, drawn within a fifth of it.
        days: how long they are watched.
        first_day: when all of them are enrolled.
        vehicle_class: of all of them.
    """
    chance = random.Random(seed)  # noqa: S311  # no secret hangs on it
    start = date.fromisoformat(first_day)
    dated: list[tuple[str, int, NewEvent]] = []
    lives, running = [], []
    for number in range(1, vehicles + 1):
        name, pace = f"made-{number}", km_a_day * chance.uniform(0.8, 1.2)
        told: dict[str, Any] = {"vehicle_class": vehicle_class, "parts": "original"}

        def add(day: int, kind: str, km: float, **payload: Any) -> None:  # noqa: ANN401
            when = (start + timedelta(days=day)).isoformat()
            made = event(name, kind, when, odometer=round(km, 1), unit="km", **payload)  # noqa: B023
            dated.append((when, len(dated), made))

        add(0, "enrolment", 0, **told)
        fitted = 0.0
        while (failed := fitted + chance.weibullvariate(scale_km, shape)) < pace * days:
            day = math.ceil(failed / pace)
            at = min(day, days) * pace
            add(min(day, days), "replacement", at, component=component, reason="failed")
            lives.append((name, fitted, at))
            fitted = at
        add(days, "odometer_reading", pace * days)
        running.append((name, fitted, pace * days))
    events = tuple(made for _day, _order, made in sorted(dated, key=lambda one: one[:2]))
    last = (start + timedelta(days=days)).isoformat()
    return Fleet(events, tuple(lives), tuple(running), last)
