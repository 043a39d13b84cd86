"""What a forecaster would say who knows the true lives of a made fleet.

It knows the law of every place, with the effects of vehicle, place and batch, and what it costs;
not what is not drawn yet (the effect of a year to come, the distance to come), and no more of
ages and distances than the ledger tells. Ages that the ledger does not tell are those of a
renewal process that was not seen to end (Cox, Renewal Theory, 1962, section 5.2).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from made_fleet import (
    COST_SPREAD,
    MONTH,
    NUMBER,
    PARTS,
    SELLING_PRICE,
    YEAR,
    Floats,
    Key,
    Truth,
    Vehicle,
)
from numpy.typing import NDArray

_AGES = 16
_CELLS = 72
_STEPS = 8


@dataclass(frozen=True)
class Known:
    """Chance of a failure, number of failures and their cost, of each part."""

    chance: Floats
    number: Floats
    cost: Floats


@dataclass(frozen=True)
class _Laws:
    """Laws of parts as columns, shape (parts, 1)."""

    shape: Floats
    rate: Floats
    early: Floats
    early_mean: Floats
    comeback: Floats
    comeback_mean: Floats

    def take(self, rows: NDArray[np.int64] | NDArray[np.bool_]) -> "_Laws":
        """Return the laws of these parts."""
        return _Laws(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))

    def survival(
        self, age: Floats, rise: Floats | float = 1.0, since: Floats | None = None
    ) -> Floats:
        """Chance to outlive an age, given that `since` was outlived; hazard `rise` times."""
        first = np.zeros_like(age) if since is None else since
        grown = self.rate * (age**self.shape - first**self.shape)
        return np.exp(-rise * grown) * self._soon(age) / self._soon(first)

    def _soon(self, age: Floats) -> Floats:
        late = 1.0 + self.early * np.expm1(-age / self.early_mean)
        return late * (1.0 + self.comeback * np.expm1(-age / self.comeback_mean))


@dataclass(frozen=True)
class Ahead:
    """Distances ahead in thousand km, shape (nodes, parts), years ahead (nodes,), weights."""

    distance: Floats
    years: Floats
    weight: Floats


class Oracle:
    """What is known of the parts at some places on a day."""

    def __init__(self, truth: Truth, keys: Sequence[Key], day: float) -> None:
        self.truth, self.keys, self.day = truth, list(keys), day
        self.by_age = np.array([PARTS[NUMBER[key[1]]][2] == "age" for key in keys])
        cars = [truth.vehicles[key[0]] for key in keys]
        laws = [truth.law(key) for key in keys]
        fitted = [self._fitted(key) for key in keys]
        self.known = np.array([known for _day, known, _batch, _turn in fitted])
        repaired = np.array([turn > 0 or not known for _day, known, _batch, turn in fitted])
        column = {
            name: np.array([getattr(law, name) for law in laws], dtype=float)
            for name in (
                "shape",
                "scale",
                "effect",
                "early",
                "early_mean",
                "comeback",
                "comeback_mean",
            )
        }
        rate = column["effect"] * column["scale"] ** -column["shape"]
        batch = np.array([effect for _day, _known, effect, _turn in fitted])

        def laws_of(own_rate: Floats, back: Floats) -> _Laws:
            return _Laws(
                column["shape"][:, None],
                own_rate[:, None],
                column["early"][:, None],
                column["early_mean"][:, None],
                back[:, None],
                column["comeback_mean"][:, None],
            )

        self.present = laws_of(rate * batch, column["comeback"] * repaired)
        self.next = laws_of(rate, column["comeback"])
        self.cars = cars
        self.ages, self.share = self._ages(cars, [one[0] for one in fitted])

    def _fitted(self, key: Key) -> tuple[float, bool, float, int]:
        """Return the last fitting that the ledger knows of, or what was there from the first."""
        past = [
            (day, known, batch, turn)
            for turn, (day, known, batch) in enumerate(self.truth.fitted[key])
            if np.floor(day) <= self.day and (known or turn == 0)
        ]
        return past[-1]

    def _told(self, car: Vehicle) -> tuple[float, float]:
        """Return the day of the last reading, and km a day until then, as the ledger tells."""
        step = self.truth.setting.readings_days
        last = car.enrolled + step * np.floor((self.day - car.enrolled) / step)
        first = car.enrolled if last > car.enrolled else car.born
        if last <= first:
            return last, 50.0
        return float(last), (car.at(last) - car.at(first)) / (last - first)

    def _km(self, car: Vehicle) -> float:
        last, pace = self._told(car)
        return car.at(last) + pace * (self.day - last)

    def _ages(self, cars: list[Vehicle], days: list[float]) -> tuple[Floats, Floats]:
        """Return ages and their chances, shape (parts, ages)."""
        now = {car.name: self._km(car) for car in cars}
        age, total = (
            np.array(
                [
                    (self.day - day) / YEAR if by_age else (now[car.name] - car.at(day)) / 1000.0
                    for car, day, by_age in zip(cars, since, self.by_age, strict=True)
                ]
            )
            for since in (days, [car.born for car in cars])
        )
        seen = np.array(
            [
                (self.day - car.enrolled) / YEAR
                if by_age
                else (now[car.name] - car.at(car.enrolled)) / 1000.0
                for car, by_age in zip(cars, self.by_age, strict=True)
            ]
        )
        ages = np.repeat(np.maximum(age, 0.0)[:, None], _AGES, axis=1)
        share = np.full(ages.shape, 1.0 / _AGES)
        rows = np.flatnonzero(~self.known)
        if rows.size:
            ages[rows], share[rows] = self._unknown(rows, seen[rows], total[rows])
        return ages, share

    def _unknown(
        self, rows: NDArray[np.int64], seen: Floats, total: Floats
    ) -> tuple[Floats, Floats]:
        laws = self.next.take(rows)
        step = np.maximum(total, 1e-6)[:, None] / _CELLS
        ends = step * np.arange(_CELLS + 1)
        within = np.diff(1.0 - laws.survival(ends), axis=1)
        # Renewals in each cell, and a part of the age that each leaves; the first part is left.
        born = renewals(within)
        middle = np.maximum(total[:, None] - (ends[:, 1:] + ends[:, :-1]) / 2.0, 0.0)
        ages = np.concatenate([middle[:, ::-1], total[:, None]], axis=1)
        mass = np.concatenate([born[:, ::-1], np.ones((rows.size, 1))], axis=1)
        mass = mass * laws.survival(ages) * (ages >= np.minimum(seen, total)[:, None] - 1e-9)
        reached = np.cumsum(mass, axis=1) / np.maximum(mass.sum(axis=1, keepdims=True), 1e-300)
        turns = (np.arange(_AGES) + 0.5) / _AGES
        found = np.sum(reached[:, :, None] < turns, axis=1)
        picked = np.take_along_axis(ages, np.minimum(found, _CELLS), axis=1)
        return picked, np.full(picked.shape, 1.0 / _AGES)

    def ahead(self, months: float) -> Ahead:
        """Return the distances ahead as the ledger tells them, and that vehicles leave."""
        setting = self.truth.setting
        seen = np.array([max(self.day - car.enrolled, 30.0) / YEAR for car in self.cars])
        pace = np.array([self._told(car)[1] for car in self.cars]) * YEAR / 1000.0
        spread = np.hypot(np.hypot(0.1, setting.pace_change / np.sqrt(3.0)), 0.25 / np.sqrt(12.0))
        spread = spread * np.sqrt(1.0 + 1.0 / np.maximum(seen, 0.5))
        z, w = np.polynomial.hermite_e.hermegauss(3)
        far = pace * months / 12.0 * np.exp(spread * z[:, None] - spread**2 / 2.0)
        gone = -np.expm1(-setting.leaving * months / 12.0)
        stays = ((1.0, 1.0 - gone), (0.25, gone / 2.0), (0.75, gone / 2.0))
        return Ahead(
            np.concatenate([far * share for share, _chance in stays]),
            np.concatenate([np.full(3, months / 12.0 * share) for share, _chance in stays]),
            np.concatenate([w / w.sum() * chance for _share, chance in stays]),
        )

    def say(self, ahead: Ahead, months: float) -> Known:
        """Return chance, number and cost of the failures of each part."""
        setting, size = self.truth.setting, len(self.keys)
        rise = np.array([self._rise(NUMBER[key[1]], months) for key in self.keys])[:, None]
        z, w = np.polynomial.hermite_e.hermegauss(3 if setting.year_effect else 1)
        years = np.exp(setting.year_effect * z - setting.year_effect**2 / 2.0)
        found = np.zeros((3, size))
        for far, far_years, weight in zip(ahead.distance, ahead.years, ahead.weight, strict=True):
            stretch = np.where(self.by_age, far_years, far)[:, None]
            for year, year_weight in zip(years, w / w.sum(), strict=True):
                found += weight * year_weight * np.stack(self._failing(stretch, rise * year))
        chance, number, again = found
        written = np.array([self._written(NUMBER[key[1]]) for key in self.keys])
        price = np.array([self._price(key) for key in self.keys])
        paid = number - setting.free * again
        cost = written * price * np.exp(COST_SPREAD**2 / 2.0) * paid
        return Known(written * chance, written * number, cost)

    def _price(self, key: Key) -> float:
        """Middle price of a part in the money of the day."""
        money = (1.0 + self.truth.setting.yearly_rise) ** (self.day / YEAR)
        kind = self.truth.vehicles[key[0]].kind
        return float(self.truth.prices[kind, NUMBER[key[1]]] * money)

    def _written(self, number: int) -> float:
        """Share of a component's failures that the ledger gets to see."""
        sold = self.truth.setting.sale if PARTS[number][5] > SELLING_PRICE else 0.0
        return (1.0 - self.truth.setting.unrecorded) * (1.0 - sold)

    def _rise(self, number: int, months: float) -> float:
        """Hazard of a component in the months ahead against its law, but for the year's effect."""
        ahead = self.day + MONTH * months * (np.arange(24) + 0.5) / 24.0
        found = np.ones(24)
        if number == NUMBER["electrical.battery"]:
            found *= 1.0 + self.truth.setting.season * np.cos(2.0 * np.pi * (ahead - 15.0) / YEAR)
        if (
            self.truth.setting.doubling is not None
            and number == NUMBER[self.truth.setting.doubling_component]
        ):
            found *= 2.0 ** np.clip(ahead / YEAR - self.truth.setting.doubling, 0.0, 1.0)
        return float(found.mean())

    def _failing(self, stretch: Floats, rise: Floats) -> tuple[Floats, Floats, Floats]:
        """Return chance of a failure, number of failures, and those that are comebacks."""
        steps = stretch * np.arange(1, _STEPS + 1) / _STEPS
        left = np.stack([self._left(steps[:, [j]], rise) for j in range(_STEPS)], axis=1)
        first = -np.diff(left, axis=1, prepend=1.0)
        new = np.diff(1.0 - self.next.survival(steps, rise), axis=1, prepend=0.0)
        more = np.cumsum(renewals(new), axis=1)
        soon = -self.next.comeback * np.expm1(-steps / self.next.comeback_mean)
        # What fails within a cell has half of it and the cells after it to fail again.
        more, soon = (
            np.concatenate([(up := x[:, ::-1])[:, :-1] + up[:, 1:], up[:, -1:]], axis=1) / 2.0
            for x in (more, soon)
        )
        gone = 1.0 - left[:, -1]
        mean = self.present.comeback_mean
        own = self.present.comeback * np.exp(-self.ages / mean) * -np.expm1(-stretch / mean)
        again = np.sum(own * self.share, axis=1) + np.sum(first * soon, axis=1)
        return gone, gone + np.sum(first * more, axis=1), again

    def _left(self, stretch: Floats, rise: Floats) -> Floats:
        """Return the chance to outlive a stretch, over the ages that a part may have."""
        found = np.empty(self.known.size)
        for rows, ages in ((self.known, slice(1)), (~self.known, slice(None))):
            age, laws = self.ages[rows, ages], self.present.take(rows)
            left = laws.survival(age + stretch[rows], rise[rows], age)
            share = self.share[rows, ages]
            found[rows] = np.sum(left * share, axis=1) / np.sum(share, axis=1)
        return found


def renewals(within: Floats) -> Floats:
    """Return expected renewals in each cell of equal length, from first failures in each.

    A life that begins within cell i and lasts for d cells ends in cell i + d or the next one.
    """
    lag = within.copy()
    lag[:, 1:] = (within[:, 1:] + within[:, :-1]) / 2.0
    same = 1.0 - within[:, 0] / 2.0
    found = np.empty_like(within)
    for j in range(within.shape[1]):
        before = np.sum(found[:, :j] * lag[:, j:0:-1], axis=1)
        found[:, j] = (within[:, j] + before) / same
    return found
