"""A made fleet with known lives: its ledger to a day, and what really happened after it.

Half of the vehicles are watched from new, half come late, most of them with parts of unknown
age. Whatever fails is replaced at once, with the reason and the price written down. `Setting`
says what else is true of the fleet and what is written down wrongly; `cases.py` names the truths
that a projection has to stand. Components, lives, prices and suppliers are invented; the truth
stays here and is never shown to the code under test.

The hazard of a part at age a of its own clock, at a place of a vehicle, on a day is

    z (shape / scale) (a / scale)^(shape - 1) g(day)

with z the effects of vehicle, place and batch, and g those of year, season and trend, beside
two early laws: a share of new parts, and a share of repairs, fails after an exponential time.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from roadworn.model.events import NewEvent
from roadworn.testing import event

Floats = NDArray[np.float64]
Key = tuple[str, str, str]
WHEELS = ("LF", "RF", "LR", "RR")
ENDS = ("front", "rear")
#: Component, places, clock, Weibull shape, scale in thousand km (in years where "age"), price.
PARTS: tuple[tuple[str, tuple[str, ...], str, float, float, float], ...] = (
    ("brake.pad", ENDS, "distance", 3.0, 62.0, 260.0),
    ("brake.rotor", ENDS, "distance", 2.6, 120.0, 380.0),
    ("brake.caliper", WHEELS, "distance", 1.5, 420.0, 310.0),
    ("wheel.tire", WHEELS, "distance", 3.4, 68.0, 170.0),
    ("wheel.bearing", WHEELS, "distance", 1.8, 260.0, 290.0),
    ("suspension.strut", ("LF", "RF"), "distance", 2.2, 170.0, 350.0),
    ("suspension.ball_joint", ("LF-lower", "RF-lower"), "distance", 2.4, 230.0, 240.0),
    ("steering.tie_rod_outer", ("L", "R"), "distance", 2.2, 160.0, 180.0),
    ("electrical.battery", ("",), "age", 2.8, 5.0, 190.0),
    ("electrical.alternator", ("",), "distance", 1.4, 230.0, 520.0),
    ("electrical.starter", ("",), "distance", 1.3, 280.0, 430.0),
    ("ignition.coil", ("1", "2", "3", "4"), "distance", 1.2, 480.0, 140.0),
    ("cooling.water_pump", ("",), "distance", 2.0, 190.0, 480.0),
    ("cooling.thermostat", ("",), "distance", 1.1, 210.0, 210.0),
    ("cooling.radiator", ("",), "distance", 2.4, 420.0, 640.0),
    ("fuel.pump", ("",), "distance", 1.8, 260.0, 620.0),
    ("engine.drive_belt", ("",), "distance", 2.5, 110.0, 130.0),
    ("engine.timing_chain", ("",), "distance", 2.8, 520.0, 1900.0),
    ("air.turbocharger", ("",), "distance", 1.9, 480.0, 1700.0),
    ("emission.oxygen_sensor", ("B1S1", "B1S2"), "distance", 1.3, 330.0, 250.0),
    ("emission.egr_valve", ("",), "distance", 1.6, 300.0, 450.0),
    ("hvac.compressor", ("",), "distance", 1.2, 320.0, 900.0),
    ("hvac.blower", ("",), "age", 1.5, 14.0, 260.0),
)
NUMBER = {part[0]: number for number, part in enumerate(PARTS)}
CLASSES = ("small van", "large van", "pickup", "car")
#: Suppliers, each with the ways in which a shop spells it.
SUPPLIERS = (
    ("Northgate Parts", "NORTHGATE PARTS", "Northgate Parts, Inc.", "northgate-parts"),
    ("Hollow Creek Supply", "Hollow Creek Supply Co", "HOLLOW CREEK"),
    ("Tamarack Trade", "Tamarack trade.", "tamarack"),
)
#: Changed by plan -> at what age, thousand km or years.
PLANNED = {"engine.drive_belt": 90.0, "cooling.water_pump": 150.0, "electrical.battery": 4.0}
DEPOTS = ("Lockside", "Highfold", "Marram", "Pitwell")
START = date(2016, 1, 1)
YEAR = 365.25
MONTH = YEAR / 12.0
COST_SPREAD = 0.35
_BEFORE = 14  # years before START that the oldest vehicle may be born
_KM_PER_YEAR = 18.0  # thousand, to put early failures on the calendar of a part that ages
SELLING_PRICE = 430.0


@dataclass(frozen=True)
class Setting:
    """Size of the fleet, what is true of it and what is written down wrongly.

    Attributes:
        vehicles, years: size and length; the last year is the judge of a projection.
        yearly_rise: of prices.
        readings_days: between odometer readings.
        late, unknown: share of vehicles that come late, and of those with unknown parts.
        leaving: share of vehicles that leave in a year; a new one comes for each.
        early, early_km: share of new parts that fail early, and the ends of the mean of when.
        comebacks, free: share of repairs that come back within weeks, and of those at no price.
        differing: spread of the log hazard of a vehicle over all of its components.
        bad, bad_life: share of vehicles whose parts last `bad_life` of normal.
        cause: share of vehicles with one place that fails every `cause_km` thousand km.
        year_effect: spread of the log hazard common to a calendar year.
        season: amplitude of the first harmonic of the battery's hazard, highest in January.
        pace_change: the fleet's distance a year is changed by up to this share.
        planned: whether `PLANNED` is kept to.
        sale: chance that a dear failure leads to a sale in the place of a repair.
        mis_recorded, unrecorded: share of failures under a wrong reason, or not written down.
        odometer_missing, odometer_wrong, turned_back: share of jobs without a reading, of
            jobs and readings mistyped, and of vehicles whose odometer is turned back.
        sides_apart: share of axle jobs that are written down as two, days apart.
        spellings: whether suppliers are written in several ways.
        enrolled_after: years after which the vehicles then here are enrolled and the old book
            is copied in.
        batch: parts of one supplier and component have this hazard from `batch_from` years on.
        doubling: the hazard of one component doubles within the year from this one on.
        early_life: on `CLASSES[early_class]` parts of `early_component` last this share of what
            they last on the others; 1 for no such class.
        depots: vehicles are based at so many; at the first one `depot_comebacks` of repairs come
            back.
        programme: parts of `programme_component` that are fitted from `programme_from` years on
            last so many times as long.
    """

    vehicles: int = 200
    years: int = 8
    yearly_rise: float = 0.0
    readings_days: float = 91.0
    late: float = 0.5
    unknown: float = 1.0
    leaving: float = 0.0
    early: float = 0.0
    early_km: tuple[float, float] = (3.0, 8.0)
    comebacks: float = 0.0
    comeback_km: float = 0.9
    free: float = 0.7
    differing: float = 0.0
    bad: float = 0.0
    bad_life: float = 0.45
    cause: float = 0.0
    cause_km: float = 16.0
    year_effect: float = 0.0
    season: float = 0.0
    pace_change: float = 0.0
    planned: bool = False
    sale: float = 0.0
    mis_recorded: float = 0.0
    unrecorded: float = 0.0
    odometer_missing: float = 0.0
    odometer_wrong: float = 0.0
    turned_back: float = 0.0
    sides_apart: float = 0.0
    spellings: bool = False
    enrolled_after: float = 0.0
    batch: float = 1.0
    batch_component: str = "wheel.bearing"
    batch_from: float = 4.0
    doubling: float | None = None
    doubling_component: str = "electrical.alternator"
    early_life: float = 1.0
    early_class: int = 0
    early_component: str = "steering.tie_rod_outer"
    depots: int = 0
    depot_comebacks: float = 0.0
    programme: float = 1.0
    programme_component: str = "brake.pad"
    programme_from: float = 5.0


@dataclass
class Vehicle:
    """One vehicle: when it came, and its distance by the month."""

    name: str
    kind: int
    born: float  # days from START; negative for those that come late
    enrolled: float
    edges: Floats
    km: Floats
    late: bool = False
    original: bool = True
    told_original: bool = True
    left: float = np.inf
    effect: float = 1.0
    bad: bool = False
    turned: tuple[float, float] = (np.inf, 0.0)
    depot: int = -1

    def at(self, day: float) -> float:
        """Distance on a day, in km."""
        return float(np.interp(day, self.edges, self.km))


@dataclass(frozen=True)
class Law:
    """True law of the parts at one place: Weibull hazard by effect, and shares of early ones."""

    shape: float
    scale: float
    effect: float
    early: float
    early_mean: float
    comeback: float
    comeback_mean: float


@dataclass(frozen=True)
class Happening:
    """A failure or a planned change: what the owner pays, and whether the ledger has it."""

    key: Key
    day: float
    cost: float
    failed: bool
    written: bool
    comeback: bool = False


@dataclass
class Truth:
    """What happened, by (vehicle, component, place)."""

    failures: dict[Key, list[float]] = field(default_factory=dict)
    costs: dict[Key, list[float]] = field(default_factory=dict)
    scale: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    shape: Floats = field(default_factory=lambda: np.array([part[3] for part in PARTS]))
    vehicles: dict[str, Vehicle] = field(default_factory=dict)
    happenings: list[Happening] = field(default_factory=list)
    #: Day of fitting, whether its age is known, and effect of the batch, in order.
    fitted: dict[Key, list[tuple[float, bool, float]]] = field(default_factory=dict)
    causes: dict[str, Key] = field(default_factory=dict)
    early_means: Floats = field(default_factory=lambda: np.zeros(0))
    prices: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    setting: Setting = field(default_factory=Setting)

    def within(self, key: Key, first: float, last: float) -> list[float]:
        """Costs of the failures of a place from the day after the first to the last."""
        pairs = zip(self.failures.get(key, []), self.costs.get(key, []), strict=True)
        # An event is written down with its day only.
        return [cost for day, cost in pairs if first < np.floor(day) <= last]

    def law(self, key: Key) -> Law:
        """Return the law of the parts at a place, the batch apart."""
        car, setting = self.vehicles[key[0]], self.setting
        number = NUMBER[key[1]]
        clock, shape = PARTS[number][2], float(self.shape[number])
        scale = float(self.scale[car.kind, number])
        if self.causes.get(car.name) == key:
            shape, scale = 4.0, setting.cause_km
        effect = car.effect * (setting.bad_life**-shape if car.bad else 1.0)
        per = _KM_PER_YEAR if clock == "age" else 1.0
        mean = float(self.early_means[number]) / per
        back = setting.comeback_km / per
        comes_back = setting.depot_comebacks if car.depot == 0 else setting.comebacks
        return Law(shape, scale, effect, setting.early, mean, comes_back, back)


def on(day: float) -> str:
    """Day number as a date."""
    return (START + timedelta(days=int(np.floor(day)))).isoformat()


def play(rng: np.random.Generator, setting: Setting) -> tuple[list[NewEvent], Truth]:
    """Return every event in the order of happening, and the truth."""
    return _Play(rng, setting).run()


class _Play:
    """One fleet being played."""

    def __init__(self, rng: np.random.Generator, setting: Setting) -> None:
        self.rng, self.setting = rng, setting
        spread = np.exp(rng.normal(0.0, 0.25, (len(CLASSES), len(PARTS))))
        self.truth = Truth(
            scale=spread * np.array([part[4] for part in PARTS]),
            prices=np.exp(rng.normal(0.0, 0.2, spread.shape)) * [part[5] for part in PARTS],
            early_means=rng.uniform(*setting.early_km, len(PARTS)),
            setting=setting,
        )
        if setting.early_life != 1.0:
            part = NUMBER[setting.early_component]
            others = np.delete(self.truth.scale[:, part], setting.early_class)
            self.truth.scale[setting.early_class, part] = others.mean() * setting.early_life
        self.events: list[tuple[float, NewEvent]] = []
        months = 12 * (_BEFORE + setting.years) + 3
        self.grid = -_BEFORE * YEAR + np.arange(months + 1) * MONTH
        self.over_time = self._over_time()
        change = setting.pace_change
        self.pace = rng.uniform(1.0 - change, 1.0 + change, months // 12 + 2)

    def _over_time(self) -> Floats:
        """Hazard of each component in each month against its law, shape (parts, months)."""
        setting, middle = self.setting, self.grid[:-1] + MONTH / 2.0
        spread = setting.year_effect
        years = np.exp(self.rng.normal(-(spread**2) / 2.0, spread, _BEFORE + setting.years + 2))
        found = np.tile(years[((middle + _BEFORE * YEAR) // YEAR).astype(int)], (len(PARTS), 1))
        winter = 1.0 + setting.season * np.cos(2.0 * np.pi * (middle - 15.0) / YEAR)
        found[NUMBER["electrical.battery"]] *= winter
        if setting.doubling is not None:
            gone = np.clip(middle / YEAR - setting.doubling, 0.0, 1.0)
            found[NUMBER[setting.doubling_component]] *= 2.0**gone
        return found

    def run(self) -> tuple[list[NewEvent], Truth]:
        """Play all vehicles, and those that come for the ones that leave."""
        places = [(part[0], place) for part in PARTS for place in part[1] if part[2] == "distance"]
        waiting: list[tuple[int, float | None]] = [(n, None) for n in range(self.setting.vehicles)]
        made = 0
        while waiting:
            number, born = waiting.pop()
            car = self._vehicle(made, number, born)
            made += 1
            self.truth.vehicles[car.name] = car
            if self.rng.random() < self.setting.cause:
                turn = int(self.rng.integers(len(places)))
                self.truth.causes[car.name] = (car.name, *places[turn])
            jobs = [
                job
                for number_of, part in enumerate(PARTS)
                for place in part[1]
                for job in self._place(car, number_of, place)
            ]
            self._sell(car, jobs)
            for happening, supplier in jobs:
                self._keep(car, happening, supplier)
            self._watch(car)
            if car.left < self.grid[-1] - 60.0:
                waiting.append((number, car.left + 20.0))
        self.truth.happenings.sort(key=lambda one: one.day)
        self.events.sort(key=lambda item: item[0])
        return [one for _day, one in self.events], self.truth

    def _vehicle(self, made: int, number: int, born: float | None) -> Vehicle:
        rng, setting = self.rng, self.setting
        late = born is None and int((number + 1) * setting.late) > int(number * setting.late)
        enrolled = float(rng.uniform(0.0, 2.0 * YEAR)) if born is None else born
        original = not late or bool(rng.random() >= setting.unknown)
        age = float(rng.uniform(1.0, 3.0) if original else rng.uniform(2.0, 11.0)) * YEAR * late
        pace = 1500.0 * float(np.exp(rng.normal(0.0, 0.4)))
        edges = np.concatenate([[enrolled - age], self.grid[self.grid > enrolled - age + 1.0]])
        year = ((edges[:-1] + _BEFORE * YEAR) // YEAR).astype(int)
        own = np.exp(rng.normal(-0.005, 0.1, self.pace.size))
        monthly = pace * (own * self.pace)[year] * np.diff(edges) / MONTH
        monthly = monthly * np.exp(rng.normal(-0.03, 0.25, monthly.size))
        spread = setting.differing
        back = rng.random() < setting.turned_back
        return Vehicle(
            name=f"v{made:03d}",
            kind=number // 2 % len(CLASSES),
            born=enrolled - age,
            enrolled=enrolled,
            edges=edges,
            km=np.concatenate([[20.0], 20.0 + np.cumsum(monthly)]),
            late=late,
            original=original,
            told_original=original and enrolled >= setting.enrolled_after * YEAR,
            left=enrolled + float(rng.exponential(YEAR / max(setting.leaving, 1e-9))),
            effect=float(np.exp(rng.normal(-(spread**2) / 2.0, spread))),
            bad=bool(rng.random() < setting.bad),
            turned=(float(rng.uniform(2.0, 5.0)) * YEAR, 50_000.0) if back else (np.inf, 0.0),
            depot=made % setting.depots if setting.depots else -1,
        )

    def _place(self, car: Vehicle, number: int, place: str) -> list[tuple[Happening, int]]:
        """Play one place from new to the end; return what happened, and who supplied the new."""
        rng, setting, truth = self.rng, self.setting, self.truth
        component, _places, clock, _shape, _scale, _price = PARTS[number]
        key: Key = (car.name, component, place)
        law = truth.law(key)
        ages = car.km / 1000.0 if clock == "distance" else (car.edges - car.born) / YEAR
        interval = PLANNED.get(component, np.inf) if setting.planned else np.inf
        rises = self.over_time[number, self.grid.size - car.edges.size :]
        day, batch, repaired = car.born, 1.0, False
        found: list[tuple[Happening, int]] = []
        fitted = truth.fitted[key] = [(day, car.told_original, 1.0)]
        truth.failures[key], truth.costs[key] = [], []
        while True:
            surviving = car.enrolled if car.late and car.original and day == car.born else day
            means = [law.early_mean] * (rng.random() < law.early)
            back = law.comeback_mean if repaired and rng.random() < law.comeback else np.inf
            start = int(np.searchsorted(car.edges, day, side="right"))
            days = np.concatenate([[day], car.edges[start:]])
            age = np.concatenate([[np.interp(day, car.edges, ages)], ages[start:]])
            age = age - age[0]
            grown = law.effect * batch * (age / law.scale) ** law.shape
            hazard = np.concatenate([[0.0], np.cumsum(np.diff(grown) * rises[start - 1 :])])
            drawn = float(np.interp(surviving, days, hazard)) + float(rng.exponential())
            ends = float(np.interp(drawn, hazard, days, right=np.inf))
            seen = float(np.interp(surviving, days, age))
            soon = [seen + mean * float(rng.exponential()) for mean in means]
            came_back = seen + back * float(rng.exponential())
            early = min([*soon, came_back])
            ends = min(ends, float(np.interp(early, age, days, right=np.inf)))
            until = interval * float(np.exp(rng.normal(0.0, 0.08)))
            change = max(float(np.interp(until, age, days, right=np.inf)), surviving + 1.0)
            # Two jobs at one figure would be one job written down twice.
            day, failed = max(min(ends, change), day + 1.5), ends <= change
            if day >= min(car.edges[-1], car.left):
                return found
            again = failed and came_back <= early and ends < np.inf and back < np.inf
            again = again and abs(float(np.interp(day, days, age)) - came_back) < 1e-6
            cost = float(truth.prices[car.kind, number] * np.exp(rng.normal(0.0, COST_SPREAD)))
            cost *= (1.0 + setting.yearly_rise) ** (day / YEAR)
            if again and rng.random() < setting.free:
                cost = 0.0
            written = day > car.enrolled and not (failed and rng.random() < setting.unrecorded)
            supplier = int(rng.integers(len(SUPPLIERS)))
            faulty = component == setting.batch_component and supplier == 0
            batch = setting.batch if faulty and day > setting.batch_from * YEAR else 1.0
            if component == setting.programme_component and day > setting.programme_from * YEAR:
                batch *= setting.programme**-law.shape
            repaired = True
            fitted.append((day, written, batch))
            found.append((Happening(key, day, cost, failed, written, again), supplier))

    def _sell(self, car: Vehicle, jobs: list[tuple[Happening, int]]) -> None:
        """Sell a vehicle at a dear failure, and forget what did not happen then."""
        for job, _supplier in sorted(jobs, key=lambda one: one[0].day):
            dear = PARTS[NUMBER[job.key[1]]][5] > SELLING_PRICE
            seen = job.failed and dear and job.day > car.enrolled + YEAR
            if seen and self.rng.random() < self.setting.sale:
                car.left = job.day
                jobs[:] = [one for one in jobs if one[0].day < job.day]
                return

    def _keep(self, car: Vehicle, one: Happening, supplier: int) -> None:
        """Keep what happened in the truth, and in the ledger if it is written down."""
        self.truth.happenings.append(one)
        if one.failed:
            self.truth.failures[one.key].append(one.day)
            self.truth.costs[one.key].append(one.cost)
        if not one.written:
            return
        rng, setting = self.rng, self.setting
        component, place = one.key[1:]
        reason = "failed" if one.failed else "preventive"
        if one.failed and rng.random() < setting.mis_recorded:
            reason = str(rng.choice(["preventive", "unknown"]))
        names = SUPPLIERS[supplier]
        name = names[int(rng.integers(len(names)))] if setting.spellings else names[0]
        sides = {"front": ("LF", "RF"), "rear": ("LR", "RR")}.get(place)
        if sides and rng.random() < setting.sides_apart:
            later = one.day + float(rng.uniform(1.0, 9.0))
            jobs = [(one.day, sides[0], one.cost / 2.0), (later, sides[1], one.cost / 2.0)]
        else:
            jobs = [(one.day, place, one.cost)]
        for day, position, cost in jobs:
            job: dict[str, Any] = {"component": component, "reason": reason, "supplier": name}
            job |= {"part_kind": "new"} | ({"position": position} if position else {})
            if cost > 0.0 or rng.random() < 0.5:
                job["parts_cost"] = {"amount": f"{cost:.2f}", "currency": "USD"}
            self._write(car, "replacement", day, job, rng.random() >= setting.odometer_missing)

    def _watch(self, car: Vehicle) -> None:
        """Write down that a vehicle comes, is read now and then, and leaves."""
        step = self.setting.readings_days
        enrolled = max(car.enrolled, min(self.setting.enrolled_after * YEAR, car.left - 1.0))
        profile = {"vehicle_class": CLASSES[car.kind], "in_service_date": on(car.born)}
        parts = "original" if car.told_original else "unknown"
        if car.depot >= 0:
            profile["depot"] = DEPOTS[car.depot]
        self._write(car, "enrolment", enrolled, {**profile, "parts": parts})
        last = min(car.edges[-1], car.left)
        for day in np.arange(car.enrolled + step, last, step):
            self._write(car, "odometer_reading", float(day), {})
        if car.left < car.edges[-1]:
            self._write(car, "retirement", car.left, {"reason": "sold"})

    def _write(
        self, car: Vehicle, kind: str, day: float, payload: dict[str, Any], read: bool = True
    ) -> None:
        shown = car.at(day) - (car.turned[1] if day > car.turned[0] else 0.0)
        if kind != "enrolment" and self.rng.random() < self.setting.odometer_wrong:
            shown += float(self.rng.choice([-20_000.0, 10_000.0, 90_000.0]))
        figure = round(max(shown, 0.0)) if read else None
        one = event(car.name, kind, on(day), odometer=figure, unit="km", **payload)
        self.events.append((day, one))
