"""One made fleet, projected and judged by its last year; `projection.py` says how and prints it."""

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from made_fleet import NUMBER, PARTS, YEAR, Floats, Key, Setting, Truth, on, play
from oracle import Ahead, Known, Oracle
from rules import prices, rules

from roadworn.columns.view import LedgerView, open_view
from roadworn.intake import Ledger
from roadworn.model.places import axle_of
from roadworn_plugins.projection.scores import calibration_slope
from roadworn_plugins.shared.costs_ahead import money
from roadworn_plugins.shared.parts_ahead import PartsAhead, load_parts
from roadworn_plugins.shared.projected import Projection, project

FEW = 5
TOP = 3
#: Vehicles of a fleet whose band is looked at, and the grid of money for it: bands take long.
BANDS, _CELLS = 30, 500


@dataclass(frozen=True)
class Score:
    """One fleet, projected and judged.

    Attributes:
        seed, vehicles, parts: of the fleet, those here on the day.
        projected, low, high: cost of the fleet with its 95 % band.
        came, knowing: what came, and what was to be expected by who knows the lives.
        looked, above, below: vehicles looked at, and those that cost more, or less, than their
            80 % band.
        vehicle, component: of each part.
        chance, least, most: told of each part, with the limits.
        base: share of the component's places that failed in as long before the day.
        truly: chance by who knows the lives, and `meant` with the distances of the projection.
        happened: whether each part failed.
        few, old, late: parts of a component and class with under five failures, parts older
            than four in five of the failures seen, and parts of vehicles that came late.
        by_component: component -> failures projected, to be expected by who knows, and come, and
            their costs, those projected without what comes back for nothing.
        unprojected: failures and cost that came at places without a projection.
        ranked: name -> share of the failures' money among the first three parts of a vehicle.
        rule_chance, rule_cost: name -> chance of each part, and cost of the fleet.
    """

    seed: int
    vehicles: int
    parts: int
    projected: float
    low: float
    high: float
    came: float
    knowing: float
    looked: int
    above: int
    below: int
    vehicle: list[str]
    component: list[str]
    chance: Floats
    least: Floats
    most: Floats
    base: Floats
    truly: Floats
    meant: Floats
    happened: Floats
    few: Floats
    old: Floats
    late: Floats
    by_component: dict[str, tuple[float, ...]]
    unprojected: tuple[int, float]
    ranked: dict[str, float]
    rule_chance: dict[str, Floats]
    rule_cost: dict[str, float]

    @property
    def ratio(self) -> float:
        """Cost projected over cost come."""
        return self.projected / max(self.came, 1.0)

    @property
    def held(self) -> bool:
        """Whether the fleet's band holds what came."""
        return self.low <= self.came <= self.high

    @property
    def slope(self) -> float:
        """Calibration slope of the chances."""
        return calibration_slope(self.chance, self.happened)[0]

    def covered(self) -> Floats:
        """Whether the limits of each part hold its true chance."""
        slack = 1e-6
        return ((self.least - slack <= self.meant) & (self.meant <= self.most + slack)).astype(
            float
        )


def score(
    seed: int, setting: Setting, folder: Path, *, months: float = 12.0, shift: float = 0.0
) -> Score:
    """Play, write, read and project one fleet.

    Args:
        seed: of the random numbers.
        setting: the fleet.
        folder: an empty one, for the ledger.
        months: how far ahead.
        shift: days from the end of the last year but one to the day of the projection.
    """
    events, truth = play(np.random.default_rng(seed), setting)
    day = float(int((setting.years - 1) * YEAR + shift))
    path = folder / f"fleet{seed}.db"
    with Ledger.create(path) as ledger:
        ledger.append_many([e for e in events if e.occurred_at[:10] <= on(day)])
    with open_view(path, as_of=on(day), cache=False) as view:
        parts = load_parts(view)
        found = project(parts, months)
        return _Judged(seed, truth, day, months, parts, found).score(view)


class _Judged:
    """One projection before its judge."""

    def __init__(
        self,
        seed: int,
        truth: Truth,
        day: float,
        months: float,
        parts: PartsAhead,
        found: Projection,
    ) -> None:
        self.seed, self.truth, self.day, self.months = seed, truth, day, months
        self.parts, self.found = parts, found
        self.here = {
            name
            for name, car in truth.vehicles.items()
            if np.floor(car.enrolled) <= day < np.floor(car.left)
        }
        self.keys = [
            _place(truth, vehicle, component, position)
            for vehicle, component, position in zip(
                parts.vehicle, parts.component, parts.position, strict=True
            )
        ]
        # The sides of one axle are half of its place each.
        many = Counter(self.keys)
        self.once = np.array([1.0 / many[key] for key in self.keys])

    def _by_component(
        self, oracle: Known, came: dict[Key, list[float]]
    ) -> dict[str, tuple[float, ...]]:
        """Return component -> numbers and costs: projected, by who knows, and come."""
        component, once = np.array(self.parts.component), self.once
        told = (self.found.number * once, self.found.number * prices(self.parts))
        known = (oracle.number * once, oracle.cost * once)
        found: dict[str, tuple[float, ...]] = {}
        for part in PARTS:
            here = component == part[0]
            paid = [cost for key, costs in came.items() if key[1] == part[0] for cost in costs]
            sums = [(told[i][here].sum(), known[i][here].sum()) for i in (0, 1)]
            found[part[0]] = (*sums[0], float(len(paid)), *sums[1], float(sum(paid)))
        return found

    def _costs(self, first: float, last: float) -> dict[Key, list[float]]:
        """Return place -> costs written down after the first day, in the money of the day."""
        rise = 1.0 + self.truth.setting.yearly_rise
        found: dict[Key, list[float]] = {}
        for one in self.truth.happenings:
            if one.failed and one.written and first < np.floor(one.day) <= last:
                money_of = one.cost / rise ** ((one.day - self.day) / YEAR)
                found.setdefault(one.key, []).append(money_of)
        return found

    def score(self, view: LedgerView) -> Score:
        """Return the score."""
        parts, found, truth = self.parts, self.found, self.truth
        stretch = YEAR * self.months / 12.0
        before = self._costs(self.day - stretch, self.day)
        came = {
            key: costs
            for key, costs in self._costs(self.day, self.day + stretch).items()
            if key[0] in self.here
        }
        base = self._base(before)
        happened = np.array([float(key in came) for key in self.keys])
        oracle, sure = self._oracle()
        whole = money(parts, found, np.arange(parts.size), level=0.95)
        looked, above, below = self._vehicles(came)
        said = rules(
            view,
            parts,
            self.months,
            base,
            sum(sum(costs) for costs in before.values()),
        )
        chances = {"projection": found.chance, "oracle": oracle.chance}
        chances |= {name: rule.chance for name, rule in said.items()}
        projected = set(self.keys)
        others = [cost for key, costs in came.items() if key not in projected for cost in costs]
        return Score(
            seed=self.seed,
            vehicles=len(self.here),
            parts=parts.size,
            projected=whole.expected,
            low=whole.low,
            high=whole.high,
            came=sum(sum(costs) for costs in came.values()),
            knowing=float((oracle.cost * self.once).sum()),
            looked=looked,
            above=above,
            below=below,
            vehicle=list(parts.vehicle),
            component=list(parts.component),
            chance=found.chance,
            least=found.low,
            most=found.high,
            base=base,
            truly=oracle.chance,
            meant=sure.chance,
            happened=happened,
            few=self._few(),
            old=self._old(),
            late=np.array([float(truth.vehicles[name].late) for name in parts.vehicle]),
            by_component=self._by_component(oracle, came),
            unprojected=(len(others), sum(others)),
            ranked={name: self._ranked(chance, came) for name, chance in chances.items()},
            rule_chance={name: rule.chance for name, rule in said.items()},
            rule_cost={name: rule.cost for name, rule in said.items()},
        )

    def _oracle(self) -> tuple[Known, Known]:
        """Return what the oracle says, and what it says of the projection's distances."""
        oracle = Oracle(self.truth, self.keys, self.day)
        far = self.parts.paces.ahead(self.months)
        same = Ahead(
            far.distance[:, self.parts.car] / 1000.0,
            np.full(far.weight.size, self.months / 12.0),
            far.weight,
        )
        return (
            oracle.say(oracle.ahead(self.months), self.months),
            oracle.say(same, self.months),
        )

    def _base(self, before: dict[Key, list[float]]) -> Floats:
        """Return the share of each component's places that failed in as long before the day."""
        component = np.array(self.parts.component)
        failed = np.array([float(key in before) for key in self.keys])
        base = np.zeros(self.parts.size)
        for name in set(self.parts.component):
            base[component == name] = failed[component == name].mean()
        return base

    def _vehicles(self, came: dict[Key, list[float]]) -> tuple[int, int, int]:
        """Return of how many vehicles how many cost more, and less, than their 80 % band."""
        own: dict[str, list[int]] = {}
        for i, name in enumerate(self.parts.vehicle):
            own.setdefault(name, []).append(i)
        above = below = 0
        spent: dict[str, float] = {}
        for key, costs in came.items():
            spent[key[0]] = spent.get(key[0], 0.0) + sum(costs)
        looked = sorted(self.here)[:: max(1, -(-len(self.here) // BANDS))]
        for name in looked:
            rows = np.array(own.get(name, []), dtype=np.int64)
            band = money(self.parts, self.found, rows, cells=_CELLS)
            above += spent.get(name, 0.0) > band.high + 1e-6
            below += spent.get(name, 0.0) < band.low - 1e-6
        return len(looked), above, below

    def _few(self) -> Floats:
        """Return which parts have under five failures in their component and class."""
        count: dict[tuple[str, int], int] = {}
        for one in self.truth.happenings:
            if one.failed and one.written and np.floor(one.day) <= self.day:
                kind = (one.key[1], self.truth.vehicles[one.key[0]].kind)
                count[kind] = count.get(kind, 0) + 1
        return np.array(
            [
                float(count.get((key[1], self.truth.vehicles[key[0]].kind), 0) < FEW)
                for key in self.keys
            ]
        )

    def _old(self) -> Floats:
        """Return which parts of known age are older than four in five of the failures seen."""
        ages: dict[str, list[float]] = {}
        for key, fitted in self.truth.fitted.items():
            car, by_age = self.truth.vehicles[key[0]], PARTS[NUMBER[key[1]]][2] == "age"
            for (first, known, _a), (last, written, _b) in pairwise(fitted):
                if known and written and last <= self.day:
                    km = (car.at(last) - car.at(first)) / 1000.0
                    ages.setdefault(key[1], []).append((last - first) / YEAR if by_age else km)
        ends = {name: float(np.quantile(found, 0.8)) for name, found in ages.items()}
        oracle = Oracle(self.truth, self.keys, self.day)
        return np.array(
            [
                float(oracle.known[i] and oracle.ages[i, 0] > ends.get(key[1], np.inf))
                for i, key in enumerate(self.keys)
            ]
        )

    def _ranked(self, chance: Floats, came: dict[Key, list[float]]) -> float:
        """Return the share of the money that lay in each vehicle's first parts."""
        weight = chance * prices(self.parts)
        first = found = 0.0
        own: dict[str, list[int]] = {}
        for i in np.argsort(-weight, kind="stable"):
            own.setdefault(self.parts.vehicle[i], []).append(int(i))
        for rows in own.values():
            top = {self.keys[i] for i in rows[:TOP]}
            first += sum(sum(came.get(key, [])) for key in top)
        found = sum(sum(costs) for costs in came.values())
        return first / found if found else np.nan


def _place(truth: Truth, vehicle: str, component: str, position: str) -> Key:
    """Return the true place that a projected part sits at; an axle's side is its axle."""
    places = PARTS[NUMBER[component]][1]
    axle = axle_of(position)
    if position not in places:
        position = axle if axle in places else places[0]
    return (vehicle, component, str(position))
