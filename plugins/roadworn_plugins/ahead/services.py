"""The services by plan that come in the months ahead, with what they cost."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np

from roadworn.analysis import Cell
from roadworn.columns.view import LedgerView
from roadworn.trade.warranty import Interval, Point, due_after, is_past
from roadworn_plugins.lifedata.special import ndtr
from roadworn_plugins.maintenance.schedule import Service, load_schedule, serviced, services_done
from roadworn_plugins.shared.prices import Price, Prices

#: Steps between services that tell how often a shop really does them, and how many are looked at.
_LEAST_STEPS, _MOST_STEPS = 3, 8
_SHORTEST_STEP_DAYS = 7.0
#: What comes once in a hundred years does not come: a vehicle that hardly moves has no day for it.
_LONGEST_STEP_DAYS = 36_525.0
#: Services come early or late by so much of a step (common practice, no source).
_SD_OF_STEP = 0.2
#: So many standard deviations early nobody comes: what is due later is not read.
_EARLIEST = 3.0
#: A price holds eight in ten between its low and its high: that many standard deviations.
_TENTH = 1.2815515655446004
_DAYS_PER_MONTH = 365.25 / 12


@dataclass(frozen=True, slots=True)
class ServiceAhead:
    """A service to come: of a vehicle and its class, the day it is expected, and how surely.

    `sd_days` is the standard deviation of that day.
    """

    vehicle: str
    kind: str
    service: Service
    on: date
    sd_days: float

    def chance(self, start: date | None, end: date) -> float:
        """Return the chance that it comes from one day, None for now, to another."""
        until = self._by((end - self.on).days + 0.5)
        return until if start is None else until - self._by((start - self.on).days - 0.5)

    def _by(self, days: float) -> float:
        """Return the chance that it comes within so many days of the day it is expected.

        A normal law cut off at the earliest, so that spans add up to the time they make.
        """
        never = float(ndtr(-_EARLIEST))
        return max((float(ndtr(days / self.sd_days)) - never) / (1.0 - never), 0.0)


def services_ahead(
    view: LedgerView, until: date, vehicle: str | None = None, *, schedule: str = ""
) -> list[ServiceAhead]:
    """Return the services that may come up to a day, each time they fall due; not what is due now.

    A vehicle's own record tells how often a service is done where it has been done four times or
    more, else the schedule at its pace. A service that was never written down here may be done
    elsewhere, and one whose part was last replaced as failed is counted among the failures.

    Args:
        view: the ledger as of a day.
        until: the last day.
        vehicle: only this one.
        schedule: packaged name, or path of a shop's own; see `load_schedule`.
    """
    chosen = load_schedule(schedule)
    done = services_done(view, chosen)
    failed = {
        event
        for (event,) in view.sql(
            "SELECT event_id FROM replacements WHERE reason IN ('failed', 'worn_out')"
        ).rows
    }
    found = []
    for one in serviced(view, chosen, vehicle):
        for service in one.services if one.here else ():
            own = done.get((one.name, service.component, service.action), [])
            step = _step(own, service.interval, one.km_per_day, one.hours_per_day)
            if not own or own[-1].event in failed or step is None:
                continue
            due = due_after(own[-1], service.interval, 0.0)
            now, sd = one.now.on, _SD_OF_STEP * step / timedelta(days=1)
            day = own[-1].on + step
            if is_past(due, one.now):
                day = now + step
            day = max(day, now + timedelta(days=1))
            # How far on is read must not hang on how far is asked: a year is a year's in any sum.
            while (day - until).days <= _EARLIEST * sd:
                found.append(ServiceAhead(one.name, one.kind, service, day, sd))
                day += step
    return found


def _step(
    done: Sequence[Point],
    interval: Interval,
    km_per_day: float | None,
    hours_per_day: float | None,
) -> timedelta | None:
    """Return the time from one service to the next, None where nothing tells."""
    gaps = sorted((b.on - a.on).days for a, b in pairwise(done[-_MOST_STEPS - 1 :]))
    days: list[float] = []
    if len(gaps) >= _LEAST_STEPS:
        days.append(float(gaps[len(gaps) // 2]))
    else:
        if interval.months is not None:
            days.append(interval.months * 365.25 / 12)
        if interval.km is not None and km_per_day:
            days.append(interval.km / km_per_day)
        if interval.hours is not None and hours_per_day:
            days.append(interval.hours / hours_per_day)
    if not days or min(days) > _LONGEST_STEP_DAYS:
        return None
    return timedelta(days=max(min(days), _SHORTEST_STEP_DAYS))


@dataclass(frozen=True, slots=True)
class ServiceSum:
    """Services of a span: how many, what they cost with its band, and how many have no price."""

    number: float
    expected: float
    spread: float
    unpriced: int

    @property
    def cells(self) -> tuple[Cell, ...]:
        """Number, expected, low, high and without a price."""
        low, high = max(self.expected - self.spread, 0.0), self.expected + self.spread
        return self.number, self.expected, low, high, self.unpriced


@dataclass(frozen=True, eq=False)
class ServicesAhead:
    """Services to come with their prices: those due by a day, and what may come early of others."""

    all: list[ServiceAhead]
    prices: Prices
    until: date

    @classmethod
    def load(
        cls, view: LedgerView, prices: Prices, months: float, vehicle: str | None = None
    ) -> "ServicesAhead":
        """Read the services of the months to come, and what of the time after may come early."""
        until = view.today + timedelta(days=round(months * _DAYS_PER_MONTH))
        return cls(services_ahead(view, until, vehicle), prices, until)

    @property
    def unpriced(self) -> list[ServiceAhead]:
        """Those due by the day that have no price on record."""
        return [one for one in self.all if one.on <= self.until and self.price(one) is None]

    def price(self, one: ServiceAhead) -> Price | None:
        """Return what a service costs, None where no price is on record."""
        service = one.service
        found = self.prices.of(service.component, one.kind, one.vehicle, work=service.action)
        return found if found is not None and found.number else None

    def between(self, start: date | None, end: date, vehicle: str = "") -> ServiceSum:
        """Return the services from one day, None for now, to another, of all or one vehicle.

        Each counts with its chance of coming within that time; whether it does is the larger
        part of the spread of a short span.
        """
        number = unpriced = expected = variance = 0.0
        for one in self.all:
            if vehicle not in ("", one.vehicle):
                continue
            chance, price = one.chance(start, end), self.price(one)
            number += chance
            if price is None:
                unpriced += chance
                continue
            cost = price.middle if price.mean is None else price.mean
            sd = (price.high - price.low) / (2.0 * _TENTH)
            expected += chance * cost
            variance += chance * (sd**2 + (1.0 - chance) * cost**2)
        return ServiceSum(number, expected, _TENTH * float(np.sqrt(variance)), round(unpriced))
