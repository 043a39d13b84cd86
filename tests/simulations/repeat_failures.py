"""False alarms and power of the search for repeat failures: run by hand, in minutes.

    python tests/simulations/repeat_failures.py --runs 100
    python tests/simulations/repeat_failures.py --scans

A fleet has twelve components at one to four places, Weibull lives in thousand km, four classes,
four suppliers, vehicles of unlike pace, eight years of record; one repair in twenty comes back
within 3,000 km. Every other vehicle comes with parts of unknown age, which are left out. With
nothing planted the share of fleets with any row is counted; with a fault planted, how often it
is named, and its month right within half a year, beside a test that knows where and when at the
same rate of alarms. The tables stand in plugins/roadworn_plugins/repeats/README.md.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadworn_plugins.repeats.chances import BATCHES, FAMILY, Entries, tail
from roadworn_plugins.repeats.levels import Lives, of_past
from roadworn_plugins.repeats.search import Finding, Search

#: Component, places, Weibull shape and scale in thousand km.
PARTS = (
    ("cooling.water_pump", 1, 2.0, 170.0),
    ("wheel.bearing", 4, 1.8, 200.0),
    ("electrical.alternator", 1, 1.3, 150.0),
    ("brake.pad", 2, 3.0, 60.0),
    ("electrical.battery", 1, 2.5, 80.0),
    ("electrical.starter", 1, 1.3, 250.0),
    ("cooling.thermostat", 1, 1.1, 200.0),
    ("fuel.pump", 1, 1.8, 240.0),
    ("suspension.strut", 2, 2.2, 170.0),
    ("ignition.coil", 4, 1.2, 250.0),
    ("engine.drive_belt", 1, 2.5, 110.0),
    ("hvac.compressor", 1, 1.2, 300.0),
)
SUPPLIERS = ("Able", "Bent", "Corn", "Dell")
YEAR = 365.25
MONTH = YEAR / 12.0


@dataclass(frozen=True)
class Fleet:
    """Size of the fleet, how its vehicles differ, and what is planted.

    Attributes:
        vehicles, classes, years: of it.
        comebacks: share of repairs that come back at once.
        spread: standard deviation of the logarithm of the vehicles' rates.
        year: likewise of the years' levels, common to all.
        planted: "", "place", "on vehicle" (all places of a part on one), "vehicle", "class",
            "batch", "comebacks" (at a place, as a chance), "batch comebacks" or "fleet".
        times: how often as many fail there.
        component: it is planted on; all of a vehicle.
        months: since when, before the end of the record, for a batch or a fleet.
    """

    vehicles: int = 60
    classes: int = 4
    years: int = 8
    comebacks: float = 0.05
    spread: float = 0.0
    year: float = 0.0
    planted: str = ""
    times: float = 1.0
    component: str = "wheel.bearing"
    months: float = 24.0

    @property
    def since(self) -> float:
        """Return the day from which it is planted."""
        return self.years * YEAR - self.months * MONTH

    def on(self, component: str, kind: int, vehicle: int, position: int) -> float:
        """Return times the hazard of a place, whatever part is in it."""
        here = {
            "place": (component, vehicle, position) == (self.component, 0, 0),
            "on vehicle": (component, vehicle) == (self.component, 0),
            "vehicle": vehicle == 0,
            "class": (component, kind) == (self.component, 0),
        }
        return self.times if here.get(self.planted, False) else 1.0

    def batch(self, component: str, supplier: str, fitted: float) -> float:
        """Return times the hazard of a part by who sent it and when."""
        bad = self.planted == "batch" and (component, supplier) == (self.component, SUPPLIERS[0])
        return self.times if bad and fitted >= self.since else 1.0

    def back(self, where: tuple[str, int, int], supplier: str, fitted: float) -> float:
        """Return the chance that a repair comes back at once."""
        place = self.planted == "comebacks" and where == (self.component, 0, 0)
        batch = self.planted == "batch comebacks" and supplier == SUPPLIERS[0]
        batch = batch and where[0] == self.component and fitted >= self.since
        return self.comebacks * (self.times if place or batch else 1.0)


Row = tuple[tuple[str, ...], float, float, float, float, bool, bool, bool]


def play(rng: np.random.Generator, fleet: Fleet) -> Lives:
    """Return lives of known age, as the read model would derive them."""
    rows: list[Row] = []
    year = np.exp(rng.normal(0.0, fleet.year, fleet.years)) if fleet.year else None
    for vehicle in range(fleet.vehicles):
        new = vehicle % 2 == 0
        rate = float(np.exp(rng.normal(0.0, fleet.spread)))
        start = float(rng.uniform(0.0, 2.0 * YEAR)) if new else 0.0
        edges = np.arange(0.0, fleet.years * YEAR + MONTH, MONTH)
        pace = rng.lognormal(np.log(20.0 / YEAR), 0.4)
        km = np.concatenate(
            ([0.0], np.cumsum(pace * MONTH * np.exp(rng.normal(0.0, 0.3, edges.size - 1))))
        )
        for component, places, shape, scale in PARTS:
            for position in range(places):
                kind = vehicle % fleet.classes
                times = rate * fleet.on(component, kind, vehicle, position)
                who = (component, f"class {kind}", f"v{vehicle}", str(position))
                law = shape, scale, times
                rows += _stays(rng, fleet, who, (start, new), (edges, km), law, year)
    return lives_of(rows)


def _stays(
    rng: np.random.Generator,
    fleet: Fleet,
    who: tuple[str, str, str, str],
    start: tuple[float, bool],
    road: tuple[NDArray[np.float64], NDArray[np.float64]],
    law: tuple[float, float, float],
    year: NDArray[np.float64] | None,
) -> Iterator[Row]:
    shape, scale, times = law
    (edges, km), (fitted, known), end = road, start, fleet.years * YEAR
    supplier, original = "", True
    ramp = fleet.planted == "fleet" and who[0] == fleet.component
    while fitted < end:
        hazard = times * fleet.batch(who[0], supplier, fitted)
        need = rng.exponential() / hazard
        if original and not known:
            need *= rng.uniform() ** shape  # somewhere in its life
        at = float(np.interp(fitted, edges, km))
        place = (who[0], int(who[2][1:]), int(who[3]))
        back = not original and rng.random() < fleet.back(place, supplier, fitted)
        if back:
            day = float(np.interp(at + rng.uniform(0.05, 3.0), km, edges, right=np.inf))
        elif ramp or year is not None:
            days = np.append(fitted, edges[edges > fitted])
            ages = (np.interp(days, edges, km) - at) / scale
            # The rate rises within a year.
            more = np.interp(
                days[1:], [fleet.since, fleet.since + YEAR], [1.0, fleet.times if ramp else 1.0]
            )
            if year is not None:
                more *= year[np.minimum((days[:-1] // YEAR).astype(int), year.size - 1)]
            spent = np.concatenate(([0.0], np.cumsum(np.diff(ages**shape) * more)))
            day = float(np.interp(need, spent, days, right=np.inf))
        else:
            day = float(np.interp(at + scale * need ** (1.0 / shape), km, edges, right=np.inf))
        failed, last = day < end, min(day, end)
        if (known or not original) and last > fitted:
            distance = float(np.interp(last, edges, km)) - at
            number = "x-1" if supplier else ""
            yield (
                (*who, supplier, number), distance, fitted, last, last - fitted, failed, original,
                back and failed,
            )  # fmt: skip
        fitted, original = last, False
        supplier = SUPPLIERS[int(rng.integers(len(SUPPLIERS)))]


def lives_of(rows: list[Row]) -> Lives:
    """Return rows as the columns that the search takes."""
    names = ("component", "class", "vehicle", "position", "supplier", "number")
    distance, first, last, days = (
        np.array([row[i] for row in rows], dtype=np.float64) for i in (1, 2, 3, 4)
    )
    failed, original, back = (np.array([row[i] for row in rows], dtype=bool) for i in (5, 6, 7))
    none = np.full(len(rows), None, dtype=object)
    return Lives.of(
        {name: [row[0][i] for row in rows] for i, name in enumerate(names)},
        entry=np.zeros((2, len(rows))),
        leaving=np.stack((distance, days / YEAR)),
        failed=failed,
        between=np.zeros(len(rows), dtype=bool),
        first=first,
        last=last,
        event=none,
        started=np.where(original, none, "fitted"),
        came_back=back,
    )


def named(fleet: Fleet, lives: Lives, found: list[Finding]) -> Finding | None:
    """Return the finding that names what is planted, if any."""
    for one in found:
        row = int(np.flatnonzero(one.rows)[0])
        component = "" if one.component < 0 else lives.name("component", row)
        where = {
            "place": ("place",), "vehicle": ("vehicle",), "class": ("class",),
            "on vehicle": ("on vehicle", "place"), "comebacks": ("comebacks",),
            "batch": ("batch", "part", "supplier"), "fleet": ("fleet since",),
            "batch comebacks": ("batch comebacks", "part", "supplier"),
        }[fleet.planted]  # fmt: skip
        place = lives.name("vehicle", row) == "v0" and lives.name("position", row) == "0"
        right = {
            "place": place, "comebacks": place, "class": lives.name("class", row) == "class 0",
            "fleet": True, **dict.fromkeys(BATCHES, lives.name("supplier", row) == SUPPLIERS[0]),
        }.get(fleet.planted, lives.name("vehicle", row) == "v0")  # fmt: skip
        if one.family in where and right and component in ("", fleet.component):
            return one
    return None


def known(fleet: Fleet, lives: Lives, search: Search) -> tuple[float, float]:
    """Return the chance and the failures by a test that knows where and since when."""
    component = lives.names["component"].index(fleet.component)
    one = search.of[component]
    if fleet.planted == "fleet":
        first, last = lives.first[one.rows], lives.last[one.rows]
        part = np.clip((fleet.since - first) / (last - first), 0.0, 1.0)
        failed = lives.failed[one.rows]
        sooner = float(np.sum(failed & (last < fleet.since)))
        before = float(np.sum(part * one.usual))
        later, after = float(failed.sum()) - sooner, float(one.usual.sum()) - before
        mean, doubt = (
            np.atleast_1d(x) for x in of_past(*(np.array([x]) for x in (after, sooner, before)))
        )
        return float(tail(np.array([later]), mean, doubt)[0]), later
    family = fleet.planted
    column, name = {
        "place": ("", ""), "comebacks": ("", ""), "class": ("class", "class 0"),
        **dict.fromkeys(BATCHES, ("supplier", SUPPLIERS[0])),
    }.get(family, ("vehicle", "v0"))  # fmt: skip
    entries = search.vehicles if family == "vehicle" else search.entries[component]
    if column:
        ident = lives.names[column].index(name) if name in lives.names[column] else -1
    else:
        here = [
            lives.name("vehicle", r) == "v0" and lives.name("position", r) == "0" for r in one.rows
        ]
        ident = int(search.place[one.rows][here][0]) if any(here) else -1
    some = (entries.family == FAMILY[family]) & (entries.ident == ident)
    if family in BATCHES and some.any():
        nearest = np.argmin(np.abs(search.days[entries.since[some]] - fleet.since))
        some = np.flatnonzero(some)[nearest : nearest + 1]
    if not np.any(some):
        return 1.0, 0.0
    picked = Entries(**{n: getattr(entries, n)[some] for n in Entries.__dataclass_fields__})
    return float(picked.chance(search.among)[0]), float(picked.observed[0])


@dataclass
class Outcome:
    """Shares of many fleets."""

    any_row: float
    named: float
    dated: float
    by_oracle: float
    failures: float


def alarms(runs: int, fleet: Fleet, seed: int) -> Outcome:
    """Return how often there is any row, and how often what is planted is named."""
    rng = np.random.default_rng(seed)
    count = np.zeros(5)
    for _ in range(runs):
        lives = play(rng, fleet)
        search = Search(lives)
        chance, failures = known(fleet, lives, search) if fleet.planted else (1.0, 0.0)
        found, _aside = search.findings(0.05)
        one = named(fleet, lives, found) if fleet.planted else None
        near = one is not None and one.since is not None and abs(one.since - fleet.since) <= 183.0
        count += (bool(found), one is not None, near, chance <= 0.05, failures)
    return Outcome(*(count / runs))


def scans(runs: int, seed: int) -> Iterator[tuple[int, float, float, float]]:
    """Yield failures, threshold, share of records with any alarm at it, and alarms a year.

    Poisson increments of a steady rate over eight years, looked at each month against their own
    past from each half-year on, as the search does.
    """
    rng = np.random.default_rng(seed)
    months, step = 96, 6
    for failures in (20, 60, 200):
        whole, by_month = [], []
        for _ in range(runs):
            total = np.concatenate(([0.0], np.cumsum(rng.poisson(failures / months, months))))
            lowest = np.ones(months)
            for now in range(12, months + 1):
                start = np.arange(step, now - 1, step)
                mean, doubt = of_past((now - start) * 1.0, total[start], start * 1.0)
                good = np.isfinite(mean)
                if good.any():
                    p = tail((total[now] - total[start])[good], mean[good], doubt[good])
                    lowest[now - 1] = p.min()
            whole.append(lowest[-1])
            by_month.append(lowest)
        low = np.array(by_month)
        for p in (0.01, 0.003, 0.001):
            begun = (low[:, 1:] <= p) & (low[:, :-1] > p)
            yield failures, p, float(np.mean(np.array(whole) <= p)), float(begun.sum()) / runs / 7.0


CLEAN = tuple(
    (Fleet(vehicles=size, spread=spread, year=year), times)
    for spread, year in ((0.0, 0.0), (0.3, 0.0), (0.0, 0.2))
    for size, times in ((20, 8), (60, 6), (150, 4), (500, 1))
)
PLANTED = (
    Fleet(60, planted="place", times=8.0, component="electrical.alternator"),
    Fleet(150, planted="place", times=8.0, component="electrical.alternator"),
    Fleet(60, planted="on vehicle", times=8.0, component="ignition.coil"),
    Fleet(150, planted="on vehicle", times=8.0, component="ignition.coil"),
    Fleet(60, planted="comebacks", times=12.0, component="brake.pad"),
    Fleet(60, planted="vehicle", times=2.5),
    Fleet(60, planted="class", times=2.5),
    Fleet(150, planted="batch", times=3.0, months=48.0),
    Fleet(200, planted="batch", times=3.0, months=48.0),
    Fleet(150, planted="batch comebacks", times=6.0, months=48.0),
    Fleet(150, planted="fleet", times=2.0, component="brake.pad"),
    Fleet(150, planted="fleet", times=2.0),
    Fleet(500, planted="fleet", times=2.0, component="electrical.alternator"),
)

if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--scans", action="store_true")
    parser.add_argument("--power", action="store_true", help="only what is planted")
    options = parser.parse_args()
    if options.scans:
        print("| failures | chance | any alarm at the end | alarms a year |")
        print("|---|---|---|---|")
        for row in scans(20 * options.runs, 3):
            print("| {} | {} | {:.4f} | {:.4f} |".format(*row), flush=True)
    else:
        print("| vehicles | they differ by | years differ by | fleets | any row |")
        print("|---|---|---|---|---|")
        for fleet, times in () if options.power else CLEAN:
            runs = times * options.runs
            share = alarms(runs, fleet, 7).any_row
            print(
                f"| {fleet.vehicles} | {fleet.spread} | {fleet.year} | {runs} | {share:.1%} |",
                flush=True,
            )
        print(
            "\n| vehicles | planted | failures there | named | month right | by a test that knows |"
        )
        print("|---|---|---|---|---|---|")
        for fleet in PLANTED:
            one = alarms(options.runs, fleet, 8)
            said = f"{fleet.planted}, {fleet.times:g} times"
            print(
                f"| {fleet.vehicles} | {said} | {one.failures:.1f} | {one.named:.1%} | "
                f"{one.dated:.1%} | {one.by_oracle:.1%} |",
                flush=True,
            )
