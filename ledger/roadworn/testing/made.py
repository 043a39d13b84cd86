"""Fleets of which the truth is known, for an analysis to find it again."""

import math
import random
from collections.abc import Callable, Iterable, Mapping
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


@dataclass(frozen=True, slots=True)
class Made:
    """One vehicle of a made fleet, for events of your own about it.

    Attributes:
        name: of the vehicle.
        chance: to draw from; what is drawn here changes no life.
        first_day: when it is enrolled.
        days: how long it is watched.
        km_a_day: its pace.
    """

    name: str
    chance: random.Random
    first_day: date
    days: int
    km_a_day: float

    def day(self, number: int) -> str:
        """Return the day so many days after the first."""
        return (self.first_day + timedelta(days=number)).isoformat()

    def km(self, number: int) -> float:
        """Return what its odometer shows on that day."""
        return round(self.km_a_day * number, 1)


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
    odd: Mapping[str, float] | None = None,
    unread: float = 0.0,
    fields: Mapping[str, Any] | None = None,
    also: Callable[[Made], Iterable[NewEvent]] | None = None,
) -> Fleet:
    """Return vehicles of which one part fails by a Weibull law that you choose, and is replaced.

    The truth is yours to set: which vehicles are hard on their part, how much nobody read, and
    what else happens, of the kinds of your plugin too.

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
        odd: vehicle -> what its lives are taken times, as in ``{"made-3": 0.5}``.
        unread: share of the replacements at which nobody read the odometer.
        fields: what else stands in each replacement, as in ``{"supplier": "Quay"}``.
        also: returns more events of a vehicle; it is called once for each.
    """
    chance = random.Random(seed)  # noqa: S311  # no secret hangs on it
    start = date.fromisoformat(first_day)
    dated: list[tuple[str, int, NewEvent]] = []
    lives, running = [], []
    for number in range(1, vehicles + 1):
        name, pace = f"made-{number}", km_a_day * chance.uniform(0.8, 1.2)
        told: dict[str, Any] = {"vehicle_class": vehicle_class, "parts": "original"}

        def add(day: int, kind: str, km: float | None, **payload: Any) -> None:  # noqa: ANN401
            when = (start + timedelta(days=day)).isoformat()
            read = None if km is None else round(km, 1)
            made = event(name, kind, when, odometer=read, unit="km", **payload)  # noqa: B023
            dated.append((when, len(dated), made))

        add(0, "enrolment", 0, **told)
        fitted = 0.0
        scale = scale_km * (odd or {}).get(name, 1.0)
        own = random.Random(f"{seed} {name}")  # noqa: S311  # nor here
        while (failed := fitted + chance.weibullvariate(scale, shape)) < pace * days:
            day = math.ceil(failed / pace)
            at = min(day, days) * pace
            read = None if own.random() < unread else at
            told = {"component": component, "reason": "failed", **(fields or {})}
            add(min(day, days), "replacement", read, **told)
            lives.append((name, fitted, at))
            fitted = at
        add(days, "odometer_reading", pace * days)
        running.append((name, fitted, pace * days))
        made = Made(name, own, start, days, pace)
        for one in also(made) if also else ():
            dated.append((one.occurred_at[:10], len(dated), one))
    events = tuple(made for _day, _order, made in sorted(dated, key=lambda one: one[:2]))
    last = (start + timedelta(days=days)).isoformat()
    return Fleet(events, tuple(lives), tuple(running), last)
