"""False alarms and power of the search for repeat failures: run by hand, in minutes.

    python tests/simulations/repeat_failures.py --runs 300

A fleet of 60 vehicles in four classes has five components at two positions, Weibull lives in
thousand km and two suppliers; six vehicles in ten come with parts of unknown age, which are
left out. With nothing planted the share of fleets with any row is counted; with a component
planted on one class it is counted how often that class is named. It is planted in two ways:
lives a third as long, so that it fails three times as often in the long run, and a hazard three
times as high at every age, which is less. The table stands in
plugins/roadworn_plugins/repeats/README.md.
"""

import argparse
from dataclasses import dataclass

import numpy as np

from roadworn_plugins.repeats.levels import BY, Level, levels_of
from roadworn_plugins.shared.grouped import GroupedLives
from roadworn_plugins.shared.life_model import fit

#: Component, Weibull shape and scale in thousand km.
PARTS = (
    ("cooling.water_pump", 2.0, 170.0),
    ("wheel.bearing", 1.8, 140.0),
    ("electrical.alternator", 1.3, 150.0),
    ("brake.pad", 3.0, 60.0),
    ("electrical.battery", 2.5, 80.0),
)
PLANTED = ("cooling.water_pump", "class 0")
Row = tuple[str, str, str, str, str, str, float, float, bool]


@dataclass(frozen=True)
class Fleet:
    """Size of the fleet and what is planted."""

    vehicles: int = 60
    classes: int = 4
    hazard: float = 1.0
    life: float = 1.0


def play(rng: np.random.Generator, fleet: Fleet) -> list[Row]:
    """Return lives of known age, as the read model would derive them."""
    rows: list[Row] = []
    for number in range(fleet.vehicles):
        kind = f"class {number % fleet.classes}"
        start = rng.uniform(0.0, 150.0) if rng.random() < 0.6 else 0.0
        end = start + rng.uniform(60.0, 200.0)
        for component, shape, scale in PARTS:
            here = (component, kind) == PLANTED
            factor = fleet.life * fleet.hazard ** (-1.0 / shape) if here else 1.0
            for position in ("L", "R"):
                rows += _stays(
                    rng, (component, kind, f"v{number}", position), (start, end), shape,
                    scale * factor,
                )  # fmt: skip
    return rows


def _stays(
    rng: np.random.Generator,
    place: tuple[str, str, str, str],
    window: tuple[float, float],
    shape: float,
    scale: float,
) -> list[Row]:
    start, end = window
    born, rows = 0.0, []
    while True:
        life = scale * rng.weibull(shape)
        # What ended before the vehicle came is not on record; what it came with is of
        # unknown age unless the vehicle was new.
        if born >= start:
            origin = ("maker A", "A-1") if rng.random() < 0.5 else ("maker B", "B-1")
            failed = born + life < end
            rows.append((*place, *origin, 0.0, life if failed else end - born, failed))
        if born + life >= end:
            return rows
        born += life


def grouped(rows: list[Row], places: tuple[int, ...], by: tuple[str, ...]) -> GroupedLives:
    """Return the lives grouped by the cells at `places`."""
    labels = sorted({tuple(str(row[i]) for i in places) for row in rows})
    number = {label: i for i, label in enumerate(labels)}
    group = np.array([number[tuple(str(row[i]) for i in places)] for row in rows])
    order = np.argsort(group, kind="stable")
    leaving = np.array([row[7] for row in rows])[order]
    failed = np.array([row[8] for row in rows])[order]
    return GroupedLives(
        by,
        labels,
        group[order],
        np.array([row[6] for row in rows])[order],
        leaving,
        np.where(failed, leaving, np.inf),
        failed,
        ~failed,
    )


def judged(rows: list[Row]) -> list[Level]:
    """Return the comparisons of one fleet."""
    models = fit(grouped(rows, (0, 1), ("component", "class")))
    return levels_of(grouped(rows, (0, 1, 2, 3, 4, 5), BY), models)


def listed(levels: list[Level], rate: float = 0.05, least: int = 2) -> set[tuple[str, ...]]:
    """Return level and label of what would be listed."""
    return {
        (level.name, *level.labels[level.excess.group[i]])
        for level in levels
        for i in np.flatnonzero((level.adjusted <= rate) & (level.excess.observed >= least))
    }


def named_with(
    runs: int, fleet: Fleet, seed: int, least: int = 11, most: int = 13
) -> tuple[float, int]:
    """Return how often the planted class is named among fleets with so many failures there."""
    rng = np.random.default_rng(seed)
    named = counted = 0
    for _ in range(runs):
        rows = play(rng, fleet)
        if least <= sum(row[8] for row in rows if row[:2] == PLANTED) <= most:
            counted += 1
            named += ("class", *PLANTED) in listed(judged(rows))
    return named / max(counted, 1), counted


def alarms(runs: int, fleet: Fleet, seed: int) -> tuple[float, float, float]:
    """Return the share of fleets with any row, of those naming the class, and its failures."""
    rng = np.random.default_rng(seed)
    some = named = failures = 0
    for _ in range(runs):
        rows = play(rng, fleet)
        found = listed(judged(rows))
        some += bool(found)
        named += ("class", *PLANTED) in found
        failures += sum(row[8] for row in rows if row[:2] == PLANTED)
    return some / runs, named / runs, failures / runs


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--runs", type=int, default=300)
    runs = parser.parse_args().runs
    print("| vehicles | planted | failures there | any row | class named |")
    print("|---|---|---|---|---|")
    for words, vehicles, planted in (
        ("nothing", 20, {}),
        ("nothing", 40, {}),
        ("nothing", 60, {}),
        ("a third of the life", 12, {"life": 1 / 3}),
        ("a third of the life", 14, {"life": 1 / 3}),
        ("a third of the life", 20, {"life": 1 / 3}),
        ("three times the hazard", 30, {"hazard": 3.0}),
        ("three times the hazard", 60, {"hazard": 3.0}),
        ("three times the hazard", 120, {"hazard": 3.0}),
    ):
        times = runs if planted else 3 * runs
        some, named, failures = alarms(times, Fleet(vehicles=vehicles, **planted), 7)
        print(f"| {vehicles} | {words} | {failures:.1f} | {some:.1%} | {named:.1%} |", flush=True)
    print("\n| vehicles | classes | fleets with 11 to 13 failures | class named |")
    print("|---|---|---|---|")
    for vehicles, classes in ((14, 4), (24, 8), (40, 12)):
        fleet = Fleet(vehicles=vehicles, classes=classes, life=1 / 3)
        share, counted = named_with(runs, fleet, 5)
        print(f"| {vehicles} | {classes} | {counted} | {share:.1%} |", flush=True)
